"""Every command of the README as a user runs it: processes of their own, in a folder with a space in its name."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
import rasterio

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SCRIPT = Path(sys.executable).with_name("noonmark")
ENV = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}


def run(*words: object, cwd: Path, code: int = 0, limit_s: float = 300, **env: str) -> str:
    """What the command said; it is the installed one where there is one."""
    start = [SCRIPT] if SCRIPT.exists() else [sys.executable, "-m", "planner.cli"]
    done = subprocess.run(
        [*map(str, start), *map(str, words)],
        cwd=cwd,
        env={**ENV, **env},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=limit_s,
        check=False,
    )
    assert done.returncode == code, done.stderr + done.stdout
    assert "Traceback" not in done.stderr + done.stdout
    return done.stdout + done.stderr


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The examples, in a folder as people name them."""
    there = tmp_path / "my sites"
    shutil.copytree(ROOT / "examples", there)
    return there


def rows(out: Path) -> list[dict[str, object]]:
    return json.loads((out / "result.json").read_text(encoding="utf-8"))["sites"]


COMMANDS = {"demo", "site", "contract", "climate", "programme", "review", "check", "zone", "keys", "start", "serve"}


def test_the_readme_names_the_commands_that_there_are() -> None:
    from typer.main import get_command

    from planner.cli import app

    documented = set(re.findall(r"^\| `noonmark (\w+)", README, flags=re.M))
    assert documented == set(get_command(app).commands) == COMMANDS


def test_check(folder: Path) -> None:
    assert "0 errors, 3 notices." in run("check", "campus/campus.toml", cwd=folder)
    assert json.loads(run("check", "small/smallest.toml", "--json", "--quiet", cwd=folder))["ok"]


def test_climate_makes_a_layer_that_site_takes(folder: Path) -> None:
    monthly = folder / "contract" / "monthly eto.toml"
    layer = '[climate.{0}]\npath = "{0}.tif"\nunit = "C"\n'
    for name in ("tmin", "tmax"):
        with rasterio.open(folder / "contract" / "tmean.tif") as mean:
            profile, degrees, unknown = mean.profile, mean.read(), mean.read_masks() == 0
        degrees = degrees + (7 if name == "tmax" else -7)
        degrees[unknown] = profile["nodata"]
        with rasterio.open(folder / "contract" / f"{name}.tif", "w", **profile) as out:
            out.write(degrees)
    monthly.write_text(layer.format("tmin") + layer.format("tmax"), encoding="utf-8")
    said = run("climate", "contract/monthly eto.toml", "--out", "own eto.tif", cwd=folder)
    assert "12 bands" in said
    with rasterio.open(folder / "own eto.tif") as made:
        assert made.count == 12


def moved(folder: Path) -> Path:
    """The examples' contract, from elsewhere than its layers lie: its paths hold a value."""
    text = (folder / "contract" / "contract.toml").read_text(encoding="utf-8")
    plan = folder / "moved.toml"
    plan.write_text(re.sub(r'path = "(\w+\.\w+)"', r'path = "${HERE}/\1"', text), encoding="utf-8")
    return plan


@pytest.fixture
def by_itself(once: Callable[..., tuple[Path, str]]) -> tuple[Path, str]:
    """The contract's folder of results, with a value for its paths and no cluster, and what the command said."""

    def make(base: Path) -> str:
        shutil.copytree(ROOT / "examples", base / "my sites")
        return run("contract", moved(base / "my sites").name, "--var", "HERE=contract", cwd=base / "my sites")

    base, said = once("contract-by-itself", make)
    return base / "my sites" / "noonmark-out" / "moved", said


def test_a_contract_with_a_value_for_its_paths(folder: Path, by_itself: tuple[Path, str]) -> None:
    out, said = by_itself
    assert "40 sites" in said
    assert len(rows(out)) == 40
    assert "HERE" in run("contract", moved(folder).name, cwd=folder, code=3)


def test_python_as_the_readme_shows_it(folder: Path) -> None:
    code = re.search(r"```python\n(.*?)```", README, flags=re.S)
    assert code is not None
    (folder / "examples").symlink_to(folder)
    env = {**ENV, "PYTHONPATH": os.pathsep.join(filter(None, [ENV.get("PYTHONPATH"), str(ROOT)]))}
    done = subprocess.run(
        [sys.executable, "-c", code[1]], cwd=folder, env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
    assert (folder / "out" / "sheet.html").is_file()


@contextlib.contextmanager
def started(*words: str, cwd: Path) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-m", *words], cwd=cwd, env=ENV, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(timeout=30)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def test_a_contract_on_a_cluster(folder: Path, tmp_path: Path, by_itself: tuple[Path, str]) -> None:
    """Scheduler and worker are started as Dask's own commands, elsewhere, with an environment of their own."""
    pytest.importorskip("distributed")
    address = f"tcp://127.0.0.1:{free_port()}"
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    port = address.rsplit(":", 1)[1]
    with (
        started("dask", "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard", cwd=elsewhere),
        started("dask", "worker", address, "--nthreads", "2", "--no-dashboard", cwd=elsewhere),
    ):
        said = run(
            "contract", moved(folder).name, "--out", "by cluster", "--scheduler", address, "--part-sites", 9,
            cwd=folder, HERE="contract",
        )  # fmt: skip
    assert "40 sites" in said
    assert rows(folder / "by cluster") == rows(by_itself[0])


class Polite(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.send_error(404)


def test_what_is_no_scheduler_is_answered(folder: Path) -> None:
    """Ten seconds are given to it (`batches.ANSWER_S`); the rest of the limit is the start of four processes."""
    distributed = pytest.importorskip("distributed")
    with contextlib.ExitStack() as stack:
        silent = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
        server = stack.enter_context(HTTPServer(("127.0.0.1", 0), Polite))
        threading.Thread(target=server.serve_forever, daemon=True).start()
        stack.callback(server.shutdown)
        cluster = stack.enter_context(
            distributed.LocalCluster(n_workers=1, processes=False, protocol="tcp", dashboard_address=None)
        )
        addresses = [
            f"tcp://127.0.0.1:{port}" for port in (free_port(), silent.getsockname()[1], server.server_port)
        ]
        addresses.append(cluster.workers[0].address)

        def said(address: str) -> str:
            # a folder for each: one that finds a folder there leaves it
            out = f"out {addresses.index(address)}"
            words = ("contract", "contract/contract.toml", "--scheduler", address, "--out", out)
            return run(*words, cwd=folder, code=2, limit_s=200)

        told = list(stack.enter_context(ThreadPoolExecutor(4)).map(said, addresses))
    for address, text in zip(addresses, told, strict=True):
        assert re.search("no scheduler", text)
        assert address in text
    assert not list(folder.glob("out *"))


@pytest.mark.parametrize("words", ["import planner", "import planner.cli", "planner.cli --help"])
def test_what_only_asks_for_help_loads_nothing_heavy(words: str, tmp_path: Path) -> None:
    """Under 0.3 s on two quiet cores; held by what is loaded, for a clock would measure the machine."""
    run_it = "import runpy; runpy.run_module('planner.cli', run_name='__main__')"
    code = words if words.startswith("import") else run_it
    heavy = (
        "numpy pandas numba scipy shapely pyproj pyogrio rasterio geopandas pyarrow pvlib h5py pydantic folium PIL"
    )
    told = (
        "import atexit, sys\n"
        f"atexit.register(lambda: print('loaded:', *(set('{heavy}'.split()) & set(sys.modules))))"
    )
    env = {**ENV, "PYTHONPATH": os.pathsep.join(filter(None, [ENV.get("PYTHONPATH"), str(ROOT)]))}
    done = subprocess.run(
        [sys.executable, "-c", f"{told}\n{code}", "--help"],
        cwd=tmp_path, env=env, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1].split() == ["loaded:"]

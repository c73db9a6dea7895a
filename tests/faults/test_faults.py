"""CI's share of the faults; all of them: `python tests/faults/run.py`."""

import subprocess
import sys
from pathlib import Path

from planner.pieces import hold


def test_a_share_of_the_faults_harms_nothing() -> None:
    words = ["kills", "full", "changed", "--kills", "2", "--sizes", "300", "--jobs", "climate"]
    done = subprocess.run(
        [sys.executable, Path(__file__).with_name("run.py"), *words],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert ", 0 faults" in done.stdout.splitlines()[-1]


def test_a_folder_whose_mark_could_not_be_written_is_taken_up_again(tmp_path: Path) -> None:
    """`python tests/faults/run.py full --sizes 0 --jobs climate`."""
    folder = tmp_path / ".parts"
    folder.mkdir()
    (folder / "job.json").touch()
    with hold(folder, "a job") as pieces:
        assert pieces.folder == folder

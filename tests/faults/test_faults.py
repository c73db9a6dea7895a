"""CI's share of the faults; all of them: `python tests/faults/run.py`."""

import subprocess
import sys
from pathlib import Path


def test_a_share_of_the_faults_harms_nothing() -> None:
    words = ["kills", "full", "changed", "--kills", "2", "--sizes", "300", "--commands", "climate"]
    done = subprocess.run(
        [sys.executable, Path(__file__).with_name("run.py"), *words],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert ", 0 faults" in done.stdout.splitlines()[-1]

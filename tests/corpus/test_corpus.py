"""CI's share of the corpus; all of it: `python tests/corpus/run.py --all`."""

import subprocess
import sys
from pathlib import Path


def test_a_share_of_the_corpus_ends_as_each_case_says() -> None:
    done = subprocess.run(
        [sys.executable, Path(__file__).with_name("run.py"), "--jobs", "1"],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    count, _, bad = done.stdout.splitlines()[-1].partition(" cases, ")
    assert int(count) > 50
    assert bad.startswith("0 not")

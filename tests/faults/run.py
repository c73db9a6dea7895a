"""The faults by one command: `python tests/faults/run.py [KIND ...]`; what it does is said in `run_faults`."""

import sys

from run_faults import main

if __name__ == "__main__":
    sys.exit(main())

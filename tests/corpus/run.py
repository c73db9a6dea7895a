"""The corpus by one command: `python tests/corpus/run.py [--all]`; what it does is said in `run_corpus`."""

import sys

from run_corpus import main

if __name__ == "__main__":
    sys.exit(main())

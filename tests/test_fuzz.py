"""CI's share of the fuzz; ten minutes of it: `python tests/fuzz.py`."""

import pytest
from fuzz import PARSERS, fuzz


@pytest.mark.parametrize("parser", PARSERS)
def test_a_spoiled_file_is_read_or_refused(parser: str) -> None:
    assert fuzz(parser, 20) >= 15

"""CI's share of the fuzz; ten minutes of it: `python tests/fuzz.py`."""

import numpy as np
import pytest
from fuzz import PARSERS, fuzz
from pyproj import CRS

from planner.layers.source import fits
from planner.ledger import DataError


@pytest.mark.parametrize("parser", PARSERS)
def test_a_spoiled_file_is_read_or_refused(parser: str) -> None:
    assert fuzz(parser, 20) >= 15


def test_hours_without_a_date_are_said() -> None:
    head = PARSERS["hours"][0].split(b"\n")[:8]
    with pytest.raises(DataError, match="3 of its hours have no date"):
        PARSERS["hours"][1](b"\n".join([*head, *[b",".join([b""] * 35)] * 3]))


def test_a_place_off_the_earth_is_in_no_area() -> None:
    """Without a warning, which the tests take for an error."""
    assert not fits(np.array([[1e300, 3.7e6]]), CRS.from_epsg(32612)).any()

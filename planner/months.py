"""Months as arrays, January first."""

import numpy as np

# A non-leap year: a mean year is what normals describe.
MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])

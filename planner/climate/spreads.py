"""How far off the peak month's ETo is, by how it was found."""

# Standard deviation of the peak month's ETo, mm/day, by how it was found. `layer`: gridMET cells 25 km apart
# differ by 0.32 in July over Montana (RMS), cells 4 km apart by 0.13; what a grid misses at a site is taken to be
# of that size: an assumption. The others are RMSE against the same layer's ETo in July when one quantity is
# withheld, and add in quadrature; `hargreaves` is measured at 41 points in 17 regions (data/fit_daily_range.py),
# as is the built-in estimate's own spread. `one year`: standard deviation of June's mean from year to year at
# Maricopa, Arizona (AZMET 2003-2020); the months of a typical year are picked to be nearer the mean than that.
SPREAD_MM_DAY = {
    "layer": 0.35,
    "formula": 0.10,
    "no radiation": 0.20,
    "no humidity": 0.46,
    "no wind": 0.39,
    "hargreaves": 0.75,
    "one year": 0.36,
}
# How much July's ETo differs between cells so far apart, mm/day RMS, along rows and columns (the same layer). What
# stands in for a site from farther away is taken to be off by that; beyond the last nothing was measured.
APART_KM = (0.0, 4.0, 9.0, 13.0, 25.0, 50.0, 100.0, 150.0)
APART_MM_DAY = (0.0, 0.13, 0.22, 0.26, 0.32, 0.38, 0.44, 0.49)

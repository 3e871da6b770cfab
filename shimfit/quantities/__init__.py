"""Lengths, fractions, slopes, torques, tolerances: parsed in `typed` and `tolerance`, shown by `shown`."""

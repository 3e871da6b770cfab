"""Mechanics, measurement and search: pure functions on plain values, standard library and numpy only."""

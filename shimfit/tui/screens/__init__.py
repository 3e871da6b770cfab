"""Screens: post (home), run, stock, record, setup, help; each in its own file, built when visited."""

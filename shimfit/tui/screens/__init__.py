"""Screens: post (home), run, stock, record, setup and help, each in its own file, built when first visited."""

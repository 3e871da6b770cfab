"""Samples to one reading with its uncertainty, or why not; how the sensor sits. Pure, numpy only.

`statistics` spread, memory, Allan deviation · `watch` where things stand, in words, and a still stretch to a
reading · `mounting` axes and zero.
"""

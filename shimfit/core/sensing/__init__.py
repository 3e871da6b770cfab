"""Samples to one reading with its uncertainty, or why not; how the sensor sits. Pure, numpy only.

`statistics` spread, memory, Allan deviation · `hold` a still stretch to a reading · `watch` the state machine
that says in words where things stand · `mounting` axes and zero.
"""

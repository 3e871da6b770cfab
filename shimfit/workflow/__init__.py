"""The use cases that the screens and the command line both call: read, answer, pack, tighten, hand over.

`Site` is one open data file with everything that can be done on it. `reading` logs what was read and sees
that an answer is there; `solving` works it out, with or without a data file. `plan` plans a run, `runs` looks
at one whole. `sample` writes the sample job. Nothing here draws or parses arguments, and nothing below knows
of it.
"""

from __future__ import annotations

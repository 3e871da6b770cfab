"""The use cases that the screens and the command line both call: read, answer, pack, tighten, hand over.

`site` is one open data file: its jobs, runs, box and settings. `layout` changes how a run is laid out;
`reading` logs what is done at a post and sees that an answer is there; `solving` works it out, also without
a data file. `plan` plans a run, `runs` looks at one whole. `sample` writes the sample job. Nothing here draws
or parses arguments, and nothing below knows of it.
"""

from __future__ import annotations

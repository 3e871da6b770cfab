"""The use cases that the screens and the command line both call: read, answer, pack, tighten, hand over.

`Site` is one open data file with everything that can be done on it. `solving` answers for one post, with or
without a data file. `words` says answers in sentences. `plan` looks at a whole run. `sample` writes the
sample job. Nothing here draws or parses arguments, and nothing below knows of it.
"""

from __future__ import annotations

"""One browser tab's program: `python -m shimfit.tui.served FILE` under the web server's driver."""

from __future__ import annotations

import sys
import time

from shimfit.errors import ShimfitError
from shimfit.tui import run
from shimfit.workflow.site import Site

PATIENCE_S = 3.0
"""A page that is loaded again may come before the program behind the old page has let go of the file."""


def main(path: str) -> int:
    """Open the data file, for writing if nobody else writes to it, and run the screen."""
    end = time.monotonic() + PATIENCE_S
    site = Site.open(path)
    while site.read_only and time.monotonic() < end:
        site.close()
        time.sleep(0.1)
        site = Site.open(path)
    with site:
        return run(site, ascii=False)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1]))
    except ShimfitError as error:
        sys.stderr.write(f"shimfit: {error.message}\n")
        sys.exit(error.exit_code)

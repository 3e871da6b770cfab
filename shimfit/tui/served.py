"""One browser tab's program: `python -m shimfit.tui.served FILE` under the web server's driver."""

from __future__ import annotations

import sys

from shimfit.errors import ShimfitError
from shimfit.tui import run
from shimfit.workflow.site import Site


def main(path: str) -> int:
    """Open the data file and run the screen."""
    with Site.open(path) as site:
        return run(site, ascii=False)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1]))
    except ShimfitError as error:
        sys.stderr.write(f"shimfit: {error.message}\n")
        sys.exit(error.exit_code)

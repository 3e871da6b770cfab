"""One browser tab's program: `python -m shimfit.tui.served FILE` under the web server's driver."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time

from shimfit.errors import ShimfitError
from shimfit.tui import run
from shimfit.workflow.site import Site

LEAVING_S = 3.0


def _leave_with_the_server() -> None:
    """End this program when the server's end of the pipe is gone, however the server ended (kill -9)."""
    poll = select.poll()
    poll.register(sys.stdin.fileno(), 0)  # nothing is asked for: only that it was hung up is told
    poll.poll()
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(LEAVING_S)
    os._exit(1)


def main(path: str) -> int:
    """Open the data file and run the screen."""
    if hasattr(select, "poll"):
        threading.Thread(target=_leave_with_the_server, daemon=True).start()
    with Site.open(path) as site:
        return run(site, ascii=False)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1]))
    except ShimfitError as error:
        sys.stderr.write(f"shimfit: {error.message}\n")
        sys.exit(error.exit_code)

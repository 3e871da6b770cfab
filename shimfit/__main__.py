"""Entry point: answers `--version` without loading anything, hands the rest to the command line."""

from __future__ import annotations

import sys


def main() -> int:
    """Run shimfit with the process's arguments; returns the exit code of shimfit.cli.main."""
    if sys.argv[1:] == ["--version"]:
        from shimfit import __version__

        print(f"shimfit {__version__}")
        return 0
    import gc
    import os
    import signal

    # What is made while modules load is no garbage: looked for every 700 values, it takes a tenth of a start.
    gc.set_threshold(20_000)
    # No matrix here is large enough to be shared out; a pool of threads for that takes as much again.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from shimfit.cli import main as run

    # Asked to stop from outside: leave through every `with`, so that files are closed and locks given back.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    code = run(sys.argv[1:])
    gc.freeze()  # the system takes all of it back at once
    return code


if __name__ == "__main__":
    sys.exit(main())

"""Entry point: answers `--version` without loading anything, hands the rest to the command line."""

from __future__ import annotations

import sys


def main() -> int:
    """Run shimfit with the process's arguments; returns the exit code of shimfit.cli.main."""
    if sys.argv[1:] == ["--version"]:
        from shimfit import __version__

        print(f"shimfit {__version__}")
        return 0
    import signal

    from shimfit.cli import main as run

    # Asked to stop from outside: leave through every `with`, so that files are closed and locks given back.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())

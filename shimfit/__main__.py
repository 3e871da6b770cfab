"""Entry point: answers `--version` without loading anything, hands the rest to the command line."""

from __future__ import annotations

import sys


def main() -> int:
    """Run shimfit with the process's arguments; returns the exit code of shimfit.cli.main."""
    if sys.argv[1:] == ["--version"]:
        from shimfit import __version__

        print(f"shimfit {__version__}")
        return 0
    from shimfit.cli import main as run

    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())

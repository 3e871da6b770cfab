"""Writing a file that the person named on the line: asked before one that exists is written over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.errors import FileError, ShimfitError
from shimfit.tui.desk import Outcome

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


class FileToWrite:
    """Takes the name; a second Enter on the same name writes over what is there."""

    def __init__(self, write: Callable[[str, bool], Path]) -> None:
        """write: (name, overwrite) → where it went; FileError that ends in `exists already` where it does."""
        self._write = write
        self._exists: str | None = None

    def named(self, name: str) -> Outcome:
        """Write it, or say why not."""
        try:
            target = self._write(name, self._exists == name)
        except FileError as error:
            if not error.message.endswith("exists already"):
                return Outcome(error.message, done=False, bell="refused")
            self._exists = name
            return Outcome(f"{error.message}: Enter again writes over it", done=False, bell="refused")
        except ShimfitError as error:
            return Outcome(error.message, done=False, bell="refused")
        return Outcome(f"written: {target.name}, in {target.parent}")

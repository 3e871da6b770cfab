"""What every command shares: data to stdout, talk to stderr, one JSON object, lengths as people type them."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TextIO

from shimfit.errors import Exit, FileError, escaped, printable
from shimfit.outputs import PDF, trouble, write_whole

if TYPE_CHECKING:
    import argparse

    from shimfit.outputs import Kind

SCHEMA = 1

if TYPE_CHECKING:
    # argparse names the type only privately and makes it generic only in its stubs.
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]  # noqa: SLF001 - no public name exists


class Command(Protocol):
    """A module of shimfit.cli that holds one command or a family of them."""

    def add_parsers(self, commands: Commands, common: argparse.ArgumentParser) -> None:
        """Add the command's parser(s); each sets defaults(run=function of (args, io) -> exit code)."""


@dataclass(frozen=True, slots=True)
class Io:
    """The two ways out of a command."""

    stdout: TextIO = field(default_factory=lambda: sys.stdout)
    stderr: TextIO = field(default_factory=lambda: sys.stderr)

    def say(self, text: str = "") -> None:
        """Print data (or, without --json, the sentences that are the answer) to stdout; raises FileError."""
        self._out(printable(text))

    def talk(self, text: str) -> None:
        """Print progress, warnings and errors to stderr."""
        print(printable(text), file=self.stderr)

    def json(self, answer: dict[str, Any]) -> None:
        """Print one JSON object with its schema number; a non-finite number in it is our own bug.

        Raises FileError when it can't be written.
        """
        text = json.dumps({"schema": SCHEMA, **answer}, ensure_ascii=False, allow_nan=False)
        # What would command a terminal can only stand inside a string: written as JSON's own escape there.
        self._out(escaped(text))

    def tell(self, words: str, data: dict[str, Any] | None = None, *, as_json: bool) -> int:
        """Give one short answer, and 0: its sentence or, `as_json`, its object (else the sentence in one)."""
        if as_json:
            self.json({"message": words} if data is None else data)
        else:
            self.say(words)
        return Exit.DONE

    def _out(self, text: str) -> None:
        try:
            print(text, file=self.stdout, flush=True)  # flushed: a full disk is told here, not at the exit
        except BrokenPipeError:
            raise  # the reader has seen enough: no error
        except OSError as error:
            raise trouble("the answer", error) from error

    def read_text(self, name: str) -> str:
        """Read a UTF-8 file, or stdin for `-`; raises FileError (missing, unreadable, not text)."""
        try:
            data = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
        except OSError as error:
            raise FileError(f"can't read {name}: {error.strerror}", path=name) from error
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            raise FileError(
                f"{name}, line {line}: not a text file (UTF-8 expected)", path=name, line=line
            ) from error

    def write(self, name: str, data: bytes, kind: Kind, args: argparse.Namespace) -> None:
        """Write a file whole or not at all, or to stdout for `-`; raises FileError.

        args: `force` (a file of another kind may go) and `db`, since nothing may land on the data file.
        """
        if name != "-":
            from shimfit.settings import data_file

            write_whole(name, data, kind, keep=[data_file(args.db)], force=args.force)
            return
        if self.stdout.isatty() and kind is not PDF:
            data = printable(data.decode()).encode()
        out = getattr(self.stdout, "buffer", None)
        try:
            if out is None:
                self.stdout.write(data.decode())
            else:
                self.stdout.flush()
                out.write(data)
                out.flush()
        except BrokenPipeError:
            raise
        except OSError as error:
            raise trouble("the answer", error) from error

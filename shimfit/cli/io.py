"""What commands share: data to stdout, talk to stderr, one JSON object; the data file, lengths as typed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import field
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, TextIO, TypeAlias

from shimfit import csvfile, settings
from shimfit.errors import EntryError, Exit, FileError, UsageError, escaped, printable
from shimfit.outputs import PDF, Kind, check, fault, write_whole
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.report.tables import SheetFacts
    from shimfit.standing import RunState
    from shimfit.text.phrases import Words
    from shimfit.workflow.site import Site

SCHEMA = 1
Args: TypeAlias = SimpleNamespace
"""What was said: the value of each option by its name, and the command."""


@dataclass(frozen=True, slots=True)
class Io:
    """The two ways out of a command."""

    stdout: TextIO = field(default_factory=lambda: sys.stdout)
    stderr: TextIO = field(default_factory=lambda: sys.stderr)
    keyboard: bool = True
    """False: nothing can be read from stdin, as when the terminal program runs a command."""
    as_json: bool = False
    """What is asked for is one JSON object."""
    stop: Callable[[], bool] = bool
    """True once whoever runs a command asks it to stop; Ctrl+C is the signal's own affair."""

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

    def tell(self, said: str | Iterable[str], data: dict[str, Any] | None = None) -> int:
        """Give the answer, and 0: its lines, or as JSON its object (None: the sentence in one)."""
        if self.as_json:
            self.json({"message": said} if data is None else data)
        else:
            for line in [said] if isinstance(said, str) else said:
                self.say(line)
        return Exit.DONE

    def export(self, args: Args, data: bytes, kind: Kind, facts: dict[str, Any], what: str = "") -> int:
        """Write the answer to `file`, and 0; facts: what JSON says of it; what: how it is talked of."""
        self.write(args.file, data, kind, args)
        if self.as_json and args.file != "-":
            self.json({"file": args.file} | facts)
        elif what:
            self.talk(f"{what} written to {'stdout' if args.file == '-' else args.file}")
        return Exit.DONE

    def write_beside(self, args: Args, name: str, data: bytes, kind: Kind = PDF) -> None:
        """Write the file of --pdf or --csv and say so; raises FileError."""
        self.write(name, data, kind, args)
        if name != "-":
            self.talk(f"wrote {name}")

    def _out(self, text: str) -> None:
        with _answering():
            # Flushed: a full disk is an error here, not at the exit.
            print(text, file=self.stdout, flush=True)

    def read(self, name: str) -> bytes:
        """What is in a file, or comes from stdin for `-`; raises FileError (missing, unreadable)."""
        if name != "-":
            return csvfile.file_bytes(name)
        if not self.keyboard:
            raise UsageError("- is what is typed at a shell: here name a file")
        return sys.stdin.buffer.read()

    def text_of(self, name: str) -> tuple[str, str]:
        """The same as text, and how it is called in sentences; FileError where it is not UTF-8."""
        called = "what was piped in" if name == "-" else name
        return csvfile.file_text(name, called=called, data=self.read(name)), called

    def write(self, name: str, data: bytes, kind: Kind, args: Args) -> None:
        """Write a file whole or not at all, or to stdout for `-`; raises FileError.

        args: `force` (a file of another kind may go) and `db`, since nothing may land on the data file.
        """
        if name != "-":
            write_whole(name, data, kind, keep=[settings.data_file(args.db)], force=args.force)
            return
        if self.stdout.isatty() and kind is not PDF:
            data = printable(data.decode()).encode()
        out = getattr(self.stdout, "buffer", None)
        if out is None and kind is PDF:
            raise UsageError("a PDF is no text that could be shown here: name a file")
        with _answering():
            if out is None:
                self.stdout.write(data.decode())
            else:
                self.stdout.flush()
                out.write(data)
                out.flush()


@contextmanager
def _answering() -> Iterator[None]:
    """What can't be written to stdout is a FileError, unless the reader has seen enough."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        raise fault("the answer", error) from error


@contextmanager
def on_signal(number: int, act: Callable[..., None]) -> Iterator[bool]:
    """What a signal does while this lasts; False: the screen runs us in a thread, and signals are its own."""
    import signal
    import threading

    if threading.current_thread() is not threading.main_thread():
        yield False
        return
    before = signal.signal(number, act)
    try:
        yield True
    finally:
        signal.signal(number, before)


# ---------------------------------------------------------------- the data file


def open_site(args: Args, io: Io, *, read_only: bool = False, makes: bool = False, hold: bool = True) -> Site:
    """The data file of --db, SHIMFIT_DB or the user's folder, kept from other writers until it is closed.

    makes: the command begins something, so a file that is not there is made; a mistyped name makes none.
    hold: False where the command works for long, or lets others log meanwhile. Raises FileError.
    """
    from shimfit.workflow.site import Site

    own = ("units", "theme", "ascii", "sensor", "by")
    options: dict[str, Any] = {name: getattr(args, name) for name in own if hasattr(args, name)}
    file = settings.data_file(args.db)
    if not file.exists() and not makes and (args.db or not read_only):
        raise FileError(f"there is no data file {file}: `shimfit job new NAME` begins one, or `shimfit demo`")
    site = Site.open(file, read_only=read_only, hold=hold and not read_only, empty_ok=True, options=options)
    if not read_only:
        try:
            backup = site.back_up()
        except FileError as error:  # nothing that is logged depends on it
            io.talk(f"shimfit: no backup was written: {error.message}")
        else:
            if backup is not None:
                io.talk(f"shimfit: backup written to {backup}")
    return site


@contextmanager
def open_run(args: Args, io: Io) -> Iterator[tuple[Site, RunState]]:
    """The data file, only to be read, and the run that `path` names."""
    from shimfit.quantities.shown import refused_in
    from shimfit.workflow.site import parse_run

    job, run = parse_run(args.path)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
        with refused_in(state.units):
            yield site, state


def one_to_stdout(args: Args, csv: Kind | None = None) -> None:
    """Refuse, before the work, two answers that would go to stdout and files that can't be written over.

    csv: what kind of table --csv writes.
    """
    ways = {
        "--pdf -": vars(args).get("pdf") == "-",
        "--csv -": vars(args).get("csv") == "-",
        "--json": args.json,
    }
    asked = [way for way, wanted in ways.items() if wanted]
    if len(asked) > 1:
        raise UsageError(f"only one of {' and '.join(asked)} can go to stdout; give the others a file")
    for name, kind in ((vars(args).get("pdf"), PDF), (vars(args).get("csv"), csv)):
        if kind is not None and name != "-":
            check_output(args, name, kind)


def sheet_facts(site: Site, state: RunState) -> SheetFacts:
    """The heading of a run's papers."""
    from shimfit.report.tables import SheetFacts

    made = site.journal.now().isoformat(timespec="seconds")
    return SheetFacts(state, made, site.settings.graduation, site.box().lots)


def check_output(args: Args, name: str | None, kind: Kind) -> None:
    """Refuse a file that can't be written over before the work that ends in it; None is no file."""
    if name is not None:
        check(name, kind, keep=[settings.data_file(args.db)], force=args.force)


def units_of(args: Args, io: Io) -> settings.Units:
    """What a bare number means: --units, SHIMFIT_UNITS, the stored setting of a data file, else mm."""
    given: settings.Units | None = getattr(args, "units", None)
    if given is not None:
        return given
    if settings.data_file(args.db).exists():
        with open_site(args, io, read_only=True) as site:
            return site.settings.units
    return settings.load({}).units


def lengths_in(args: Args, units: settings.Units) -> Callable[..., float]:
    """What reads an option's length in mm, by its dest, or a `part` of it.

    units: what a bare number is in, the run's as in its readings. EntryError names the option.
    """
    from shimfit.quantities.typed import parse_length

    def read(option: str, part: str | None = None) -> float:
        try:
            return parse_length(getattr(args, option) if part is None else part, units, zero_ok=True)
        except EntryError as error:
            raise EntryError(f"--{option.replace('_', '-')}: {error.message}", at=error.at) from None

    return read


def answered_again(site: Site, io: Io, job: str | None = None) -> list[str]:
    """Say which posts (of one job, or all) have another answer now (given back), and which none any more."""
    from shimfit.workflow.reading import answer_missing

    served, lost = (list(map(str, places)) for places in answer_missing(site, job))
    if served:
        io.talk(f"there is a new answer for {', '.join(served)}")
    if lost:
        io.talk(f"no answer any more for {', '.join(lost)}: `shimfit plan JOB/RUN` shares out what is left")
    return served


def counted_wrong(site: Site, units: settings.Units) -> list[str]:
    """What was used that the box did not have or had given already, what can't be read; a sentence each."""
    from shimfit.core.cutting import taken_twice_words
    from shimfit.quantities.shown import sentence

    box, used = site.box(), "were used than were in the box: count it again"
    short = [f"caution: {count} more of {name} {used}" for name, count in box.short]
    twice = (f"caution: {sentence(taken_twice_words(one), units)}" for one in box.taken_twice)
    return [*short, *twice, *(f"caution: {one}" for one in box.unread)]


def words_of(run: RunState, own: settings.Settings) -> Words:
    """How a run is worded: its faces, its unit, its tape."""
    from shimfit.text.glyphs import glyphs_for
    from shimfit.text.phrases import Words

    return Words(run, glyphs_for(ascii_only=own.ascii), graduation=own.graduation)

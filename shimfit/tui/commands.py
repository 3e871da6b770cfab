"""The command line as the screen and plain mode see it: what each command takes, and how it is said.

Nothing here knows a command by its kind: options, help and words come from the command line's own page, and
what runs is the command line itself. What is added there can be done here at once.
"""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from shimfit.tui.session import Session


class _Option(Protocol):
    """An option (`--height`), or a word in its place (`place`), as the command line's page declares it."""

    @property
    def name(self) -> str: ...
    @property
    def how(self) -> Mapping[str, Any]:
        """As argparse takes it: help, metavar, choices, default, required, nargs, action."""


class Command(Protocol):
    """A command of the command line's page."""

    @property
    def name(self) -> str:
        """Its words."""

    @property
    def says(self) -> str:
        """What it does, in one sentence."""

    @property
    def takes(self) -> Sequence[_Option]:
        """Words in their places and options."""


class Commands(Protocol):
    """The command line, handed over by whoever starts the screen."""

    @property
    def listed(self) -> Sequence[Command]:
        """All commands."""

    def run(self, words: Sequence[str], said: Callable[[str], None], stop: Callable[[], bool]) -> int:
        """Run what these words say on the open data file; all that it says goes to `said`; its exit code."""


ELSEWHERE = {
    "simulate": "it plays until it is stopped: in a terminal of its own",
    "serve": "it serves until it is stopped: in a terminal of its own",
    "completion": "it is for the shell",
}
"""Commands that are not run from the screen, and why."""
BEGINS = ("job new", "run new")
"""Commands that name something new: what is open is no answer there."""
ENDED = {
    0: "done",
    1: "done; something is out of tolerance or can't be served",
    2: "refused",
    3: "the instrument",
    4: "a file",
}


class Wanted:
    """One thing that a command takes."""

    def __init__(self, option: _Option) -> None:
        how = option.how
        self.option = option
        self.label = option.name.lstrip("-")
        """`height`, `place`."""
        self.is_word = not option.name.startswith("-")
        """True: it stands in its place; False: it is an option with a name."""
        self.is_flag = how.get("action") == "store_true"
        self.is_many = how.get("nargs") in ("*", 2) or how.get("action") == "append"
        self.is_needed = "nargs" not in how if self.is_word else bool(how.get("required"))
        text = str(how.get("help", "")).replace("%%", "%")
        forms = "|".join(how.get("choices", ())) or how.get("metavar", "")
        self.says = f"{forms}: {text}" if isinstance(forms, str) and forms else text

    def known(self, command: str, session: Session) -> str:
        """What is open answers it: the run, the post, the job."""
        place, of = session.place, self.option.how.get("metavar", "")
        if of == "URL|CAPTURE":
            return session.settings.sensor
        if place is None or command in BEGINS:
            return ""
        if of == "JOB/RUN/POST":
            return str(place)
        if isinstance(of, str) and of.startswith("JOB/RUN"):
            return place.run_path
        is_job = self.label == "job" or self.option.how.get("help") == "the job"
        return place.job if is_job and self.is_word else ""

    def words(self, value: str) -> list[str]:
        """How it is said on the command line; ValueError for quotes that do not close."""
        name = self.option.name
        if self.is_flag:
            return [name]
        parts = shlex.split(value) if self.is_many else [value]
        if self.is_word:
            return parts
        return [name, *parts] if self.option.how.get("nargs") == 2 else [f"{name}={part}" for part in parts]

    def fault(self, value: str) -> str:
        """Why a value can't be, before the command itself judges it; empty: it may."""
        if self.is_needed and not value.strip():
            return f"{self.label} is needed: {self.says}"
        try:
            words = self.words(value.strip())
        except ValueError:
            return "a quotation mark is not closed"
        if self.is_word and any(word.startswith("-") and word != "-" for word in words):
            return f"{self.label} can't begin with -"
        return ""

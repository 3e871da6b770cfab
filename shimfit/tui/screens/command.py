"""Any command on the screen: what it needs is asked for, it runs as typed, its text is one sheet."""

from __future__ import annotations

import shlex
from functools import partial
from typing import TYPE_CHECKING

from shimfit.settings.commands import page
from shimfit.text.phrases import clipped, hanging
from shimfit.tui.background import Running
from shimfit.tui.screens.page import Entry, FormPage, Question, after
from shimfit.tui.session import Outcome, refused
from shimfit.tui.widgets import Tap

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from shimfit.settings.commands import Command, Option, Runs
    from shimfit.tui.session import Session


BEGINS = ("job new", "run new")
"""Commands that name something new: what is open is no answer there."""
ENDED = {
    0: "done",
    1: "done; something is out of tolerance or can't be served",
    2: "refused",
    3: "the instrument",
    4: "a file",
}


class CommandScreen(FormPage):
    """What a command takes, to be filled in; then what it says."""

    NAME = "command"
    KEYS = (("⏎ do or change", "open"), ("Esc back", "leave"), ("^P all", "palette"))

    _run: Runs
    _command: Command

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._wanted: tuple[Option, ...] = ()
        self._values: dict[str, str] = {}
        self._text: list[str] | None = None
        """What the command said; None while it is being filled in."""
        self._ended = ""
        self._back = "post"
        """The page that was in front before."""
        self._settings_before = session.settings

    def begin(
        self,
        run: Runs,
        name: str,
        given: Mapping[str, str] | None = None,
        *,
        back: str = "",
        at_once: bool = False,
    ) -> None:
        """Fill in a command: what is needed is asked for, one after another; then Enter does it.

        back: the page that Esc goes to in the end; empty: to the same as before. at_once: it needs no more.
        """
        self._back = back or self._back
        if self._work is not None:
            self.say(Outcome(f"{self._command.name} still runs: Esc stops it", done=False))
            return
        self._run, self._command = run, next(one for one in page().commands if one.name == name)
        self._wanted = self._command.takes
        known = {one.label: self._known(one) for one in self._wanted}
        self._values = {label: value for label, value in known.items() if value} | dict(given or {})
        self._text, self.question, self.outcome = None, None, None
        self.show()
        if self._wanted and not at_once:
            self._ask_for_needed()
        else:
            self._start()

    def entries(self) -> Iterator[Entry]:
        """What is wanted, or what was said."""
        width, more = self.window.width, self.session.glyphs.more
        if self._text is not None:
            hint = "PgUp and PgDn move; Esc goes back" if self._work is None else "it works"
            for row in (row for text in self._text or [""] for row in hanging(text, width)):
                yield Entry(row, hint, self.step_back)
            return
        does = clipped(f"do it: shimfit {shlex.join(self._words())}", width, more)
        yield Entry(does, "Enter does it", self._start, "strong")
        for one in self._wanted:
            value, default = self._values.get(one.label, ""), one.default
            otherwise = "needed" if one.is_needed else f"({default})" if default else ""
            row = clipped(f"  {one.label:<13} {value or otherwise}", width, more)
            yield Entry(row, one.asks, partial(self._change, one), "strong" if value else "")

    # ------------------------------------------------------------ filling in

    def _known(self, one: Option) -> str:
        """What is open answers it: the run, the post, the job."""
        place = self.session.place
        if one.form == "URL|CAPTURE":
            return self.session.settings.sensor
        if place is None or self._command.name in BEGINS:
            return ""
        if one.form.startswith("JOB/RUN"):
            return str(place) if one.form == "JOB/RUN/POST" else place.run_path
        return place.job if one.is_word and (one.label == "job" or one.says == "the job") else ""

    @property
    def _missing(self) -> Option | None:
        """What nothing runs without, and is not given yet."""
        return next((one for one in self._wanted if one.is_needed and not self._values.get(one.label)), None)

    def _ask_for_needed(self) -> None:
        if (missing := self._missing) is not None:
            self._ask_for(missing, self._ask_for_needed)
        elif self.question is not None:
            self.stop_asking()

    def _ask_for(self, one: Option, then: Callable[[], None]) -> None:
        def answer(text: str) -> Outcome:
            fault = one.fault(text)
            if fault:
                return refused(fault)
            self._values[one.label] = text.strip()
            self.show()
            then()
            return Outcome("")

        start, place = self._values.get(one.label, ""), self.session.place
        if not start and one.label == "path" and self._command.name in BEGINS and place is not None:
            start = f"{place.job}/"
        self.ask(Question(one.label, one.asks, answer, start))

    def _change(self, one: Option) -> None:
        """Another value: a choice goes to the next, a flag turns over, else the line asks."""
        choices = ["", "yes"] if one.is_flag else ["", *one.choices]
        if len(choices) == 1:
            self._ask_for(one, self.stop_asking)
            return
        self._values[one.label] = after(self._values.get(one.label, ""), choices)
        self.outcome = None
        self.show()

    # ------------------------------------------------------------ running

    def _words(self) -> list[str]:
        """The line of the command line that it is, words in their places before options."""
        filled = [one for one in self._wanted if self._values.get(one.label)]
        filled.sort(key=lambda one: not one.is_word)
        words = [word for one in filled for word in one.words(self._values[one.label])]
        return [*self._command.name.split(), *words]

    def _start(self) -> None:
        if self._missing is not None:
            self._ask_for_needed()
            return
        words, run = self._words(), self._run
        self._settings_before = self.session.settings
        if words[0] == "listen" or self._values.get("listen"):
            self.program.lend_sensor()
        self._text, self._ended, self.outcome = [], "", None
        running = Running(lambda said, stop: run(words, said, stop))
        self.work(running, lambda: self._over(running))

    def show_work(self, running: Running) -> None:
        """Show what has been said since the last look, and the seconds."""
        self._text = running.text()
        self.show()

    def _over(self, running: Running) -> None:
        self._text = running.text()
        self._ended = ENDED.get(running.code, "a fault of the program's own")
        self.program.command_ran(self._settings_before)
        self.show()
        self.list.mark(0)
        if self._ended not in (ENDED[0], ENDED[1]):
            first = next((line for line in self._text if line.strip()), "nothing was said")
            self.say(refused(first.strip()))

    def step_back(self) -> bool:
        """Esc stops what runs; else from what was said back to what was filled in; else away."""
        if self.interrupt():
            return True
        fills_in_again = self._text is not None and bool(self._wanted)
        self._text, self.outcome = None, None
        if fills_in_again:
            self.show()
            self.list.mark(0)
        elif self._back != "post":
            self.program.do(f"go_{self._back}")
        return fills_in_again or self._back != "post"

    # ------------------------------------------------------------ what is said

    def _headline(self, width: int) -> str:  # noqa: ARG002 - it is clipped
        running, how = self._work, self._ended
        if running is not None:
            state = "stopping as soon as it can" if running.stopping else "Esc stops it"
            how = f"runs, {running.seconds:.0f} s   {state}"
        elif self._text is None:
            how = self._command.says
        return f"{self._command.name}: {how}"

    def _own_keys(self) -> Sequence[Tap]:
        if self._work is not None:
            return (Tap("Esc stop", "leave"), Tap("F1 help", "help"))
        if self._text is not None:
            return (Tap("Esc back", "leave"), Tap("^P all", "palette"))
        return super()._own_keys()

"""Setting up: which run is open, new runs, and the settings that go with the data file."""

from __future__ import annotations

import time
from functools import partial
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError
from shimfit.model import FACE_NAMES, PostState
from shimfit.quantities.shown import angle, distance, sized, tape
from shimfit.settings import RULE_WORDS, SAYS, choices_of, in_words, shown
from shimfit.text.phrases import fitting, rod_words
from shimfit.text.pictures import PostInRun, run_in_plan, turn_of
from shimfit.tui.screens.page import Entry, FormPage, Question, after
from shimfit.tui.session import Outcome, outcome_of, refused
from shimfit.tui.setting_up import add_run, check_answer, preview_marks, preview_words, run_steps, units_of
from shimfit.tui.widgets import Picture
from shimfit.workflow.layout import OPTION_HINTS, set_option

if TYPE_CHECKING:
    from collections.abc import Iterator

    from textual.widget import Widget

    from shimfit.core.layout import Mark
    from shimfit.quantities.typed import Units
    from shimfit.standing import RunState
    from shimfit.text.canvas import Canvas
    from shimfit.tui.session import Session
    from shimfit.workflow.site import Place

PORTS_S = 2.0
"""Ports are looked for anew no sooner than that."""
NEW_RUN = "Enter asks for the job, the run's length, spacing, foot, height, tolerance"
SAMPLE = "a made-up boardwalk and porch; shimfit demo --remove takes them out"
ZERO = "what it says on a plumb post; Enter: turn it end for end and find it"
NOISE = "its floor and memory; Enter: leave it still for two minutes and measure them"
SENDS = "a device that nobody has described; Enter: listen, and keep a description"


class SetupScreen(FormPage):
    """Runs to open, a run to lay out, settings to change."""

    NAME = "setup"
    KEYS = (("⏎ set", "open"), ("n new run", "new_run"), ("F1 help", "help"), ("^P all", "palette"))

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._found: list[tuple[str, str]] = []
        self._ports_s = -PORTS_S
        self._answered: dict[str, str] | None = None
        """What was answered so far of a new run; None: none is being set up."""
        self._is_filled = False
        self._marks: tuple[Mark, ...] = ()
        self._units: Units = session.settings.units

    def _body(self) -> Iterator[Widget]:
        """The list; in its place, while a run is set up, the posts that would be laid out."""
        yield from super()._body()
        yield Picture(self._draw_preview, id="preview")

    def _headline(self, width: int) -> str:
        place = self.session.place
        open_run = f"open: {place.run_path}" if place else "no run is open"
        return fitting(width, "", f"{open_run}   kept in {self.session.site.journal.path}", open_run)

    def _fill(self) -> None:
        """The rows; to begin with the open run's is marked: Enter by accident opens no other."""
        super()._fill()
        if not self._is_filled:
            self._is_filled = True
            self.list.mark(next((at for at, row in enumerate(self._entries) if row.role == "strong"), 0))

    # ------------------------------------------------------------ a new run

    def new_run(self) -> None:
        """Ask for a run, one thing after another."""
        self._ask_step(0, {})

    def _ask_step(self, index: int, answers: dict[str, str]) -> None:
        site, steps = self.session.site, run_steps(self.session.site, answers)
        self._preview(answers)
        self.list.mark(index)
        before = partial(self._ask_step, index - 1, answers) if index else None
        if index == len(steps):
            try:
                hint = f"{preview_words(site, answers)}; Enter makes it, Esc goes back"
            except ShimfitError as error:
                hint = f"{error.message}; Esc goes back"
            make = partial(self._make_run, answers)
            self.ask(Question("make it", hint, make, back=before, does="make it"))
            return
        key, hint = steps[index]

        def answer(text: str) -> Outcome:
            outcome = outcome_of(partial(check_answer, site, key, text, answers))
            if outcome.done:
                answers[key] = text
                self._ask_step(index + 1, answers)
            return outcome

        start, place, run = answers.get(key, ""), self.session.place, self.session.run
        if key == "job" and not start and place is not None and not (run is not None and run.sample):
            start = place.job
        label = f"{index + 1} of {len(steps)} {_called(key)}"
        self.ask(Question(label, hint, answer, start, back=before))

    def _make_run(self, answers: dict[str, str], text: str) -> Outcome:
        """Enter on the run that would come of the answers."""
        if text.strip():
            return Outcome("Enter alone makes the run; Esc goes back", done=False)

        def make() -> Outcome:
            run = add_run(self.session.site, answers)
            outcome = self.session.go_run(run.job, run.name)
            self.stop_asking()
            self.program.do("go_post")
            return outcome

        return outcome_of(make)

    def _preview(self, answers: dict[str, str] | None) -> None:
        """Show the posts that the answers so far lay out; none yet: the answers; None: the list."""
        self._answered = answers
        try:
            self._marks = preview_marks(self.session.site, answers or {})
            self._units = units_of(self.session.site, answers or {})
        except ShimfitError:
            self._marks = ()
        self._fill()
        self.list.display = not self._marks
        preview = self.query_one("#preview", Picture)
        preview.display = bool(self._marks)
        preview.redraw()

    def _draw_preview(self, width: int, height: int) -> Canvas:
        return run_in_plan(
            [PostInRun(mark.name, mark.station_mm, PostState.TO_READ, turn_of(mark)) for mark in self._marks],
            -1,
            length=lambda mm: distance(mm, self._units),
            names=FACE_NAMES,
            glyphs=self.session.glyphs,
            width=width,
            height=height,
        )

    def stop_asking(self) -> None:
        """Nothing is asked any more: the list is back."""
        if self.is_up:
            self._preview(None)
        super().stop_asking()

    # ------------------------------------------------------------ the rows

    def entries(self) -> Iterator[Entry]:
        """The runs, what the open run is laid out by, the settings."""
        session, do = self.session, self.program.do
        if self._answered is not None:
            for key, hint in run_steps(session.site, self._answered):
                yield Entry(f"   {_called(key):<15} {self._answered.get(key, '')}", hint, self.stop_asking)
            return
        here = session.place.run_path if session.place else ""
        runs = [(job, run, f"{job.name}/{run}") for job in session.site.jobs() for run in job.runs]
        for job, run, path in runs:
            row = f" {session.glyphs.here if path == here else ' '} run  {path}"
            if job.sample and len(f"{row}  (sample)") <= self.window.width:
                row += "  (sample)"
            role = "strong" if path == here else ""
            yield Entry(row, "Enter opens this run", partial(self._open, job.name, run), role)
        yield Entry("   new run", NEW_RUN, self.new_run)
        if not runs:
            yield Entry("   the sample job", SAMPLE, lambda: (do("sample"), do("go_post")))
        if session.run is not None:
            for name, value in _options(session.run).items():
                ask = partial(self._ask_option, name)
                yield Entry(f"     {name:<11} {value}", OPTION_HINTS[name], ask)
        for name, (label, says) in SAYS.items():
            value = in_words(name, getattr(session.settings, name))
            yield Entry(f"   {label:<15} {value}", says, partial(self._change, name))
            if name == "sensor":
                for url, seems in self._ports():
                    listen = partial(self._choose, "sensor", url)
                    hint = "Enter listens to the inclinometer there"
                    yield Entry(f"     port {url}  {seems}", hint, listen)
            if name == "sensor_axes" and session.settings.sensor:
                for walk, words, hint in (
                    ("zero", self._zero_words(), ZERO),
                    ("noise", self._noise_words(), NOISE),
                    ("sends", "find out", SENDS),
                ):
                    yield Entry(f"   {f'sensor {walk}':<13} {words}", hint, partial(do, walk))

    def _open(self, job: str, run: str) -> None:
        outcome = self.session.go_run(job, run)
        self.tell(outcome)
        if outcome.done:
            self.program.do("go_post")

    def _ask_option(self, name: str) -> None:
        was = _options(self.session.run)[name] if self.session.run is not None else ""

        def change(text: str, place: Place) -> str:
            set_option(self.session.site, place.job, place.run, name, text)
            self.session.answer_missing()
            now = _options(self.session.site.run(place.job, place.run))[name]
            return f"{name}: {now}; it was: {was}"

        move = self.session.attempt
        self.ask(Question(name, OPTION_HINTS[name], lambda text: move(partial(change, text))))

    def _change(self, name: str) -> None:
        """Another value for a setting: the next of its choices, else the line asks."""
        value, choices = getattr(self.session.settings, name), choices_of(name)
        if choices:
            self._choose(name, after(shown(name, value), choices))
        else:
            label, says = SAYS[name]
            self.ask(Question(label, says, lambda text: self._set(name, text.strip()), str(value)))

    def _choose(self, name: str, text: str) -> None:
        self.tell(self._set(name, text))

    def _set(self, name: str, text: str) -> Outcome:
        before = self.session.settings
        outcome = outcome_of(partial(self.session.site.set, name, text))
        if not outcome.done:
            return outcome
        self.session.answer_missing()
        try:
            self.program.take_settings(before)
        except ShimfitError as error:
            return refused(f"{name} is set; {error.message}")
        label, _ = SAYS[name]
        now, was = (in_words(name, getattr(one, name)) for one in (self.session.settings, before))
        run = self.session.run
        if name == "units" and run is not None and run.units != now:
            was = f"{was}. {run.name} stays in {run.units}"
        return Outcome(self.session.keys.spell(f"{label}: {now}; it was: {was}. ^Z undoes it"))

    def _ports(self) -> list[tuple[str, str]]:
        """Ports that something may hang on, with what they seem to be; the one in use stands above."""
        from shimfit.wire.link import ports

        now_s = time.monotonic()
        if now_s - self._ports_s >= PORTS_S:
            self._ports_s = now_s
            self._found = [(port.url, port.seems) for port in ports() if port.is_likely]
        return [found for found in self._found if found[0] != self.session.settings.sensor]

    def _zero_words(self) -> str:
        """The sensor's zero as it is taken off, and its age."""
        from shimfit.workflow.sensor import options_of

        try:
            zero = options_of(self.session.site).zero
        except ShimfitError as error:
            return error.message
        if zero is None:
            return "not found"
        age = "" if zero.age_days is None else f", {zero.age_days} days old"
        x, y = (angle(deg, sign=True, unit=False) for deg in (zero.x_deg, zero.y_deg))
        return f"{x} {y} ± {angle(2 * zero.u_deg)}{age}"

    def _noise_words(self) -> str:
        """What a long still record showed of the sensor."""
        from shimfit.workflow.sensor import record_of

        known = record_of(self.session.site)
        if known is None or known.floor_deg is None:
            return "not measured"
        return f"floor {angle(known.floor_deg, 4)}, memory {known.memory_s or 0.0:.2g} s"


def _called(key: str) -> str:
    return {"every": "spacing"}.get(key, key)


def _options(run: RunState) -> dict[str, str]:
    """What the run is laid out by, as it is now."""
    names = " ".join(f"{face}={name}" for face, name in run.face_names)
    return {
        "tolerance": f"{run.tolerance.text}{' each way' if run.tolerance.per_direction else ''}",
        "rule": RULE_WORDS[run.rule],
        "height": tape(run.height_mm, run.units),
        "level": "the reading height" if run.gauge_mm is None else tape(run.gauge_mm, run.units),
        "faces": names or "next prev out house",
        "layout": run.making.layout,
        "rod": rod_words(run) or "middle of the foot",
        "kerf": "usual" if run.making.kerf_mm is None else sized(run.making.kerf_mm, run.units),
    }

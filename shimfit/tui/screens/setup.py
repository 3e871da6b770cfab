"""Setting up: which run is open, new runs, and the settings that go with the data file."""

from __future__ import annotations

import time
from functools import partial
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError
from shimfit.model import Face, PostState
from shimfit.quantities.shown import angle, distance, sized, tape
from shimfit.settings import SAYS, choices_of, shown
from shimfit.text.canvas import Canvas
from shimfit.text.phrases import fitting, rod_words
from shimfit.text.pictures import PostInRun, run_in_plan, turn_of
from shimfit.tui.screens.page import Question, RowsPage
from shimfit.tui.session import Outcome, outcome_of, refused
from shimfit.tui.setting_up import add_run, check_answer, preview_marks, preview_words, run_steps, units_of
from shimfit.tui.widgets import Picture
from shimfit.workflow.layout import OPTION_HINTS, set_option

if TYPE_CHECKING:
    from collections.abc import Iterator

    from textual.widget import Widget

    from shimfit.core.layout import Mark
    from shimfit.quantities.typed import Units
    from shimfit.text.canvas import Run
    from shimfit.tui.session import Session
    from shimfit.workflow.site import Place

PORTS_S = 2.0
"""Ports are looked for anew no sooner than that."""
_WALKS = {
    "zero": "what it says on a plumb post; Enter: turn it end for end and find it",
    "noise": "its floor and memory; Enter: leave it still for two minutes and measure them",
    "sends": "a device that nobody has described; Enter: listen, and keep a description",
}


class SetupScreen(RowsPage):
    """Runs to open, a run to lay out, settings to change."""

    NAME = "setup"
    KEYS = (("⏎ set", "open"), ("n new run", "new_run"), ("F1 help", "help"), ("^P all", "palette"))

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._found: list[tuple[str, str]] = []
        self._ports_s = -PORTS_S
        self._marks: tuple[Mark, ...] = ()
        self._units: Units = session.settings.units

    def _body(self) -> Iterator[Widget]:
        """The list; in its place, while a run is set up, the posts that would be laid out."""
        yield from super()._body()
        yield Picture(self._draw_preview, id="preview")

    def _fill(self) -> None:
        self._entries = self._make_entries()
        self.list.fill([row for _, _, row in self._entries])

    def _headline(self, width: int) -> str:
        place = self.session.place
        open_run = f"open: {place.run_path}" if place else "no run is open"
        return fitting(width, "", f"{open_run}   kept in {self.session.site.journal.path}", open_run)

    def _hint(self) -> str:
        entries = self._make_entries()
        kind, name, _ = entries[min(self.list.index, len(entries) - 1)]
        if kind == "set":
            return SAYS[name]
        return {
            "run": "Enter opens this run",
            "new": "asks for the job, the run's length, spacing, foot, height, tolerance",
            "port": "Enter listens to the inclinometer there",
            "walk": _WALKS.get(name, ""),
            "sample": "a made-up boardwalk and porch; shimfit demo --remove takes them out",
        }.get(kind, OPTION_HINTS.get(name, ""))

    def _moved(self) -> None:
        self.outcome = None
        self.show()

    def _chosen(self, index: int) -> None:
        kind, name, _ = self._make_entries()[index]
        match kind:
            case "run":
                job, _, run = name.partition("/")
                outcome = self.session.go_run(job, run)
                self._tell(outcome)
                if outcome.done:
                    self.program.do("go_post")
            case "new":
                self.new_run()
            case "sample":
                self.program.do("sample")
                self.program.do("go_post")
            case "option":
                self.ask(Question(name, OPTION_HINTS[name], lambda text: self._set_option(name, text)))
            case "port":
                self._tell(self._set("sensor", name))
            case "walk":
                self.program.do(name)
            case "set":
                self._change(name)

    def new_run(self) -> None:
        """Ask for a run, one thing after another."""
        self._ask_step(0, {})

    def _ask_step(self, index: int, answers: dict[str, str]) -> None:
        steps = run_steps(self.session.site, answers)
        self._preview(answers)
        if index == len(steps):
            self._ask_to_make(answers)
            return
        key, hint = steps[index]

        def answer(text: str) -> Outcome:
            outcome = outcome_of(partial(check_answer, self.session.site, key, text, answers))
            if outcome.done:
                answers[key] = text
                self._ask_step(index + 1, answers)
            return outcome

        start = answers.get(key, "")
        place, run = self.session.place, self.session.run
        if key == "job" and not start and place is not None and not (run is not None and run.sample):
            start = place.job
        label = f"{index + 1} of {len(steps)} {'spacing' if key == 'every' else key}"
        self.ask(
            Question(
                label,
                hint,
                answer,
                start,
                back=partial(self._ask_step, index - 1, answers) if index else None,
            )
        )

    def _ask_to_make(self, answers: dict[str, str]) -> None:
        """Show the run that would come of it; Enter makes it, Esc goes back to the last question."""
        site = self.session.site

        def make(text: str) -> Outcome:
            if text.strip():
                return Outcome("Enter alone makes the run; Esc goes back", done=False)
            run = add_run(site, answers)
            outcome = self.session.go_run(run.job, run.name)
            self.stop_asking()
            self.program.do("go_post")
            return outcome

        try:
            hint = f"{preview_words(site, answers)}; Enter makes it, Esc goes back"
        except ShimfitError as error:
            hint = f"{error.message}; Esc goes back"
        last = len(run_steps(site, answers)) - 1
        back = partial(self._ask_step, last, answers)
        self.ask(
            Question("make it", hint, lambda text: outcome_of(lambda: make(text)), back=back, does="make it")
        )

    def _preview(self, answers: dict[str, str]) -> None:
        """Show the posts that the answers so far lay out, in the place of the list; none yet: the list."""
        try:
            self._marks = preview_marks(self.session.site, answers)
            self._units = units_of(self.session.site, answers)
        except ShimfitError:
            self._marks = ()
        self.list.display = not self._marks
        preview = self.query_one("#preview", Picture)
        preview.display = bool(self._marks)
        preview.redraw()

    def _draw_preview(self, width: int, height: int) -> Canvas:
        return run_in_plan(
            [PostInRun(mark.name, mark.station_mm, PostState.TO_READ, turn_of(mark)) for mark in self._marks],
            -1,
            length=lambda mm: distance(mm, self._units),
            names={face: face.value for face in Face},
            glyphs=self.session.glyphs,
            width=width,
            height=height,
        )

    def stop_asking(self) -> None:
        """Nothing is asked any more: the list is back."""
        if self.is_up:
            self._preview({})
        super().stop_asking()

    def _change(self, name: str) -> None:
        value, choices = getattr(self.session.settings, name), choices_of(name)
        if not choices:
            self.ask(Question(name, SAYS[name], lambda text: self._set(name, text.strip()), str(value)))
            return
        following = choices[(choices.index(shown(name, value)) + 1) % len(choices)]
        self._tell(self._set(name, following))

    def _tell(self, outcome: Outcome) -> None:
        self.show()
        self.say(outcome)

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
        now, was = (shown(name, getattr(one, name)) or "none" for one in (self.session.settings, before))
        return Outcome(self.session.keys.spell(f"{name}: {now}; it was {was}, ^Z undoes it"))

    def _set_option(self, name: str, text: str) -> Outcome:
        def change(place: Place) -> str:
            set_option(self.session.site, place.job, place.run, name, text)
            self.session.answer_missing()
            return f"{name}: {text.strip()}"

        return self.session.attempt(change)

    def _make_entries(self) -> list[tuple[str, str, list[Run]]]:
        entries: list[tuple[str, str, list[Run]]] = []
        here = self.session.place.run_path if self.session.place else ""
        width = self.window.width
        for job in self.session.site.jobs():
            for run in job.runs:
                path = f"{job.name}/{run}"
                sign = self.session.glyphs.here if path == here else " "
                row = f" {sign} run  {path}"
                if job.sample and len(f"{row}  (sample)") <= width:
                    row += "  (sample)"
                entries.append(("run", path, [(row, "strong" if path == here else "")]))
        entries.append(("new", "", [("   new run", "")]))
        if not entries[:-1]:
            entries.append(("sample", "", [("   the sample job", "")]))
        run_now = self.session.run
        if run_now is not None:
            gauge = (
                "the reading height" if run_now.gauge_mm is None else tape(run_now.gauge_mm, run_now.units)
            )
            tolerance = run_now.tolerance
            each = " each way" if tolerance.per_direction else ""
            names = " ".join(f"{face}={name}" for face, name in run_now.face_names) or "next prev out house"
            entries += [
                ("option", key, [(f"     {key:<11} {value}", "")])
                for key, value in (
                    ("tolerance", f"{tolerance.text}{each}"),
                    ("rule", run_now.rule),
                    ("height", tape(run_now.height_mm, run_now.units)),
                    ("level", gauge),
                    ("faces", names),
                    ("layout", run_now.layout),
                    ("rod", rod_words(run_now) or "middle of the foot"),
                    ("kerf", "usual" if run_now.kerf_mm is None else sized(run_now.kerf_mm, run_now.units)),
                )
            ]
        settings = self.session.settings
        for name in SAYS:
            value = shown(name, getattr(settings, name)) or "none"
            entries.append(("set", name, [(f"   {name:<15} {value}", "")]))
            if name == "sensor":
                entries += [
                    ("port", url, [(f"     port {url}  {seems}", "")]) for url, seems in self._ports()
                ]
            if name == "sensor_axes" and settings.sensor:
                entries += [
                    ("walk", name, [(f"   {label:<13} {words}", "")])
                    for name, label, words in (
                        ("zero", "sensor_zero", self._zero_words()),
                        ("noise", "sensor_noise", self._noise_words()),
                        ("sends", "sensor_sends", "find out"),
                    )
                ]
        return entries

    def _ports(self) -> list[tuple[str, str]]:
        """Ports that something may hang on, with what they seem to be; the one in use is told above."""
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

"""What the data file is told beside the work at a post: jobs, runs, stock, instruments, settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit import settings as settings_room
from shimfit.contract import foot_to_json, lot_to_json, tolerance_to_json
from shimfit.errors import UsageError
from shimfit.quantities.tolerance import DEFAULT_TOLERANCE, parse_tolerance
from shimfit.store.events import Draft
from shimfit.store.fold import facts_of
from shimfit.workflow.place import Place, check_name
from shimfit.workflow.site.opened import Opened

if TYPE_CHECKING:
    from shimfit.model import Foot, Lot, Tolerance
    from shimfit.standing import Issue, RunState


class Keeping(Opened):
    """Jobs and runs are laid out, the box is filled, settings are changed."""

    def add_job(self, name: str, *, sample: bool = False, units: str | None = None) -> str:
        """Begin a job; UsageError when there is one of that name."""
        name = check_name(name, "job")
        if any(job.name == name for job in self.jobs()):
            raise UsageError(f"there is a job {name!r} already; give this one another name")
        data = {"name": name, "sample": sample, "units": units or self.settings.units}
        by = self.settings.by or None
        self.journal.append_all([Draft("job-added", data, job=name, by=by), *self._firm(name)])
        return name

    def _firm(self, job: str, known: Sequence[tuple[str, str]] = ()) -> list[Draft]:
        """The firm of the settings as a fact of the job, where the job does not name one."""
        firm, address = self.settings.firm, self.settings.firm_address
        if not firm or "firm" in dict(known):
            return []
        facts = {"firm": firm} | ({"firm_address": address} if address else {})
        return [Draft("facts", facts, job=job, by=self.settings.by or None)]

    def tell(self, job: str, run: str | None, facts: Mapping[str, str | None]) -> None:
        """Log what the records of a job, or of a run of it, say beside readings (FACTS; None: no more)."""
        self.journal.job(job)
        if run is not None:
            self.run(job, run)
        self.journal.append_all([Draft("facts", dict(facts), job=job, run=run, by=self.settings.by or None)])

    def facts(self, job: str, run: str | None) -> tuple[tuple[str, str], ...]:
        """What the records of a job, or of a run of it, say beside readings: (key of FACTS, text)."""
        self.journal.job(job)
        if run is not None:
            return self.run(job, run).facts
        return facts_of(self.journal.standing(("facts",), job), None)

    def issue(self, job: str, run: str, number: str = "", why: str = "") -> Issue:
        """Log that the run's record is given out as it stands now; the same again where it is already.

        UsageError where it replaces one that was issued and nobody says why.
        """
        self.journal.check()
        state = self.run(job, run)
        last = state.issues[-1] if state.issues else None
        data: dict[str, Any] = {"number": number, "why": why}
        if last is not None:
            head = self.journal.head_of(job, upto=last.seq)
            if head == self.journal.head_of(job) and number in ("", last.number):
                return last
            if not why:
                raise UsageError(
                    f"record {last.number or 'of ' + last.time[:10]} of {job}/{run} is issued already: say "
                    'why it is issued anew, like --why "post 7 read again"'
                )
            before = {post.name: post for post in self.journal.run(job, run, upto=last.seq).posts}
            now = {post.name: post for post in state.posts}
            names = [*now, *(name for name in before if name not in now)]
            data["replaces"] = str(head)
            data["changed"] = [name for name in names if before.get(name) != now.get(name)]
        issued = Draft("issued", data, job=job, run=run, by=self.settings.by or None)
        self.journal.append_all([*self._firm(job, state.facts), issued])
        return self.run(job, run).issues[-1]

    def add_run(
        self,
        job: str,
        name: str,
        *,
        foot: Foot,
        height_mm: float,
        tolerance: Tolerance | None = None,
        posts: Sequence[Mapping[str, Any]],
        **more: Any,
    ) -> RunState:
        """Lay out a run; posts are `post-added` data in walking order, more are the run's own options."""
        name = check_name(name, "run")
        known = self.journal.job(job)
        if name in known.runs:
            raise UsageError(f"there is a run {job}/{name} already; give this one another name")
        tolerance = tolerance or parse_tolerance(DEFAULT_TOLERANCE)
        data = {
            "foot": foot_to_json(foot),
            "height_mm": height_mm,
            "tolerance": tolerance_to_json(tolerance),
            "rule": self.settings.rule,
            "units": known.units,
        } | more
        by = self.settings.by or None
        drafts = [Draft("run-added", data, job=job, run=name, by=by)]
        drafts += [Draft("post-added", dict(post), job=job, run=name, by=by) for post in posts]
        self.journal.append_all(drafts)
        return self.run(job, name)

    def change_run(self, job: str, run: str, **changes: Any) -> None:
        """Change options of a run from now on (`run-changed` data)."""
        self.run(job, run)
        self.journal.append_all(
            [Draft("run-changed", changes, job=job, run=run, by=self.settings.by or None)]
        )

    def add_post(self, place: Place, data: Mapping[str, Any]) -> None:
        """Insert a post (`post-added` data)."""
        if self.run(place.job, place.run).post(check_name(place.post, "post")):
            raise UsageError(f"there is a post {place.post!r} in {place.run_path} already")
        self.journal.append_all([self._draft(place, "post-added", {"name": place.post} | dict(data))])

    def move_post(self, place: Place, station_mm: float) -> None:
        """Move a post along its leg."""
        self.post(place)
        self.journal.append_all([self._draft(place, "post-moved", {"station_mm": station_mm})])

    def remove_post(self, place: Place) -> None:
        """Take a post out of the run; everything logged at it stays in the log."""
        self.post(place)
        self.journal.append_all([self._draft(place, "post-removed", {})])

    def import_stock(self, lots: Sequence[Lot], source: str) -> None:
        """Put counted lots in the box; lots of the same name are replaced by what was counted."""
        data = {"lots": [lot_to_json(lot) for lot in lots], "source": source}
        self.journal.append_all([Draft("stock-imported", data, by=self.settings.by or None)])

    def add_stock(self, lot: Lot) -> None:
        """Put one lot in the box."""
        self.journal.append_all([Draft("stock-added", lot_to_json(lot), by=self.settings.by or None)])

    def out_of(self, lot: str, count: int | None = None) -> str:
        """Take pieces of a lot out of the box (None: all that is left); UsageError when it is not there."""
        there = self.box().lot(lot)
        if there is None:
            names = ", ".join(one.lot for one in self.box().lots) or "nothing"
            raise UsageError(f"there is no lot {lot!r} in the box; it holds {names}")
        if count is not None and count > there.count:
            raise UsageError(f"only {there.count} of {lot} are in the box, not {count}")
        self.journal.append_all(
            [Draft("stock-out", {"lot": lot, "count": count}, by=self.settings.by or None)]
        )
        left = 0 if count is None else there.count - count
        return f"{lot}: {left} left"

    def add_instrument(self, data: Mapping[str, Any]) -> None:
        """Enter an instrument, or what is now known of it (`instrument` data)."""
        self.journal.append_all([Draft("instrument", dict(data), by=self.settings.by or None)])

    def set(self, key: str, text: str) -> Any:
        """Change a setting from what was typed; returns its value. UsageError naming the choices."""
        value = settings_room.parse_setting(key, text)
        by = self.settings.by or None
        self._options.pop(key, None)
        self.journal.append_all([Draft("setting", {"key": key, "value": value}, by=by)])
        return value

    def back_up(self) -> Path | None:
        """Write a backup when the settings want one and it is due; its file, or None. Raises FileError."""
        settings = self.settings
        if self.read_only or settings.backup_days <= 0:
            return None
        from shimfit.store.merge import backup_if_due

        folder = Path(settings.backup_folder) if settings.backup_folder else None
        return backup_if_due(self.journal, folder, settings.backup_days, self.now())

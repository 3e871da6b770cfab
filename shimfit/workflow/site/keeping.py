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
from shimfit.workflow.place import Place, check_name
from shimfit.workflow.site.opened import Opened

if TYPE_CHECKING:
    from shimfit.model import Foot, Lot, Tolerance
    from shimfit.standing import RunState


class Keeping(Opened):
    """Jobs and runs are laid out, the box is filled, settings are changed."""

    def add_job(self, name: str, *, sample: bool = False, units: str | None = None) -> str:
        """Begin a job; UsageError when there is one of that name."""
        name = check_name(name, "job")
        if any(job.name == name for job in self.jobs()):
            raise UsageError(f"there is a job {name!r} already; give this one another name")
        data = {"name": name, "sample": sample, "units": units or self.settings.units}
        self.journal.append_all([Draft("job-added", data, job=name, by=self.settings.by or None)])
        return name

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

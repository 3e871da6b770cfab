"""One open data file: its settings, jobs, runs and box, and the places that posts have in it.

    with Site.open(path) as site:
        logged = log_reading(site, Place("lakeside", "boardwalk", "7"), "6n 10h")  # workflow.reading
        logged.post.answer

A method that logs returns only when the event is on disk. What can't be done is raised as a ShimfitError
whose message is ready to be shown; nothing is half done. What is done at a post are functions beside this
module that take a site and a place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from fractions import Fraction
from functools import lru_cache, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

from shimfit import settings as settings_room
from shimfit.codec import from_json, to_json
from shimfit.entry import EntrySettings, ParseResult, parse_entry
from shimfit.errors import LONGEST_NAME, UsageError, sign_fault
from shimfit.model import Foot, Instrument, Lot, Tolerance
from shimfit.quantities.typed import DEFAULT_TOLERANCE, parse_tolerance
from shimfit.settings import Settings
from shimfit.standing import Issue, PostRecord, RunState, check_due_days
from shimfit.store.events import Draft
from shimfit.store.fold import facts_of
from shimfit.store.journal import Journal
from shimfit.store.log import wall_clock
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core import packing
    from shimfit.core.layout import Mark


@dataclass(frozen=True, slots=True)
class Place:
    """One post of one run of one job."""

    job: str
    run: str
    post: str

    def __str__(self) -> str:
        return f"{self.job}/{self.run}/{self.post}"

    @property
    def run_path(self) -> str:
        """JOB/RUN."""
        return f"{self.job}/{self.run}"


def parse_place(text: str) -> Place:
    """JOB/RUN/POST; raises UsageError naming the form."""
    return Place(*_split(text, "JOB/RUN/POST", "lakeside/boardwalk/7"))


def parse_run(text: str) -> tuple[str, str]:
    """JOB/RUN; raises UsageError naming the form."""
    job, run = _split(text, "JOB/RUN", "lakeside/boardwalk")
    return job, run


def _split(text: str, form: str, example: str) -> list[str]:
    found = [part.strip() for part in text.split("/")]
    if len(found) != form.count("/") + 1 or not all(found):
        raise UsageError(f"{text!r} isn't a place: type {form}, like {example}")
    return found


def check_name(text: str, what: str) -> str:
    """A name of a job, run or post: short, one line, no slash, no surrounding blanks; raises UsageError."""
    name = text.strip()
    fault = sign_fault(name, LONGEST_NAME)
    if fault is not None:
        raise UsageError(f"{name[:LONGEST_NAME]!r} can't be the name of a {what}: it {fault}")
    if not name or "/" in name or "\n" in name or "\t" in name:
        raise UsageError(
            f"{text!r} can't be the name of a {what}: a name is not empty and has no slash in it"
        )
    return name


def check_room(marks: Sequence[Mark], foot: Foot, own: Mapping[str, Foot]) -> None:
    """UsageError when two posts on their marks leave no room between their feet.

    own: feet of posts that have another than the run's.
    """
    from shimfit.core.rails import openings, upright

    for one in openings(upright(marks, foot, own)):
        if one.widest_mm <= 0:
            raise UsageError(
                f"posts {one.first} and {one.second} leave no room between their feet: a wrong unit?"
            )


_Given = ParamSpec("_Given")
_Answer = TypeVar("_Answer")


def in_one_turn(
    step: Callable[Concatenate[Site, _Given], _Answer],
) -> Callable[Concatenate[Site, _Given], _Answer]:
    """A step whose event follows from what it reads: nobody else logs in between."""

    @wraps(step)
    def in_turn(site: Site, /, *given: _Given.args, **more: _Given.kwargs) -> _Answer:
        with site.journal.exclusively():
            return step(site, *given, **more)

    return in_turn


class Site(AbstractContextManager["Site"]):
    """One open data file.

    options: settings given on the command line (None = not given); they win over what is stored.
    """

    def __init__(
        self,
        journal: Journal,
        *,
        options: Mapping[str, Any] | None = None,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self.journal = journal
        self.jobs, self.run, self.box = journal.jobs, journal.run, journal.box
        """As the journal has them: all jobs; one run, UsageError naming those that there are; the one box."""
        self._options = dict(options or {})
        self._environment = environment
        self._tables: Callable[[tuple[Lot, ...], packing.Options], packing.Tables] | None = None
        self._settings = Settings()
        self._settings_of: Mapping[str, Any] | None = None
        """The stored settings that `_settings` was worked out from."""

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        read_only: bool = False,
        hold: bool = False,
        empty_ok: bool = False,
        options: Mapping[str, Any] | None = None,
        environment: Mapping[str, str] | None = None,
        clock: Callable[[], datetime] = wall_clock,
    ) -> Site:
        """Open a data file, made when it is not there; raises FileError in one sentence.

        hold, empty_ok: as for Journal.open.
        """
        journal = Journal.open(path, read_only=read_only, hold=hold, empty_ok=empty_ok, clock=clock)
        return cls(journal, options=options, environment=environment)

    def close(self) -> None:
        """Close the file and let another program write."""
        self.journal.close()

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ what there is

    @property
    def settings(self) -> Settings:
        """Settings in force: stored, then environment, then options."""
        stored = self.box().settings
        if stored is not self._settings_of:
            self._settings = settings_room.load(stored, environment=self._environment, options=self._options)
            self._settings_of = stored
        return self._settings

    def tables(self, lots: tuple[Lot, ...], options: packing.Options) -> packing.Tables:
        """Tables of a box, so that each new reading is answered against them; the last few are kept."""
        if self._tables is None:
            from shimfit.core import packing

            self._tables = lru_cache(maxsize=4)(packing.build_tables)
        return self._tables(lots, options)

    def post(self, place: Place) -> PostRecord:
        """One post; UsageError naming those that there are."""
        run = self.run(place.job, place.run)
        found = run.post(place.post)
        if found is None:
            names = ", ".join(post.name for post in run.posts) or "none yet"
            raise UsageError(f"there is no post {place.post!r} in {place.run_path}; its posts are: {names}")
        return found

    def every_post(self, job: str | None = None) -> Iterator[tuple[Place, PostRecord]]:
        """All posts of all runs, of all jobs or of one, in walking order."""
        for one in self.jobs():
            for run in one.runs if job in (None, one.name) else ():
                for post in self.run(one.name, run).posts:
                    yield Place(one.name, run, post.name), post

    # ------------------------------------------------------------ walking

    def last_place(self) -> Place | None:
        """Where to go on: in the run worked on last, the post touched last, or the one to do next."""
        jobs = [job for job in self.jobs() if job.last_run or job.runs]
        if not jobs:
            return None
        job = max(jobs, key=lambda one: one.last_seq)
        run = self.run(job.name, job.last_run or job.runs[0])
        touched = max(run.posts, key=lambda post: post.last_seq, default=None)
        if touched is None:
            return None
        has_history = touched.readings or touched.notes or touched.skipped is not None
        return Place(job.name, run.name, (touched if has_history else run.posts[0]).name)

    # ------------------------------------------------------------ for what is logged

    def draft(self, at: Place | tuple[str, ...], kind: str, data: Mapping[str, Any]) -> Draft:
        """An event at a post, or of a (job, run), a (job,) or the box (), by whom the settings name."""
        names = (at.job, at.run, at.post) if isinstance(at, Place) else at
        job, run, post = (*names, None, None, None)[:3]
        return Draft(kind, data, job, run, post, self.settings.by or None)

    def append(self, *drafts: Draft) -> None:
        """Log events in one step; on disk before it returns."""
        self.journal.append_all(drafts)

    # ------------------------------------------------------------ jobs, runs, the box, settings

    @in_one_turn
    def add_job(self, name: str, *, sample: bool = False, units: str | None = None) -> str:
        """Begin a job; UsageError when there is one of that name."""
        name = check_name(name, "job")
        if name == "box":
            raise UsageError(
                "'box' is the stock of all jobs (`shimfit undo box`): give this job another name"
            )
        if any(job.name == name for job in self.jobs()):
            raise UsageError(f"there is a job {name!r} already; give this one another name")
        data = {"name": name, "sample": sample, "units": units or self.settings.units}
        self.append(self.draft((name,), "job-added", data), *self._firm(name))
        return name

    def _firm(self, job: str, known: Sequence[tuple[str, str]] = ()) -> list[Draft]:
        """The firm of the settings as a fact of the job, where the job does not name one."""
        firm, address = self.settings.firm, self.settings.firm_address
        if not firm or "firm" in dict(known):
            return []
        facts = {"firm": firm} | ({"firm_address": address} if address else {})
        return [self.draft((job,), "facts", facts)]

    @in_one_turn
    def tell(self, job: str, run: str | None, facts: Mapping[str, str | None]) -> None:
        """Log what the records of a job, or of a run of it, say beside readings (FACTS; None: no more)."""
        self.journal.job(job)
        if run is not None:
            self.run(job, run)
        self.append(self.draft((job,) if run is None else (job, run), "facts", facts))

    def facts(self, job: str, run: str | None) -> tuple[tuple[str, str], ...]:
        """What the records of a job, or of a run of it, say beside readings: (key of FACTS, text)."""
        self.journal.job(job)
        if run is not None:
            return self.run(job, run).facts
        return facts_of(self.journal.standing(("facts",), job), None)

    @in_one_turn
    def issue(self, job: str, run: str, number: str = "", why: str = "") -> Issue:
        """Log that the run's record is given out as it stands now; the same again where it is already.

        UsageError where it replaces one that was issued and nobody says why.
        """
        self.journal.check()
        state = self.run(job, run)
        own = [one for one in state.issues if one.log == self.journal.log]
        last = (own or state.issues or (None,))[-1]
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
            # The figure of another crew's paper counts its events as they stood there.
            here = self.journal.events(job, upto=last.seq)
            is_known = bool(own) or all(event.log == last.log for event in here)
            beside = (one.called for one in state.issues_valid if not is_known or one != last)
            data["replaces"] = str(head) if is_known else None
            data["beside"] = list(beside)
            data["changed"] = [name for name in names if before.get(name) != now.get(name)]
        self.append(*self._firm(job, state.facts), self.draft((job, run), "issued", data))
        return self.run(job, run).issues[-1]

    @in_one_turn
    def add_run(
        self,
        /,
        job: str,
        name: str,
        *,
        foot: Foot,
        height_mm: float,
        tolerance: Tolerance | None = None,
        posts: Sequence[Mapping[str, Any]],
        **more: Any,
    ) -> RunState:
        """Lay out a run; posts are `post-added` data in walking order, more are the run's own options.

        UsageError when there is one of that name, or two posts leave no room between their feet.
        """
        from shimfit.core.layout import Mark

        name = check_name(name, "run")
        check_due_days(more.get("due_days"))
        known = self.journal.job(job)
        if name in known.runs:
            raise UsageError(f"there is a run {job}/{name} already; give this one another name")
        marks = [
            Mark(
                post["name"], post["leg"], post["station_mm"], post.get("kind", "line"), post.get("turn_deg")
            )
            for post in posts
        ]
        own = {post["name"]: from_json(Foot, post["foot"]) for post in posts if post.get("foot")}
        check_room(marks, foot, own)
        data = {
            "foot": to_json(foot),
            "height_mm": height_mm,
            "tolerance": to_json(tolerance or parse_tolerance(DEFAULT_TOLERANCE)),
            "rule": self.settings.rule,
            "units": known.units,
        } | more
        added = (self.draft((job, name), "post-added", post) for post in posts)
        self.append(self.draft((job, name), "run-added", data), *added)
        return self.run(job, name)

    @in_one_turn
    def change_run(self, /, job: str, run: str, **changes: Any) -> None:
        """Change options of a run from now on (`run-changed` data)."""
        self.run(job, run)
        check_due_days(changes.get("due_days"))
        self.append(self.draft((job, run), "run-changed", changes))

    def import_stock(self, lots: Sequence[Lot], source: str) -> None:
        """Put counted lots in the box; lots of the same name are replaced by what was counted."""
        data = {"lots": [to_json(lot) for lot in lots], "source": source}
        self.append(self.draft((), "stock-imported", data))

    @in_one_turn
    def add_stock(self, lot: Lot) -> str:
        """Put one lot in the box; what it is called there, where its name may be another lot's (`T1 (2)`).

        UsageError where there is none of it.
        """
        if not lot.count:
            raise UsageError(f"0 of {lot.lot} are nothing to put in the box: say how many there are")
        name = self.box().stock.copy().put(lot)
        self.append(self.draft((), "stock-added", to_json(lot)))
        return name

    @in_one_turn
    def out_of(self, lot: str, count: int | None = None) -> str:
        """Take pieces of a lot out of the box (None: all that is left); UsageError when it is not there."""
        there = self.box().lot(lot)
        if there is None:
            names = ", ".join(one.lot for one in self.box().lots) or "nothing"
            raise UsageError(f"there is no lot {lot!r} in the box; it holds {names}")
        if count is not None and count > there.count:
            raise UsageError(f"only {there.count} of {lot} are in the box, not {count}")
        self.append(self.draft((), "stock-out", {"lot": lot, "count": count}))
        left = 0 if count is None else there.count - count
        return f"{lot}: {left} left"

    def add_instrument(self, known: Instrument) -> None:
        """Enter an instrument, or all that is now known of it."""
        self.append(self.draft((), "instrument", to_json(known)))

    def set(self, key: str, text: str) -> Any:
        """Change a setting from what was typed; returns its value. UsageError naming the choices."""
        value = settings_room.parse_setting(key, text)
        self._options.pop(key, None)
        self.append(self.draft((), "setting", {"key": key, "value": value}))
        return value

    def back_up(self) -> Path | None:
        """Write a backup when the settings want one and it is due; its file, or None. Raises FileError."""
        days, folder = self.settings.backup_days, self.settings.backup_folder
        if self.journal.read_only or days <= 0:
            return None
        from shimfit.store.merge import backup_if_due

        return backup_if_due(self.journal, Path(folder) if folder else None, days, self.journal.now())

    # ------------------------------------------------------------ what is typed

    def entry_settings(self, run: RunState) -> EntrySettings:
        """How entries are understood in a run."""
        return EntrySettings(
            units=self._options.get("units") or run.units,
            graduation_in=Fraction(1, self.settings.graduation),
            gauge_mm=run.gauge_mm,
            faces=dict(EntrySettings().faces) | dict(run.face_names),
        )

    def echo(self, place: Place, text: str) -> ParseResult:
        """How an entry is understood so far, on every key; never raises on any text."""
        return parse_entry(text, self.entry_settings(self.run(place.job, place.run)))

    # ------------------------------------------------------------ back and forth

    def undo(self, job: str | None, step: str | None = None) -> str:
        """Take back the last step of a job (None: of the box); UsageError when there is none.

        step: id of the step that is meant; UsageError when another is the last by now.
        """
        words = self.journal.undo(job, by=self.settings.by or None, step=step)
        if words is None:
            raise UsageError("there is nothing to take back")
        return f"taken back: {words}"

    def redo(self, job: str | None) -> str:
        """Bring back what was taken back last; UsageError when there is nothing."""
        words = self.journal.redo(job, by=self.settings.by or None)
        if words is None:
            raise UsageError("there is nothing to bring back")
        return f"brought back: {words}"

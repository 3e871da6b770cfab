"""From events to the state of a run: pure, at the end of the log or at any past event.

A fold is fed events in the order they happened and hands out frozen values. One more event costs the history
of its own post at most; an `undone` works the posts it touches out again. Events that can't be understood (a
newer program wrote them, or something damaged them) are told in `unread` and never stop the rest.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

from shimfit import contract
from shimfit.standing import FACTS, Issue, Making, RunState
from shimfit.store.crews import Knowledge, Move, Side, Told, layout_conflict, moves_of
from shimfit.store.post import PostBuilder
from shimfit.store.shapes import left_out, number, read_data
from shimfit.store.steps import UNDONE, Voided

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.standing import PostRecord
    from shimfit.store.events import Event


def fold_run(events: Iterable[Event], job: str, run: str) -> RunState | None:
    """State of a run from the events that it depends on, in order; None when no standing event adds it."""
    fold = RunFold(job, run)
    for event in events:
        fold.add(event)
    return fold.state()


def facts_of(standing: Iterable[Event], run: str | None) -> tuple[tuple[str, str], ...]:
    """What a run's record states beside readings, (key of FACTS, text): the run's own before the job's.

    standing: the job's events in order, those undone left out; run None: the job's facts alone.
    """
    of_job: dict[str, str | None] = {}
    of_run: dict[str, str | None] = {}
    for event in standing:
        if event.kind == "facts" and event.run in (None, run):
            (of_job if event.run is None else of_run).update(read_data(event)[0] or {})
    return tuple((key, text) for key in FACTS if (text := of_run.get(key) or of_job.get(key)))


class RunFold:
    """State of one run, brought forward by `add`."""

    def __init__(self, job: str, run: str) -> None:
        self._job = job
        self._run = run
        self._void = Voided()
        self._knowledge = Knowledge()
        self._of_run: list[Told] = []
        self._posts: dict[str, _PostHistory] = {}
        self._touches: defaultdict[str, set[str]] = defaultdict(set)
        """Step -> names of the posts that it touches."""
        self._unread: list[str] = []
        self._papers: list[Event] = []
        """What the record says beside the posts: facts of the job and of the run, records issued."""
        self._conflict: str | None = None
        self._last_seq = 0
        self._state: RunState | None = None
        """As worked out last; None when something was added since."""

    def add(self, event: Event) -> None:
        """Bring the state forward by one event; an event of another run changes nothing."""
        if event.job != self._job:
            return
        self._state = None
        if event.kind == UNDONE:
            self._undo(event)
        elif event.kind == "merged":
            self._merge(event)
        elif event.kind in ("facts", "issued") and event.run in (None, self._run):
            self._papers.append(event)
        elif event.kind == "job-added" or (event.run == self._run and event.post is None):
            self._add_to_run(event)
        elif event.run == self._run:
            self._add_to_post(event, event.post)

    def _undo(self, event: Event) -> None:
        changed = self._void.add(event)
        for name in {name for step in changed for name in self._touches.get(step, ())}:
            self._posts[name].work_out_again()
            self._last_seq = max(self._last_seq, event.seq)

    def _add_to_run(self, event: Event) -> None:
        data, trouble = read_data(event)
        if data is None:
            self._unread.append(left_out(event, trouble))
            return
        if event.kind == "post-added":
            self._add_to_post(event, data["name"])
            return
        self._of_run.append(Told(event, self._knowledge.of(event.log)))
        self._last_seq = max(self._last_seq, event.seq)

    def _merge(self, event: Event) -> None:
        data, _ = read_data(event)
        if data is not None and self._knowledge.add(event.log, data):
            for history in self._posts.values():
                history.work_out_again()
        # Programs before this one logged what they found to disagree.
        for conflict in data["conflicts"] if data else ():
            if conflict["run"] == self._run and conflict["post"]:
                self._add_to_post(event, conflict["post"])
            elif conflict["run"] == self._run:
                self._conflict = conflict["why"]

    def _add_to_post(self, event: Event, name: str | None) -> None:
        if not name:
            self._unread.append(left_out(event, "it names no post"))
            return
        history = self._posts.get(name)
        if history is None:
            history = self._posts[name] = _PostHistory(self._run, name, self._knowledge, self._void)
        self._touches[event.step].add(name)
        history.add(Told(event, self._knowledge.of(event.log)))
        self._last_seq = max(self._last_seq, event.seq)

    # ------------------------------------------------------------ frozen value

    def state(self) -> RunState | None:
        """Frozen value; None when no standing event adds the run."""
        if self._state is None:
            self._state = self._work_out()
        return self._state

    def _work_out(self) -> RunState | None:
        head = self._head()
        if "foot" not in head:
            return None
        foot, height_mm = contract.foot_from_json(head["foot"]), float(head["height_mm"])
        tolerance, rule = contract.tolerance_from_json(head["tolerance"]), head.get("rule", "95")
        making = Making(
            head.get("layout", "corners"), number(head.get("preload_mm")), number(head.get("kerf_mm"))
        )
        defaults = (foot, height_mm, tolerance, rule, making)
        standing: list[PostRecord] = []
        removed: list[PostRecord] = []
        unread = list(self._unread)
        for history in self._posts.values():
            history.work_out()
            removed += (builder.record(*defaults) for builder in history.removed)
            if history.builder is not None:
                standing.append(history.builder.record(*defaults))
            unread += history.all_unread
        standing.sort(key=lambda post: (post.leg, post.station_mm))
        return RunState(
            job=self._job,
            name=self._run,
            foot=foot,
            height_mm=height_mm,
            tolerance=tolerance,
            rule=rule,
            units=head.get("units") or "mm",
            gauge_mm=number(head.get("gauge_mm")),
            face_names=tuple((head.get("face_names") or {}).items()),
            layout=making.layout,
            due_days=head.get("due_days"),
            preload_mm=making.preload_mm,
            kerf_mm=making.kerf_mm,
            max_spacing_mm=number(head.get("max_spacing_mm")),
            opening_limit_mm=number(head.get("opening_limit_mm")),
            posts=tuple(standing),
            removed=tuple(removed),
            sample=bool(head.get("sample", False)),
            last_seq=self._last_seq,
            conflict=self._conflict or layout_conflict(self._standing(), self._knowledge, self._run),
            unread=tuple(unread),
            facts=facts_of((one for one in self._papers if one.step not in self._void.steps), self._run),
            issues=self._issues(),
        )

    def _issues(self) -> tuple[Issue, ...]:
        return tuple(
            Issue(
                time=event.time,
                number=data.get("number") or "",
                by=event.by,
                why=data.get("why") or "",
                replaces=data.get("replaces") or "",
                changed=tuple(data.get("changed") or ()),
                seq=event.seq,
            )
            for event in self._papers
            if event.kind == "issued" and event.step not in self._void.steps
            if (data := read_data(event)[0]) is not None
        )

    def _head(self) -> dict[str, Any]:
        """What the job and the run say of themselves; the first event that adds the run stands."""
        head: dict[str, Any] = {}
        added = False
        for event, _ in self._standing():
            data = event.data
            if event.kind == "job-added" and not added:
                head |= {"units": data.get("units", "mm"), "sample": data.get("sample", False)}
            elif event.kind == "run-added" and not added:
                head |= data
                added = True
            elif event.kind == "run-changed" and added:
                head |= data
        return head

    def _standing(self) -> list[Told]:
        """Events of the run itself that were not undone."""
        return [told for told in self._of_run if told.event.step not in self._void.steps]


class _PostHistory:
    """All events at one place in the run, and what they make of the posts that stood there."""

    def __init__(self, run: str, name: str, knowledge: Knowledge, void: Voided) -> None:
        self._run = run
        self._name = name
        self._knowledge = knowledge
        self._void = void
        self._events: list[Told] = []
        self._last: dict[str, Told] = {}
        """The last event of each log here."""
        self._is_worked_out = True
        self._place = _Place(run, name)

    def add(self, told: Told) -> None:
        """Count an event in, behind all others."""
        known = all(self._knowledge.saw(told, last) for last in self._last.values())
        self._events.append(told)
        self._last[told.event.log] = told
        if not known:
            self._is_worked_out = False
        elif self._is_worked_out and told.event.step not in self._void.steps:
            self._place.add(Move(0, "main", told.event))

    def work_out_again(self) -> None:
        """Something was undone, or brought back, or more is known of what its crews had seen."""
        self._is_worked_out = False

    def work_out(self) -> None:
        """Bring what is read here up to date."""
        if self._is_worked_out:
            return
        standing = [told for told in self._events if told.event.step not in self._void.steps]
        self._is_worked_out = True
        if len(self._last) == 1:
            self._place = _Place(self._run, self._name)
            for told in standing:
                self._place.add(Move(0, "main", told.event))
        else:
            where = f"post {self._run}/{self._name}"
            self._place = self._make(moves_of(standing, self._knowledge, self._side, where))

    def _side(self, moves: Sequence[Move]) -> Side:
        place = self._make(moves)
        builder = place.builder
        return Side(
            packs_by=None if builder is None else builder.packs_by,
            set_up=builder is not None and builder.is_set_up,
            there=builder is not None,
            gone=builder is None and bool(place.removed),
            conflict=place.conflict,
        )

    def _make(self, moves: Sequence[Move]) -> _Place:
        place = _Place(self._run, self._name)
        for move in moves:
            place.add(move)
        return place

    @property
    def builder(self) -> PostBuilder | None:
        """The post that stands there, or None."""
        return self._place.builder

    @property
    def removed(self) -> list[PostBuilder]:
        """Posts that were taken out there."""
        return self._place.removed

    @property
    def all_unread(self) -> list[str]:
        """Sentences on what was left out."""
        return self._place.all_unread


class _Place:
    """What one history makes of a place in the run, brought forward by `add`."""

    def __init__(self, run: str, name: str) -> None:
        self._run = run
        self._name = name
        self._early: list[Move] = []
        """Came before the post was added, as when the event that added it first was lost to damage."""
        self._conflicts: list[Move] = []
        self.builder: PostBuilder | None = None
        self.removed: list[PostBuilder] = []
        self.unread: list[str] = []

    def add(self, move: Move) -> None:
        """Count an event in; one that is set aside is shown and decides nothing."""
        event, aside = move.event, move.how == "aside"
        data, trouble = read_data(event)
        if data is None:
            self.unread.append(left_out(event, trouble))
        elif event.kind == "post-added" and move.how != "conflict":
            if not aside:
                self._begin(event, data)
        elif event.kind == "post-removed" and self.builder is not None and move.how != "conflict":
            if not aside:
                self.removed.append(self.builder)
                self.builder = None
        else:
            # What is logged at a post that was taken out stays with what was logged there.
            builder = self.builder or (self.removed[-1] if self.removed else None)
            if builder is None:
                self._early.append(move)
            else:
                self._pass_on(move, data, builder)

    def _begin(self, added: Event, data: dict[str, Any]) -> None:
        if self.builder is not None:
            self.unread.append(left_out(added, f"post {self._name} is there already"))
            return
        self.builder = PostBuilder(added, data)
        early, self._early = self._early, []
        for move in early:
            self.add(move)

    def _pass_on(self, move: Move, data: dict[str, Any], builder: PostBuilder) -> None:
        event = move.event
        if move.how == "conflict":
            self._conflicts.append(move)
            builder.disagree(event, move.why, packs=move.packs)
        elif event.kind == "doubtful":
            builder.disagree(event, f"{data['why']}: read this post again", packs=False)
        elif event.kind == "merged":
            for conflict in data["conflicts"]:
                if (conflict["run"], conflict["post"]) == (self._run, self._name):
                    builder.disagree(event, conflict["why"], packs=conflict.get("packs", False))
        elif move.how == "aside":
            builder.set_aside(event, data)
        else:
            builder.add(event, data)

    @property
    def conflict(self) -> Move | None:
        """What crews disagree on there, still."""
        builder = self.builder or (self.removed[-1] if self.removed else None)
        moves = self._early if builder is None else self._conflicts
        last = next((move for move in reversed(moves) if move.why), None)
        return last if builder is None or builder.is_in_conflict else None

    @property
    def all_unread(self) -> list[str]:
        """Sentences on what was left out."""
        why = f"there is no post {self._run}/{self._name}"
        return self.unread + [left_out(move.event, why) for move in self._early if not move.why]

"""Undo and redo, read from the log: which steps stand, what would be taken back, and how it is said.

A step is what was logged in one go. `undone {of}` takes a step back; undoing that `undone` brings it back. An
`undone` always comes after what it names, so one walk from the end settles every chain of them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING

from shimfit.store.events import BOOKKEEPING, UNDONE, read_data, words_of
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from collections.abc import Set as AbstractSet

    from shimfit.store.events import Event
    from shimfit.store.log import Log
    from shimfit.store.snapshot import Snapshot


def voided(pairs: Sequence[tuple[str, str]]) -> frozenset[str]:
    """Steps that do not stand, given (step of the `undone`, step that it names) of each, in order."""
    void: set[str] = set()
    for step, of in reversed(pairs):
        if step not in void:
            void.add(of)
    return frozenset(void)


class Voided:
    """Steps that do not stand, brought forward by every `undone` in the order of the log."""

    def __init__(self) -> None:
        self.steps: set[str] = set()
        self._pairs: list[tuple[str, str]] = []
        self._named: Counter[str] = Counter()
        """Step -> how many `undone` events that stand name it."""
        self._names: defaultdict[str, list[str]] = defaultdict(list)
        """Step of an undo -> the steps that it takes back."""
        self._tangled = False
        """One was named before it came, as no log of ours has it: all of them are gone through each time."""

    def add(self, undone: Event) -> set[str]:
        """Count an `undone` in: the steps that it took back or brought back. One that can't be read: none."""
        data = read_data(undone)[0]
        return set() if data is None else self.count(undone.step, data["of"])

    def frozen(self) -> Voided:
        """The steps that do not stand now, for who only looks."""
        now = Voided()
        now.steps = set(self.steps)
        return now

    def count(self, step: str, of: str) -> set[str]:
        """The same, given the step of the `undone` and the step that it names."""
        self._pairs.append((step, of))
        self._tangled = self._tangled or step == of or step in self._named
        if self._tangled:
            before, self.steps = self.steps, set(voided(self._pairs))
            return before ^ self.steps
        self._names[step].append(of)
        changed: set[str] = set()
        turning = [(of, 1)]
        while turning:
            one, by = turning.pop()
            self._named[one] += by
            if (self._named[one] > 0) != (one in self.steps):
                self.steps ^= {one}
                changed ^= {one}
                # What it took back itself, if it is an undo, comes back with it, and goes again.
                turning += [(other, -1 if one in self.steps else 1) for other in self._names.get(one, ())]
        return changed


@dataclass(frozen=True, slots=True)
class Step:
    """Events that were logged in one go, in order."""

    events: tuple[Event, ...]

    @property
    def id(self) -> str:
        """Id of the step: that of its first event."""
        return self.events[0].step

    @property
    def is_undo(self) -> bool:
        """True when the step takes others back."""
        return self.events[0].kind == UNDONE

    @property
    def takes_back(self) -> frozenset[str]:
        """Steps that an undo takes back; one that can't be read takes back nothing."""
        return frozenset(data["of"] for event in self.events if (data := read_data(event)[0]))

    @property
    def is_bookkeeping(self) -> bool:
        """True when nobody did anything at a post or the box."""
        return all(event.kind in BOOKKEEPING for event in self.events)

    @property
    def is_answer(self) -> bool:
        """True for an answer that the program gave to one post's reading: it goes with the reading."""
        return all(event.kind == "prescribed" for event in self.events) and len(self.posts) == 1

    @property
    def posts(self) -> frozenset[tuple[str | None, str | None]]:
        """(run, post) of each event that belongs to a post."""
        return frozenset((event.run, event.post) for event in self.events if event.post)


def to_undo(newest_first: Iterable[Step], void: AbstractSet[str]) -> tuple[Step, ...]:
    """The last step that stands, with the answers that were given to it since; () when there is none."""
    answers: list[Step] = []
    for step in newest_first:
        if step.id in void or step.is_undo or step.is_bookkeeping:
            continue
        if step.is_answer:
            answers.append(step)
            continue
        return (step, *(answer for answer in answers if answer.posts & step.posts))
    # Only answers are left: then the last of them is what was done last.
    return tuple(answers[:1])


def to_redo(newest_first: Iterable[Step], void: AbstractSet[str], is_undo: AbstractSet[str]) -> Step | None:
    """The last undo that can be taken back: it stands, and nothing new was done since.

    is_undo: ids of every step that is itself an undo or a redo.
    """
    for step in newest_first:
        if step.is_undo:
            if step.id not in void and step.takes_back and is_undo.isdisjoint(step.takes_back):
                return step
        elif not (step.is_bookkeeping or step.is_answer):
            return None
    return None


# ---------------------------------------------------------------- in words

_FOLLOWS = frozenset({"taken", "observed"})
"""What the program notes of its own accord before what the person did."""


def words(events: Sequence[Event]) -> str:
    """What a step did, for `undo: …`: `reading 1/4n3/8h at A/7`."""
    first = next((event for event in events if event.kind not in _FOLLOWS), events[0])
    what = words_of(first)
    place = "/".join(name for name in (first.run, first.post) if name)
    if first.kind == "post-removed" and any(event.kind == "post-added" for event in events):
        return f"another post put in at {place}"
    at_place = first.post is not None and first.kind not in ("post-added", "post-removed", "post-moved")
    said = f"{what} at {place}" if at_place else what
    posts = {(event.run, event.post) for event in events if event.post}
    if first.kind == "run-added" and posts:
        return f"{said} with {len(posts)} posts"
    return said if len(posts) <= 1 else f"{said} and {len(posts) - 1} more"


# ---------------------------------------------------------------- in an open log


class History:
    """What was undone in an open log, and what can be: of each job (None: of the box), and all together."""

    def __init__(self, log: Log, snapshot: Snapshot) -> None:
        self._log = log
        self._snapshot = snapshot
        self._forget()

    def _forget(self) -> None:
        self._counted = 0
        self._rows: list[tuple[int, str | None, str, str]] = []
        self._of_job: defaultdict[str | None, Voided] = defaultdict(Voided)
        self._undos: defaultdict[str | None, set[str]] = defaultdict(set)
        self._all = Voided()

    def _bring_forward(self) -> None:
        end = self._log.end().seq
        if end == self._counted:
            return
        if not self._counted:
            kept = self._snapshot.find(self._log, UNDONE)
            if kept is not None and kept.seq <= end:
                for row in kept.body:
                    self._count(*row)
                self._counted = kept.seq
        if self._counted and self._log.came_in(self._counted):
            self._forget()
        for event in self._log.of_kinds((UNDONE,), end, after=self._counted):
            data = read_data(event)[0]
            if data is not None:
                self._count(event.seq, event.job, event.step, data["of"])
        self._counted = end

    def _count(self, seq: int, job: str | None, step: str, of: str) -> None:
        self._rows.append((seq, job, step, of))
        self._of_job[job].count(step, of)
        self._all.count(step, of)
        self._undos[job].add(step)

    def everywhere(self) -> AbstractSet[str]:
        """Steps that do not stand."""
        self._bring_forward()
        return self._all.steps

    def of_job(self, job: str | None) -> AbstractSet[str]:
        """Steps that do not stand of a job."""
        self._bring_forward()
        return self._of_job[job].steps

    def upto(self, place: int) -> list[tuple[int, str | None, str, str]]:
        """(place, job, step, step that it names) of what was undone up to a place, as it happened."""
        self._bring_forward()
        return [row for row in self._rows if row[0] <= place]

    def pairs(self, upto: int, job: str | None = None) -> list[tuple[str, str]]:
        """(step, step that it names) of what was undone up to a place, in one job or all."""
        return [(step, of) for _, its, step, of in self.upto(upto) if job in (None, its)]

    def to_undo(self, job: str | None) -> tuple[Step, ...]:
        """The step that undo takes back, with the answers that go with it; () when there is none."""
        return to_undo(map(Step, self._log.newest_steps(job)), self.of_job(job))

    def to_redo(self, job: str | None) -> Step | None:
        """The undo that redo takes back, or None."""
        void, undos = self.of_job(job), self._undos[job]
        return to_redo(map(Step, self._log.newest_steps(job)), void, undos) if undos else None

    def undo_words(self, job: str | None) -> str | None:
        """What undo would take back."""
        steps = self.to_undo(job)
        return words(steps[0].events) if steps else None

    def redo_words(self, job: str | None) -> str | None:
        """What redo would bring back."""
        if (step := self.to_redo(job)) is None:
            return None
        undone = step.events[0]
        taken_back = self._log.of_step(undone.job, undone.run, undone.data["of"])
        return words(taken_back) if taken_back else None

"""Undo and redo, read from the log: which steps stand, what would be taken back, and how it is said.

A step is what was logged in one go. `undone {of}` takes a step back; undoing that `undone` brings it back. An
`undone` always comes after what it names, so one walk from the end settles every chain of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.store.events import BOOKKEEPING, UNDONE, read_data, words_of
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from collections.abc import Set as AbstractSet

    from shimfit.store.events import Event


def voided(pairs: Sequence[tuple[str, str]]) -> frozenset[str]:
    """Steps that do not stand, given (step of the `undone`, step that it names) of each, in order."""
    void: set[str] = set()
    for step, of in reversed(pairs):
        if step not in void:
            void.add(of)
    return frozenset(void)


class Voided:
    """Steps that do not stand, brought forward by every `undone` in the order of the log."""

    def __init__(self, pairs: Iterable[tuple[str, str]] = ()) -> None:
        self._pairs = list(pairs)
        self._undos = {step for step, _ in self._pairs}
        self._named = {of for _, of in self._pairs}
        self.steps = set(voided(self._pairs))

    def add(self, undone: Event) -> set[str]:
        """Count an `undone` in: the steps that it took back or brought back. One that can't be read: none."""
        data = read_data(undone)[0]
        return set() if data is None else self.count(undone.step, data["of"])

    def count(self, step: str, of: str) -> set[str]:
        """The same, given the step of the `undone` and the step that it names."""
        # Most name what is no undo itself, and are named by nobody yet: then nothing else turns with it.
        plain = of not in self._undos and step not in self._named and step != of
        self._pairs.append((step, of))
        self._undos.add(step)
        self._named.add(of)
        changed = {of} - self.steps if plain else self.steps ^ voided(self._pairs)
        self.steps ^= changed
        return changed

    def frozen(self) -> Voided:
        """The steps that do not stand now, for who only looks."""
        now = Voided()
        now.steps = set(self.steps)
        return now


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

"""What there is to see of the post on screen: one frozen look, and the advice on a streamed lean."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.entry.result import Understood
from shimfit.model import Face, PostState
from shimfit.quantities import shown
from shimfit.settings.actions import USUAL_KEYS, KeyWords
from shimfit.text.phrases import PackLine, in_order
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.entry.result import ParseResult
    from shimfit.model import Lean, Prescription
    from shimfit.standing import PostRecord, RunState
    from shimfit.text.glyphs import Glyphs
    from shimfit.text.phrases import PostView, Words
    from shimfit.tui.sensing import Live
    from shimfit.tui.session import Session
    from shimfit.workflow.solving import Advice, LivePacking, Push


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One look. `run`, `record`, `words`, `view` are None together: no run is open."""

    glyphs: Glyphs
    keys: KeyWords = USUAL_KEYS
    """How the keys are called."""
    run: RunState | None = None
    record: PostRecord | None = None
    words: Words | None = None
    view: PostView | None = None
    index: int = 0
    """Position in walking order, from 0."""
    done: int = 0
    """How many of the steps were ticked: the next one stands in large figures."""
    parsed: ParseResult | None = None
    """How the line is understood; None while nothing is typed."""
    live: Live | None = None
    """What the inclinometer shows; None without one."""
    looks: int = 0
    """Looks at the inclinometer so far."""
    advice: Advice | None = None
    """What the engine says to it; None without one."""
    live_packs: tuple[PackLine, ...] = ()
    """What is to be put in or pushed by that advice; stands before the packs of the record."""

    @property
    def packs(self) -> tuple[PackLine, ...]:
        """Packs in the order in which they go in."""
        if self.live_packs:
            return self.live_packs
        return self.view.packs if self.view is not None else ()

    @property
    def live_answer(self) -> Prescription | None:
        """The answer to the lean as it is now, while the post stands bare."""
        answer = self.advice.answer if self.advice is not None else None
        return answer if answer is not None and answer.packs else None

    @property
    def prescription(self) -> Prescription | None:
        """The answer that the packs on screen belong to."""
        if self.live_answer is not None or self.record is None:
            return self.live_answer
        return self.record.going_in

    @property
    def steps(self) -> tuple[PackLine, ...]:
        """What is to be done one after another before tightening: all packs, or those that change."""
        if self.view is None or (self.view.state is PostState.TIGHTEN and not self.live_packs):
            return ()
        return tuple(pack for pack in self.packs if pack.changed) or self.packs

    @property
    def pack(self) -> PackLine | None:
        """The step in large figures; None when all are done."""
        return self.steps[self.done] if self.done < len(self.steps) else None

    @property
    def all_in(self) -> bool:
        """All steps were ticked: tighten and read again."""
        return 0 < len(self.steps) <= self.done

    @property
    def understood(self) -> Understood | None:
        """The reading that is on the line, when it is one."""
        parsed = self.parsed
        return parsed if isinstance(parsed, Understood) and not parsed.is_gauge_only else None

    def with_entry(self, parsed: ParseResult | None) -> Snapshot:
        """The same look with something else on the line."""
        return replace(self, parsed=parsed)

    def with_live(self, live: Live) -> Snapshot:
        """The same look with the inclinometer moved on."""
        return replace(self, live=live, looks=self.looks + 1)

    def with_advice(self, advice: Advice | None) -> Snapshot:
        """The same look with other advice."""
        packs: tuple[PackLine, ...] = ()
        if self.record is not None and self.words is not None:
            packs = live_packs(advice, self.record, self.words)
        return replace(self, advice=advice, live_packs=packs)


def take_snapshot(session: Session, done: int, parsed: ParseResult | None, live: Live | None) -> Snapshot:
    """Take a look."""
    if session.run is None or session.record is None:
        return Snapshot(session.glyphs, session.keys, parsed=parsed, live=live)
    return Snapshot(
        session.glyphs,
        session.keys,
        session.run,
        session.record,
        session.words,
        session.view,
        session.index,
        done,
        parsed,
        live,
    )


LOOKS_PER_FIGURE = 5
"""The mark moves at every look, the figures at every fifth: nobody reads twenty numbers a second."""
LOOKS_PER_PACKING = 20
"""Packs once a second: an answer takes the engine milliseconds, and the hand and the eye longer."""
LEAST_RISE_MM = 0.05
WORTH_ASKING_MM = 0.2
"""A top that has moved by less is not asked about again: the answer would be the same, or flicker."""


class LiveAdvice:
    """Asks the engine at the pace of the figures, and only when the top has moved or anything was logged."""

    def __init__(self) -> None:
        self._packing: LivePacking | None = None
        self._stands_for: object = None
        self._asked: Lean | None = None
        self._reported: Advice | None = None

    def tick(self, session: Session, snapshot: Snapshot) -> Advice | None:
        """At every look at the inclinometer: what was told last stands until new advice is due.

        Packs go away at once when the post has come to stand within its tolerance.
        """
        reported, record = self._reported, snapshot.record
        lean = snapshot.live.believed if snapshot.live is not None else None
        if lean is None or record is None or reported is None:
            return self.look(session, lean)
        waits = LOOKS_PER_FIGURE if reported.pushes else LOOKS_PER_PACKING
        if snapshot.looks % waits and (reported.within or not record.tolerance.holds(lean, record.height_mm)):
            return reported
        return self.look(session, lean)

    def look(self, session: Session, lean: Lean | None) -> Advice | None:
        """The advice for a lean; None without one, or where the post can't be worked on here."""
        record, place = session.record, session.place
        if lean is None or record is None or place is None:
            self._asked, self._reported = None, None
            return None
        stands_for = (place, session.site.log())
        if stands_for != self._stands_for:
            from shimfit.workflow.solving import LivePacking

            self._packing, self._stands_for = LivePacking(session.site, place), stands_for
            self._asked = None
        if self._packing is not None and self._changed(lean, record):
            self._asked, self._reported = lean, self._packing.look(lean)
        return self._reported

    def _changed(self, lean: Lean, record: PostRecord) -> bool:
        if self._asked is None or self._reported is None:
            return True
        if self._reported.within != record.tolerance.holds(lean, record.height_mm):
            return True
        along = lean.slope_along - self._asked.slope_along
        across = lean.slope_across - self._asked.slope_across
        return math.hypot(along, across) * record.height_mm >= WORTH_ASKING_MM


def next_step(advice: Advice | None, lean: Lean, record: PostRecord, words: Words, width: int) -> str:
    """One row under the target: which taper to push and how far, else how much each edge is short."""
    if advice is None or not advice.pushes:
        return what_to_raise(lean, record, words, width)
    first = advice.pushes[0]
    reported = _push(words.seat(first.seat).rpartition(" ")[0], first, words)
    if len(reported) > width:
        reported = _push(words.glyphs.seats[first.seat], first, words)
    for push in advice.pushes[1:]:
        more = f"{reported}; {_push(words.glyphs.seats[push.seat], push, words)}"
        if len(more) > width:
            break
        reported = more
    return reported


def live_packs(advice: Advice | None, record: PostRecord, words: Words) -> tuple[PackLine, ...]:
    """Packs of the live answer while the post stands bare; once packs are in, what is to be pushed."""
    if advice is None:
        return ()
    if advice.answer is not None:
        return tuple(
            words.pack_line(number, pack, None, advice.answer.lean)
            for number, pack in enumerate(in_order(advice.answer.packs), 1)
        )
    if not record.packs_in_place:
        return ()  # prescribed: the marks to set are what is wanted in large, the rest is under the target
    pushes = [push for push in advice.pushes if push.lot is not None]
    return tuple(_push_line(number, push, words) for number, push in enumerate(pushes, 1))


def _push_line(number: int, push: Push, words: Words) -> PackLine:
    push_mm = push.push_mm or 0.0
    figure, rest = shown.figure(push_mm, words.units, words.graduation)
    return PackLine(
        number=number,
        seat=push.seat,
        lifts=True,
        where=words.seat(push.seat),
        what=f"{push.lot} push {words.length(push_mm)} more",
        short=f"{push.lot} push more",
        figure=figure,
        unit=f"{shown.unit(words.units)}{rest} more",
        changed="",
        step=f"{push.lot} {words.dot} push {words.length(push_mm)} more",
        under=words.under(push.seat, None),
    )


def _push(side: str, push: Push, words: Words) -> str:
    """`NEXT-OUT T3 push 8 mm more`, or for a pack without a taper `OUT raise 0.4 mm`."""
    if push.lot is None or push.push_mm is None:
        return f"{side} raise {shown.thickness(push.raise_mm, words.units, step_mm=shown.TENTH)}"
    return f"{side} {push.lot} push {words.length(push.push_mm)} more"


def what_to_raise(lean: Lean, record: PostRecord, words: Words, width: int) -> str:
    """How much is left to raise each low edge: slope x side of the foot, turning about the other edge."""
    parts = []
    for face, slope, side_mm in (
        (Face.NEXT if lean.slope_along > 0 else Face.PREV, lean.slope_along, record.foot.along_mm),
        (Face.OUT if lean.slope_across > 0 else Face.HOUSE, lean.slope_across, record.foot.across_mm),
    ):
        rise_mm = abs(slope) * side_mm
        if rise_mm >= LEAST_RISE_MM:
            reported = shown.thickness(rise_mm, words.units, unit=False, step_mm=shown.TENTH)
            parts.append(f"{words.names[face].upper()} {reported}")
    if not parts:
        return "leave it so"
    unit = " mm" if words.units == "mm" else ""
    reported = f"raise {' '.join(parts)}{unit}"
    return reported if len(reported) <= width else f"{' '.join(parts)}{unit}"

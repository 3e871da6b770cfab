"""While an inclinometer streams: the advice on the lean as it is now, and the target.

The mark moves at every look; figures and packs at a pace that an eye can follow.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from shimfit.model import Face
from shimfit.quantities import shown
from shimfit.text.canvas import Canvas
from shimfit.text.phrases import PackLine, entering_face, in_order
from shimfit.text.pictures import span_for, target

if TYPE_CHECKING:
    from shimfit.model import Lean
    from shimfit.standing import PostRecord
    from shimfit.text.phrases import Words
    from shimfit.tui.screens.post_pictures import Snapshot
    from shimfit.tui.session import Session
    from shimfit.workflow.solving import Advice, LivePacking, Push

LOOKS_PER_FIGURE = 5
"""The mark moves at every look, the figures at every fifth: nobody reads twenty numbers a second."""
LOOKS_PER_PACKING = 20
"""Packs once a second: an answer takes the engine milliseconds, and the hand and the eye longer."""
LEAST_RISE_MM = 0.05
WORTH_ASKING_MM = 0.2
"""A top that has moved by less is not asked about again: the answer would be the same, or flicker."""

LEAST_MOVED_MM = 1.0
"""A top that has moved by less since it was read stands on nothing new."""


class LiveAdvice:
    """Asks the engine at the pace of the figures, and only when the top has moved or anything was logged."""

    def __init__(self) -> None:
        self._packing: LivePacking | None = None
        self._stands_for: object = None
        self._asked: Lean | None = None
        self._reported: Advice | None = None

    def tick(self, session: Session, snapshot: Snapshot) -> Advice | None:
        """At every look at the inclinometer: the last advice stands until new advice is due.

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
        stands_for = (place, session.site.journal.head, session.rocks)
        if stands_for != self._stands_for:
            from shimfit.workflow.solving import LivePacking

            self._packing, self._stands_for = LivePacking(session.site, place, session.rocks), stands_for
            self._asked = None
        if self._packing is not None and self._changed(lean, record):
            self._asked, self._reported = lean, self._packing.look(lean)
        return self._reported

    def _changed(self, lean: Lean, record: PostRecord) -> bool:
        if self._asked is None or self._reported is None:
            return True
        if self._reported.within != record.tolerance.holds(lean, record.height_mm):
            return True
        return _apart_mm(lean, self._asked, record) >= WORTH_ASKING_MM


def _apart_mm(one: Lean, other: Lean, record: PostRecord) -> float:
    """How far apart two leans have the top."""
    along, across = one.slope_along - other.slope_along, one.slope_across - other.slope_across
    return math.hypot(along, across) * record.height_mm


def next_step(advice: Advice | None, lean: Lean, record: PostRecord, words: Words, width: int) -> str:
    """One row under the target: which taper to push and how far, else how much each edge is short."""
    read = record.reading.lean if record.reading is not None and not record.packs_in_place else None
    is_bare = read is not None and _apart_mm(lean, read, record) < LEAST_MOVED_MM  # nothing is in yet to push
    if advice is None or not advice.pushes or is_bare:
        return what_to_raise(lean, record, words, width)
    first = advice.pushes[0]
    reported = _push(words.seat(first.seat).rpartition(" ")[0], first, words)
    if len(reported) > width:
        reported = _push(words.glyphs.seats[first.seat], first, words)
    if len(reported) > width:
        reported = reported.replace(" push ", " ")
    for push in advice.pushes[1:]:
        more = f"{reported}; {_push(words.glyphs.seats[push.seat], push, words)}"
        if len(more) > width:
            break
        reported = more
    return reported


def live_packs(advice: Advice | None, record: PostRecord | None, words: Words | None) -> tuple[PackLine, ...]:
    """Packs of the live answer while the post stands bare; once packs are in, what is to be pushed."""
    if advice is None or record is None or words is None:
        return ()
    if advice.answer is not None:
        return tuple(
            words.pack_line(number, pack, None, advice.answer.lean)
            for number, pack in enumerate(in_order(advice.answer.packs), 1)
        )
    if not record.packs_in_place:
        return ()  # prescribed: the marks to set are what is wanted in large, the rest is under the target
    pushes = [push for push in advice.pushes if push.lot is not None]
    lean = record.before.lean if record.before is not None else None
    faces = {pack.seat: entering_face(pack, lean) for pack in record.packs_in_place}
    return tuple(_push_line(number, push, words, faces[push.seat]) for number, push in enumerate(pushes, 1))


def _push_line(number: int, push: Push, words: Words, face: Face) -> PackLine:
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
        unit=words.beside(rest, "more"),
        changed="",
        step=f"{push.lot} {words.dot} push {words.length(push_mm)} more",
        under=words.under(push.seat, face),
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


# ---------------------------------------------------------------- the target while an inclinometer streams

LEGEND_ROWS = 2
WIDEST, TALLEST = 64, 25


class LiveTarget:
    """Draws the target, remembering its scale and the figures below it."""

    def __init__(self) -> None:
        self._span: float | None = None
        self._reported: tuple[str, ...] = ()

    def forget(self) -> None:
        """Another post is on screen: its scale is its own."""
        self._span = None

    def draw(self, snapshot: Snapshot, width: int, height: int) -> Canvas:
        """The target as it is now."""
        record, words, live = snapshot.record, snapshot.words, snapshot.live
        if record is None or words is None or live is None or height < 3:
            return Canvas(width, height)
        width, height = min(width, WIDEST), min(height, TALLEST)
        allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
        top_mm = live.lean.top_mm(record.height_mm) if live.lean else None
        if top_mm is not None:
            self._span = span_for(math.hypot(*top_mm), allowed_mm, self._span)
        if live.lean is None:
            self._reported = ("no data" if live.fault else live.word,)  # the banner says what is wrong
        elif not live.zero_found:
            self._reported = ("zero not found:", "turn it end for end")
        elif snapshot.looks % LOOKS_PER_FIGURE == 0 or len(self._reported) < LEGEND_ROWS:
            self._reported = (
                words.off(live.lean, record, width),
                next_step(snapshot.advice, live.lean, record, words, width),
            )
        return target(
            top_mm,
            allowed_mm,
            span=self._span or 4.0,
            names=words.names,
            glyphs=snapshot.glyphs,
            width=width,
            height=height,
            legend=[*self._reported, ""][:LEGEND_ROWS],
            role="" if live.zero_found else "label",  # neither within nor beyond while nobody has found it
        )

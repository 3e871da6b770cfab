"""While the inclinometer streams: what to pack at this lean, or how much further to push what is in.

Before packs are in place each look is answered from the engine's tables (each seat as if it had the box to
itself; the answer that is logged is proven afterwards). Once packs go in, the lean that is left says how much
each of them is still short, and how far its taper is to be pushed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.core import packing
from shimfit.core.foot import gap_plane
from shimfit.model import Lean, Pack, Prescription, Seat
from shimfit.workflow.solving import options_of, promised, reads_of
from shimfit.workflow.takeup import book_of, of_lots

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.workflow.place import Place
    from shimfit.workflow.site import Site

LEAST_RISE_MM = 0.05
"""A pack that is short by less stays as it is: nobody pushes that little."""


@dataclass(frozen=True, slots=True)
class Push:
    """What is still to be done under one seat."""

    seat: Seat
    raise_mm: float
    """How much it is still short."""
    lot: str | None = None
    """The taper to push; None: the pack has none, or there is no pack yet."""
    push_mm: float | None = None
    """About how far to push it."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One look at a lean."""

    within: bool
    """The lean is within the tolerance as it is."""
    answer: Prescription | None
    """What to pack, while nothing is in place."""
    pushes: tuple[Push, ...]
    """What is left under each seat, the most first; empty when nothing is worth a push."""


class LivePacking:
    """Answers for one post at sensor rate; build it anew when anything was logged."""

    def __init__(self, site: Site, place: Place) -> None:
        self._post = site.post(place)
        options = options_of(site.run(place.job, place.run), site.settings)
        box = site.box()
        self._box, self._kerf_mm = box.stock, options.saw.kerf_mm
        self._promised = promised(site, place)
        lots = box.stock.without(self._promised, self._kerf_mm)
        self._rests = {lot.lot for lot in lots} - {lot.lot for lot in box.lots}
        """What others' packs will leave of their pieces: told as stretches of those."""
        self._slopes: Mapping[str, float] = {
            lot.lot: lot.taper_slope for lot in box.lots if lot.form == "taper"
        }
        self._known = of_lots(book_of(site, place.job), lots)
        self._tables = site.solver.tables(lots, options)
        self._reads = reads_of(self._post)
        self._shown: Prescription | None = None

    def look(self, lean: Lean) -> Advice:
        """What to do at this lean; well under a screen's frame, and never logs anything."""
        post = self._post
        within = post.tolerance.holds(lean, post.height_mm)
        packs = self._packs_going_in()
        if packs is None:
            return Advice(within, None if within else self._answer(lean), ())
        return Advice(within, None, () if within else tuple(self._pushes(lean, packs)))

    def _packs_going_in(self) -> tuple[Pack, ...] | None:
        """Packs in place, or as prescribed and about to go in; None while the post stands bare.

        What was logged as packed counts, whatever had been prescribed.
        """
        post = self._post
        if post.implied:
            return post.implied
        return post.packs_in_place if post.packs_in_place or post.next_step == "tighten" else None

    def _answer(self, lean: Lean) -> Prescription:
        post, share = self._post, self._known.mean
        found = packing.prescribe(
            post.foot,
            post.height_mm,
            lean,
            post.tolerance,
            self._tables,
            reads=self._reads,
            take_up=share,
            u_take_up=self._known.u,
            shown=self._shown,
            relaxed=True,
        )
        self._shown = found
        if not any(piece.lot in self._rests for pack in found.packs for piece in pack.pieces):
            return found
        reported = self._box.numbered(found.packs, self._promised, kerf_mm=self._kerf_mm)
        return replace(found, packs=reported)

    def _pushes(self, lean: Lean, packs: tuple[Pack, ...]) -> list[Push]:
        share = self._known.mean
        plane = gap_plane(self._post.foot, Lean(lean.slope_along / share, lean.slope_across / share))
        tapers = {pack.seat: lot for pack in packs if (lot := self._taper_of(pack)) is not None}
        found = []
        for seat in {pack.seat: None for pack in packs} or dict.fromkeys(Seat):
            short_mm = plane.at_seat_mm(seat)
            if short_mm < LEAST_RISE_MM:
                continue
            lot = tapers.get(seat)
            push_mm = short_mm / self._slopes[lot] if lot is not None else None
            found.append(Push(seat, short_mm, lot, push_mm))
        return sorted(found, key=lambda push: (-push.raise_mm, push.seat))

    def _taper_of(self, pack: Pack) -> str | None:
        return next((piece.lot for piece in pack.pieces if piece.lot in self._slopes), None)

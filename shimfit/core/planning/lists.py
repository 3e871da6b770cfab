"""From the tables of the box to the lists of the search: what each seat of each post can be given.

A seat wants thicknesses in a window about its need; each class of pack pays for its mismatch with the slope
of the gap. Pieces at least as steep as the gap bear at the face (state 0), flatter ones and flats further in
(state 1); with `bearing_point="corner"` everything is told at the face. A bare seat is thickness 0 at the
face, at no cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.planning import geometry as geometries
from shimfit.core.planning.search import Lists

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.packing.tables import Row, Tables
    from shimfit.core.planning.geometry import Geometry

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

BARE = -1


class Choice(NamedTuple):
    """What one seat of a pattern is given."""

    row: int
    """Index among the state's rows; BARE for nothing."""
    steps: int
    """Thickness in quanta, told where the pack bears."""
    inner_mm: float | None
    """How far in from the face it is told; None at the face (also flats, the same everywhere)."""


@dataclass(frozen=True, slots=True)
class Windows:
    """Thickness windows of all seats on the grid; they depend on the posts, not on the box."""

    first: Ints
    """(P, 3, 2) least thickness in quanta."""
    width: Ints
    """(P, 3, 2) number of thicknesses; 0 = none."""
    longest: int
    """Thickest of all, in quanta."""


def windows(geometry: Geometry, options: Options) -> Windows:
    """Windows about the needs, from what the tolerance and the contact allow."""
    low_mm, high_mm = geometries.windows_mm(geometry)
    q = options.quantum_mm
    possible = np.isfinite(low_mm) & np.isfinite(high_mm)
    low_mm, high_mm = np.where(possible, low_mm, 0.0), np.where(possible, high_mm, -1.0)
    first = np.maximum(0, np.ceil((geometry.gap_mm + low_mm) / q - 1e-6)).astype(np.int64)
    last = np.floor((geometry.gap_mm + high_mm) / q + 1e-6).astype(np.int64)
    width = np.where(possible, np.maximum(0, last - first + 1), 0)
    width[:, :, 1] = np.where(geometry.steep == 0.0, 0, width[:, :, 1])
    return Windows(first, width, int((first + width).max(initial=1)))


class ListMaker:
    """Lists for one set of posts; `make` is called once per set of prices."""

    def __init__(self, geometry: Geometry, options: Options) -> None:
        self.geometry, self.options = geometry, options
        self.windows = windows(geometry, options)
        self.corner_only = geometry.combinations == 1
        # Posts of like feet share the length that pieces reach in, and with it the tables of flatter tapers.
        self.reaches_mm = sorted({float(mm) for mm in np.unique(geometry.inside_mm)})

    def make(self, tables: Tables, set_up: Mapping[float, Floats] | None = None) -> tuple[Lists, SeatChoices]:
        """Lists at the tables' prices. `set_up` adds (P, 3) to packs sawn at a setting (degrees)."""
        tables.grown(self.windows.longest + 1)
        count = len(self.geometry.posts)
        width = max(1, int(self.windows.width.max(initial=1)))
        cost = np.full((count, 3, 2, width), np.inf)
        row = np.full((count, 3, 2, width), BARE, np.int16)
        steps = self.windows.first[..., None] + np.arange(width)
        inside = np.arange(width) < self.windows.width[..., None]
        for reach_mm in self.reaches_mm:
            post, seat = np.nonzero(self.geometry.inside_mm == reach_mm)
            seats = post.astype(np.int64), seat.astype(np.int64)
            if reach_mm < self.options.min_inside_mm or not seats[0].size:
                continue
            self._face(tables, set_up or {}, seats, reach_mm, steps, cost, row)
            if not self.corner_only:
                self._inner(tables, set_up or {}, seats, reach_mm, steps, cost, row)
        cost[~inside] = np.inf
        bare = inside & (steps == 0)
        bare[:, :, 1] = False
        cost[bare], row[bare] = 0.0, BARE
        order = np.argsort(cost, axis=3, kind="stable")
        cost = np.take_along_axis(cost, order, axis=3)
        steps = np.take_along_axis(np.broadcast_to(steps, order.shape), order, axis=3)
        row = np.take_along_axis(row, order, axis=3)
        used = max(1, int(np.isfinite(cost).sum(3).max(initial=1)))
        cost, steps, row = cost[..., :used].copy(), steps[..., :used], row[..., :used].copy()
        error_mm = steps * self.options.quantum_mm - self.geometry.gap_mm[..., None]
        return Lists(cost, error_mm), SeatChoices(self.geometry, steps.copy(), row, self.corner_only)

    def _face(  # noqa: PLR0917 - it takes the quantities it takes
        self, tables: Tables, set_up: Mapping[float, Floats], seats: tuple[Ints, Ints], reach_mm: float,
        steps: Ints, cost: Floats, row: NDArray[np.int16],
    ) -> None:  # fmt: skip
        """Rows that bear at the face: as steep as the gap, or all of them where the point is given."""
        steep = self.geometry.steep[seats]
        for index, kind in enumerate(tables.rows):
            bears_here = np.ones(steep.size, bool) if self.corner_only else kind.sigma >= steep - 1e-12
            self._offer(
                kind, index, tables.cheapest[index], set_up, seats, bears_here, reach_mm, 0, steps, cost, row
            )

    def _inner(  # noqa: PLR0917 - it takes the quantities it takes
        self, tables: Tables, set_up: Mapping[float, Floats], seats: tuple[Ints, Ints], reach_mm: float,
        steps: Ints, cost: Floats, row: NDArray[np.int16],
    ) -> None:  # fmt: skip
        """Rows flatter than the gap; flats come first, then tapers told at their inner end."""
        steep = self.geometry.steep[seats]
        everywhere = np.ones(steep.size, bool)
        self._offer(
            tables.rows[0], 0, tables.cheapest[0], set_up, seats, everywhere, reach_mm, 1, steps, cost, row
        )
        rows, cheapest = tables.inner_rows(reach_mm)
        for index, kind in enumerate(rows):
            flatter = kind.sigma < steep - 1e-12
            if flatter.any():
                self._offer(
                    kind, index + 1, cheapest[index], set_up, seats, flatter, reach_mm, 1, steps, cost, row
                )

    def _offer(  # noqa: PLR0917 - it takes the quantities it takes
        self, kind: Row, index: int, cheapest: Floats, set_up: Mapping[float, Floats],
        seats: tuple[Ints, Ints], bears_here: NDArray[np.bool_], reach_mm: float, state: int, steps: Ints,
        cost: Floats, row: NDArray[np.int16],
    ) -> None:  # fmt: skip
        post, seat = seats[0][bears_here], seats[1][bears_here]
        if not post.size:
            return
        mismatch = np.abs(kind.sigma - self.geometry.weighed[post, seat]) * reach_mm
        extra = mismatch * self.options.weights.bearing_per_mm
        if kind.saw_deg is not None and kind.saw_deg in set_up:
            extra = extra + set_up[kind.saw_deg][post, seat]
        wanted = steps[post, seat, state]
        offered = cheapest[np.minimum(wanted, cheapest.size - 1)] + extra[:, None]
        now = cost[post, seat, state]
        better = offered < now
        cost[post, seat, state] = np.where(better, offered, now)
        row[post, seat, state] = np.where(better, index, row[post, seat, state])


@dataclass(frozen=True, slots=True)
class SeatChoices:
    """What stands behind the entries of a set of lists."""

    geometry: Geometry
    steps: Ints
    row: NDArray[np.int16]
    corner_only: bool

    def choice(self, post: int, seat: int, state: int, entry: int) -> Choice:
        """What a seat is given when an entry of its list is taken."""
        row = int(self.row[post, seat, state, entry])
        inner = state == 1 and row > 0
        return Choice(
            row,
            int(self.steps[post, seat, state, entry]),
            float(self.geometry.inside_mm[post, seat]) if inner else None,
        )


def row_of(tables: Tables, choice: Choice) -> Row:
    """The tables' row behind a choice that is not bare."""
    if choice.inner_mm is None:
        return tables.rows[choice.row]
    return tables.inner_rows(choice.inner_mm)[0][choice.row - 1]

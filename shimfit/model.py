"""Frozen values that every room shares, in the trade's words, with the unit in every name that has one.

Signs, for the whole program: along is positive towards `next`, across is positive towards `out`.
Slopes are ratios (mm of lean per mm of height); a positive slope means the TOP is displaced that way and
the packs go under that side. Lengths are millimetres, float64. Positions under the foot are measured from
the foot's centre, (+along, +across).
"""

from __future__ import annotations

import math
from dataclasses import field
from enum import StrEnum
from typing import Annotated, Literal, NamedTuple

from shimfit.values import dataclass

# ---------------------------------------------------------------- what may come in


class Within(NamedTuple):
    """What a number or a text in a file or an event must be (`shimfit.codec` asks it of what comes in).

    Bounds keep whatever is worked out from a number finite.
    """

    must: str = "a number of a size that can be measured"
    least: float = -1e12
    most: float = 1e12
    null: bool = False
    """True: null stands for the field's default, as older programs wrote it."""


Positive = Annotated[float, Within("more than 0", least=1e-12)]
NotNegative = Annotated[float, Within("0 or more", least=0.0)]
SlopeRatio = Annotated[float, Within("a slope that a post can have", -100.0, 100.0)]
"""A post that leans more than 89.4 degrees is none."""
Uncertainty = Annotated[float, Within("an uncertainty that a slope can have", 0.0, 100.0)]
Name = Annotated[str, Within("a name")]
"""Text that is not blank."""

# ---------------------------------------------------------------- places under the foot


class Face(StrEnum):
    """The four faces of a post in a run that is walked in order."""

    NEXT = "next"
    PREV = "prev"
    OUT = "out"
    HOUSE = "house"

    def __init__(self, name: str) -> None:
        self.is_along = name in ("next", "prev")
        """True for next and prev (the run's direction)."""
        self.sign = 1 if name in ("next", "out") else -1
        """+1 for next and out, -1 for prev and house."""

    @property
    def opposite(self) -> Face:
        """The face on the other side."""
        return _OPPOSITE[self]


_OPPOSITE = {Face.NEXT: Face.PREV, Face.PREV: Face.NEXT, Face.OUT: Face.HOUSE, Face.HOUSE: Face.OUT}
FACE_NAMES = {face: face.value for face in Face}
"""What a run calls its faces that has no names of its own."""


class Seat(StrEnum):
    """A place on the perimeter where a pack can go: four corners, then four edge middles."""

    PREV_HOUSE = "prev-house"
    NEXT_HOUSE = "next-house"
    PREV_OUT = "prev-out"
    NEXT_OUT = "next-out"
    NEXT = "next"
    OUT = "out"
    PREV = "prev"
    HOUSE = "house"

    def __init__(self, name: str) -> None:
        # A seat is called after the faces that it lies at.
        self.sign_along = ("next" in name) - ("prev" in name)
        """-1 prev side, 0 middle, +1 next side."""
        self.sign_across = ("out" in name) - ("house" in name)
        """-1 house side, 0 middle, +1 out side."""
        self.is_corner = bool(self.sign_along and self.sign_across)
        """True for the four corners, false for the edge middles."""


CORNERS = (Seat.PREV_HOUSE, Seat.NEXT_HOUSE, Seat.PREV_OUT, Seat.NEXT_OUT)
EDGE_MIDDLES = (Seat.NEXT, Seat.OUT, Seat.PREV, Seat.HOUSE)


def seat_by_signs(sign_along: int, sign_across: int) -> Seat:
    """Seat at the given signs (-1, 0, +1), not both 0; KeyError for the centre."""
    return _SEAT_BY_SIGNS[sign_along, sign_across]


_SEAT_BY_SIGNS = {(seat.sign_along, seat.sign_across): seat for seat in Seat}


@dataclass(frozen=True, slots=True)
class Foot:
    """The bearing face of a post."""

    along_mm: Positive
    """Side along the run; the diameter when round."""
    across_mm: Positive
    """Side across the run; the diameter when round."""
    round: bool = False
    rod_hole_mm: NotNegative = 14.0
    """Diameter of the rod's hole in the foot; 0 = none."""
    rod_at_mm: tuple[float, float] = (0.0, 0.0)
    """Where the rod pulls, from the centre (+next, +out)."""

    def seat_at_mm(self, seat: Seat) -> tuple[float, float]:
        """Position of a seat on the perimeter, from the centre: (+next, +out) in mm.

        Round feet keep all eight seats on the rim, so a corner is at 45 degrees.
        """
        x = seat.sign_along * self.along_mm / 2
        y = seat.sign_across * self.across_mm / 2
        if self.round and seat.is_corner:
            return x * math.sqrt(0.5), y * math.sqrt(0.5)
        return x, y

    def inner_mm(self, pack: Pack) -> float | None:
        """How far in from its seat a pack bears; None at the face."""
        by_axis = zip(self.seat_at_mm(pack.seat), self.rod_at_mm, pack.bears_at_mm, strict=True)
        inner_mm = max(abs(at - rod - bears) for at, rod, bears in by_axis)
        return inner_mm if inner_mm > 1e-6 else None

    @property
    def text(self) -> str:
        """As it is typed: `90x90mm`, `d90mm`."""
        if self.round:
            return f"d{self.along_mm:g}mm"
        return f"{self.along_mm:g}x{self.across_mm:g}mm"


# ---------------------------------------------------------------- lean, reading, tolerance, verdict


@dataclass(frozen=True, slots=True)
class Lean:
    """Where the top stands relative to the foot, as slopes (mm/mm)."""

    slope_along: float
    slope_across: float

    def top_mm(self, height_mm: float) -> tuple[float, float]:
        """Displacement of the top at a height: (+next, +out) in mm."""
        return self.slope_along * height_mm, self.slope_across * height_mm

    @property
    def magnitude(self) -> float:
        """Length of the slope vector."""
        return math.hypot(self.slope_along, self.slope_across)


ToleranceKind = Literal["ratio", "gauge"]


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far out of plumb a post may stand: the user's choice; `source` says where it is from."""

    text: str
    """As typed or as the preset is named: `1:500`, `3mm/1m`, `2mm/m`, `0.1deg`."""
    kind: ToleranceKind
    """`ratio`: scales with height. `gauge`: a fixed amount in a length, not scaled down below it."""
    slope: Positive
    """Allowed slope (ratio), or amount ÷ gauge length."""
    amount_mm: Positive | None = None
    """The fixed amount of a gauge tolerance; None for a ratio."""
    gauge_mm: Positive | None = None
    """Length that the fixed amount is for; None for a ratio."""
    per_direction: bool = False
    """True: each direction by itself; False: the magnitude (a disk)."""
    source: str = "the user's choice"

    def allowed_top_mm(self, height_mm: float) -> float:
        """Allowed displacement at a height, in mm.

        A gauge tolerance of 3 mm in 1 m allows 3 mm at 0.6 m, 3 mm at 1 m and, the post being straight,
        3 mm in every 1 m above that (BRANZ Build 155: not scaled down for shorter lengths).
        """
        if self.kind == "gauge":
            assert self.amount_mm is not None
            assert self.gauge_mm is not None
            return self.amount_mm * max(1.0, height_mm / self.gauge_mm)
        return self.slope * height_mm

    def allowed_slope(self, height_mm: float) -> float:
        """Allowed slope for a post that is read at height_mm."""
        return self.allowed_top_mm(height_mm) / height_mm

    def compared(self, lean: Lean) -> float:
        """The slope that is held against the tolerance: the magnitude, or that of the worse direction."""
        return max(abs(lean.slope_along), abs(lean.slope_across)) if self.per_direction else lean.magnitude

    def uses(self, lean: Lean, height_mm: float) -> float:
        """Share of the tolerance that a lean takes up: 1.0 = exactly at the limit, 0 = plumb."""
        return self.compared(lean) / self.allowed_slope(height_mm)

    def holds(self, lean: Lean, height_mm: float) -> bool:
        """True when the lean is within the tolerance itself, no margin; exactly at the limit is within."""
        return self.uses(lean, height_mm) <= 1.0 + 1e-12


Stage = Literal["stood", "verify", "rails-on", "bed", "mid"]
Method = Literal["typed", "sensor"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a post as it was logged. A direction that was not read is None, never zero."""

    text: str
    """As typed, or how the sensor's reading was worded."""
    slope_along: SlopeRatio | None
    slope_across: SlopeRatio | None
    height_mm: Positive
    """Height that offsets of the top are given at."""
    stage: Stage = "stood"
    method: Method = "typed"
    u_along: Uncertainty | None = None
    """Standard uncertainty of slope_along (ratio); None = not known."""
    u_across: Uncertainty | None = None
    u_own_along: Uncertainty | None = None
    """Part of u_along that is new at each reading (steps of the scale), so averages away; None = unknown."""
    u_own_across: Uncertainty | None = None
    step_along: Uncertainty | None = None
    """From mark to mark of the scale that slope_along was read off, as a slope; None: read anywhere."""
    step_across: Uncertainty | None = None
    largest_term: str | None = None
    """The largest part of the uncertainty, in words."""
    zero_found: bool = True
    """False: a sensor's, whose zero nobody had found: it can be decided out of plumb, never plumb."""
    gauge_mm: Positive | None = None
    """Length that the offset was read over when it was not the height."""
    by: str | None = None
    instrument: str | None = None
    face: str | None = None
    """The face that the level was held to; None = not said."""
    time: str | None = None
    """ISO 8601 with offset."""
    event: str | None = None
    """Id of the event that logged it."""
    rocks: tuple[tuple[Seat, float], ...] = ()
    """Corners that do not touch with their feeler thickness in mm."""

    @property
    def lean(self) -> Lean | None:
        """The lean when both directions were read, else None."""
        if self.slope_along is None or self.slope_across is None:
            return None
        return Lean(self.slope_along, self.slope_across)

    def u_own(self, way: str) -> float | None:
        """The part of a direction's uncertainty that is new at each reading; all of it if that is unknown."""
        own: float | None = getattr(self, f"u_own_{way}")
        whole: float | None = getattr(self, f"u_{way}")
        return whole if own is None else own

    @property
    def turned(self) -> bool:
        """Read from two faces, the level turned end for end between them: no zero is in it."""
        return TURNED in self.text

    @property
    def is_mean(self) -> bool:
        """The mean of repeats, whose texts stand one behind the other; completed halves are none."""
        return self.u_own_along is None and "; " in self.text.replace(TURNED, " ")


OF_A_WAY = ("slope", "u", "u_own", "step")
"""What a reading holds of each direction: `slope_along`, `u_across`."""
TURNED = "; turned: "
"""Between the two halves of what was typed of such a reading."""
Decision = Literal["plumb", "out", "too-close", "none"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a verifying reading decides, with the uncertainty counted in."""

    decision: Decision
    value: float | None
    """Compared slope (magnitude, or the worse direction)."""
    allowed: float | None
    """Allowed slope."""
    u: float | None
    """Standard uncertainty of the compared slope."""
    guard: float
    """Guard band w as a slope."""
    probability: float | None
    """Probability that the post conforms (0..1)."""
    advice: str | None = None
    """When too close: what would settle it."""


class PostState(StrEnum):
    """What to do next at a post; the words stand on the screen."""

    TO_READ = "to read"
    HALF_READ = "half read"
    PACK = "pack"
    TIGHTEN = "tighten & re-read"
    PLUMB = "plumb"
    OUT = "out of plumb"
    TOO_CLOSE = "too close to call"
    SKIPPED = "skipped"


# ---------------------------------------------------------------- stock, packs, prescription

Form = Literal["flat", "taper", "strip"]
Origin = Literal["offcut", "bought"]


class StockForm(NamedTuple):
    """How stock of one form becomes pieces of a pack: everybody asks this, nobody goes by a form's name.

    Dimensions and keys are fields of `Lot` and `Piece`.
    """

    use: Literal["whole", "marked", "sawn"]
    """Goes under the foot whole; is pushed in to a mark along its length, where it is cut; or wedges are sawn
    off it, across its length."""
    needs: tuple[str, ...]
    """Dimensions without which there is no piece."""
    may_have: tuple[str, ...]
    piece_keys: tuple[str, ...]
    """What is said of a piece of it beside lot, form and thickness."""
    comes_out_as: Form
    """What a piece is once it was under a post."""
    size: str
    """What a lot measures, in words, round its dimensions; one with a `!` is said without its unit."""


FORMS: dict[Form, StockForm] = {
    "flat": StockForm(
        "whole", ("thickness_mm",), ("length_mm", "width_mm"), (), "flat", "thickness_mm thick"
    ),
    "taper": StockForm(
        "marked",
        ("thin_mm", "thick_mm", "length_mm"),
        ("width_mm",),
        ("mark_mm", "trim_tip_mm"),
        "taper",
        "thin_mm! to thick_mm over length_mm",
    ),
    "strip": StockForm(
        "sawn",
        ("length_mm", "width_mm", "thickness_mm"),
        (),
        ("mark_mm", "trim_tip_mm", "thin_mm", "thick_mm", "saw_deg"),
        "taper",
        "length_mm! x width_mm! x thickness_mm",
    ),
}
"""A new form of stock is a row here. One that is used in none of these ways also has to be fitted
(`core/packing/pieces`) and taken (`core/cutting`)."""


class OfForm:
    """What follows from the form of a lot, or of a piece of one."""

    __slots__ = ()
    form: Form

    @property
    def is_whole(self) -> bool:
        """Each piece goes under the foot as it is."""
        return FORMS[self.form].use == "whole"

    @property
    def is_marked(self) -> bool:
        """Tapered: pushed in to a mark along its length, and cut there."""
        return FORMS[self.form].use == "marked"

    @property
    def is_sawn(self) -> bool:
        """Saw stock, or a wedge off it."""
        return FORMS[self.form].use == "sawn"


@dataclass(frozen=True, slots=True)
class Lot(OfForm):
    """Like pieces in the box. Which dimensions are set depends on the form."""

    lot: Name
    form: Form
    count: int
    material: str = ""
    length_mm: Positive | None = None
    """flat: optional; taper: along its slope; strip: along the grain."""
    width_mm: Positive | None = None
    """flat, taper: optional; strip: becomes the wedge's length under the foot."""
    thickness_mm: Positive | None = None
    """flat: its thickness; strip: becomes the wedge's width under the foot."""
    thin_mm: NotNegative | None = None
    thick_mm: Positive | None = None
    origin: Origin = "offcut"
    note: str = ""

    @property
    def thickest_mm(self) -> float:
        """The most that one piece gives as it lies in the box; 0 for what is sawn first."""
        return 0.0 if self.is_sawn else self.thick_mm or self.thickness_mm or 0.0

    @property
    def under_foot_mm(self) -> tuple[float | None, float | None]:
        """(reach of a whole piece, width) under the foot; None where it is cut to suit, or not known."""
        if self.is_sawn:
            return None, self.thickness_mm
        return (self.length_mm if self.is_whole else None), self.width_mm

    @property
    def cut_from_mm(self) -> float | None:
        """Length that several pieces can be cut from; None where each is used whole."""
        return None if self.is_whole else self.length_mm or 0.0

    @property
    def taper_slope(self) -> float:
        """Thickness gained per mm of a taper's length; 0 for other forms."""
        if not self.is_marked:
            return 0.0
        assert self.thin_mm is not None
        assert self.thick_mm is not None
        assert self.length_mm is not None
        return (self.thick_mm - self.thin_mm) / self.length_mm


@dataclass(frozen=True, slots=True)
class Piece(OfForm):
    """One thing from the box in a pack."""

    lot: str
    form: Form
    thickness_mm: float
    """What it gives where the pack meets the post's face (flat: its thickness)."""
    mark_mm: float | None = None
    """Taper: from the original thin end to the line that meets the face."""
    trim_tip_mm: Annotated[float, Within(null=True)] = 0.0
    """Taper: cut this much off the thin end so that it clears the rod."""
    copy: int | None = None
    """Which of several like tapers (1…count); None where there is one."""
    thin_mm: float | None = None
    """Piece sawn from a strip: its thin edge."""
    thick_mm: float | None = None
    """Piece sawn from a strip: its thick edge."""
    saw_deg: float | None = None
    """Piece sawn from a strip: what the saw is set to (half the wedge's angle)."""

    @property
    def wedge_mm(self) -> tuple[float, float] | None:
        """(thin, thick) edge of a wedge off the saw; None for what is not sawn."""
        if not self.is_sawn or self.thin_mm is None or self.thick_mm is None:
            return None
        return self.thin_mm, self.thick_mm


Purpose = Literal["lift", "fill"]


@dataclass(frozen=True, slots=True)
class Pack:
    """What goes under one seat."""

    seat: Seat
    need_mm: float
    """Gap where the pack bears."""
    made_mm: float
    """Thickness that the pieces make there."""
    bears_at_mm: tuple[float, float]
    """Where it bears, from the rod (+next, +out)."""
    pieces: tuple[Piece, ...] = ()
    purpose: Purpose = "lift"
    inside_mm: float | None = None
    """How far in from the face its flats are pushed; None where it has none, or nobody said."""
    enters: Face | None = None
    """Face that it goes in from; None: nobody said, as older programs did not."""

    @property
    def reach_mm(self) -> float:
        """How far in from the face the piece lies that goes furthest, as far as that is known."""
        tapers = (one.mark_mm - one.trim_tip_mm for one in self.pieces if one.mark_mm is not None)
        return max(self.inside_mm or 0.0, *tapers, 0.0)


@dataclass(frozen=True, slots=True)
class Resting:
    """How the post stands after tightening, as predicted. Two limits when it rocks, never one number."""

    lean: Lean | None
    """Lean left over; None when it rocks."""
    rock_mm: float
    """How far the fourth of four supports lies from the plane of the other three."""
    tipping_arm: float
    """0…1, see the trade's words."""
    limits: tuple[Lean, Lean] | None = None
    """The two limit tilts when it rocks."""

    @property
    def unique(self) -> bool:
        """False when the post rocks between two tilts."""
        return self.limits is None


@dataclass(frozen=True, slots=True)
class Change:
    """What to change under one seat: from the pack there now to the new total."""

    seat: Seat
    from_mm: float
    to_mm: float
    push_mm: float | None = None
    """How much further a taper that stays is pushed (+) or drawn (-); None when pieces change."""


Status = Literal["proven", "found", "impossible", "gave-up"]
LayoutName = Literal["corners", "tripod", "one-way"]


@dataclass(frozen=True, slots=True)
class Cost:
    """What a prescription costs, in minutes of the crew (prices: core/objective)."""

    total: float
    parts: tuple[tuple[str, float], ...] = ()
    """Name and amount of each part, in order of importance."""


PLANNED = "planned with the whole run"
"""Reason of an answer that a run's plan gave: it shares tapers and strips with the plan's other answers."""
BESIDE_THE_OTHERS = "not beside the others"
"""Stands in the reason of an answer that a run's plan could not give: alone, the post could be served."""


@dataclass(frozen=True, slots=True)
class Chance:
    """What the next reading is likely to say of a prescription; the three add up to 1."""

    plumb: NotNegative
    too_close: NotNegative
    out: NotNegative
    within: NotNegative
    """That the post truly stands within the tolerance, whatever a reading can show of it."""
    turned: NotNegative
    """`plumb` when the level is read both ways, turned end for end."""
    finer: NotNegative | None = None
    """`plumb` when it is read between the marks too, to half of one; None: read on no marks."""
    again: NotNegative | None = None
    """`turned` when the post is read once more, the level turned, before it is packed; None: not worth it."""
    saves_min: NotNegative | None = None
    """Minutes of later rounds that this reading saves beyond its own; None: not worth it, or not kept."""


@dataclass(frozen=True, slots=True)
class Prescription:
    """The answer for one post."""

    post: Foot
    height_mm: float
    lean: Lean
    tolerance: Tolerance
    packs: tuple[Pack, ...]
    resting: Resting
    within: bool
    """The predicted rest is within the tolerance itself (no margin)."""
    status: Status
    layout: LayoutName = "corners"
    why: str | None = None
    """Why impossible or given up (which seat, what thickness is missing), or why this layout."""
    cost: Cost = Cost(0.0)
    change: tuple[Change, ...] = ()
    cautions: tuple[str, ...] = ()
    take_up: float = 1.0
    """Share of the change that packs are expected to give here; counted in."""
    scatter: float = 1.0
    """How many times the usual this deck's seats and packs scatter, as learned; counted in."""
    saw_settings_deg: tuple[float, ...] = field(default=())
    """Saw settings that the pieces need, in order of use; empty when nothing is sawn."""
    chance: Chance | None = None
    """Of the next reading; None where nothing is prescribed, or the answer is in exact thicknesses."""


InstrumentKind = Literal["level", "plumb-line", "inclinometer"]


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument as it was entered last; earlier entries are its history."""

    name: Name
    """What the carpenter calls it."""
    kind: InstrumentKind
    length_mm: Positive | None = None
    """Length of a level; None where it has none."""
    accuracy_slope: NotNegative | None = None
    """Maker's limit as a slope, ±; None = not known."""
    graduation_mm: NotNegative | None = None
    """Step of the scale that offsets are read with; None = as typed."""
    zero_along: Annotated[float, Within(null=True)] = 0.0
    """Slope that it shows on a plumb post, along; taken off readings."""
    zero_across: Annotated[float, Within(null=True)] = 0.0
    u_zero: NotNegative | None = None
    """Standard uncertainty of the zero (slope); None = never turned end for end."""
    checked: str | None = None
    """When it was last turned end for end, ISO 8601; None = never."""
    axes: str | None = None
    """A sensor's: how its x and y lay on the post when the zero was found; None = not known."""
    zero_degc: float | None = None
    """Temperature at which the zero was found; None = not known."""
    dropped: str | None = None
    """When it was last dropped or taken apart: no zero that was found or written down before counts."""
    floor_deg: NotNegative | None = None
    """A sensor's: what averaging can't get below, from a long still record."""
    memory_s: NotNegative | None = None
    """A sensor's: how long it remembers, from a long still record."""
    serial: str | None = None
    """Serial or inventory number; None = not known."""
    time: str | None = None
    """When this was entered; None of one that the log does not hold."""
    event: str | None = None
    """Id of the log's event that entered it."""

"""How a sensor sits on the post: which way its x and y point, and what it reads when the post is plumb.

      out                 The picture shows where the sensor's arrows point, seen from above
       ^                  with `out` at the top and `next` on the right.
prev < + > next
       v
     house

In the instrument's own directions the first face reads lean + zero, the opposite face reads zero - lean:

    lean = (r1 - r2)/2    zero = (r1 + r2)/2    u(lean) = u(zero) = √(u1² + u2² + u_d² + (other · u_turn)²)/2

u_d is what clamping it again may change, u_turn how squarely it was turned: a half turn that is short by ε
mixes the other direction's lean in, ε · other/2.

A reversal takes out the zero only; gain, cross-axis and turning errors stay. The mean of opposite faces is
the lean of the post's centre line; half of a post's taper lands in the zero.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

from shimfit.core.instruments import DUE_DAYS
from shimfit.errors import EntryError, finite
from shimfit.model import Face, Lean
from shimfit.quantities import shown
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core.sensing.watch import Held, SensorErrors

CLEAR = 3.0
"""The tipped axis must move at least this many times the other."""
LOUD = 20.0
"""And at least this many times the noise."""
_ARROWS = {Face.NEXT: "→", Face.PREV: "←", Face.OUT: "↑", Face.HOUSE: "↓"}


@dataclass(frozen=True, slots=True)
class AxisMap:
    """Sensor directions to post directions.

    `x` is the face that a positive x leans towards, `y` the same for y; they lie at right angles.
    `turn_deg` is a small extra turn of the sensor about the post, positive from next towards out.
    """

    x: Face = Face.NEXT
    y: Face = Face.OUT
    turn_deg: float = 0.0

    def __post_init__(self) -> None:
        """Raises EntryError when x and y would point along the same line."""
        if self.x.is_along == self.y.is_along:
            raise EntryError(f"x towards {self.x} and y towards {self.y} lie on one line; teach both again.")
        finite(self.turn_deg, "turn of the sensor")

    def to_post(self, slope_x: float, slope_y: float) -> Lean:
        """Lean of the post from slopes along the sensor's x and y; exact, and lengths are kept."""
        x, y = self.x.sign * slope_x, self.y.sign * slope_y
        cos, sin = self._turn
        along, across = (x, y) if self.x.is_along else (y, x)
        return Lean(along * cos - across * sin, along * sin + across * cos)

    def to_sensor(self, lean: Lean) -> tuple[float, float]:
        """Slopes along the sensor's x and y of a lean of the post: the inverse of `to_post`."""
        cos, sin = self._turn
        along = lean.slope_along * cos + lean.slope_across * sin
        across = lean.slope_across * cos - lean.slope_along * sin
        x, y = (along, across) if self.x.is_along else (across, along)
        return self.x.sign * x, self.y.sign * y

    def u_to_post(self, u_x: float, u_y: float) -> tuple[float, float]:
        """Standard uncertainties along and across from those of x and y (any one unit, all ≥ 0)."""
        cos, sin = self._turn
        along, across = (u_x, u_y) if self.x.is_along else (u_y, u_x)
        return math.hypot(along * cos, across * sin), math.hypot(along * sin, across * cos)

    @property
    def _turn(self) -> tuple[float, float]:
        return math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))

    def picture(self) -> str:
        """The arrows of x and y as they lie on the post, seen from above; three lines."""
        shown = {self.x: "x", self.y: "y"}
        out, house, prev, after = (
            (shown.get(face, " "), _ARROWS[face] if face in shown else " ")
            for face in (Face.OUT, Face.HOUSE, Face.PREV, Face.NEXT)
        )
        return (
            f"   {out[1]} {out[0]}   out\n"
            f"{prev[0]} {prev[1]}+{after[1]} {after[0]}   next\n"
            f"   {house[1]} {house[0]}   house"
        )

    @property
    def text(self) -> str:
        """As it is stored: `x=next y=out` with a turn where there is one."""
        turn = f" turn={self.turn_deg:g}" if self.turn_deg else ""
        return f"x={self.x} y={self.y}{turn}"


def parse_axis_map(text: str) -> AxisMap:
    """Read what `AxisMap.text` wrote; raises EntryError for anything else."""
    parts = dict(part.partition("=")[::2] for part in text.split())
    axis_map = None
    with contextlib.suppress(KeyError, ValueError):
        axis_map = AxisMap(Face(parts.pop("x")), Face(parts.pop("y")), float(parts.pop("turn", "0")))
    if axis_map is None or parts:
        raise EntryError(f"{text!r} isn't an axis map; type it like `x=next y=out`.")
    return axis_map


@dataclass(frozen=True, slots=True)
class Tip:
    """What one tip of the post showed: the sensor's axis that moved, and which way."""

    axis: Literal["x", "y"]
    sign: Literal[1, -1]


def read_tip(rest: tuple[float, float], tipped: tuple[float, float], noise: float) -> Tip:
    """Which axis moved when the top was tipped one way. Any one unit; noise is a standard deviation.

    Raises EntryError with what to do again, when no axis moved clearly or both did.
    """
    moved = (tipped[0] - rest[0], tipped[1] - rest[1])
    axis: Literal["x", "y"] = "x" if abs(moved[0]) >= abs(moved[1]) else "y"
    large, small = (moved[0], moved[1]) if axis == "x" else (moved[1], moved[0])
    if abs(large) < LOUD * noise or large == 0:
        raise EntryError("The sensor hardly moved; tip the top further, hold it, and try again.")
    if abs(large) < CLEAR * abs(small):
        raise EntryError(
            f"Both axes moved ({axis} most, the other {shown.share(abs(small / large))} of it); "
            "tip the top straight towards one face, and try again."
        )
    return Tip(axis, 1 if large > 0 else -1)


def teach(first: Tip, first_face: Face, second: Tip, second_face: Face) -> AxisMap:
    """The map from two tips of the top, each towards a named face.

    Standing with your back to the house, "away from you" is `out` and "to your right" is next or prev,
    whichever way the run is walked. Raises EntryError when both tips moved the same axis.
    """
    if first.axis == second.axis:
        raise EntryError(f"Both tips moved {first.axis}; tip the second one at right angles to the first.")
    faces = {
        tip.axis: face if tip.sign > 0 else face.opposite
        for tip, face in ((first, first_face), (second, second_face))
    }
    return AxisMap(faces["x"], faces["y"])


# ---------------------------------------------------------------- zero

NOT_FOUND: Final = "zero not found: turn it end for end"
ENTERED_U_DEG: Final = 0.02
"""Standard uncertainty of a zero that was entered without one (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SensorZero:
    """What a sensor reads on a plumb post, in its own directions; taken off every sample."""

    x_deg: float
    y_deg: float
    u_deg: float = ENTERED_U_DEG
    """Standard uncertainty of each direction."""
    age_days: int | None = None
    """Days since it was found; None = entered, or not known."""

    def put_back(self, held: Held) -> Held:
        """What would have been held had this zero not been taken off."""
        return replace(held, x_deg=held.x_deg + self.x_deg, y_deg=held.y_deg + self.y_deg)


def zero_words(zero: SensorZero | None) -> str | None:
    """What has to be done about a sensor's zero; None while it is known and fresh enough."""
    if zero is None:
        return NOT_FOUND
    if zero.age_days is None or 0 <= zero.age_days < DUE_DAYS:
        return None
    if zero.age_days < 0:
        return "its zero was found on a day to come: look at this machine's date"
    return f"its zero was found {zero.age_days} days ago: turn it end for end again"


SURE: Final = 3.0
"""A difference counts when it is more than this many of its standard uncertainties."""
Suspicion = Literal["not-turned", "zero-jumped", "ask"]


@dataclass(frozen=True, slots=True)
class FaceReading:
    """One face as the instrument reads it, in the instrument's own two directions (slopes)."""

    along: float
    across: float
    u_along: float
    u_across: float

    @property
    def mirrored(self) -> FaceReading:
        """What was typed as the post's lean (r2 = lean - zero) in the instrument's own directions."""
        return FaceReading(-self.along, -self.across, self.u_along, self.u_across)


@dataclass(frozen=True, slots=True)
class Zero:
    """An instrument's zero: what it reads on a plumb post."""

    along: float
    across: float
    u: float
    """Standard uncertainty of each direction."""


@dataclass(frozen=True, slots=True)
class Reversal:
    """Lean and zero, from two faces."""

    lean: Lean
    """In the post's directions, as the first face was held."""
    zero: Zero
    u_along: float
    u_across: float
    suspicion: Suspicion | None
    """Why it should not be taken as it is; None when nothing is against it."""
    words: str | None


def reversal(
    first: FaceReading,
    second: FaceReading,
    *,
    known: Zero | None = None,
    u_change: float = 0.0,
    u_turn_rad: float = 0.0,
) -> Reversal:
    """Lean and zero from a face and its opposite, both in the instrument's own directions.

    `known` = the zero found before; `u_change` = how much the zero may change between faces (clamp,
    temperature); `u_turn_rad` = standard uncertainty of the half turn, which couples the directions.
    """
    lean = Lean((first.along - second.along) / 2.0, (first.across - second.across) / 2.0)
    pair = (
        math.hypot(first.u_along, second.u_along, u_change, lean.slope_across * u_turn_rad),
        math.hypot(first.u_across, second.u_across, u_change, lean.slope_along * u_turn_rad),
    )
    u_along, u_across = pair[0] / 2.0, pair[1] / 2.0
    zero = Zero(
        (first.along + second.along) / 2.0, (first.across + second.across) / 2.0, max(u_along, u_across)
    )
    suspicion = _suspicion(first, second, zero, known, pair)
    words = None if suspicion is None else _QUESTIONS[suspicion]
    return Reversal(lean, zero, u_along, u_across, suspicion, words)


def two_faces(
    first: Held, second: Held, sensor_errors: SensorErrors, known: SensorZero | None = None
) -> Reversal:
    """Lean and zero from a sensor held on two opposite faces, in degrees along its own x and y.

    Offsets of a sensor add up as angles, so this is done in degrees; the formula holds in any one unit. Both
    were held with no zero taken off (`SensorZero.put_back` undoes it); `known` is what the new one is
    judged by.
    """
    one, other = (FaceReading(held.x_deg, held.y_deg, *held.u_hold_deg) for held in (first, second))
    return reversal(
        one,
        other,
        known=None if known is None else Zero(known.x_deg, known.y_deg, known.u_deg),
        u_change=sensor_errors.clamp_u_deg,
        u_turn_rad=math.radians(sensor_errors.turn_u_deg),
    )


_QUESTIONS: Final[dict[Suspicion, str]] = {
    "not-turned": "both readings are the same and the zero would have jumped: was it turned?",
    "zero-jumped": "the zero is not what it was: a tapered post, a moved clamp, or a face not opposite?",
    "ask": "both readings are the same: did you turn it to the opposite face?",
}


def _suspicion(
    first: FaceReading, second: FaceReading, zero: Zero, known: Zero | None, pair: tuple[float, float]
) -> Suspicion | None:
    same = _within(first.along - second.along, pair[0]) and _within(first.across - second.across, pair[1])
    if known is None:
        # A plumb post with a good zero reads the same turned or not, and no harm: only a reading of some
        # size that didn't change is worth the question.
        size = not (_within(zero.along, pair[0] / 2.0) and _within(zero.across, pair[1] / 2.0))
        return "ask" if same and size else None
    jumped = not (
        _within(zero.along - known.along, math.hypot(pair[0] / 2.0, known.u))
        and _within(zero.across - known.across, math.hypot(pair[1] / 2.0, known.u))
    )
    if not jumped:
        return None
    return "not-turned" if same else "zero-jumped"


def _within(difference: float, u: float) -> bool:
    return abs(difference) <= SURE * u

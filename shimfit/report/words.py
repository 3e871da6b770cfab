"""How the record's figures are worded: lengths in the run's unit, directions by name, plain times."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from shimfit.core.instruments import DEFAULT_ACCURACY
from shimfit.model import Face, Foot, Instrument, Pack, Reading, Tolerance
from shimfit.quantities import shown
from shimfit.text.phrases import face_of, seat_name

if TYPE_CHECKING:
    from shimfit.standing import PostRecord, Units

DECISION_WORDS = {
    "plumb": "plumb",
    "out": "out of plumb",
    "too-close": "too close to call",
    "none": "not verified",
}
NOT_GIVEN = "not given"
NEVER_CHECKED = "last check: no reversal check in this log"


def foot(value: Foot, units: Units) -> str:
    """A foot's size: `90x90mm`, in an inch job `3 1/2" x 3 1/2"`, `5 1/2" across, round`."""
    if units == "mm":
        return value.text
    along, across = (shown.fine(mm, units) for mm in (value.along_mm, value.across_mm))
    return f"{along} across, round" if value.round else f"{along} x {across}"


def recorded_in(units: Units) -> str:
    """The unit of readings as a record states them, and how closely."""
    return "mm" if units == "mm" else f"inches, to the nearest 1/{shown.FINEST}"


def towards(top_mm: float, along: bool, faces: Mapping[Face, str], units: Units) -> str:
    """Which way and how far a top stands off: `next 1.2`; `0.0` alone when it rounds to nothing."""
    figure = shown.recorded(top_mm, units, unit=False)
    return figure if figure in ("0.0", '0"') else f"{faces[face_of(top_mm, along)]} {figure}"


def reading(read: Reading | None, faces: Mapping[Face, str], units: Units, *, uncertainty: bool) -> list[str]:
    """How the top leaned in each direction: `next 1.2 ±0.4`, `not read`; `–` alone for no reading."""
    if read is None:
        return ["–"]
    reported = []
    for slope, u, along in (
        (read.slope_along, read.u_along, True),
        (read.slope_across, read.u_across, False),
    ):
        if slope is None:
            reported.append("not read")
            continue
        top = towards(slope * read.height_mm, along, faces, units)
        sure = plus_minus(None if u is None else 2 * u * read.height_mm, units) if uncertainty else ""
        reported.append(top + sure)
    return reported


def plus_minus(expanded: float | None, units: Units) -> str:
    """An expanded uncertainty in mm behind its figure: ` ±0.4`."""
    return " ± not known" if expanded is None else f" ±{shown.small(expanded, units, unit=False)}"


def pack(item: Pack, faces: dict[Face, str], units: Units) -> str:
    """A pack in few words: `next-out 1.5`; a filler, which never lifts, is marked `f`."""
    return f"{seat_name(item.seat, faces)} {thick(item.made_mm, units)}{' f' * (item.purpose == 'fill')}"


def thick(mm: float, units: Units) -> str:
    """A thickness as a caliper has it, without its unit, all places kept: `1.50`, `0.059`."""
    return shown.plain(mm, units, 2 if units == "mm" else 3)


def pack_in_full(item: Pack) -> str:
    """A pack with everything that tells it apart, mm: `next-out=1.49 lift (T1@29.4+F2)`."""
    pieces = (one.lot + (f"@{one.mark_mm:.1f}" if one.mark_mm is not None else "") for one in item.pieces)
    made = f" ({'+'.join(pieces)})" if item.pieces else ""
    return f"{item.seat.value}={item.made_mm:.2f} {item.purpose}{made}"


def clock(iso: str | None, *, offset: bool = False) -> str:
    """An ISO 8601 time as `2026-05-12 14:05`, its own offset kept; empty when there is none."""
    try:
        text = datetime.fromisoformat(iso or "").strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return iso or ""
    return f"{text} {offset_of(iso)}".rstrip() if offset else text


def offset_of(iso: str | None) -> str:
    """`UTC+02:00`, or empty when the time names none."""
    try:
        zone = datetime.fromisoformat(iso or "").strftime("%z")
    except ValueError:
        return ""
    return f"UTC{zone[:3]}:{zone[3:5]}" if zone else ""


def shared_offset(times: tuple[str | None, ...]) -> str | None:
    """The offset that all times have in common; None when they differ."""
    offsets = {offset_of(time) for time in times if time}
    return offsets.pop() if len(offsets) == 1 else None


def tolerance(value: Tolerance, height_mm: float, units: Units) -> str:
    """The tolerance with what it allows: `1:500 of the lean's magnitude: 2.0 mm at 1000 mm`."""
    judged = "each direction by itself" if value.per_direction else "the lean's magnitude"
    allowed, at = shown.recorded(value.allowed_top_mm(height_mm), units), shown.lean(height_mm, units)
    return f"{value.text} on {judged}: {allowed} at {at}"


def instrument(name: str, item: Instrument | None, units: Units = "mm") -> str:
    """An instrument with what its word is worth; None: nothing is known but its name."""
    if item is None:
        return f"{name}: serial {NOT_GIVEN}, {NEVER_CHECKED}"
    facts: list[str] = [*([] if item.kind == name else [item.kind]), f"serial {item.serial or NOT_GIVEN}"]
    if item.length_mm:
        facts.append(f"{shown.lean(item.length_mm, units)} long")
    if item.accuracy_slope is not None:
        facts.append(f"stated accuracy ±{shown.rate(item.accuracy_slope, units)}")
    elif item.kind in DEFAULT_ACCURACY:
        facts.append(f"accuracy not stated, ±{shown.rate(DEFAULT_ACCURACY[item.kind], units)} assumed")
    if item.graduation_mm:
        facts.append(f"graduation {shown.sized(item.graduation_mm, units)}")
    if item.checked:
        found = zero(item.zero_along, item.zero_across, item.u_zero, units)
        facts.append(f"last check: turned end for end {clock(item.checked)}, {found}, taken off since")
    elif item.dropped:
        facts.append(f"last check: none since it was dropped {clock(item.dropped)}")
    else:
        facts.append(NEVER_CHECKED)
    return f"{name}: " + ", ".join(facts)


def zero(along: float, across: float, u: float | None, units: Units) -> str:
    """An instrument's zero: `zero +1.00 along, -0.50 across ± 0.59 mm/m (k = 2)`."""
    both = f"{shown.slope(along, units, sign=True, unit=False)} along, "
    both += f"{shown.slope(across, units, sign=True, unit=False)} across"
    sure = shown.slope_unit(units) if u is None else f"± {shown.slope(2 * u, units)} (k = 2)"
    return f"zero {both} {sure}"


def instruments(known: Mapping[str, Instrument | None], units: Units, *, unnamed: bool) -> list[str]:
    """The instruments of a record, and what stands in for those that nobody named."""
    reported = [instrument(name, item, units) for name, item in known.items()]
    if unnamed:
        assumed = shown.rate(DEFAULT_ACCURACY["level"], units)
        who = "other readings name none" if reported else "none named"
        reported.append(f"{who}: a carpenter's level of ±{assumed} is assumed (common practice, no source)")
    return reported or ["none used yet"]


def worst_of(reading: Reading, post: PostRecord) -> float | None:
    """What is compared with the tolerance, at the post's height in mm: magnitude, or the worse direction.

    What is allowed is at that height too, whatever height the post was read at before it was changed.
    """
    return None if reading.lean is None else post.tolerance.compared(reading.lean) * post.height_mm


def qr_rows(text: str, border: int = 4) -> list[list[bool]]:
    """The text as a QR code (ISO/IEC 18004) with `border` light modules about it: rows of dark or not."""
    import segno

    return [
        [bool(module) for module in row] for row in segno.make(text, micro=False).matrix_iter(border=border)
    ]

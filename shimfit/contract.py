"""Model values <-> the JSON that commands print, files hold and events keep. One place, both directions.

The names are a contract (scripts and old data files rely on them): keys may be added, never renamed or
dropped. Lengths are millimetres with `_mm` in the key, slopes ratios, angles `_deg`. Reading back what was
written gives the same values, so an answer that was logged years ago is still an answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, cast, get_args

from shimfit.errors import FileError
from shimfit.model import (
    Chance,
    Change,
    Cost,
    Foot,
    Form,
    LayoutName,
    Lean,
    Lot,
    Method,
    Pack,
    Piece,
    Prescription,
    Purpose,
    Reading,
    Resting,
    Seat,
    Stage,
    Status,
    Tolerance,
    ToleranceKind,
)

if TYPE_CHECKING:
    from shimfit.core.foot import GapPlane

Json = dict[str, Any]

# ---------------------------------------------------------------- foot, lean, tolerance


def foot_to_json(foot: Foot) -> Json:
    """Foot as kept in events: sides, shape, rod."""
    return {
        "along_mm": foot.along_mm,
        "across_mm": foot.across_mm,
        "round": foot.round,
        "rod_hole_mm": foot.rod_hole_mm,
        "rod_at_mm": list(foot.rod_at_mm),
    }


def foot_from_json(data: Mapping[str, Any]) -> Foot:
    """Inverse of foot_to_json."""
    x, y = data.get("rod_at_mm", (0.0, 0.0))
    return Foot(
        along_mm=float(data["along_mm"]),
        across_mm=float(data["across_mm"]),
        round=bool(data.get("round", False)),
        rod_hole_mm=float(data.get("rod_hole_mm", 14.0)),
        rod_at_mm=(float(x), float(y)),
    )


def post_to_json(foot: Foot, height_mm: float) -> Json:
    """Post of an answer: foot and reading height (rod_at_mm and round only where they say something)."""
    post: Json = {
        "foot_along_mm": foot.along_mm,
        "foot_across_mm": foot.across_mm,
        "height_mm": height_mm,
        "rod_hole_mm": foot.rod_hole_mm,
    }
    if foot.round:
        post["round"] = True
    if foot.rod_at_mm != (0.0, 0.0):
        post["rod_at_mm"] = list(foot.rod_at_mm)
    return post


def post_from_json(data: Mapping[str, Any]) -> tuple[Foot, float]:
    """Inverse of post_to_json: (foot, height_mm)."""
    x, y = data.get("rod_at_mm", (0.0, 0.0))
    foot = Foot(
        along_mm=float(data["foot_along_mm"]),
        across_mm=float(data["foot_across_mm"]),
        round=bool(data.get("round", False)),
        rod_hole_mm=float(data.get("rod_hole_mm", 14.0)),
        rod_at_mm=(float(x), float(y)),
    )
    return foot, float(data["height_mm"])


def lean_to_json(lean: Lean | None, height_mm: float) -> Json:
    """Slopes and the displacement of the top at a height; all null where there is no one lean."""
    if lean is None:
        return {"slope_along": None, "slope_across": None, "top_along_mm": None, "top_across_mm": None}
    top_along_mm, top_across_mm = lean.top_mm(height_mm)
    return {
        "slope_along": lean.slope_along,
        "slope_across": lean.slope_across,
        "top_along_mm": top_along_mm,
        "top_across_mm": top_across_mm,
    }


def tolerance_to_json(tolerance: Tolerance, height_mm: float | None = None) -> Json:
    """Tolerance with the source that the record prints; allowed_top_mm where a height is given."""
    out: Json = {"text": tolerance.text}
    if height_mm is not None:
        out["allowed_top_mm"] = tolerance.allowed_top_mm(height_mm)
    out |= {
        "per_direction": tolerance.per_direction,
        "kind": tolerance.kind,
        "slope": tolerance.slope,
        "amount_mm": tolerance.amount_mm,
        "gauge_mm": tolerance.gauge_mm,
        "source": tolerance.source,
    }
    return out


def tolerance_from_json(data: Mapping[str, Any]) -> Tolerance:
    """Inverse of tolerance_to_json."""
    return Tolerance(
        text=str(data["text"]),
        kind=cast("ToleranceKind", data["kind"]),
        slope=float(data["slope"]),
        amount_mm=_number(data.get("amount_mm")),
        gauge_mm=_number(data.get("gauge_mm")),
        per_direction=bool(data.get("per_direction", False)),
        source=str(data.get("source", "the user's choice")),
    )


# ---------------------------------------------------------------- stock and packs


def lot_to_json(lot: Lot) -> Json:
    """One lot, keys as the headers of the stock file; what does not apply is left out."""
    keys = ("length_mm", "width_mm", "thickness_mm", "thin_mm", "thick_mm")
    row: Json = {"lot": lot.lot, "form": lot.form, "material": lot.material, "count": lot.count}
    row |= {key: getattr(lot, key) for key in keys if getattr(lot, key) is not None}
    return row | {"origin": lot.origin, "note": lot.note}


def piece_to_json(piece: Piece) -> Json:
    """One piece of a pack; keys that do not apply to its form are left out."""
    out: Json = {"lot": piece.lot, "form": piece.form, "thickness_mm": piece.thickness_mm}
    if piece.form == "taper":
        out |= {"mark_mm": piece.mark_mm, "trim_tip_mm": piece.trim_tip_mm}
    if piece.form == "strip":
        out |= {
            "mark_mm": piece.mark_mm,
            "trim_tip_mm": piece.trim_tip_mm,
            "thin_mm": piece.thin_mm,
            "thick_mm": piece.thick_mm,
            "saw_deg": piece.saw_deg,
        }
    if piece.copy is not None:
        out["copy"] = piece.copy
    return out


def piece_from_json(data: Mapping[str, Any]) -> Piece:
    """Inverse of piece_to_json."""
    copy = data.get("copy")
    return Piece(
        lot=str(data["lot"]),
        form=cast("Form", data["form"]),
        thickness_mm=float(data["thickness_mm"]),
        mark_mm=_number(data.get("mark_mm")),
        trim_tip_mm=float(data.get("trim_tip_mm") or 0.0),
        copy=None if copy is None else int(copy),
        thin_mm=_number(data.get("thin_mm")),
        thick_mm=_number(data.get("thick_mm")),
        saw_deg=_number(data.get("saw_deg")),
    )


def pack_to_json(pack: Pack) -> Json:
    """One pack: seat, purpose, need and what was made of it, pieces, where it bears."""
    return {
        "seat": str(pack.seat),
        "purpose": pack.purpose,
        "need_mm": pack.need_mm,
        "made_mm": pack.made_mm,
        "bears_at_mm": list(pack.bears_at_mm),
        "pieces": [piece_to_json(piece) for piece in pack.pieces],
    }


def pack_from_json(data: Mapping[str, Any]) -> Pack:
    """Inverse of pack_to_json."""
    x, y = data["bears_at_mm"]
    return Pack(
        seat=Seat(data["seat"]),
        need_mm=float(data["need_mm"]),
        made_mm=float(data["made_mm"]),
        bears_at_mm=(float(x), float(y)),
        pieces=tuple(piece_from_json(piece) for piece in data.get("pieces", ())),
        purpose=cast("Purpose", data.get("purpose", "lift")),
    )


def packs_from_json(rows: Sequence[Mapping[str, Any]]) -> tuple[Pack, ...]:
    """Several packs, in the order given."""
    return tuple(pack_from_json(row) for row in rows)


# ---------------------------------------------------------------- the answer for one post


def resting_to_json(resting: Resting, height_mm: float) -> Json:
    """Predicted rest; when it rocks the lean is null and `limits` holds the two limit tilts."""
    out = lean_to_json(resting.lean, height_mm)
    out |= {"rock_mm": resting.rock_mm, "tipping_arm": resting.tipping_arm, "unique": resting.unique}
    if resting.limits is not None:
        out["limits"] = [lean_to_json(limit, height_mm) for limit in resting.limits]
    return out


def resting_from_json(data: Mapping[str, Any]) -> Resting:
    """Inverse of resting_to_json."""
    limits = data.get("limits")
    return Resting(
        lean=_lean(data),
        rock_mm=float(data["rock_mm"]),
        tipping_arm=float(data["tipping_arm"]),
        limits=None if limits is None else (_certain_lean(limits[0]), _certain_lean(limits[1])),
    )


def change_to_json(change: Change) -> Json:
    """One change; push_mm only where a taper stays and is pushed or drawn."""
    out: Json = {"seat": str(change.seat), "from_mm": change.from_mm, "to_mm": change.to_mm}
    if change.push_mm is not None:
        out["push_mm"] = change.push_mm
    return out


def gap_to_json(plane: GapPlane) -> Json:
    """Pivot, gaps at the eight seats and (rectangles) along the four edges, of a gap plane."""
    out: Json = {
        "pivot": None if plane.pivot is None else str(plane.pivot),
        "gap_mm": {str(seat): gap_mm for seat, gap_mm in plane.seats_mm.items()},
    }
    if plane.edges:
        out["edges"] = {
            str(face): {
                "from": str(edge.start),
                "from_mm": edge.start_mm,
                "to": str(edge.end),
                "to_mm": edge.end_mm,
            }
            for face, edge in plane.edges.items()
        }
    return out


def prescription_to_json(
    answer: Prescription, *, entry: str = "", understood: str = "", plane: GapPlane | None = None
) -> Json:
    """Answer in the form of `shimfit solve --json`, without the schema number.

    plane: gap plane of the lean that was read; without it pivot, gap_mm and edges are left out (events).
    """
    out: Json = {
        "entry": entry,
        "understood": understood,
        "post": post_to_json(answer.post, answer.height_mm),
        "lean": lean_to_json(answer.lean, answer.height_mm),
    }
    if plane is not None:
        out |= gap_to_json(plane)
    return out | {
        "packs": [pack_to_json(pack) for pack in answer.packs],
        "change": [change_to_json(change) for change in answer.change],
        "resting": resting_to_json(answer.resting, answer.height_mm),
        "tolerance": tolerance_to_json(answer.tolerance, answer.height_mm),
        "within": answer.within,
        "status": answer.status,
        "why": answer.why,
        "chance": None if answer.chance is None or not answer.packs else answer.chance.plumb,
        "odds": None if answer.chance is None or not answer.packs else asdict(answer.chance),
        "layout": answer.layout,
        "cost": {"total": answer.cost.total, **dict(answer.cost.parts)},
        "cautions": list(answer.cautions),
        "take_up": answer.take_up,
        "saw_settings_deg": list(answer.saw_settings_deg),
    }


def prescription_from_json(data: Mapping[str, Any]) -> Prescription:
    """Inverse of prescription_to_json; raises FileError where the data is not an answer of ours."""
    try:
        foot, height_mm = post_from_json(data["post"])
        cost = dict(data["cost"])
        total = float(cost.pop("total"))
        status = data["status"]
        if status not in get_args(Status):
            raise FileError(f"an answer can't have the status {status!r}")
        return Prescription(
            post=foot,
            height_mm=height_mm,
            lean=_certain_lean(data["lean"]),
            tolerance=tolerance_from_json(data["tolerance"]),
            packs=packs_from_json(data["packs"]),
            resting=resting_from_json(data["resting"]),
            within=bool(data["within"]),
            status=cast("Status", status),
            layout=cast("LayoutName", data.get("layout", "corners")),
            why=data.get("why"),
            cost=Cost(total, tuple((name, float(amount)) for name, amount in cost.items())),
            change=tuple(_change_from_json(row) for row in data.get("change", ())),
            cautions=tuple(data.get("cautions", ())),
            take_up=float(data.get("take_up", 1.0)),
            saw_settings_deg=tuple(float(deg) for deg in data.get("saw_settings_deg", ())),
            chance=Chance(**data["odds"]) if data.get("odds") else None,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise FileError(f"an answer in the data can't be read back: {error!r}") from error


def _change_from_json(data: Mapping[str, Any]) -> Change:
    return Change(
        seat=Seat(data["seat"]),
        from_mm=float(data["from_mm"]),
        to_mm=float(data["to_mm"]),
        push_mm=_number(data.get("push_mm")),
    )


# ---------------------------------------------------------------- readings


def reading_to_json(reading: Reading) -> Json:
    """Reading as kept in its event: all but what the event itself says (id, time, who)."""
    return {
        "text": reading.text,
        "slope_along": reading.slope_along,
        "slope_across": reading.slope_across,
        "height_mm": reading.height_mm,
        "stage": reading.stage,
        "method": reading.method,
        "u_along": reading.u_along,
        "u_across": reading.u_across,
        "u_own_along": reading.u_own_along,
        "u_own_across": reading.u_own_across,
        "largest_term": reading.largest_term,
        "zero_found": reading.zero_found,
        "gauge_mm": reading.gauge_mm,
        "instrument": reading.instrument,
        "face": reading.face,
        "rocks": [[str(seat), feeler_mm] for seat, feeler_mm in reading.rocks],
    }


def reading_from_json(
    data: Mapping[str, Any], *, by: str | None = None, time: str | None = None, event: str | None = None
) -> Reading:
    """Inverse of reading_to_json, with what its event says beside it."""
    return Reading(
        text=str(data["text"]),
        slope_along=_number(data["slope_along"]),
        slope_across=_number(data["slope_across"]),
        height_mm=float(data["height_mm"]),
        stage=cast("Stage", data.get("stage", "stood")),
        method=cast("Method", data.get("method", "typed")),
        u_along=_number(data.get("u_along")),
        u_across=_number(data.get("u_across")),
        u_own_along=_number(data.get("u_own_along")),
        u_own_across=_number(data.get("u_own_across")),
        largest_term=data.get("largest_term"),
        zero_found=data.get("zero_found", True),
        gauge_mm=_number(data.get("gauge_mm")),
        by=by,
        instrument=data.get("instrument"),
        face=data.get("face"),
        time=time,
        event=event,
        rocks=tuple((Seat(seat), float(feeler_mm)) for seat, feeler_mm in data.get("rocks", ())),
    )


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _lean(data: Mapping[str, Any]) -> Lean | None:
    if data["slope_along"] is None or data["slope_across"] is None:
        return None
    return Lean(float(data["slope_along"]), float(data["slope_across"]))


def _certain_lean(data: Mapping[str, Any]) -> Lean:
    lean = _lean(data)
    if lean is None:
        raise ValueError("a lean without its two slopes")
    return lean

"""Are the packs of an answer wide enough for the clamp? Said only where timber and torque are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.bearing import Clamp, caution, clamp_from_torque, contact_length_mm, pressures, timber_named

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.packing import Options
    from shimfit.model import Lean, Lot, Pack, Prescription, Seat
    from shimfit.settings import Settings
    from shimfit.standing import PostRecord

USUAL_WIDTH_MM = 40.0
"""Width of a piece whose width is not in the box's list (common practice, no source)."""


def crushing_cautions(
    answer: Prescription, post: PostRecord, lots: Sequence[Lot], options: Options, settings: Settings
) -> tuple[str, ...]:
    """A sentence for every pack that the clamp would crush; none when it is not known what to check against.

    Raises EntryError when the settings name a timber or a nut's finish that there is no value for.
    """
    torque_nm = post.torque_nm or settings.torque_nm
    if not settings.timber or not torque_nm or not answer.packs:
        return ()
    timber = timber_named(settings.timber)
    clamp: Clamp = clamp_from_torque(torque_nm, settings.rod_mm, settings.nut)
    found = pressures(
        answer.post,
        answer.lean,
        answer.packs,
        clamp,
        timber.allowed_mpa(wet=True),
        areas_mm2=areas_mm2(answer.packs, answer.lean, lots, options),
        preload_mm=options.preload_mm,
    )
    mark = timber.mark.split(" (", maxsplit=1)[0]
    words = f"{timber.species} in the wet ({mark} value)"
    said = (caution(pressure, words, clamp=clamp) for pressure in found)
    return tuple(sentence for sentence in said if sentence is not None)


def areas_mm2(packs: Sequence[Pack], lean: Lean, lots: Sequence[Lot], options: Options) -> dict[Seat, float]:
    """Contact area of each pack: its narrowest piece × the length that touches under the clamp."""
    by_name = {lot.lot: lot for lot in lots}
    areas = {}
    for pack in packs:
        known = [by_name[piece.lot] for piece in pack.pieces if piece.lot in by_name]
        widths = [w for lot in known if (w := lot.thickness_mm if lot.form == "strip" else lot.width_mm)]
        inside = [options.bearing_mm]
        inside += [lot.length_mm for lot in known if lot.form == "flat" and lot.length_mm]
        inside += [p.mark_mm - p.trim_tip_mm for p in pack.pieces if p.mark_mm is not None]
        steepest = max(abs(lean.slope_along), abs(lean.slope_across))
        slope = max((lot.taper_slope for lot in known), default=0.0)
        touching = contact_length_mm(max(min(inside), 1.0), options.preload_mm, slope - steepest)
        areas[pack.seat] = touching * min(widths, default=USUAL_WIDTH_MM)
    return areas

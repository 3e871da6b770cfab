"""After tightening: from the packs in place and the new reading to what to change.

`standing` works out how the post stands and what it wants instead, `exact` answers in exact thicknesses,
`boxed` from the pieces that are there, old packs included (imported by
itself: it needs the packing search).
"""

from shimfit.core.correction.exact import exact_change, packs_now
from shimfit.core.correction.standing import Standing, pack_of, standing_on

__all__ = ["Standing", "exact_change", "pack_of", "packs_now", "standing_on"]

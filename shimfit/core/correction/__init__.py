"""After tightening: from the packs in place and the new reading to what to change (`correct`).

`standing` works out how the post stands and what it wants instead, `exact` answers in exact thicknesses,
`boxed` from the pieces that are there, old packs included; `offers` tells which of those may stay.
"""

from shimfit.core.correction.answer import correct
from shimfit.core.correction.exact import exact_change, packs_now
from shimfit.core.correction.standing import Standing, pack_of, predicted_shift_mm, standing_on

__all__ = ["Standing", "correct", "exact_change", "pack_of", "packs_now", "predicted_shift_mm", "standing_on"]

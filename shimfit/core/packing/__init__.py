"""One post, any box: the best packs, proven.

`build_tables` once per change of the box, `prescribe` for each reading; `wanted` where there is no box.
The rooms: `options` what is asked (limits, saw, weights), `tables` the cheapest pack of every thickness,
`places` where packs bear, `support` the rest as linear maps, `search` four seats together, `onebox` pieces
that two seats want, `corners` and the other layouts, `makeup` named pieces, `answer` the front door.
"""

from shimfit.core.packing.answer import prescribe, wanted
from shimfit.core.packing.options import Options, Saw, Weights
from shimfit.core.packing.tables import Prices, Tables, build_tables
from shimfit.core.packing.task import Offer

__all__ = [
    "Offer",
    "Options",
    "Prices",
    "Saw",
    "Tables",
    "Weights",
    "build_tables",
    "prescribe",
    "wanted",
]

"""One post, any box: the best packs, proven.

`build_tables` once per change of the box, `prescribe` for each reading; `wanted` where there is no box.
The rooms, from the outside in: `answer` the front door, `question` what is asked, `layouts` which seats
(`corners`; `edges` with tripod, one-way and fillers), `drafting` and `makeup` from numbers to named pieces,
`missing` what is said when nothing does,
`shown` what may stay on the screen; `onebox` pieces that two seats want, `search` four corners together,
`general` any seats, `task` and `entries` what they work on; `support` the rest as linear maps, `places`
where packs bear; `tables` the cheapest pack of every thickness, `stacks` its pieces; `options` limits, saw
and weights.
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

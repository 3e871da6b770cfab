"""The referee of runs from one taper and a few flats: every plan laid out, cuts shared wherever they can be.

Each post's packs are enumerated (bare, a flat, the taper at any mark, both). Along one taper there is nothing
to choose once the marks are known: a stretch begins a bearing length before its mark, its tip cut off; or
where the one before it was cut off, if that is nearer and leaves enough to bear on, and then no tip is cut.
Everything bears at the seat, no foot is lifted, and the next reading's chance is the planner's own.
"""

import math
from itertools import product

import numpy as np

from shimfit.core.chance import next_rounds
from shimfit.core.planning import geometry as geometries
from shimfit.core.planning.search import Rest


def cheapest(posts, flat, taper, options):
    """What the best plan costs with cuts shared, and without."""
    ways = [_ways(made, options, flat, taper) for made in _shares(posts, options)]
    ways = [sorted(some) for some in ways]
    least = [sum(some[0][0] for some in ways[k + 1 :]) for k in range(len(ways))]
    return tuple(_best(ways, least, flat, taper, options, share=share) for share in (True, False))


def _shares(posts, options):
    made = geometries.build(posts, options)
    rest = Rest(made, options)
    for number in range(len(posts)):
        yield made, rest, number


def _ways(part, options, flat, taper):
    """(cost without tips, flats, marks) of every set of packs that one post may stand on, or of none."""
    made, rest, number = part
    q, costs = options.quantum_mm, options.costs
    slope = (taper.thick_mm - taper.thin_mm) / taper.length_mm
    first = taper.thin_mm + slope * options.min_inside_mm
    marked = [k * q for k in range(math.ceil(first / q - 1e-9), math.floor(taper.thick_mm / q + 1e-9) + 1)]
    each = [(0.0, 0.0, 0, None), (flat.thickness_mm, costs.piece, 1, None)]
    for thick in marked:
        mark = (thick - taper.thin_mm) / slope
        cost = costs.piece + costs.cut + costs.thick_per_mm * thick
        each.append((thick, cost, 0, mark))
        each.append((thick + flat.thickness_mm, costs.piece + cost, 1, mark))
    seats = []
    for seat in range(3):
        gap = made.gap_mm[number, seat, 0]
        low, high = made.low_mm[number, seat, 0] - 1e-9, made.high_mm[number, seat, 0] + 1e-9
        seats.append([(thick - gap, *more) for thick, *more in each if low <= thick - gap <= high])
    found = [(costs.unsolved, 0, ())]
    for picked in product(*seats):
        error = np.array([one[0] for one in picked])
        x, y, rock = made.linear[number, 0] @ error + made.constant[number, 0]
        in_limits = math.hypot(x, y) if made.disk[number] else max(abs(x), abs(y))
        if in_limits > 1 or not made.rock_low[number, 0] <= rock <= made.rock_high[number, 0]:
            continue
        chance = rest.chances.at(int(rest.classes[number, 0]), np.array([x]), np.array([y]))
        cost = sum(one[1] for one in picked) + float(next_rounds(costs.round, chance)[0])
        marks = tuple(sorted(one[3] for one in picked if one[3] is not None))
        found.append((cost, sum(one[2] for one in picked), marks))
    return found


def _tips(marks, taper, options, *, share):
    """Tips that are cut off so that all marks are got out of one taper; None: they are not."""
    end, tips = 0.0, 0
    for mark in sorted(marks):
        begin = max(0.0, mark - options.bearing_mm)
        if end > begin + 1e-7:
            if not share or end > mark - options.min_inside_mm + 1e-7:
                return None
        elif mark > options.bearing_mm + 1e-6 and not (share and abs(end - begin) < 1e-7):
            tips += 1
        end = min(taper.length_mm, mark + options.saw.kerf_mm)
    return tips


def _best(ways, least, flat, taper, options, *, share):
    best = math.inf

    def go_on(number, cost, flats, marks):
        nonlocal best
        if number == len(ways):
            tips = _tips(marks, taper, options, share=share)
            if tips is not None:
                best = min(best, cost + tips * options.costs.tip_cut)
            return
        for more, pieces, some in ways[number]:
            if cost + more + least[number] >= best:
                break
            if flats + pieces <= flat.count:
                go_on(number + 1, cost + more, flats + pieces, marks + some)

    go_on(0, 0.0, 0, ())
    return best

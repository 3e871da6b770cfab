"""Packing post after post: no foresight, foresight, and the whole run known before (hindsight).

    python tests/bench/foresight.py [--seeds N] [--posts N]

One table: posts left out and cost of each way, by seed; the regret is against hindsight. Foresight draws the
posts to come from the readings so far, never from the truth.
"""

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

from planning import instance

from shimfit.core.foresight import with_foresight, without_foresight
from shimfit.core.planning import plan
from shimfit.core.planning.planned import box_after
from shimfit.solve.highs import Highs

UNSOLVED = 5000.0


def one_after_another(posts, lots, options, *, foresight, seed):
    """A whole run packed in walking order as it is read: (served, left out)."""
    served, left_out, left = [], [], tuple(lots)
    for number, post in enumerate(posts):
        if foresight:
            read, to_come = [one.lean for one in posts[: number + 1]], len(posts) - number - 1
            drawn = seed * 1000 + number
            found = with_foresight(post, read, to_come, left, options, Highs(), seed=drawn)
        else:
            found = without_foresight(post, left, options)
        if found is None:
            left_out.append(post)
        else:
            served.append(found)
            left = box_after(left, found.packs, options).lots()
    return served, left_out


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--posts", type=int, default=10)
    args = parser.parse_args()
    print(f"{'seed':>4} {'way':14} {'left out':>8} {'cost':>10} {'regret':>10} {'seconds':>8}")
    for seed in range(args.seeds):
        run, box, options = instance(args.posts, 2 * args.posts, 3 * args.posts, draw=seed)
        began = time.perf_counter()
        known = plan(run, box, options, Highs(), seconds=30)
        ways = [("hindsight", known.objective, len(known.unsolved), time.perf_counter() - began)]
        for foresight in (False, True):
            began = time.perf_counter()
            served, left_out = one_after_another(run, box, options, foresight=foresight, seed=seed + 1)
            angles = {
                piece.saw_deg
                for one in served
                for pack in one.packs
                for piece in pack.pieces
                if piece.saw_deg is not None
            }
            cost = sum(one.cost for one in served) + UNSOLVED * len(left_out) + 20.0 * len(angles)
            name = "foresight" if foresight else "no foresight"
            ways.append((name, cost, len(left_out), time.perf_counter() - began))
        for name, cost, left_out_count, seconds in ways:
            regret = cost - known.objective
            print(
                f"{seed:>4} {name:14} {left_out_count:>8} {cost:>10.1f} {regret:>10.1f} {seconds:>8.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()

"""How often a post that is out is called plumb: levels × scales × limits × ways of telling the limit.

    python tests/bench/false_accepts.py [--readings N]

Posts of 1 m stand where the table says, the way they lean at random; the level's zero is anywhere within its
accuracy, the hand scatters by `HAND_MM`, and what is read is the nearest mark of the scale. The reading is
typed, understood, given its uncertainty and decided by the program's own functions.

* at the limit   the lean is the limit itself: the share that is called plumb all the same. Marks that are
                 coarse against the limit come in lumps: the share is above the average here and there.
* called plumb   posts as a crew leaves them, each direction normal with 0.6 of the limit: of those that are
                 called plumb, the share that is out. This is the promise of the record.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from shimfit.core.instruments import Instrument
from shimfit.core.uncertainty.budget import HAND_MM
from shimfit.core.uncertainty.decision import decide_lean
from shimfit.entry import EntrySettings, parse_reading
from shimfit.model import Reading, Tolerance
from shimfit.quantities.typed import parse_tolerance
from shimfit.workflow.instruments import counted

Floats = NDArray[np.float64]

HEIGHT_MM = 1000.0
LEVELS = {
    "plumb line": Instrument("line", "plumb-line"),
    "level, 0.25 mm/m": Instrument("fine", "level", accuracy_slope=0.00025),
    "level, 0.5 mm/m": Instrument("usual", "level", accuracy_slope=0.0005),
    "level, 1 mm/m": Instrument("plain", "level", accuracy_slope=0.001),
}
SCALES = {"1 mm": 1.0, "1/2 mm": 0.5, "1/16 in": 25.4 / 16}
LIMITS = ("1:500", "1:400", "1:300")
LEFT_SHARE = 0.6


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    level: str
    scale: str
    limit: str
    per_direction: bool
    at_the_limit: float
    called_plumb_out: float
    plumb: float
    """Share of the crew's posts that is called plumb."""


def typed(offset_mm: float, scale: str, way: str) -> str:
    """An offset as one reads it off the scale."""
    if scale == "1/16 in":
        sixteenths = round(offset_mm / 25.4 * 16)
        return f"{sixteenths}/16 {way}" if sixteenths else f"0 {way}"
    return f"{offset_mm:.{0 if scale == '1 mm' else 1}f} {way}"


@cache
def read_off(level: Instrument, scale: str, along: int, across: int) -> Reading:
    """These marks of the scale, typed and counted; each once, whatever it is held against."""
    settings, step = EntrySettings(units="inch" if scale == "1/16 in" else "mm"), SCALES[scale]
    text = f"{typed(along * step, scale, 'n')} {typed(across * step, scale, 'o')}"
    return counted(parse_reading(text, settings), HEIGHT_MM, level)


@cache
def called_plumb(level: Instrument, scale: str, tolerance: Tolerance, along: int, across: int) -> bool:
    """What the program says of these marks."""
    part = read_off(level, scale, along, across)
    assert part.lean is not None
    assert part.step_along is not None
    steps = part.step_along, part.step_across or part.step_along
    verdict = decide_lean(part.lean, part.u_along, part.u_across, tolerance, HEIGHT_MM, steps=steps)
    return verdict.decision == "plumb"


def decided(
    level: Instrument, scale: str, tolerance: Tolerance, tops_mm: Floats, errors_mm: Floats
) -> NDArray[np.bool_]:
    """Which of the posts (N, 2) are called plumb."""
    marks = np.abs(np.rint((tops_mm + errors_mm) / SCALES[scale])).astype(int)
    cases, which = np.unique(marks, axis=0, return_inverse=True)
    plumb = np.array([called_plumb(level, scale, tolerance, *case) for case in cases.tolist()])
    return plumb[which.reshape(-1)]


def rows(readings: int, limits: Sequence[str] = LIMITS) -> Iterator[Row]:
    """The table."""
    rng = np.random.default_rng(1)
    for name, level in LEVELS.items():
        limit_mm = (level.accuracy_slope or 0.0) * HEIGHT_MM
        for scale in SCALES:
            for text in limits:
                for per_direction in (False, True):
                    tolerance = parse_tolerance(text, per_direction)
                    allowed = tolerance.allowed_top_mm(HEIGHT_MM)
                    errors = rng.uniform(-limit_mm, limit_mm, (readings, 2))
                    errors += rng.normal(0.0, HAND_MM, (readings, 2))
                    angle = rng.uniform(0.0, 2.0 * np.pi, readings)
                    edge = np.stack([np.cos(angle), np.sin(angle)], 1)
                    edge /= np.abs(edge).max(1, keepdims=True) if per_direction else 1.0
                    wrong = decided(level, scale, tolerance, allowed * edge, errors)
                    left = rng.normal(0.0, LEFT_SHARE * allowed, (readings, 2))
                    size = np.abs(left).max(1) if per_direction else np.hypot(left[:, 0], left[:, 1])
                    plumb = decided(level, scale, tolerance, left, errors)
                    out = float((size[plumb] > allowed).mean()) if plumb.any() else 0.0
                    yield Row(name, scale, text, per_direction, float(wrong.mean()), out, float(plumb.mean()))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=40_000)
    found = list(rows(parser.parse_args().readings))
    print(
        f"{'level':18}{'scale':9}{'limit':7}{'each way':>9}{'at the limit':>14}{'plumb, out':>15}{'plumb':>8}"
    )
    for one in found:
        each = "yes" if one.per_direction else ""
        print(
            f"{one.level:18}{one.scale:9}{one.limit:7}{each:>9}{one.at_the_limit:14.1%}"
            f"{one.called_plumb_out:15.2%}{one.plumb:8.1%}"
        )
    wrong = np.array([one.at_the_limit for one in found])
    over = float(np.mean(wrong > 0.05))
    print(f"at the limit: mean {wrong.mean():.1%}, most {wrong.max():.1%}, {over:.0%} of rows over 5 %")
    print(f"called plumb: {np.mean([one.plumb for one in found]):.1%} of the crew's posts on average")
    print(f"called plumb but out: most {max(one.called_plumb_out for one in found):.2%} (promise 5 %)")


if __name__ == "__main__":
    main()

"""`listen --teach URL`: which way the sensor sits on the post, from two tips of the top."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

from shimfit.cli.listen import asked, live
from shimfit.core.sensing.mounting import read_tip, teach
from shimfit.core.sensing.statistics import robust_spread
from shimfit.errors import EntryError, Exit, InstrumentError, UsageError
from shimfit.model import Face
from shimfit.wire.inclinometer import Inclinometer

if TYPE_CHECKING:
    import argparse

    from shimfit.cli.io import Io
    from shimfit.core.sensing.mounting import Tip

LOOK_S = 1.0
"""What is looked at once the person says that he holds still."""
LEAST_SAMPLES = 5
_TIMES = 3


def run(args: argparse.Namespace, io: Io) -> int:
    """Ask for two tips and tell the map.

    Raises InstrumentError where too few samples come, EntryError where no tip was clear.
    """
    if args.source is None or args.json:
        raise UsageError("--teach asks and is answered: give it a port or URL, and no --json")
    sensor = Inclinometer(args.source, asked.options(args, io), args.capture)
    sensor.start()
    try:
        live.wait_for_link(sensor)
        _wait_for_enter(io, "Leave the post alone.")
        rest, noise_deg = _level(sensor)
        first = _tip(sensor, io, rest, noise_deg, Face.OUT)
        second = _tip(sensor, io, rest, noise_deg, Face.NEXT)
    finally:
        sensor.stop()
    axis_map = teach(first, Face.OUT, second, Face.NEXT)
    io.talk(axis_map.picture())
    io.say(f'axes = "{axis_map.text}"')
    return Exit.DONE


def _tip(sensor: Inclinometer, io: Io, rest: tuple[float, float], noise_deg: float, face: Face) -> Tip:
    """One tip; an unclear one is told and asked for again, three times in all."""
    for turn in range(1, _TIMES + 1):
        _wait_for_enter(io, f"Tip the top towards {face}, and hold it there.")
        try:
            return read_tip(rest, _level(sensor)[0], noise_deg)
        except EntryError as error:
            if turn == _TIMES:
                raise
            io.talk(error.message)
    raise AssertionError("the last turn returns or raises")


def _wait_for_enter(io: Io, what: str) -> None:
    io.talk(f"{what} Then press Enter.")
    if not sys.stdin.readline():
        raise UsageError("nobody answers: --teach needs a keyboard")


def _level(sensor: Inclinometer) -> tuple[tuple[float, float], float]:
    """(x, y) and the scatter in degrees, from the next second."""
    time.sleep(LOOK_S)
    times_s, x_deg, y_deg = sensor.history(LOOK_S)
    if len(times_s) < LEAST_SAMPLES:
        raise InstrumentError(f"too few samples came: {sensor.snapshot().words}")
    return (float(x_deg.mean()), float(y_deg.mean())), max(robust_spread(x_deg), robust_spread(y_deg))

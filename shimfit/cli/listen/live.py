"""`listen URL`: until a reading is taken, for so many seconds, or until it is stopped."""

from __future__ import annotations

import math
import signal
import time
from typing import TYPE_CHECKING

from shimfit.cli.listen import answer, asked
from shimfit.core.sensing.watch import WatchState
from shimfit.errors import Exit, FileError, UsageError
from shimfit.wire.inclinometer import Inclinometer

if TYPE_CHECKING:
    import argparse
    from types import FrameType

    from shimfit.cli.io import Io
    from shimfit.wire.inclinometer import Snapshot
    from shimfit.wire.samples import Sample

STILL_S = 120.0
"""How long a sensor is left alone for `--still` when not told."""
_LOOK_S = 0.05
_TERMINATED = 143
_INTERRUPTED = 130


def run(args: argparse.Namespace, io: Io) -> int:
    """Listen and say what came of it. Raises InstrumentError when the link can't be opened at all."""
    if args.timing is not None or args.rate is not None:
        raise UsageError("--timing and --rate go with a bare file of bytes, not with a live sensor")
    options = asked.options(args, io)
    trace = asked.Trace(args.trace)
    still = answer.StillRecord() if args.still else None
    start_s = time.monotonic()

    def keep(sample: Sample) -> None:
        trace.sample(sample, start_s)
        if still is not None:
            still.add(sample.time_s, sample.x_deg, sample.y_deg)

    sensor = Inclinometer(args.source, options, args.capture, on_sample=keep)
    seconds = args.seconds or (STILL_S if args.still else None)
    sensor.start()
    try:
        wait_for_link(sensor)
        code = _watch(sensor, seconds, io, quiet=args.json)
        last = sensor.snapshot()
    finally:
        sensor.stop()
        trace.close()
    if isinstance(sensor.trouble, FileError):
        raise sensor.trouble
    told = answer.result(
        form=last.format,
        tally=sensor.tally(),
        taken=last.taken,
        state=last.state,
        why=last.words,
        messages=sensor.messages(),
    ) | {"baud": last.baud}
    characters = None if still is None else still.characters()
    if args.json:
        io.json(told if characters is None else told | {"sensor": answer.sensor_json(characters)})
    else:
        answer.say(told, io)
        if last.description_wanted is not None:
            io.say(last.description_wanted)
        if characters is not None:
            answer.say_sensor(characters, io)
    if code == Exit.DONE and last.state is WatchState.NO_DATA:
        return Exit.DEVICE
    return code


def wait_for_link(sensor: Inclinometer) -> None:
    """Until the link is open for the first time. Later losses are lived through, this one is told."""
    while not sensor.opened.wait(_LOOK_S):
        trouble = sensor.trouble
        if trouble is not None:
            raise trouble


def _watch(sensor: Inclinometer, seconds: float | None, io: Io, *, quiet: bool) -> int:
    """Look on, telling a line a second; returns the exit code."""
    end_s = time.monotonic() + (math.inf if seconds is None else seconds)
    told_s = -math.inf
    before = signal.signal(signal.SIGTERM, _terminate)
    try:
        while (now_s := time.monotonic()) < end_s:
            snapshot = sensor.snapshot()
            if not quiet and now_s - told_s >= 1.0:
                told_s = now_s
                io.say(_line(snapshot))
            if seconds is None and (snapshot.taken is not None or snapshot.description_wanted is not None):
                break
            if isinstance(sensor.trouble, FileError):
                raise sensor.trouble
            time.sleep(min(_LOOK_S, max(0.0, end_s - now_s)))
    except KeyboardInterrupt:
        return _INTERRUPTED
    except _Terminated:
        return _TERMINATED
    finally:
        signal.signal(signal.SIGTERM, before)
    return Exit.DONE


class _Terminated(Exception):  # noqa: N818 - no error: somebody asked the program to end
    """The system asked the program to end; what was heard is still told, and the capture closed."""


def _terminate(_number: int, _frame: FrameType | None) -> None:
    raise _Terminated


def _line(snapshot: Snapshot) -> str:
    """One line as of now."""
    rates = f"{snapshot.good_per_s:.0f} samples/s, {snapshot.bytes_per_s:.0f} bytes/s"
    if snapshot.lean is None:
        return f"{snapshot.state:<9} {snapshot.words} ({rates})"
    along, across = 1000 * snapshot.lean.slope_along, 1000 * snapshot.lean.slope_across
    return f"{snapshot.state:<9} along {along:+.2f} across {across:+.2f} mm/m, {snapshot.words} ({rates})"

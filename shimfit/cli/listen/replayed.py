"""`listen CAPTURE`: through the same code as a live link, with the recorded times as the clock."""

from __future__ import annotations

import re
import stat
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.cli.listen import answer, asked
from shimfit.errors import Exit, FileError, UsageError
from shimfit.wire.capture import bare_capture, is_capture, parse_capture, replay
from shimfit.wire.inclinometer import taken_of
from shimfit.wire.stream import Stream

if TYPE_CHECKING:
    import argparse

    from shimfit.cli.io import Io
    from shimfit.wire.capture import Capture
    from shimfit.wire.formats import Description
    from shimfit.wire.samples import Sample
    from shimfit.wire.stream import ListenOptions

LINES_PER_S = 50.0
"""Assumed for a bare file that nothing tells the times of."""
_DEVICE_NAME = re.compile(r"/dev/|\\\\\.\\|COM[0-9]+$", re.IGNORECASE)


def is_file(source: str) -> bool:
    """True for a capture (or a file that should be there), False for a port or a URL."""
    if source == "-":
        return True
    if "://" in source:
        return False
    try:
        mode = Path(source).stat().st_mode
    except OSError:
        # Not there: `post3.cap` is a file that is missing, `/dev/ttyUSB0` or `post` a port that is.
        return not _DEVICE_NAME.match(source) and bool(Path(source).suffix)
    return not stat.S_ISCHR(mode)


def run(args: argparse.Namespace, io: Io) -> int:
    """Replay a capture, and say what came of it."""
    for name in ("capture", "seconds"):
        if getattr(args, name) is not None:
            raise UsageError(f"--{name} goes with a live sensor, not with a capture")
    options = asked.options(args, io)
    capture = load(args.source, args.timing, args.rate, options.description, io)
    still = answer.StillRecord() if args.still else None
    trace = asked.Trace(args.trace)

    def keep(sample: Sample, level: Sample) -> None:
        trace.sample(sample)
        if still is not None:
            still.add(level.time_s, level.x_deg, level.y_deg)

    stream, end_s = play(capture, options, keep)
    trace.close()
    view = stream.view(end_s)
    told = answer.result(
        form=stream.format,
        tally=stream.tally,
        taken=None if view.taken is None else taken_of(view.taken, options.axis_map),
        state=view.state,
        why=view.words,
        messages=stream.messages,
    )
    characters = None if still is None else still.characters()
    if args.json:
        io.json(told if characters is None else told | {"sensor": answer.sensor_json(characters)})
    else:
        answer.say(told, io)
        if stream.needs_description is not None:
            io.say(stream.needs_description)
        if characters is not None:
            answer.say_sensor(characters, io)
    return Exit.DONE


def load(
    source: str, timing: str | None, rate_hz: float | None, description: Description | None, io: Io
) -> Capture:
    """Read a capture or a bare file of bytes. Raises FileError or UsageError."""
    data = _read(source)
    if is_capture(data):
        if timing is not None:
            raise UsageError(f"{source} has its times in itself; --timing goes with a bare file of bytes")
        return parse_capture(data, source)
    if rate_hz is not None and not 0.01 <= rate_hz <= 100_000:
        raise UsageError("--rate must be between 0.01 and 100000 lines a second")
    hint_hz = None if description is None else description.rate_hz
    return bare_capture(
        data,
        source,
        timing=None if timing is None else io.read_text(timing),
        timing_path=timing or "",
        rate_hz=rate_hz or hint_hz or LINES_PER_S,
    )


def play(capture: Capture, options: ListenOptions, keep: object = None) -> tuple[Stream, float]:
    """Run a capture through a new stream; (stream, last time)."""
    stream = Stream(options, on_sample=keep, polled=not capture.bare or capture.tells_requests)  # type: ignore[arg-type] # narrowed by the caller
    if not capture.timed:
        stream.say("no arrival times are known: lines are taken to come evenly (--rate, --timing)")
    return stream, replay(capture, stream)


def _read(source: str) -> bytes:
    try:
        return sys.stdin.buffer.read() if source == "-" else Path(source).read_bytes()
    except OSError as error:
        raise FileError(f"can't read {source}: {error.strerror}", path=source) from error

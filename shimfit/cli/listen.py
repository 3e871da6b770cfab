"""`shimfit listen`: an inclinometer, live or replayed from a capture, to samples and a reading."""

from __future__ import annotations

import math
import re
import signal
import stat
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import add_force, check_output
from shimfit.errors import Exit, FileError, InstrumentError, UsageError
from shimfit.outputs import CAPTURE, TRACE_CSV, open_growing, trouble

if TYPE_CHECKING:
    import argparse
    from types import FrameType

    from shimfit.cli.io import Commands, Io
    from shimfit.wire.capture import Capture
    from shimfit.wire.formats import Description
    from shimfit.wire.inclinometer import Inclinometer, Snapshot
    from shimfit.wire.samples import Sample
    from shimfit.wire.stream import ListenOptions, Stream

EPILOG = """\
  shimfit listen --ports                     what is plugged in
  shimfit listen /dev/ttyUSB0                format and speed are found by listening
  shimfit listen socket://192.0.2.7:4001 --format xdr --capture post3.cap
  shimfit listen post3.cap --json            the same again, from the capture
  shimfit listen --reversal face1.cap face2.cap --keep     the zero, taken off from now on
  shimfit listen /dev/ttyUSB0 --still --seconds 300
  shimfit listen /dev/ttyUSB0 --teach        which way it sits, from two tips of the top
  shimfit listen /dev/ttyUSB0 --describe     proposes a description file for what it hears

Nothing is ever sent to the sensor, unless the description says that it is polled (Modbus).
"""
STILL_S = 120.0
"""How long a sensor is left alone for `--still` when not told."""
LINES_PER_S = 50.0
"""Assumed for a bare file that nothing tells the times of."""
_LOOK_S = 0.05
_TERMINATED, _INTERRUPTED = 143, 130
_DEVICE_NAME = re.compile(r"/dev/|\\\\\.\\|COM[0-9]+$", re.IGNORECASE)


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `listen`."""
    parser = commands.add_parser(
        "listen",
        parents=[common],
        help="listen to an inclinometer, or replay a capture",
        description="Listen to an inclinometer until a reading is taken, or replay a capture.",
        epilog=EPILOG,
    )
    add = parser.add_argument
    add("source", nargs="?", metavar="URL|CAPTURE", help="port, URL, capture file or - for stdin")
    add("--ports", action="store_true", help="list the ports of this computer and what they seem to be")
    add(
        "--format",
        default="auto",
        metavar="auto|xdr|FILE.toml",
        help="wire format (default: found by listening)",
    )
    add("--baud", type=int, metavar="N", help="speed of the port (default: found by listening)")
    add(
        "--dtr",
        choices=("on", "off"),
        default="on",
        help="set DTR when opening; off where it restarts the board",
    )
    add("--seconds", type=float, metavar="S", help="listen for so long (default: until a reading is taken)")
    add("--capture", metavar="FILE", help="write every byte, as it comes, to a capture")
    add("--trace", metavar="FILE", help="write every good sample to a CSV")
    add("--timing", metavar="FILE.csv", help="arrival times of a bare file: segment,time_s,offset,length")
    add("--rate", type=float, metavar="HZ", help="lines a second of a bare file without times (default 50)")
    add("--axes", metavar="MAP", help='sensor to post directions, "x=next y=out"')
    add("--zero", metavar="X,Y[,U]", help="what the sensor says when plumb, degrees, and how sure (u)")
    add("--reversal", nargs=2, metavar=("A", "B"), help="lean and zero from captures of two opposite faces")
    add("--teach", action="store_true", help="teach which way the sensor sits, by tipping the top twice")
    add(
        "--still",
        action="store_true",
        help="know your sensor: noise, memory, drift, where averaging stops helping",
    )
    add("--describe", action="store_true", help="propose a description of what is heard, shown on the data")
    add("--keep", action="store_true", help="keep in the data file what --reversal, --still, --teach found")
    add("--degc", type=float, metavar="T", help="temperature at which the zero was found, kept beside it")
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace, io: Io) -> int:
    """Run `listen`; returns the exit code. Raises UsageError, FileError or InstrumentError."""
    from shimfit.cli import listen_answer

    if args.keep and not (args.reversal or args.still or args.teach):
        raise UsageError("--keep keeps what --reversal, --still or --teach finds; give one of them")
    check_output(args, args.capture, CAPTURE)
    check_output(args, args.trace, TRACE_CSV)
    if args.ports:
        return _list_ports(args, io)
    if args.teach:
        return listen_answer.teach(args, io)
    if args.reversal is not None:
        return listen_answer.two_captures(args, io)
    if args.source is None:
        raise UsageError(
            "listen to what? give a port, a URL or a capture; `shimfit listen --ports` lists ports"
        )
    if args.seconds is not None and not 0 < args.seconds < 1e7:
        raise UsageError("--seconds must be more than 0")
    if is_file(args.source):
        return _replayed(args, io)
    return _live(args, io)


def _list_ports(args: argparse.Namespace, io: Io) -> int:
    from shimfit.wire.link import ports

    found = ports()
    if args.json:
        names = ("url", "seems", "usb", "serial_number", "location")
        io.json({"ports": [{name: getattr(port, name) for name in names} for port in found]})
        return Exit.DONE
    for port in found:
        usb = f"  usb {port.usb}" if port.usb else ""
        io.say(f"{port.url:<20} {port.seems}{usb}")
    if not found:
        io.talk("no ports here; network sensors are socket://host:port or rfc2217://host:port")
    return Exit.DONE


def listen_options(args: argparse.Namespace, io: Io) -> ListenOptions:
    """How to listen. Raises UsageError, EntryError (axes) or FileError (device file).

    What is typed wins over what the device's file says.
    """
    from shimfit.core.sensing.mounting import AxisMap, parse_axis_map
    from shimfit.wire.formats import Device, Xdr, parse_device
    from shimfit.wire.stream import ListenOptions

    if args.baud is not None and not 50 <= args.baud <= 10_000_000:
        raise UsageError(f"--baud {args.baud} is no speed that a port has")
    if args.format in ("auto", "xdr"):
        known = Device(Xdr() if args.format == "xdr" else None)
    else:
        known = parse_device(io.read_text(args.format), args.format)
    return ListenOptions(
        description=known.description,
        baud=args.baud,
        dtr=args.dtr == "on",
        axis_map=parse_axis_map(args.axes) if args.axes else known.axis_map or AxisMap(),
        zero=known.zero if args.zero is None else _zero(args.zero),
        doubts=known.doubts,
    )


def _zero(text: str) -> Any:
    from shimfit.core.sensing.mounting import ENTERED_U_DEG, SensorZero

    try:
        x_deg, y_deg, *rest = (float(part) for part in text.split(","))
        (u_deg,) = rest or (ENTERED_U_DEG,)
    except ValueError as error:
        raise UsageError(f"--zero {text} is no pair of degrees; it looks like 0.35,-0.12") from error
    if not (abs(x_deg) <= 45 and abs(y_deg) <= 45 and 0 <= u_deg <= 45):
        raise UsageError(f"--zero {text}: a sensor's zero lies within 45 degrees")
    return SensorZero(x_deg, y_deg, u_deg)


class _Kept:
    """What is kept of every good sample: a CSV line (`--trace`), the record of a still sensor (`--still`)."""

    def __init__(self, args: argparse.Namespace, start_s: float = 0.0) -> None:
        """Raises FileError when the file can't be written; no name, no trace."""
        self._name: str | None = args.trace
        self._start_s = start_s
        self.still: list[tuple[float, float, float]] | None = [] if args.still else None
        self._file = None if self._name is None else open_growing(self._name, TRACE_CSV)
        self._write("time_s,x_deg,y_deg,moving\n")

    def sample(self, sample: Sample, level: Sample) -> None:
        """One good sample, as parsed and as lean."""
        time_s = sample.time_s - self._start_s
        self._write(f"{time_s:.6f},{sample.x_deg:.6f},{sample.y_deg:.6f},{int(sample.moving)}\n")
        if self.still is not None:
            self.still.append((level.time_s, level.x_deg, level.y_deg))

    def _write(self, line: str) -> None:
        if self._file is None:
            return
        try:
            self._file.write(line.encode("ascii"))
        except OSError as error:
            raise trouble(self._name or "", error) from error

    def close(self) -> None:
        """Finish the file. Raises FileError when its end could not be written."""
        if self._file is None:
            return
        try:
            self._file.close()
        except OSError as error:
            raise trouble(self._name or "", error) from error


# ---------------------------------------------------------------- a live sensor


def _live(args: argparse.Namespace, io: Io) -> int:
    """Listen and say what came of it. Raises InstrumentError when the link can't be opened at all."""
    from shimfit.cli import listen_answer
    from shimfit.core.sensing.watch import WatchState
    from shimfit.wire.inclinometer import Inclinometer

    if args.timing is not None or args.rate is not None:
        raise UsageError("--timing and --rate go with a bare file of bytes, not with a live sensor")
    kept = _Kept(args, time.monotonic())
    sensor = Inclinometer(args.source, listen_options(args, io), args.capture, on_sample=kept.sample)
    seconds = args.seconds or (STILL_S if args.still else None)
    sensor.start()
    try:
        wait_for_link(sensor)
        code = _watch(sensor, seconds, io, quiet=args.json, describes=args.describe)
        last = sensor.snapshot()
    finally:
        sensor.stop()
        kept.close()
    if isinstance(sensor.trouble, FileError):
        raise sensor.trouble
    told = listen_answer.result(
        form=last.format,
        tally=sensor.tally(),
        taken=last.taken,
        state=last.state,
        why=last.words,
        messages=sensor.messages(),
        zero_words=last.zero_words,
    ) | {"baud": last.baud}
    listen_answer.give(told, kept.still, last.description_wanted, args, io)
    if code == Exit.DONE and not _was_heard(told, args) and last.state is not WatchState.TAKEN:
        return Exit.DEVICE
    return code


def _was_heard(told: dict[str, Any], args: argparse.Namespace) -> bool:
    """What was asked for came: a still record, a proposal, else a reading."""
    if args.still:
        return bool(told["samples_good"])
    return bool(told["description"] if args.describe else told["lean"])


def wait_for_link(sensor: Inclinometer) -> None:
    """Until the link is open for the first time. Later losses are lived through, this one is told."""
    while not sensor.opened.wait(_LOOK_S):
        trouble = sensor.trouble
        if trouble is not None:
            raise trouble


def _watch(sensor: Inclinometer, seconds: float | None, io: Io, *, quiet: bool, describes: bool) -> int:
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
            if seconds is None and _is_over(snapshot, describes=describes):
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


def _is_over(snapshot: Snapshot, *, describes: bool) -> bool:
    """Nothing more is to be waited for: a reading, a format to describe, or nothing that can be read."""
    if describes:
        return snapshot.description_wanted is not None or snapshot.gave_up
    return snapshot.taken is not None or snapshot.description_wanted is not None or snapshot.gave_up


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
    zero = f"; {snapshot.zero_words}" if snapshot.zero_words else ""
    return (
        f"{snapshot.state:<9} along {along:+.2f} across {across:+.2f} mm/m, {snapshot.words} ({rates}){zero}"
    )


# ---------------------------------------------------------------- a capture


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


def _replayed(args: argparse.Namespace, io: Io) -> int:
    """Through the same code as a live link, with the recorded times as the clock; say what came of it."""
    from shimfit.cli import listen_answer
    from shimfit.wire.inclinometer import taken_of

    for name in ("capture", "seconds"):
        if getattr(args, name) is not None:
            raise UsageError(f"--{name} goes with a live sensor, not with a capture")
    options = listen_options(args, io)
    capture = load(args.source, args.timing, args.rate, options.description, io)
    kept = _Kept(args)
    stream, end_s = play(capture, options, kept)
    kept.close()
    view = stream.view(end_s)
    told = listen_answer.result(
        form=stream.format,
        tally=stream.tally,
        taken=None if view.taken is None else taken_of(view.taken, options.axis_map),
        state=view.state,
        why=view.words,
        messages=stream.messages,
        zero_words=stream.zero_words,
    )
    listen_answer.give(told, kept.still, stream.needs_description, args, io)
    described = args.describe and stream.needs_description is not None
    return Exit.DONE if stream.tally.good or described else Exit.DEVICE


def load(
    source: str, timing: str | None, rate_hz: float | None, description: Description | None, io: Io
) -> Capture:
    """Read a capture or a bare file of bytes. Raises FileError or UsageError."""
    from shimfit.wire.capture import bare_capture, is_capture, parse_capture

    try:
        data = sys.stdin.buffer.read() if source == "-" else Path(source).read_bytes()
    except OSError as error:
        raise FileError(f"can't read {source}: {error.strerror}", path=source) from error
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


def play(capture: Capture, options: ListenOptions, kept: _Kept | None = None) -> tuple[Stream, float]:
    """Run a capture through a new stream; (stream, last time)."""
    from shimfit.wire.capture import replay
    from shimfit.wire.stream import Stream

    polled = not capture.bare or capture.tells_requests
    stream = Stream(options, on_sample=None if kept is None else kept.sample, polled=polled)
    if not capture.timed:
        stream.say("no arrival times are known: lines are taken to come evenly (--rate, --timing)")
    return stream, replay(capture, stream)


def face_of(name: str, args: argparse.Namespace, io: Io, messages: list[str]) -> Any:
    """The last reading that was taken in a capture of one face, zero still in it; None without one."""
    options = replace(listen_options(args, io), zero=None)
    stream, end_s = play(load(name, None, args.rate, options.description, io), options)
    messages += [f"{name}: {message}" for message in stream.messages]
    if stream.last_taken is None:
        view = stream.view(end_s)
        messages.append(f"{name}: {view.state}: {view.words}")
    return stream.last_taken


def level_now(sensor: Inclinometer, seconds: float) -> tuple[tuple[float, float], float]:
    """(x, y) and the scatter in degrees, from the seconds to come. InstrumentError for too few samples."""
    from shimfit.core.sensing.statistics import robust_spread

    time.sleep(seconds)
    times_s, x_deg, y_deg = sensor.history(seconds)
    if len(times_s) < 5:
        raise InstrumentError(f"too few samples came: {sensor.snapshot().words}")
    return (float(x_deg.mean()), float(y_deg.mean())), max(robust_spread(x_deg), robust_spread(y_deg))

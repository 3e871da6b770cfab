"""`shimfit listen`: an inclinometer, live or replayed, to a reading; `simulate` plays one on a post."""

from __future__ import annotations

import contextlib
import math
import re
import signal
import stat
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import Args, Io, check_output, on_signal, open_site
from shimfit.errors import EntryError, Exit, FileError, UsageError
from shimfit.outputs import CAPTURE, TRACE_CSV, Growing

if TYPE_CHECKING:
    from shimfit.wire.capture import Capture
    from shimfit.wire.formats import Description
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.wire.samples import Sample, Tally
    from shimfit.wire.simulate import Stage
    from shimfit.wire.stream import ListenOptions, Snapshot

STILL_S = 120.0
"""How long a sensor is left alone for `--still` when --seconds is not given."""
LINES_PER_S = 50.0
"""Assumed for a bare file whose times are not known."""
TIP_S = 1.0
"""What is looked at once the user has the post held still."""
_TIPS_TRIED = 3
_TERMINATED, _INTERRUPTED = 143, 130
_DEVICE_NAME = re.compile(r"/dev/|\\\\\.\\|COM[0-9]+$", re.IGNORECASE)


def _refuse(*faults: tuple[bool, str]) -> None:
    """Raise UsageError with the sentence of the first fault that is one."""
    for is_fault, sentence in faults:
        if is_fault:
            raise UsageError(sentence)


def run_listen(args: Args, io: Io) -> int:
    """Run `listen`; returns the exit code. Raises UsageError, FileError or InstrumentError."""
    check_output(args, args.capture, CAPTURE)
    check_output(args, args.trace, TRACE_CSV)
    if args.ports:
        return _list_ports(args, io)
    if args.teach:
        return _teach(args, io)
    if args.reversal is not None:
        return _two_faces(args, io)
    nothing = "listen to what? give a port, a URL or a capture; `shimfit listen --ports` lists ports"
    _refuse((args.source is None, nothing))
    of_a_file = _is_file(args.source)
    timed = args.timing is not None or args.rate is not None
    _refuse(
        (of_a_file and args.capture is not None, "--capture goes with a live sensor, not with a capture"),
        (of_a_file and args.seconds is not None, "--seconds goes with a live sensor, not with a capture"),
        (not of_a_file and timed, "--timing and --rate go with a bare file of bytes, not with a live sensor"),
    )
    options = _options(args, io)
    samples = _Samples(args, 0.0 if of_a_file else time.monotonic())
    with contextlib.closing(samples):
        last, tally, messages, code = (_replayed if of_a_file else _live)(args, io, options, samples)
    answer = _answer(last, tally, messages)
    _give(answer if of_a_file else answer | {"baud": last.baud}, samples.still, args, io)
    wanted = "samples_good" if args.still else "description" if args.describe else "lean"
    came = bool(answer[wanted]) or last.state == "TAKEN" or (of_a_file and bool(tally.good))
    return code if came or code != Exit.DONE else Exit.DEVICE


def _list_ports(args: Args, io: Io) -> int:
    from shimfit.wire.link import ports

    found = ports()
    if not found and not args.json:
        io.talk("no ports here; network sensors are socket://host:port or rfc2217://host:port")
    lines = (f"{port.url:<20} {port.seems}" + (f"  usb {port.usb}" if port.usb else "") for port in found)
    return io.tell(lines, {"ports": [asdict(port) for port in found]})


def _options(args: Args, io: Io) -> ListenOptions:
    """How to listen: what is typed wins over the device's file.

    Raises UsageError, EntryError (axes) or FileError (device file).
    """
    from shimfit.core.sensing.mounting import ENTERED_U_DEG, AxisMap, SensorZero, parse_axis_map
    from shimfit.wire.stream import ListenOptions
    from shimfit.workflow.sensor import read_device

    known = read_device(args.format, lambda name: io.text_of(name)[0])
    zero = known.zero
    if args.zero is not None:
        x_deg, y_deg, u_deg = [*_zero(args.zero, most=3), ENTERED_U_DEG][:3]
        zero = SensorZero(x_deg, y_deg, u_deg)
    return ListenOptions(
        description=known.description,
        baud=args.baud,
        dtr=args.dtr == "on",
        axis_map=parse_axis_map(args.axes) if args.axes else known.axis_map or AxisMap(),
        zero=zero,
        sensor_errors=known.sensor_errors,
    )


def _zero(text: str, most: int = 2) -> list[float]:
    """What a sensor reads on a plumb post, `--zero X,Y` in degrees; a third is its standard uncertainty."""
    from shimfit.quantities.typed import decimal_number

    degs = [decimal_number(part) for part in text.split(",")]
    within = all(abs(deg) <= 45 for deg in degs) and min(degs[2:], default=0.0) >= 0
    if not (2 <= len(degs) <= most and within):
        raise UsageError(f"--zero {text} isn't a pair of degrees, 45 at most; type it like 0.35,-0.12")
    return degs


class _Samples:
    """What is kept of every good sample: a CSV line (`--trace`), the record of a still sensor (`--still`)."""

    def __init__(self, args: Args, start_s: float = 0.0) -> None:
        """Raises FileError when the file can't be written; no name, no trace."""
        self._start_s = start_s
        self.still: list[tuple[float, float, float]] | None = [] if args.still else None
        self._trace = None if args.trace is None else Growing(args.trace, TRACE_CSV)
        if self._trace is not None:
            self._trace.write(b"time_s,x_deg,y_deg,moving\n")

    def add(self, sample: Sample, level: Sample) -> None:
        """One good sample, as parsed and as lean."""
        if self._trace is not None:
            line = f"{sample.time_s - self._start_s:.6f},{sample.x_deg:.6f},{sample.y_deg:.6f},"
            self._trace.write(f"{line}{int(sample.moving)}\n".encode("ascii"))
        if self.still is not None:
            self.still.append(level[:3])

    def close(self) -> None:
        """Finish the file. Raises FileError when its end could not be written."""
        if self._trace is not None:
            self._trace.close()


# ---------------------------------------------------------------- a live sensor


Came = tuple["Snapshot", "Tally", "Sequence[str]", int]
"""What there was to see at the end, the counts, sentences for the user, and the exit code."""


def _live(args: Args, io: Io, options: ListenOptions, samples: _Samples) -> Came:
    """Listen until it is over or stopped. Raises InstrumentError when the link can't be opened at all."""
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.workflow.sensor import is_over, opened

    sensor = Inclinometer(args.source, options, args.capture, on_sample=samples.add)
    seconds = args.seconds or (STILL_S if args.still else None)
    ends = partial(is_over, describes=args.describe) if seconds is None else lambda _: False
    code: int = Exit.DONE
    with opened(sensor):
        try:
            watch_until(sensor, ends, seconds or math.inf, io, None if args.json else io.say)
        except KeyboardInterrupt:
            code = _INTERRUPTED
        except Terminated:
            code = _TERMINATED
        last = sensor.snapshot()
    if isinstance(sensor.fault, FileError):
        raise sensor.fault
    return last, sensor.tally(), sensor.messages(), code


class Terminated(Exception):  # noqa: N818 - no error: somebody asked the program to end
    """The system asked the program to end; what was received is still reported, and the capture closed."""


def watch_until(
    sensor: Inclinometer,
    is_over: Callable[[Snapshot], bool],
    seconds: float,
    io: Io,
    say: Callable[[str], None] | None,
) -> Snapshot:
    """Look on until it is over, a line a second to `say` (None: without a word); returns the last look.

    Raises FileError when the capture can't be written, KeyboardInterrupt for Ctrl+C, Terminated for SIGTERM.
    """
    from shimfit.workflow.sensor import watch

    reported_s = -math.inf

    def seen(snapshot: Snapshot) -> None:
        nonlocal reported_s
        if isinstance(sensor.fault, FileError):
            raise sensor.fault
        if say is not None and time.monotonic() - reported_s >= 1.0:
            reported_s = time.monotonic()
            say(sensor_line(snapshot))

    def terminate(*_: object) -> None:
        raise Terminated

    with on_signal(signal.SIGTERM, terminate):
        return watch(sensor, is_over, seconds=seconds, stop=io.stop, seen=seen)


def sensor_line(snapshot: Snapshot) -> str:
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


def _is_file(source: str) -> bool:
    """True for a capture (or a file that should be there), False for a port or a URL."""
    if source == "-" or "://" in source:
        return source == "-"
    try:
        return not stat.S_ISCHR(Path(source).stat().st_mode)
    except OSError:
        # Not there: `post3.cap` is a file that is missing, `/dev/ttyUSB0` or `post` a port that is.
        return not _DEVICE_NAME.match(source) and bool(Path(source).suffix)


def _replayed(args: Args, io: Io, options: ListenOptions, samples: _Samples) -> Came:
    """Through the same code as a live link, with the recorded times as the clock."""
    from shimfit.workflow.sensor import play

    capture = _load(args.source, args.timing, args.rate, options.description, io)
    stream, last = play(capture, options, samples.add)
    return last, stream.tally, stream.messages, Exit.DONE


def _load(
    source: str, timing: str | None, rate_hz: float | None, description: Description | None, io: Io
) -> Capture:
    """Read a capture or a bare file of bytes. Raises FileError or UsageError."""
    from shimfit.wire.capture import bare_capture, is_capture, parse_capture

    data = io.read(source)
    if is_capture(data):
        own_times = f"{source} has its times in itself; --timing goes with a bare file of bytes"
        _refuse((timing is not None, own_times))
        return parse_capture(data, source)
    table = None if timing is None else io.text_of(timing)[0]
    rate_hz = rate_hz or (description and description.rate_hz) or LINES_PER_S
    return bare_capture(data, source, timing=table, timing_path=timing or "", rate_hz=rate_hz)


# ---------------------------------------------------------------- what came of it


def _answer(seen: Snapshot, tally: Tally, messages: Sequence[str]) -> dict[str, Any]:
    """The contract's object, without its schema number."""
    lean, taken = None, seen.taken
    if taken is not None:
        held = taken.held
        measured = ("x_deg", "y_deg", "u_x_deg", "u_y_deg", "samples")
        of_the_post = ("zero_found", "u_along", "u_across", "largest_term", "text")
        lean = {
            **{name: getattr(held, name) for name in measured},
            **dict(zip(("u_hold_x_deg", "u_hold_y_deg"), held.u_hold_deg, strict=True)),
            **{name: getattr(taken, name) for name in of_the_post},
            "slope_along": taken.lean.slope_along,
            "slope_across": taken.lean.slope_across,
            "held_s": held.seconds,
        }
    return {
        "format": seen.format,
        "bytes": tally.bytes,
        "samples_good": tally.good,
        "refused": {str(reason): count for reason, count in sorted(tally.refused.items()) if count},
        "refused_total": tally.refused_total,
        "other": tally.other,
        "lean": lean,
        "state": str(seen.state),
        "why": seen.words,
        "zero": seen.zero_words,
        "messages": list(messages),
        "description": seen.description_wanted,
    }


def _give(
    answer: dict[str, Any],
    still: list[tuple[float, float, float]] | None,
    args: Args,
    io: Io,
) -> None:
    """Say the object: the reading to stdout, counts and messages to stderr. EntryError: a short record."""
    from shimfit.core.sensing.statistics import character_lines, characters_of, plot_curve

    characters = {}
    if still is not None:
        import numpy as np

        characters = characters_of(*np.array(still, dtype=np.float64).reshape(-1, 3).T)
        answer["sensor"] = {name: asdict(one) for name, one in characters.items()}
        for one in answer["sensor"].values():
            one["allan_1s_deg"] = one.pop("density_deg")
        if args.keep:
            from shimfit.workflow.sensor import keep_character

            with open_site(args, io, makes=True) as site:
                keep_character(site, characters)
    if args.json:
        io.json(answer)
        return
    for message in answer["messages"]:
        io.talk(message)
    refused = ", ".join(f"{count} {reason.replace('_', ' ')}" for reason, count in answer["refused"].items())
    io.talk(
        f"{answer['bytes']} bytes, {answer['samples_good']} good samples "
        f"({answer['format'] or 'format not found'}), refused: {refused or 'none'}, other: {answer['other']}"
    )
    lean = answer["lean"]
    if lean is None:
        io.say(f"{answer['state']}: {answer['why']}")
    else:
        io.say(f"{answer['state']}: {lean['text']}, held for {lean['held_s']:.1f} s")
        io.say(f"largest uncertainty: {lean['largest_term']}")
        if answer["zero"]:
            io.say(answer["zero"])
    if answer["description"] is not None:
        io.say(answer["description"])
    if not characters:
        return
    for name, character in characters.items():
        for line in (*character_lines(name, character), plot_curve(character.curve), ""):
            io.say(line)
    floor_deg = max(one.floor_deg for one in characters.values())
    memory_s = max(one.memory_s for one in characters.values())
    io.say(f"for the device's file: doubts = {{ floor_deg = {floor_deg:.2g}, memory_s = {memory_s:.2g} }}")
    if args.keep:
        io.say("kept with the sensor: counted in from now on")


# ---------------------------------------------------------------- two faces, and how it sits


def _two_faces(args: Args, io: Io) -> int:
    """Work out lean and zero; exit code 1 when a face has no reading or the faces don't fit together."""
    from shimfit.core.sensing.mounting import parse_axis_map, two_faces
    from shimfit.workflow.sensor import keep_zero, play

    options = _options(args, io)
    answer: dict[str, Any] = {"lean": None, "zero": None, "doubt": None, "why": None}
    messages: list[str] = []
    held = []
    for name in args.reversal:  # the last reading of each face, its zero still in it
        capture = _load(name, None, args.rate, options.description, io)
        stream, last = play(capture, replace(options, zero=None))
        messages += [f"{name}: {message}" for message in stream.messages]
        held.append(stream.last_taken)
        if stream.last_taken is None:
            messages.append(f"{name}: {last.state}: {last.words}")
    first, second = held
    is_good, lines = False, []
    if first is None or second is None:
        without = [name for name, one in zip(args.reversal, held, strict=True) if one is None]
        answer["why"] = "; ".join(f"{name} has no reading" for name in without)
    else:
        found = two_faces(first, second, options.sensor_errors, options.zero)
        u = {"u_x_deg": found.u_along, "u_y_deg": found.u_across}
        for name, x_deg, y_deg in (
            ("lean", found.lean.slope_along, found.lean.slope_across),
            ("zero", found.zero.along, found.zero.across),
        ):
            answer[name] = {"x_deg": x_deg, "y_deg": y_deg} | u
            lines.append(
                f"{name}: x {x_deg:+.4f} ± {2 * found.u_along:.4f}°, "
                f"y {y_deg:+.4f} ± {2 * found.u_across:.4f}° (k = 2)"
            )
        answer |= {"doubt": found.suspicion, "why": found.words}
        is_good = found.suspicion is None
        if args.keep and is_good:
            with open_site(args, io, makes=True) as site:
                axes = options.axis_map if args.axes else parse_axis_map(site.settings.sensor_axes)
                keep_zero(site, found.zero, axes, args.degc)
            messages.append("kept: this zero is taken off from now on")
    if not args.json:
        for message in messages:
            io.talk(message)
    io.tell([*lines, *filter(None, [answer["why"]])], answer | {"messages": messages})
    return Exit.DONE if is_good else Exit.OVER


def _teach(args: Args, io: Io) -> int:
    """Ask for two tips of the top and give the map; an unclear tip is asked for again, three times in all.

    Raises InstrumentError where too few samples come, EntryError where no tip was clear.
    """
    from shimfit.core.sensing.mounting import read_tip, teach
    from shimfit.model import Face
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.workflow.sensor import level_of, opened

    typed = "--teach asks questions at the keyboard: give it a port or URL, and no --json"
    _refuse(
        (args.source is None or args.json, typed),
        (not io.keyboard, "--teach asks questions: on the screen `Teach the sensor` asks them (Ctrl+P)"),
    )

    def level_after(what: str) -> tuple[tuple[float, float], float]:
        io.talk(f"{what} Then press Enter.")
        if not sys.stdin.readline():
            raise UsageError("no answer came: --teach needs a keyboard")
        time.sleep(TIP_S)
        return level_of(sensor)

    sensor = Inclinometer(args.source, _options(args, io), args.capture)
    faces, tips = (Face.OUT, Face.NEXT), []
    with opened(sensor):
        rest, noise_deg = level_after("Leave the post alone.")
        for face in faces:
            for turn in range(1, _TIPS_TRIED + 1):
                tipped, _ = level_after(f"Tip the top towards {face}, and hold it there.")
                try:
                    tips.append(read_tip(rest, tipped, noise_deg))
                    break
                except EntryError as error:
                    if turn == _TIPS_TRIED:
                        raise
                    io.talk(error.message)
    axis_map = teach(tips[0], faces[0], tips[1], faces[1])
    if args.keep:
        with open_site(args, io, makes=True) as site:
            site.set("sensor_axes", axis_map.text)
    io.talk(axis_map.picture())
    io.say(f'axes = "{axis_map.text}"')
    return Exit.DONE


# ---------------------------------------------------------------- an inclinometer that is played


def run_simulate(args: Args, io: Io) -> int:
    """Run `simulate`; returns the exit code. Raises UsageError, EntryError or FileError."""
    seconds = math.inf if args.seconds is None else args.seconds
    into_capture = args.capture is not None
    stage = _stage(args, io)
    if args.link is not None:
        return _on_terminal(args, stage, seconds, io)
    check_output(args, args.capture, CAPTURE)
    how = "capture it with `shimfit listen --capture`" if into_capture else "give it a --link"
    _refuse((stage.is_polled, f"a polled sensor sends only when asked: {how}"))
    if into_capture:
        return _into_capture(args, stage, io)
    from shimfit.wire.simulate import played

    out, start_s = getattr(io.stdout, "buffer", None), time.monotonic()
    for now_s, data in played(stage, seconds, args.rate):
        if out is None:
            io.stdout.write(data.decode("latin-1"))
        else:
            out.write(data)
            out.flush()
        if not args.at_once:
            time.sleep(max(0.0, start_s + now_s - time.monotonic()))
    return Exit.DONE


def _stage(args: Args, io: Io) -> Stage:
    from shimfit.model import Lean
    from shimfit.quantities.typed import parse_foot, parse_length
    from shimfit.wire.formats import parse_description
    from shimfit.wire.simulate import SensorNature, SimulatedPost, Stage, parse_script

    height_mm = parse_length(args.height)
    base = Lean(args.along / height_mm, args.across / height_mm)
    lies = max(abs(base.slope_along), abs(base.slope_across)) > 0.5
    _refuse((lies, "a post that far over is lying down: give smaller --along and --across"))
    x_deg, y_deg = _zero(args.zero)
    nature = SensorNature(args.noise, args.memory, x_deg, y_deg, args.drift, args.step)
    described = None
    if args.format.endswith(".toml"):
        described = parse_description(*io.text_of(args.format))
    post = SimulatedPost(parse_foot(args.foot), base, nature, seed=args.seed)
    return Stage(post, args.format, parse_script(args.do), seed=args.seed, description=described)


def _into_capture(args: Args, stage: Stage, io: Io) -> int:
    from shimfit.wire.capture import CaptureWriter
    from shimfit.wire.simulate import record

    header = {
        "device": "none: invented by shimfit simulate",
        "format": args.format,
        "seed": str(args.seed),
        "post": f"foot {args.foot}, leans {args.along:g} along, {args.across:g} across at {args.height}",
        "orders": args.do or "none",
    }
    with contextlib.closing(CaptureWriter(args.capture, header, 0.0)) as capture:
        record(stage, args.seconds, args.rate, capture)
    io.talk(f"{args.capture} written: {args.seconds:g} s of an invented sensor")
    return io.tell((), {"file": args.capture, "seconds": args.seconds})


def _on_terminal(args: Args, stage: Stage, seconds: float, io: Io) -> int:
    from shimfit.wire.simulate import Player

    player = Player(stage, args.rate, Path(args.link))
    try:
        player.plug()
    except ImportError as error:
        raise UsageError("this system has no pseudo-terminals; play on stdout or into a --capture") from error
    io.talk(f"playing at {player.name}; `shimfit listen {player.name}` reads it; orders are typed here")
    try:
        typed = [sys.stdin.fileno()]
    except (AttributeError, OSError, ValueError):  # closed, or no real file: nobody types
        typed = []
    player.play(seconds, typed, io.talk)
    return Exit.DONE

"""`shimfit simulate`: plays an inclinometer on a post, for practice and for tests."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.cli.io import check_output
from shimfit.errors import Exit, UsageError
from shimfit.outputs import CAPTURE

if TYPE_CHECKING:
    import argparse

    from shimfit.cli.io import Io
    from shimfit.wire.simulate import Stage


def run(args: argparse.Namespace, io: Io) -> int:
    """Run `simulate`; returns the exit code. Raises UsageError, EntryError or FileError."""
    if not 0.1 <= args.rate <= 5000:
        raise UsageError("--rate must be between 0.1 and 5000 samples a second")
    if args.seconds is not None and not 0 < args.seconds < math.inf:
        raise UsageError("--seconds must be more than 0, and an end in sight")
    if args.link is not None and args.capture is not None:
        raise UsageError("--link plays in real time, --capture at once; give one of them")
    stage = _stage(args)
    seconds = math.inf if args.seconds is None else args.seconds
    if args.capture is not None:
        check_output(args, args.capture, CAPTURE)
        return _into_capture(args, stage, io)
    if args.link is not None:
        return _on_terminal(args, stage, seconds, io)
    if args.at_once and args.seconds is None:
        raise UsageError("--at-once needs --seconds")
    if stage.is_polled:
        raise UsageError("a polled sensor speaks only when asked: give it a --link")
    from shimfit.wire.simulate import emit

    def write(data: bytes) -> None:
        out = getattr(io.stdout, "buffer", None)
        if out is None:
            io.stdout.write(data.decode("latin-1"))
        else:
            out.write(data)
            out.flush()

    emit(stage, args.rate, write, seconds=seconds, real_time=not args.at_once)
    return Exit.DONE


def _stage(args: argparse.Namespace) -> Stage:
    from shimfit.model import Lean
    from shimfit.quantities.typed import parse_foot, parse_length
    from shimfit.wire.simulate import SensorNature, SimulatedPost, Stage, parse_script

    if not 0.0 <= args.memory <= 0.99:
        raise UsageError("--memory must be between 0 and 0.99")
    if not (args.noise >= 0 and args.step > 0):
        raise UsageError("--noise can't be below 0, --step must be more than 0")
    height_mm = parse_length(args.height)
    base = Lean(args.along / height_mm, args.across / height_mm)
    if max(abs(base.slope_along), abs(base.slope_across)) > 0.5:
        raise UsageError("a post that far over is lying down: give smaller --along and --across")
    zero_x_deg, zero_y_deg = _pair(args.zero)
    nature = SensorNature(args.noise, args.memory, zero_x_deg, zero_y_deg, args.drift, args.step)
    post = SimulatedPost(parse_foot(args.foot), base, nature, seed=args.seed)
    return Stage(post, args.format, parse_script(args.do), seed=args.seed)


def _into_capture(args: argparse.Namespace, stage: Stage, io: Io) -> int:
    from shimfit.wire.capture import CaptureWriter
    from shimfit.wire.simulate import record

    if args.seconds is None:
        raise UsageError("--capture needs --seconds")
    if stage.is_polled:
        raise UsageError("a polled sensor speaks only when asked: capture it with `shimfit listen --capture`")
    header = {
        "device": "none: invented by shimfit simulate",
        "format": args.format,
        "seed": str(args.seed),
        "post": f"foot {args.foot}, leans {args.along:g} along, {args.across:g} across at {args.height}",
        "orders": args.do or "none",
    }
    capture = CaptureWriter(args.capture, header, 0.0)
    try:
        record(stage, args.seconds, args.rate, capture)
    finally:
        capture.close()
    io.talk(f"{args.capture} written: {args.seconds:g} s of an invented sensor")
    if args.json and args.capture != "-":
        io.json({"file": args.capture, "seconds": args.seconds})
    return Exit.DONE


def _on_terminal(args: argparse.Namespace, stage: Stage, seconds: float, io: Io) -> int:
    try:
        from shimfit.wire.play import Player
    except ImportError as error:
        raise UsageError("this system has no pseudo-terminals; play on stdout or into a --capture") from error
    player = Player(stage, args.rate, Path(args.link))
    player.plug()
    io.talk(f"playing at {player.name}; `shimfit listen {player.name}` reads it; orders are typed here")
    typed = [sys.stdin.fileno()] if _has_keyboard() else []
    player.play(seconds, typed, io.talk)
    return Exit.DONE


def _has_keyboard() -> bool:
    """True where orders can be typed: stdin is open and a real file."""
    try:
        sys.stdin.fileno()
    except (AttributeError, OSError, ValueError):
        return False
    return True


def _pair(text: str) -> tuple[float, float]:
    from shimfit.quantities.typed import decimal_number

    both = tuple(decimal_number(part) for part in text.split(","))
    if len(both) != 2 or not all(abs(deg) <= 45 for deg in both):
        raise UsageError(f"--zero {text} isn't a pair of degrees; type it like 2.5,-1.0")
    return both[0], both[1]

"""`listen --reversal A B`: lean and zero apart, from captures of two opposite faces."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shimfit.cli.listen import asked, replayed
from shimfit.core.sensing.mounting import FaceReading, reversal
from shimfit.errors import Exit, UsageError

if TYPE_CHECKING:
    import argparse

    from shimfit.cli.io import Io
    from shimfit.core.sensing.hold import Held


def run(args: argparse.Namespace, io: Io) -> int:
    """Work out lean and zero; exit code 1 when a face has no reading or the faces don't fit together."""
    if args.source is not None or args.timing is not None:
        raise UsageError("--reversal takes its two captures alone")
    told: dict[str, Any] = {"lean": None, "zero": None, "doubt": None, "why": None, "messages": []}
    faces = [_face(name, args, io, told["messages"]) for name in args.reversal]
    first, second = faces
    if first is None or second is None:
        told["why"] = "; ".join(
            f"{name} has no reading" for name, face in zip(args.reversal, faces, strict=True) if face is None
        )
    else:
        told |= _apart(first, second)
    if args.json:
        io.json(told)
    else:
        _say(told, io)
    return Exit.OVER if told["lean"] is None or told["doubt"] is not None else Exit.DONE


def _face(name: str, args: argparse.Namespace, io: Io, messages: list[str]) -> Held | None:
    """The last reading that was taken in a capture."""
    # The zero is what is to be found: none may be taken off beforehand.
    options = replace(asked.options(args, io), zero_x_deg=0.0, zero_y_deg=0.0)
    stream, end_s = replayed.play(replayed.load(name, None, args.rate, options.description, io), options)
    messages += [f"{name}: {message}" for message in stream.messages]
    if stream.last_taken is None:
        view = stream.view(end_s)
        messages.append(f"{name}: {view.state}: {view.words}")
    return stream.last_taken


def _apart(first: Held, second: Held) -> dict[str, Any]:
    """Offsets of a sensor add up as angles, so this is done in degrees; the formula holds in any one unit."""
    both = reversal(_reading(first), _reading(second))
    return {
        "lean": {
            "x_deg": both.lean.slope_along,
            "y_deg": both.lean.slope_across,
            "u_x_deg": both.u_along,
            "u_y_deg": both.u_across,
        },
        "zero": {
            "x_deg": both.zero.along,
            "y_deg": both.zero.across,
            "u_x_deg": both.u_along,
            "u_y_deg": both.u_across,
        },
        "doubt": both.doubt,
        "why": both.words,
    }


def _reading(held: Held) -> FaceReading:
    return FaceReading(held.x_deg, held.y_deg, held.u_x_deg, held.u_y_deg)


def _say(told: dict[str, Any], io: Io) -> None:
    for message in told["messages"]:
        io.talk(message)
    for name in ("lean", "zero"):
        value = told[name]
        if value is not None:
            io.say(
                f"{name}: x {value['x_deg']:+.4f} ± {2 * value['u_x_deg']:.4f}°, "
                f"y {value['y_deg']:+.4f} ± {2 * value['u_y_deg']:.4f}° (k = 2)"
            )
    if told["why"]:
        io.say(told["why"])

"""What `listen` says at the end: a reading, two faces, a known sensor, how it sits; JSON or sentences."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from shimfit.cli import listen
from shimfit.cli.context import open_site
from shimfit.errors import EntryError, Exit, UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from shimfit.cli.io import Io
    from shimfit.core.sensing.hold import Held
    from shimfit.core.sensing.mounting import Reversal, Tip
    from shimfit.core.sensing.statistics import SensorCharacter
    from shimfit.core.sensing.watch import WatchState
    from shimfit.model import Face
    from shimfit.wire.inclinometer import Inclinometer, Taken
    from shimfit.wire.samples import Tally

LOOK_S = 1.0
"""What is looked at once the person says that the post is held still."""
_TIMES = 3


def result(
    *,
    form: str | None,
    tally: Tally,
    taken: Taken | None,
    state: WatchState,
    why: str,
    messages: Sequence[str],
    zero_words: str | None,
) -> dict[str, Any]:
    """The contract's object, without its schema number."""
    return {
        "format": form,
        "bytes": tally.bytes,
        "samples_good": tally.good,
        "refused": {str(reason): count for reason, count in sorted(tally.refused.items()) if count},
        "refused_total": tally.refused_total,
        "other": tally.other,
        "lean": None if taken is None else _lean(taken),
        "state": str(state),
        "why": why,
        "zero": zero_words,
        "messages": list(messages),
        "description": None,
    }


def _lean(taken: Taken) -> dict[str, Any]:
    held = taken.held
    return {
        "x_deg": held.x_deg,
        "y_deg": held.y_deg,
        "u_x_deg": held.u_x_deg,
        "u_y_deg": held.u_y_deg,
        "u_hold_x_deg": held.u_hold_deg[0],
        "u_hold_y_deg": held.u_hold_deg[1],
        "zero_found": taken.zero_found,
        "slope_along": taken.lean.slope_along,
        "slope_across": taken.lean.slope_across,
        "u_along": taken.u_along,
        "u_across": taken.u_across,
        "largest_term": taken.largest_term,
        "held_s": held.seconds,
        "samples": held.samples,
        "text": taken.text,
    }


def give(
    told: dict[str, Any],
    still: list[tuple[float, float, float]] | None,
    description: str | None,
    args: argparse.Namespace,
    io: Io,
) -> None:
    """Say the object: the reading to stdout, counts and messages to stderr. EntryError: a short record."""
    told["description"] = description
    characters = None if still is None else _characters(still)
    if characters is not None:
        told["sensor"] = {name: _character_json(one) for name, one in characters.items()}
        if args.keep:
            from shimfit.workflow.sensor import keep_character

            with open_site(args, io, makes=True) as site:
                keep_character(site, characters)
    if args.json:
        io.json(told)
        return
    for message in told["messages"]:
        io.talk(message)
    refused = ", ".join(f"{count} {reason.replace('_', ' ')}" for reason, count in told["refused"].items())
    io.talk(
        f"{told['bytes']} bytes, {told['samples_good']} good samples "
        f"({told['format'] or 'format not found'}), refused: {refused or 'none'}, other: {told['other']}"
    )
    lean = told["lean"]
    if lean is None:
        io.say(f"{told['state']}: {told['why']}")
    else:
        io.say(f"{told['state']}: {lean['text']}, held for {lean['held_s']:.1f} s")
        io.say(f"largest doubt: {lean['largest_term']}")
        if told["zero"]:
            io.say(told["zero"])
    if description is not None:
        io.say(description)
    if characters is not None:
        _say_sensor(characters, io)
        if args.keep:
            io.say("kept with the sensor: counted in from now on")


# ---------------------------------------------------------------- know your sensor


def _characters(still: list[tuple[float, float, float]]) -> dict[str, SensorCharacter]:
    """Of x and y. Raises EntryError when the record is too short."""
    import numpy as np

    from shimfit.core.sensing.statistics import sensor_character

    n = len(still)
    period_s = (still[-1][0] - still[0][0]) / (n - 1) if n > 1 else 1.0
    return {
        name: sensor_character(np.array([row[at] for row in still], dtype=np.float64), period_s or 1.0)
        for at, name in ((1, "x"), (2, "y"))
    }


def _character_json(one: SensorCharacter) -> dict[str, Any]:
    return {
        "samples": one.samples,
        "seconds": one.seconds,
        "spread_deg": one.spread_deg,
        "memory_s": one.memory_s,
        "allan_1s_deg": one.density_deg,
        "drift_deg_per_min": one.drift_deg_per_min,
        "floor_deg": one.floor_deg,
        "floor_s": one.floor_s,
        "still_falling": one.still_falling,
        "curve": [{"seconds": p.seconds, "deviation_deg": p.deviation_deg} for p in one.curve],
    }


def _say_sensor(characters: dict[str, SensorCharacter], io: Io) -> None:
    """Both axes' characters in sentences, each with its curve."""
    from shimfit.core.sensing.statistics import hold_needed_s, plot_curve

    for name, one in characters.items():
        io.say(f"{name}: {one.samples} samples in {one.seconds:.0f} s")
        io.say(f"  single samples scatter by {one.spread_deg:.4f}°, and remember for {one.memory_s:.2f} s")
        io.say(f"  drift {one.drift_deg_per_min:+.4f}° a minute")
        longer = " (still falling there: a longer record would show more)" if one.still_falling else ""
        io.say(f"  averaging stops helping at {one.floor_s:.3g} s: floor {one.floor_deg:.4f}°{longer}")
        if one.density_deg > 0:
            io.say(f"  ± 0.02° (k = 2) takes a hold of {hold_needed_s(one.density_deg, 0.01):.1f} s")
        io.say(plot_curve(one.curve))
        io.say()
    floor_deg = max(one.floor_deg for one in characters.values())
    memory_s = max(one.memory_s for one in characters.values())
    io.say(f"for the device's file: doubts = {{ floor_deg = {floor_deg:.2g}, memory_s = {memory_s:.2g} }}")


# ---------------------------------------------------------------- two faces


def two_captures(args: argparse.Namespace, io: Io) -> int:
    """Work out lean and zero; exit code 1 when a face has no reading or the faces don't fit together."""
    if args.source is not None or args.timing is not None:
        raise UsageError("--reversal takes its two captures alone")
    told: dict[str, Any] = {"lean": None, "zero": None, "doubt": None, "why": None, "messages": []}
    faces = [listen.face_of(name, args, io, told["messages"]) for name in args.reversal]
    found = None
    if None in faces:
        told["why"] = "; ".join(
            f"{name} has no reading" for name, face in zip(args.reversal, faces, strict=True) if face is None
        )
    else:
        found = _apart(faces[0], faces[1], args, io)
        u = {"u_x_deg": found.u_along, "u_y_deg": found.u_across}
        told |= {
            "lean": {"x_deg": found.lean.slope_along, "y_deg": found.lean.slope_across} | u,
            "zero": {"x_deg": found.zero.along, "y_deg": found.zero.across} | u,
            "doubt": found.doubt,
            "why": found.words,
        }
    is_good = found is not None and found.doubt is None
    if args.keep and is_good:
        assert found is not None
        _keep_zero(found, args, io)
        told["messages"].append("kept: this zero is taken off from now on")
    if args.json:
        io.json(told)
    else:
        _say_faces(told, io)
    return Exit.DONE if is_good else Exit.OVER


def _apart(first: Held, second: Held, args: argparse.Namespace, io: Io) -> Reversal:
    """Lean and zero; a zero that is known judges the new one."""
    from shimfit.core.sensing.mounting import two_faces

    options = listen.listen_options(args, io)
    return two_faces(first, second, options.doubts, options.zero)


def _keep_zero(found: Reversal, args: argparse.Namespace, io: Io) -> None:
    from shimfit.core.sensing.mounting import parse_axis_map
    from shimfit.workflow.sensor import keep_zero

    with open_site(args, io, makes=True) as site:
        axes = (
            listen.listen_options(args, io).axis_map
            if args.axes
            else parse_axis_map(site.settings.sensor_axes)
        )
        keep_zero(site, found.zero, axes, args.degc)


def _say_faces(told: dict[str, Any], io: Io) -> None:
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


# ---------------------------------------------------------------- how it sits


def teach(args: argparse.Namespace, io: Io) -> int:
    """Ask for two tips of the top and tell the map.

    Raises InstrumentError where too few samples come, EntryError where no tip was clear.
    """
    from shimfit.core.sensing.mounting import teach as map_of
    from shimfit.model import Face
    from shimfit.wire.inclinometer import Inclinometer

    if args.source is None or args.json:
        raise UsageError("--teach asks and is answered: give it a port or URL, and no --json")
    sensor = Inclinometer(args.source, listen.listen_options(args, io), args.capture)
    sensor.start()
    try:
        listen.wait_for_link(sensor)
        _wait_for_enter(io, "Leave the post alone.")
        rest, noise_deg = listen.level_now(sensor, LOOK_S)
        first = _tip(sensor, io, rest, noise_deg, Face.OUT)
        second = _tip(sensor, io, rest, noise_deg, Face.NEXT)
    finally:
        sensor.stop()
    axis_map = map_of(first, Face.OUT, second, Face.NEXT)
    if args.keep:
        with open_site(args, io, makes=True) as site:
            site.set("sensor_axes", axis_map.text)
    io.talk(axis_map.picture())
    io.say(f'axes = "{axis_map.text}"')
    return Exit.DONE


def _tip(sensor: Inclinometer, io: Io, rest: tuple[float, float], noise_deg: float, face: Face) -> Tip:
    """One tip; an unclear one is told and asked for again, three times in all."""
    from shimfit.core.sensing.mounting import read_tip

    for turn in range(1, _TIMES + 1):
        _wait_for_enter(io, f"Tip the top towards {face}, and hold it there.")
        try:
            return read_tip(rest, listen.level_now(sensor, LOOK_S)[0], noise_deg)
        except EntryError as error:
            if turn == _TIMES:
                raise
            io.talk(error.message)
    raise AssertionError("the last turn returns or raises")


def _wait_for_enter(io: Io, what: str) -> None:
    io.talk(f"{what} Then press Enter.")
    if not sys.stdin.readline():
        raise UsageError("nobody answers: --teach needs a keyboard")

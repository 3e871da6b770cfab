"""One device, as its file tells it: the format, and what is known of this very sensor.

    format = "xdr"
    axes = "x=next y=out"                  # as taught
    zero = [2.4995, -1.0011]               # what it says when plumb, degrees (from a reversal)
    doubts = { zero_u_deg = 0.002, floor_deg = 0.0008, cross_axis = 0.02 }

All are optional; unknown keys are refused.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

from shimfit.core.axis_map import AxisMap, parse_axis_map
from shimfit.core.steady import Doubts
from shimfit.errors import EntryError, FileError
from shimfit.wire.dialects import parse_description
from shimfit.wire.dialects.description import DEFAULT_RANGE_DEG

if TYPE_CHECKING:
    from shimfit.wire.dialects import Description

_DOUBTS = tuple(each.name for each in fields(Doubts))


@dataclass(frozen=True, slots=True)
class Device:
    """A sensor that is known."""

    description: Description | None
    """None = found by listening."""
    axis_map: AxisMap | None = None
    """None = not taught yet."""
    zero_deg: tuple[float, float] | None = None
    """None = not known."""
    doubts: Doubts = field(default_factory=Doubts)


def parse_device(text: str, path: str) -> Device:
    """Read a device's file; raises FileError naming the file and the key that is wrong."""
    description = parse_description(text, path)
    table = tomllib.loads(text)
    return Device(
        description=description,
        axis_map=_axes(table.get("axes"), path),
        zero_deg=_zero(table.get("zero"), path),
        doubts=_doubts(table.get("doubts", {}), path),
    )


def _axes(value: Any, path: str) -> AxisMap | None:
    if value is None:
        return None
    try:
        return parse_axis_map(value if isinstance(value, str) else repr(value))
    except EntryError as error:
        raise FileError(f"{path}: `axes`: {error.message}", path=path) from error


def _zero(value: Any, path: str) -> tuple[float, float] | None:
    if value is None:
        return None
    if not (isinstance(value, list) and len(value) == 2 and all(_is_number(part) for part in value)):
        raise FileError(f"{path}: `zero` must be two numbers in degrees, such as [2.5, -1.0]", path=path)
    if not all(abs(part) <= DEFAULT_RANGE_DEG for part in value):
        raise FileError(
            f"{path}: `zero`: a sensor's zero lies within {DEFAULT_RANGE_DEG:g} degrees", path=path
        )
    return float(value[0]), float(value[1])


def _doubts(value: Any, path: str) -> Doubts:
    if not isinstance(value, dict):
        raise FileError(f"{path}: `doubts` must be a table such as {{ floor_deg = 0.001 }}", path=path)
    for name, number in value.items():
        if name not in _DOUBTS:
            raise FileError(f"{path}: `doubts.{name}` is no key; there are {', '.join(_DOUBTS)}", path=path)
        if not (_is_number(number) and 0 <= number < DEFAULT_RANGE_DEG):
            raise FileError(f"{path}: `doubts.{name}` must be a number from 0 on, not {number!r}", path=path)
    return Doubts(**{name: float(number) for name, number in value.items()})


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)

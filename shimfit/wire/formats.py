"""Descriptions of wire formats, and what is known of one sensor: small TOML tables, read into frozen values.

    format = "text"                      format = "modbus"
    separator = ","                      station = 1
    columns = ["time:ms", "x:deg", "y:deg"]   [[values]]
    kind = "elevation"                   name = "x"  address = 0  type = "int16"  scale = 0.01  unit = "deg"

The same file may describe the device itself:

    axes = "x=next y=out"                  # as taught
    zero = [2.4995, -1.0011]               # what it reads when plumb, degrees (from a reversal)
    doubts = { zero_u_deg = 0.002, floor_deg = 0.0008, cross_axis = 0.02 }

All keys are described in hardware_notes/README.md. The fields of the classes here are the keys, their types
what a key must be. A key that is not known is refused: a misspelt one would otherwise be passed over in
silence. Reading, finding by listening and the simulated sensor all go by these descriptions.
"""

from __future__ import annotations

import math
import struct
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, fields
from typing import Annotated, Any, Literal

from shimfit.codec import Shape, also, fault, list_of, members, read, shape
from shimfit.core.sensing.mounting import ENTERED_U_DEG, AxisMap, SensorZero, parse_axis_map
from shimfit.core.sensing.watch import SensorErrors
from shimfit.errors import EntryError, FileError
from shimfit.model import Name, Within
from shimfit.values import dataclass

DEFAULT_RANGE_DEG = 45.0
PAIR = ("x", "y")
TRIPLE = ("ax", "ay", "az")
TANGENT_UNITS = {"mm/m": 1e-3, "%": 1e-2, "in/ft": 1 / 12}
"""Ratios: worth of one unit as a slope."""
_ANGLES = {
    "deg": 1.0,
    "°": 1.0,
    "rad": math.degrees(1.0),
    "mrad": math.degrees(1e-3),
    "arcmin": 1 / 60,
    "count": 1.0,
}
_FORCES = {"g": 1.0, "mg": 1e-3, "m/s2": 1 / 9.80665, "count": 1.0}
UNITS: dict[str, dict[str, float]] = {
    **dict.fromkeys(PAIR, _ANGLES | TANGENT_UNITS),
    **dict.fromkeys(TRIPLE, _FORCES),
    "temp": {"degC": 1.0},
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6},
    "seq": {"": 1.0, "count": 1.0},
}
"""What may be sent, and the worth of one of its units: in degrees (`TANGENT_UNITS`: as a slope), g, °C or s.
A count's worth is its scale."""

Kind = Literal["elevation", "tangent"]
Order = Literal["high-first", "low-first"]
Form = Literal["int8", "uint8", "int16", "uint16", "int32", "uint32", "float32"]
_Scale = Annotated[float, Within("within a thousand million", -1e9, 1e9)]
_Seconds = Annotated[float, Within("between 0.001 and 60", 0.001, 60.0)]


FIELD_FORMS: dict[Form, str] = {
    "int8": "b",
    "uint8": "B",
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "float32": "f",
}
"""Types of a frame's values, with their letters in `struct`."""


@dataclass(frozen=True, slots=True)
class Field:
    """One value that is sent, at its place in a line or a frame."""

    name: str
    at: int
    """Text: which column, from 0. Binary: bytes from the frame's beginning, its header counted. Modbus: which
    register, from 0 as on the wire (many tables begin at 1)."""
    type: Form = "int16"
    order: Order = "high-first"
    """Binary: of its bytes. Modbus: of its words, whose own bytes come high first as always."""
    scale: _Scale = 1.0
    """Worth of one count; 1 where it comes in its unit."""
    unit: str = "deg"
    of_words: bool = False
    """What comes low first are words, not bytes: so a Modbus answer is laid out as a frame."""
    label: str = ""
    """Text: what stands before its number, like `X=`."""

    @property
    def size(self) -> int:
        """Bytes that it takes up."""
        return struct.calcsize("=" + FIELD_FORMS[self.type])

    def _turned(self, data: bytes) -> bytes:
        """From the order on the wire to high first, or back."""
        if self.order == "high-first":
            return data
        return data[2:] + data[:2] if self.of_words else data[::-1]

    def number(self, data: bytes) -> float:
        """Its scaled value from its bytes."""
        raw: float = struct.unpack(">" + FIELD_FORMS[self.type], self._turned(data))[0]
        return raw * self.scale

    def encoded(self, value: float) -> bytes:
        """The bytes that `number` reads this value from, clipped to the range of its type."""
        form, bits = FIELD_FORMS[self.type], 8 * self.size
        raw = value / self.scale if self.scale else 0.0
        if self.type != "float32":
            low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if form.islower() else (0, (1 << bits) - 1)
            raw = round(min(max(raw, low), high))
        return self._turned(struct.pack(">" + form, raw))


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """What every description has, and what follows from it."""

    values: tuple[Field, ...] = (Field("x", 0), Field("y", 1))
    """What is sent and used; what is passed over is left out."""
    kind: Kind = "elevation"
    flip: tuple[Name, ...] = ()
    """Names whose sign is turned."""
    range_deg: Annotated[float, Within("between 0.001 and 89", 0.001, 89.0)] = DEFAULT_RANGE_DEG
    rate_hz: Annotated[float, Within("between 0.01 and 100000", 0.01, 100_000.0)] | None = None
    baud: int | None = None

    @property
    def units(self) -> Mapping[str, str]:
        """Unit of each value, by name."""
        return {value.name: value.unit for value in self.values}

    @property
    def elevation(self) -> bool:
        """True when each angle is an axis against the horizontal."""
        return self.kind == "elevation" and "x" in self.units


@dataclass(frozen=True, slots=True)
class Xdr(Described):
    """NMEA 0183 XDR: which transducer names are x and y."""

    x: tuple[Name, ...] = ("PITCH", "PTCH", "TRIM")
    y: tuple[Name, ...] = ("ROLL", "HEEL")
    checksum: Literal["required", "optional"] = "required"


@dataclass(frozen=True, slots=True, kw_only=True)
class Text(Described):
    """Delimited text, one sample a line."""

    count: int
    """Columns in a line, skipped ones too."""
    separator: Literal[",", ", ", ";", ":", "\t", "tab", "whitespace"] = ","
    """A character, `whitespace` for any run of blanks, or `, ` for a comma that blanks may follow."""
    comment: str = "#"
    decimal: Literal[".", ","] = "."
    prefix: str = ""
    """A line without it is no data."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Modbus(Described):
    """A Modbus RTU device that is polled."""

    station: int = 1
    function: int = 3
    """3 or 4."""
    poll_s: _Seconds = 0.1
    timeout_s: _Seconds = 0.2
    framing: Literal["8E1", "8N1", "8O1", "8N2"] = "8E1"
    """Data bits, parity, stop bits; 8E1 is the standard's default, 8N1 is common."""
    baud: int = 9600


CHECKS = {"none": 0, "sum8": 1, "xor8": 1, "crc16-modbus": 2, "crc16-ccitt": 2}
"""Bytes at a binary frame's end that prove it arrived as it was sent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Binary(Described):
    """Frames of a fixed length that begin with the same bytes and come by themselves."""

    header: bytes
    length: int
    """Bytes of a whole frame, header and check counted."""
    check: Literal["none", "sum8", "xor8", "crc16-modbus", "crc16-ccitt"] = "none"
    check_from: int = 0
    """First byte that the check counts in; it counts up to where it stands."""
    check_order: Order = "high-first"

    @property
    def step_deg(self) -> float | None:
        """Output step of x in degrees; None where units, a triple or floating point hide it."""
        for value in self.values:
            if value.name == "x" and value.unit in ("deg", "count") and value.type != "float32":
                return abs(value.scale)
        return None


Description = Xdr | Text | Modbus | Binary


@dataclass(frozen=True, slots=True)
class Device:
    """A sensor that is known."""

    description: Description | None
    """None = found by listening."""
    axis_map: AxisMap | None = None
    """None = not taught yet."""
    zero: SensorZero | None = None
    """None = not known."""
    sensor_errors: SensorErrors = field(default_factory=SensorErrors)


# ---------------------------------------------------------------- the keys of a file


def _whole(least: int, most: int) -> Shape:
    """A whole number between bounds."""
    return also(
        shape(int),
        lambda value: None if least <= value <= most else f" must be between {least} and {most}, not {value}",
    )


def _closed(keys: Mapping[str, Any]) -> Shape:
    """A table of these keys and no others."""
    known = [key.rstrip("?") for key in keys]

    def unknown(table: Mapping[str, Any]) -> str | None:
        wrong = next((key for key in table if key not in known), None)
        return None if wrong is None else f".{wrong} isn't a key here; the keys are {', '.join(known)}"

    return also(shape(dict(keys)), unknown)


def _keys(class_: type, *beside: str, **instead: Any) -> dict[str, Any]:
    """The fields of a description as keys, but for some; instead: what a key must be in a file."""
    own = members(class_).items()
    return {key: type_ for key, type_ in own if key.rstrip("?") not in (*beside, *instead)} | instead


def _values(place: str, types: Sequence[str], most: int) -> Shape:
    """The values of a frame; `place` is the key of where each stands."""
    keys = _keys(Field, "at", "type", "of_words", "label")
    return list_of(_closed(keys | {place: _whole(0, most), "type?": Literal[tuple(types)]}))


_Angle = Annotated[float, Within("an angle within 45 degrees", -DEFAULT_RANGE_DEG, DEFAULT_RANGE_DEG)]
_Error = Annotated[float, Within("a number from 0 on, under 45", 0.0, math.nextafter(DEFAULT_RANGE_DEG, 0))]
_OF_THE_DEVICE = {
    "format?": Literal["text", "modbus", "xdr", "binary"],
    "axes?": str,
    "zero?": tuple[_Angle, _Angle],
    "doubts?": _closed({f"{one.name}?": _Error for one in fields(SensorErrors) if one.name != "zero_found"}),
}
_BAUD = {"baud?": _whole(50, 10_000_000)}
_REGISTERS = _values("address", [form for form in FIELD_FORMS if not form.endswith("int8")], 65535)
_STATION = {"station?": _whole(1, 247), "function?": _whole(3, 4)}
_COLUMNS = {"scale?": _Scale, "columns": tuple[Name, ...], "labels?": tuple[str, ...]}
_OFFSETS = _values("offset", [*FIELD_FORMS], 1024)
_FORMATS: dict[str, dict[str, Any]] = {
    "xdr": _keys(Xdr, "values", "flip") | _BAUD,
    "text": _keys(Text, "count", "values") | _BAUD | _COLUMNS,
    "modbus": _keys(Modbus, "rate_hz", values=_REGISTERS) | _BAUD | _STATION,
    "binary": _keys(Binary, header=str, length=_whole(2, 1024), values=_OFFSETS) | _BAUD,
}


def parse_device(text: str, path: str) -> Device:
    """Read a device's file; raises FileError naming the file and the key that is wrong."""
    try:
        return _device(text)
    except EntryError as error:
        raise FileError(f"{path}: {error.message}") from error


def parse_description(text: str, path: str) -> Description:
    """The format that a device's file describes; raises FileError as `parse_device` does."""
    description = parse_device(text, path).description
    assert description is not None
    return description


def _device(text: str) -> Device:
    """Raises EntryError naming the key that is wrong."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise EntryError(f"not a TOML file: {error}") from error
    except (ValueError, RecursionError) as error:
        raise EntryError("a number or a list in it is longer than any that describes a sensor") from error
    form = table.get("format", "text")
    keys = _FORMATS.get(form, {}) if isinstance(form, str) else {}
    allowed = _closed(_OF_THE_DEVICE | keys)
    _refuse(fault(allowed, table))
    given = read(allowed, table)
    axes, at_zero, errors = (given.pop(key, None) for key in ("axes", "zero", "doubts"))
    given.pop("format", None)
    errors = errors or {}
    if "zero_u_deg" in errors and at_zero is None:
        _refuse("doubts.zero_u_deg goes with a zero, and there is none")
    try:
        axis_map = None if axes is None else parse_axis_map(axes)
    except EntryError as error:
        raise EntryError(f"axes: {error.message}") from error
    zero = None
    if at_zero is not None:
        zero = SensorZero(at_zero[0], at_zero[1], errors.get("zero_u_deg", ENTERED_U_DEG))
    build: dict[str, Callable[[dict[str, Any]], Description]] = {
        "text": _text,
        "modbus": _modbus,
        "binary": _binary,
        "xdr": lambda given: Xdr(**given),
    }
    return Device(build[form](given), axis_map, zero, SensorErrors(**errors))


def _refuse(why: str | None) -> None:
    if why:
        raise EntryError(why)


def _text(given: dict[str, Any]) -> Text:
    specs, labels, separator = given.pop("columns"), given.pop("labels", ()), given.get("separator", ",")
    if given.get("decimal") == "," and separator.startswith(","):
        _refuse('decimal can\'t be "," where the separator is "," too')
    if labels and len(labels) != len(specs):
        _refuse('labels must be one text for each column, "" where a number stands alone')
    scale, values = given.pop("scale", None), []
    for at, spec in enumerate(specs):
        name, _, unit = spec.partition(":")
        worth = scale if scale is not None and unit == "count" else 1.0
        label = labels[at] if labels else ""
        values += [] if spec == "-" else [Field(name, at, scale=worth, unit=unit, label=label)]
    _check_measure("columns", values, given)
    if any(value.unit == "count" and value.name != "seq" for value in values) != (scale is not None):
        _refuse('scale goes with the unit "count": what one count is worth in g or degrees')
    given["separator"] = separator.replace("tab", "\t")
    return Text(**given, values=tuple(values), count=len(specs))


def _fields(place: str, given: dict[str, Any]) -> tuple[Field, ...]:
    values = tuple(Field(at=row.pop(place), **row) for row in given.pop("values"))
    _check_measure("values", values, given)
    return values


def _modbus(given: dict[str, Any]) -> Modbus:
    values = _fields("address", given)
    if max(v.at + v.size // 2 for v in values) - min(v.at for v in values) > 125:
        _refuse("values must lie within 125 registers, so that one request brings them all")
    return Modbus(**given, values=values, rate_hz=1 / given.get("poll_s", 0.1))


def _binary(given: dict[str, Any]) -> Binary:
    try:
        header = bytes.fromhex(given.pop("header"))
    except ValueError:
        header = b""
    if not header:
        _refuse('header must be the bytes that every frame begins with, in hex, like "AA 55"')
    length, check = given["length"], given.get("check", "none")
    if length <= max(len(header), given.get("check_from", 0)):
        _refuse(f"length must be more than the header and check_from, not {length}")
    if check == "none" and len(header) < 2:
        _refuse("check is wanted where the header is a single byte: the data may hold it too")
    values = _fields("offset", given)
    for value in values:
        if not len(header) <= value.at <= length - CHECKS[check] - value.size:
            _refuse(f"values need an offset that leaves {value.name} within the frame")
    return Binary(**given, values=values, header=header)


def _check_measure(key: str, measured: Sequence[Field], given: dict[str, Any]) -> None:
    """Known names in known units; either x and y or ax, ay and az, each once; and what `flip` names."""
    names = [one.name for one in measured]
    for one in measured:
        if one.name not in UNITS:
            _refuse(f"{key} names {one.name!r}; a name is one of {', '.join(UNITS)}, or - to skip a column")
        if one.unit not in UNITS[one.name]:
            _refuse(f"{key} gives {one.name} in {one.unit!r}; its units are {', '.join(UNITS[one.name])}")
        if names.count(one.name) > 1:
            _refuse(f"{key} names {one.name} twice")
    measures = {name for name in names if name in (*PAIR, *TRIPLE)}
    if measures not in ({*PAIR}, {*TRIPLE}):
        _refuse(f"{key} must have either x and y, or ax, ay and az")
    for name in given.get("flip", ()):
        if name not in measures:
            _refuse(f"flip names {name!r}, which is not measured here")

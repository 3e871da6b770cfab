"""Descriptions of wire formats, and what is known of one sensor: small TOML tables, read into frozen values.

    format = "text"                      format = "modbus"
    separator = ","                      station = 1
    columns = ["time:ms", "x:deg", "y:deg"]   [[values]]
    kind = "elevation"                   name = "x"  address = 0  type = "int16"  scale = 0.01  unit = "deg"

The same file may describe the device itself:

    axes = "x=next y=out"                  # as taught
    zero = [2.4995, -1.0011]               # what it says when plumb, degrees (from a reversal)
    doubts = { zero_u_deg = 0.002, floor_deg = 0.0008, cross_axis = 0.02 }

All keys are described in hardware_notes/README.md. The fields of the classes here are the keys, their types
what a key must be. A key that is not known is refused: a misspelt one would otherwise be passed over in
silence.
"""

from __future__ import annotations

import math
import struct
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Annotated, Any, Literal, NoReturn

from shimfit.codec import Shape, also, fault, list_of, members, read, shape
from shimfit.core.sensing.mounting import ENTERED_U_DEG, AxisMap, SensorZero, parse_axis_map
from shimfit.core.sensing.watch import SensorErrors
from shimfit.errors import EntryError, FileError
from shimfit.model import Name, Within

DEFAULT_RANGE_DEG = 45.0
TANGENT_UNITS = {"mm/m": 1e-3, "%": 1e-2, "in/ft": 1 / 12}
"""Ratios: worth of one unit as a slope."""
ANGLE_UNITS = {
    "deg": 1.0,
    "°": 1.0,
    "rad": math.degrees(1.0),
    "mrad": math.degrees(1e-3),
    "arcmin": 1 / 60,
    "count": 1.0,
}
"""Worth of one unit in degrees; a count's worth is its scale."""
FORCE_UNITS = {"g": 1.0, "mg": 1e-3, "m/s2": 1 / 9.80665, "count": 1.0}
"""Worth of one unit in g."""
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
PAIR = ("x", "y")
TRIPLE = ("ax", "ay", "az")
_UNITS: dict[str, tuple[str, ...]] = (
    dict.fromkeys(PAIR, (*ANGLE_UNITS, *TANGENT_UNITS))
    | dict.fromkeys(TRIPLE, tuple(FORCE_UNITS))
    | {"temp": ("degC",), "time": tuple(TIME_UNITS), "seq": ("", "count")}
)


def worth(name: str, unit: str) -> float:
    """What one of this unit is of g (ax, ay, az), of a slope (`TANGENT_UNITS`) or of a degree."""
    return (FORCE_UNITS if name in TRIPLE else ANGLE_UNITS | TANGENT_UNITS)[unit]


Kind = Literal["elevation", "tangent"]
Order = Literal["high-first", "low-first"]
Form = Literal["int8", "uint8", "int16", "uint16", "int32", "uint32", "float32"]
_MOST = 1e9


def _whole(least: int, most: int) -> Shape:
    """A whole number between bounds."""
    return also(
        shape(int),
        lambda value: None if least <= value <= most else f" must be between {least} and {most}, not {value}",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """What every description says, and what follows from it."""

    kind: Kind = "elevation"
    flip: tuple[Name, ...] = ()
    """Names whose sign is turned."""
    range_deg: Annotated[float, Within("between 0.001 and 89", 0.001, 89.0)] = DEFAULT_RANGE_DEG
    rate_hz: Annotated[float, Within("between 0.01 and 100000", 0.01, 100_000.0)] | None = None
    baud: int | None = None

    @property
    def units(self) -> Mapping[str, str]:
        """Unit of each value that is sent, by name."""
        return dict.fromkeys(PAIR, "deg")

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


@dataclass(frozen=True, slots=True)
class Column:
    """One column of delimited text that is used."""

    at: int
    """Position in the line, from 0."""
    name: str
    unit: str
    label: str = ""
    """What stands before its number, like `X=`."""


@dataclass(frozen=True, slots=True)
class Text(Described):
    """Delimited text, one sample a line."""

    columns: tuple[Column, ...]
    """Those that are used; skipped ones are left out."""
    count: int
    """Columns in a line, skipped ones too."""
    separator: Literal[",", ", ", ";", ":", "\t", "tab", "whitespace"] = ","
    """A character, `whitespace` for any run of blanks, or `, ` for a comma that blanks may follow."""
    comment: str = "#"
    decimal: Literal[".", ","] = "."
    prefix: str = ""
    """A line without it is no data."""
    scale: Annotated[float, Within("within a thousand million", -_MOST, _MOST)] = 1.0
    """Worth of one count, in g (triple) or degrees (pair)."""

    @property
    def units(self) -> Mapping[str, str]:
        """Unit of each column that is used."""
        return {column.name: column.unit for column in self.columns}


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
    """One value of a frame."""

    name: str
    at: int
    """Binary: bytes from the frame's beginning, its header counted. Modbus: register address, from 0 as on
    the wire (many tables begin at 1)."""
    type: Form = "int16"
    order: Order = "high-first"
    """Binary: of its bytes. Modbus: of its words, whose own bytes come high first as always."""
    scale: Annotated[float, Within("within a thousand million", -_MOST, _MOST)] = 1.0
    unit: str = "deg"

    @property
    def size(self) -> int:
        """Bytes that it takes up."""
        return struct.calcsize("=" + FIELD_FORMS[self.type])

    def number(self, data: bytes, *, words: bool = False) -> float:
        """Its scaled value from its bytes; `words`: what comes low first are words, not bytes."""
        low_first = self.order == "low-first"
        if words and low_first:
            data = data[2:] + data[:2]
        order = "<" if low_first and not words else ">"
        raw: float = struct.unpack(order + FIELD_FORMS[self.type], data)[0]
        return raw * self.scale

    def encoded(self, value: float, *, words: bool = False) -> bytes:
        """The bytes that `number` reads this value from, clipped to the range of its type."""
        low_first, form = self.order == "low-first", FIELD_FORMS[self.type]
        raw = value / self.scale if self.scale else 0.0
        if self.type != "float32":
            bits = 8 * self.size
            low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if form.islower() else (0, (1 << bits) - 1)
            raw = round(min(max(raw, low), high))
        data = struct.pack(("<" if low_first and not words else ">") + form, raw)
        return data[2:] + data[:2] if words and low_first else data


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frames(Described):
    """Values at fixed places of a frame."""

    values: tuple[Field, ...]

    @property
    def units(self) -> Mapping[str, str]:
        """Unit of each value."""
        return {value.name: value.unit for value in self.values}

    @property
    def step_deg(self) -> float | None:
        """Output step of x in degrees; None where units, a triple or floating point hide it."""
        for value in self.values:
            if value.name == "x" and value.unit in ("deg", "count") and value.type != "float32":
                return abs(value.scale)
        return None


_Seconds = Annotated[float, Within("between 0.001 and 60", 0.001, 60.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Modbus(_Frames):
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
class Binary(_Frames):
    """Frames of a fixed length that begin with the same bytes and come by themselves."""

    header: bytes
    length: int
    """Bytes of a whole frame, header and check counted."""
    check: Literal["none", "sum8", "xor8", "crc16-modbus", "crc16-ccitt"] = "none"
    check_from: int = 0
    """First byte that the check counts in; it counts up to where it stands."""
    check_order: Order = "high-first"


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


def _closed(keys: Mapping[str, Any]) -> Shape:
    """A table of these keys and no others."""
    known = [key.rstrip("?") for key in keys]

    def unknown(table: Mapping[str, Any]) -> str | None:
        for key in table:
            if key not in known:
                return f".{key} isn't a key here; the keys are {', '.join(known)}"
        return None

    return also(shape(dict(keys)), unknown)


def _keys(class_: type, *beside: str, **instead: Any) -> dict[str, Any]:
    """The fields of a description as keys, but for some; instead: what a key must be in a file."""
    own = members(class_).items()
    return {key: type_ for key, type_ in own if key.rstrip("?") not in (*beside, *instead)} | instead


def _values(place: str, types: Sequence[str], least: int, most: int) -> Shape:
    """The values of a frame; `place` is the key that says where each stands, from `least` to `most`."""
    keys = _keys(Field, "at", "type") | {place: _whole(least, most), "type?": Literal[tuple(types)]}
    return list_of(_closed(keys))


_Angle = Annotated[float, Within("an angle within 45 degrees", -DEFAULT_RANGE_DEG, DEFAULT_RANGE_DEG)]
_Error = Annotated[float, Within("a number from 0 on, under 45", 0.0, math.nextafter(DEFAULT_RANGE_DEG, 0))]
_OF_THE_DEVICE = {
    "format?": Literal["text", "modbus", "xdr", "binary"],
    "axes?": str,
    "zero?": tuple[_Angle, _Angle],
    "doubts?": _closed({f"{one.name}?": _Error for one in fields(SensorErrors) if one.name != "zero_found"}),
}
_REGISTERS = ("int16", "uint16", "int32", "uint32", "float32")
_OFFSETS = _values("offset", [*FIELD_FORMS], 0, 1024)
_BAUD = {"baud?": _whole(50, 10_000_000)}
_FORMATS: dict[str, dict[str, Any]] = {
    "xdr": _keys(Xdr, "flip") | _BAUD,
    "text": _keys(Text, "count", columns=tuple[Name, ...]) | _BAUD | {"labels?": tuple[str, ...]},
    "modbus": _keys(Modbus, "rate_hz", values=_values("address", _REGISTERS, 0, 65535))
    | _BAUD
    | {"station?": _whole(1, 247), "function?": _whole(3, 4)},
    "binary": _keys(Binary, header=str, length=_whole(2, 1024), values=_OFFSETS) | _BAUD,
}


Refuse = Callable[[str], NoReturn]
"""Says what is wrong, with the file's name."""


def parse_device(text: str, path: str) -> Device:
    """Read a device's file; raises FileError naming the file and the key that is wrong."""

    def refuse(why: str) -> NoReturn:
        raise FileError(f"{path}: {why}", path=path)

    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"{path}: not a TOML file: {error}", path=path) from error
    except (ValueError, RecursionError) as error:
        why = "a number or a list in it is longer than any that describes a sensor"
        raise FileError(f"{path}: {why}", path=path) from error
    form = table.get("format", "text")
    keys = _FORMATS.get(form, {}) if isinstance(form, str) else {}
    allowed = _closed({**_OF_THE_DEVICE, **keys})
    if wrong := fault(allowed, table):
        refuse(wrong)
    given = read(allowed, table)
    known = {key: given.pop(key) for key in ("axes", "zero", "doubts") if key in given}
    given.pop("format", None)
    errors = known.get("doubts", {})
    if "zero_u_deg" in errors and "zero" not in known:
        refuse("doubts.zero_u_deg goes with a zero, and there is none")
    try:
        axis_map = parse_axis_map(known["axes"]) if "axes" in known else None
    except EntryError as error:
        refuse(f"axes: {error.message}")
    zero = None
    if "zero" in known:
        x_deg, y_deg = known["zero"]
        zero = SensorZero(x_deg, y_deg, errors.get("zero_u_deg", ENTERED_U_DEG))
    return Device(_BUILD[form](given, refuse), axis_map, zero, SensorErrors(**errors))


def parse_description(text: str, path: str) -> Description:
    """The format that a device's file describes; raises FileError as `parse_device` does."""
    description = parse_device(text, path).description
    assert description is not None
    return description


def _text(given: dict[str, Any], refuse: Refuse) -> Text:
    specs, labels, separator = given.pop("columns"), given.pop("labels", ()), given.get("separator", ",")
    if given.get("decimal") == "," and separator.startswith(","):
        refuse('decimal can\'t be "," where the separator is "," too')
    if labels and len(labels) != len(specs):
        refuse('labels must be one text for each column, "" where a number stands alone')
    parts = [(at, *spec.partition(":")[::2]) for at, spec in enumerate(specs) if spec != "-"]
    columns = tuple(Column(at, name, unit, labels[at] if labels else "") for at, name, unit in parts)
    _check_measure("columns", columns, given, refuse)
    if any(column.unit == "count" and column.name != "seq" for column in columns) != ("scale" in given):
        refuse('scale goes with the unit "count": what one count is worth in g or degrees')
    return Text(**given | {"separator": separator.replace("tab", "\t")}, columns=columns, count=len(specs))


def _fields(place: str, given: dict[str, Any], refuse: Refuse) -> tuple[Field, ...]:
    values = tuple(Field(at=row.pop(place), **row) for row in given.pop("values"))
    _check_measure("values", values, given, refuse)
    return values


def _modbus(given: dict[str, Any], refuse: Refuse) -> Modbus:
    values = _fields("address", given, refuse)
    if max(v.at + v.size // 2 for v in values) - min(v.at for v in values) > 125:
        refuse("values must lie within 125 registers, so that one request brings them all")
    return Modbus(**given, values=values, rate_hz=1 / given.get("poll_s", 0.1))


def _binary(given: dict[str, Any], refuse: Refuse) -> Binary:
    try:
        header = bytes.fromhex(given.pop("header"))
    except ValueError:
        header = b""
    if not header:
        refuse('header must be the bytes that every frame begins with, in hex, like "AA 55"')
    length, check = given["length"], given.get("check", "none")
    if length <= max(len(header), given.get("check_from", 0)):
        refuse(f"length must be more than the header and check_from, not {length}")
    if check == "none" and len(header) < 2:
        refuse("check is wanted where the header is a single byte: the data may hold it too")
    values = _fields("offset", given, refuse)
    for value in values:
        if not len(header) <= value.at <= length - CHECKS[check] - value.size:
            refuse(f"values need an offset that leaves {value.name} within the frame")
    return Binary(**given, values=values, header=header)


_BUILD: dict[str, Callable[[dict[str, Any], Refuse], Description]] = {
    "text": _text,
    "modbus": _modbus,
    "xdr": lambda given, _: Xdr(**given),
    "binary": _binary,
}


def _check_measure(
    key: str, measured: Sequence[Column | Field], given: dict[str, Any], refuse: Refuse
) -> None:
    """Known names in known units; either x and y or ax, ay and az, each once; and what `flip` names."""
    names = [one.name for one in measured]
    for one in measured:
        if one.name not in _UNITS:
            refuse(f"{key} names {one.name!r}; a name is one of {', '.join(_UNITS)}, or - to skip a column")
        if one.unit not in _UNITS[one.name]:
            refuse(f"{key} gives {one.name} in {one.unit!r}; its units are {', '.join(_UNITS[one.name])}")
        if names.count(one.name) > 1:
            refuse(f"{key} names {one.name} twice")
    measures = {name for name in names if name in (*PAIR, *TRIPLE)}
    if measures not in ({*PAIR}, {*TRIPLE}):
        refuse(f"{key} must have either x and y, or ax, ay and az")
    for name in given.get("flip", ()):
        if name not in measures:
            refuse(f"flip names {name!r}, which is not measured here")

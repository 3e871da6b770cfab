"""Descriptions of wire formats, and what is known of one sensor: small TOML tables, read into frozen values.

    format = "text"                      format = "modbus"
    separator = ","                      station = 1
    columns = ["time:ms", "x:deg", "y:deg"]   [[values]]
    kind = "elevation"                   name = "x"  address = 0  type = "int16"  scale = 0.01  unit = "deg"

The same file may tell of the device itself:

    axes = "x=next y=out"                  # as taught
    zero = [2.4995, -1.0011]               # what it says when plumb, degrees (from a reversal)
    doubts = { zero_u_deg = 0.002, floor_deg = 0.0008, cross_axis = 0.02 }

Every key is told in hardware_notes/README.md. A key that is not known is refused: a misspelt one would
otherwise be passed over in silence.
"""

from __future__ import annotations

import math
import struct
import tomllib
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, Literal

from shimfit.core.sensing.hold import SensorErrors
from shimfit.core.sensing.mounting import ENTERED_U_DEG, AxisMap, SensorZero, parse_axis_map
from shimfit.errors import EntryError, FileError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

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
_SEPARATORS = (",", ", ", ";", ":", "\t", "tab", "whitespace")
OF_THE_DEVICE = ("axes", "zero", "doubts")
"""Keys that tell of the one device rather than of its format; `wire.device` reads them."""
Kind = Literal["elevation", "tangent"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """What every description tells, and what follows from it."""

    kind: Kind = "elevation"
    flip: tuple[str, ...] = ()
    """Names whose sign is turned."""
    range_deg: float = DEFAULT_RANGE_DEG
    rate_hz: float | None = None
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

    x: tuple[str, ...] = ("PITCH", "PTCH", "TRIM")
    y: tuple[str, ...] = ("ROLL", "HEEL")
    checksum_required: bool = True


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
    separator: str = ","
    """A character, `whitespace` for any run of blanks, or `, ` for a comma that blanks may follow."""
    comment: str = "#"
    decimal: Literal[".", ","] = "."
    prefix: str = ""
    """A line without it is no data."""
    scale: float = 1.0
    """Worth of one count, in g (triple) or degrees (pair)."""

    @property
    def units(self) -> Mapping[str, str]:
        """Unit of each column that is used."""
        return {column.name: column.unit for column in self.columns}


FIELD_FORMS = {
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
    type: str = "int16"
    low_first: bool = False
    """Binary: the low byte comes first. Modbus: the low word does, its bytes high first as always."""
    scale: float = 1.0
    unit: str = "deg"

    @property
    def size(self) -> int:
        """Bytes that it takes up."""
        return struct.calcsize("=" + FIELD_FORMS[self.type])

    def number(self, data: bytes, *, words: bool = False) -> float:
        """Its scaled value from its bytes; `words`: what comes low first are words, not bytes."""
        if words and self.low_first:
            data = data[2:] + data[:2]
        order = "<" if self.low_first and not words else ">"
        raw: float = struct.unpack(order + FIELD_FORMS[self.type], data)[0]
        return raw * self.scale


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Modbus(_Frames):
    """A Modbus RTU device that is polled."""

    station: int = 1
    function: Literal[3, 4] = 3
    poll_s: float = 0.1
    timeout_s: float = 0.2
    framing: str = "8E1"
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
    check: str = "none"
    check_from: int = 0
    """First byte that the check counts in; it counts up to where it stands."""
    check_low_first: bool = False


Description = Xdr | Text | Modbus | Binary


def parse_description(text: str, path: str) -> Description:
    """Read a description; raises FileError naming the file and the key that is wrong."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"{path}: not a TOML file: {error}", path=path) from error
    keys = _Keys(table, path)
    for name in OF_THE_DEVICE:
        keys.take(name, None, object, "anything")
    form = keys.word("format", "text", ("text", "modbus", "xdr", "binary"))
    readers: dict[str, Callable[[_Keys], Description]] = {
        "text": _text,
        "modbus": _modbus,
        "xdr": _xdr,
        "binary": _binary,
    }
    description = readers[form](keys)
    keys.none_left()
    return description


class _Keys:
    """A TOML table that is emptied key by key, with refusals that name file and key."""

    def __init__(self, table: dict[str, Any], path: str, where: str = "") -> None:
        self._table = dict(table)
        self.path = path
        self._where = where

    def refuse(self, key: str, why: str) -> FileError:
        return FileError(f"{self.path}: `{self._where}{key}` {why}", path=self.path)

    def take(self, key: str, default: Any, kind: type | tuple[type, ...], what: str) -> Any:
        value = self._table.pop(key, default)
        if value is not default and (
            not isinstance(value, kind) or isinstance(value, bool) != (kind is bool)
        ):
            raise self.refuse(key, f"must be {what}, not {value!r}")
        return value

    def word(self, key: str, default: str, choices: tuple[str, ...]) -> Any:
        value = self.take(key, default, str, "text")
        if value not in choices:
            raise self.refuse(key, f"must be one of {', '.join(map(repr, choices))}, not {value!r}")
        return value

    def number(self, key: str, default: float | None, least: float, most: float) -> Any:
        value = self.take(key, default, (int, float), "a number")
        if value is not None and not least <= value <= most:
            raise self.refuse(key, f"must be between {least:g} and {most:g}, not {value:g}")
        return value

    def whole(self, key: str, default: int | None, least: int, most: int) -> Any:
        value = self.take(key, default, int, "a whole number")
        if value is not None and not least <= value <= most:
            raise self.refuse(key, f"must be between {least} and {most}, not {value}")
        return value

    def words(self, key: str, default: tuple[str, ...]) -> tuple[str, ...]:
        value = self.take(key, list(default), list, "a list of names")
        if not all(isinstance(name, str) and name.strip() for name in value):
            raise self.refuse(key, "must be a list of names")
        return tuple(value)

    def tables(self, key: str) -> list[_Keys]:
        value = self.take(key, [], list, "a list of tables")
        if not value or not all(isinstance(item, dict) for item in value):
            raise self.refuse(key, "must be a list of tables, one for each value")
        return [_Keys(item, self.path, f"{key}[{at}].") for at, item in enumerate(value)]

    def none_left(self) -> None:
        for key in self._table:
            raise self.refuse(key, "isn't a key of this format")


def _shared(keys: _Keys, measured: Sequence[Column | Field] = ()) -> dict[str, Any]:
    return {
        "kind": keys.word("kind", "elevation", ("elevation", "tangent")),
        "range_deg": keys.number("range_deg", DEFAULT_RANGE_DEG, 0.001, 89.0),
        "flip": _flip(keys, {each.name for each in measured}) if measured else (),
    }


def _paced(keys: _Keys) -> dict[str, Any]:
    return {
        "rate_hz": keys.number("rate_hz", None, 0.01, 100_000.0),
        "baud": keys.whole("baud", None, 50, 10_000_000),
    }


def _xdr(keys: _Keys) -> Xdr:
    plain = Xdr()
    return Xdr(
        x=keys.words("x", plain.x),
        y=keys.words("y", plain.y),
        checksum_required=keys.word("checksum", "required", ("required", "optional")) == "required",
        **_shared(keys),
        **_paced(keys),
    )


def _text(keys: _Keys) -> Text:
    separator = keys.word("separator", ",", _SEPARATORS).replace("tab", "\t")
    decimal = keys.word("decimal", ".", (".", ","))
    if decimal == "," and separator.startswith(","):
        raise keys.refuse("decimal", 'can\'t be "," where the separator is "," too')
    specs = keys.words("columns", ())
    labels = keys.take("labels", [], list, "a list of what stands before each number")
    if labels and not (len(labels) == len(specs) and all(isinstance(label, str) for label in labels)):
        raise keys.refuse("labels", 'must be one text for each column, "" where a number stands alone')
    columns = tuple(
        replace(_column(keys, at, spec), label=labels[at] if labels else "")
        for at, spec in enumerate(specs)
        if spec != "-"
    )
    _one_measure(keys, "columns", [column.name for column in columns])
    scale = keys.number("scale", None, -1e9, 1e9)
    if any(column.unit == "count" and column.name != "seq" for column in columns) != (scale is not None):
        raise keys.refuse("scale", 'goes with the unit "count": what one count is worth in g or degrees')
    return Text(
        columns=columns,
        count=len(specs),
        separator=separator,
        comment=keys.take("comment", "#", str, "text"),
        decimal=decimal,
        prefix=keys.take("prefix", "", str, "text"),
        scale=1.0 if scale is None else float(scale),
        **_shared(keys, columns),
        **_paced(keys),
    )


def _column(keys: _Keys, at: int, spec: str) -> Column:
    name, _, unit = spec.partition(":")
    return Column(at, name, _unit(keys, f"columns[{at}]", name, unit))


def _unit(keys: _Keys, key: str, name: str, unit: str) -> str:
    if name not in _UNITS:
        raise keys.refuse(key, f"names {name!r}; a name is one of {', '.join(_UNITS)}, or - to skip a column")
    if unit not in _UNITS[name]:
        raise keys.refuse(key, f"gives {name} in {unit!r}; its units are {', '.join(_UNITS[name])}")
    return unit


def _one_measure(keys: _Keys, key: str, names: list[str]) -> None:
    """Either x and y or ax, ay and az, each once."""
    for name in names:
        if names.count(name) > 1:
            raise keys.refuse(key, f"names {name} twice")
    measures = {name for name in names if name in (*PAIR, *TRIPLE)}
    if measures not in ({*PAIR}, {*TRIPLE}):
        raise keys.refuse(key, "must have either x and y, or ax, ay and az")


def _flip(keys: _Keys, names: set[str]) -> tuple[str, ...]:
    flip = keys.words("flip", ())
    for name in flip:
        if name not in names or name not in (*PAIR, *TRIPLE):
            raise keys.refuse("flip", f"names {name!r}, which is not measured here")
    return flip


def _modbus(keys: _Keys) -> Modbus:
    values = _values(keys, "address", ("int16", "uint16", "int32", "uint32", "float32"), 0, 65536)
    if max(v.at + v.size // 2 for v in values) - min(v.at for v in values) > 125:
        raise keys.refuse("values", "must lie within 125 registers, so that one request brings them all")
    poll_s = keys.number("poll_s", 0.1, 0.001, 60.0)
    return Modbus(
        values=values,
        station=keys.whole("station", 1, 1, 247),
        function=keys.whole("function", 3, 3, 4),
        poll_s=poll_s,
        rate_hz=1 / poll_s,
        timeout_s=keys.number("timeout_s", 0.2, 0.001, 60.0),
        framing=keys.word("framing", "8E1", ("8E1", "8N1", "8O1", "8N2")),
        baud=keys.whole("baud", 9600, 50, 10_000_000),
        **_shared(keys, values),
    )


def _binary(keys: _Keys) -> Binary:
    spelled = keys.take("header", "", str, "bytes in hex, like AA 55")
    try:
        header = bytes.fromhex(spelled)
    except ValueError:
        header = b""
    if not header:
        raise keys.refuse("header", 'must be the bytes that every frame begins with, in hex, like "AA 55"')
    length = keys.whole("length", 0, len(header) + 1, 1024)
    check = keys.word("check", "none", tuple(CHECKS))
    if check == "none" and len(header) < 2:
        raise keys.refuse("check", "is wanted where the header is a single byte: the data may hold it too")
    end = length - CHECKS[check]
    values = _values(keys, "offset", tuple(FIELD_FORMS), len(header), end)
    for value in values:
        if value.at + value.size > end:
            raise keys.refuse("values", f"need an offset that leaves {value.name} within the frame")
    return Binary(
        header=header,
        length=length,
        values=values,
        check=check,
        check_from=keys.whole("check_from", 0, 0, length - 1),
        check_low_first=keys.word("check_order", "high-first", _ORDERS) == "low-first",
        **_shared(keys, values),
        **_paced(keys),
    )


_ORDERS = ("high-first", "low-first")


def _values(keys: _Keys, place: str, types: tuple[str, ...], least: int, end: int) -> tuple[Field, ...]:
    """The values of a frame; `place` is the key that says where each stands, from `least` to before `end`."""
    values = []
    for table in keys.tables("values"):
        name = table.take("name", "", str, "text")
        value = Field(
            name=name,
            at=table.whole(place, -1, least, max(least, end - 1)),
            type=table.word("type", "int16", types),
            low_first=table.word("order", "high-first", _ORDERS) == "low-first",
            scale=float(table.number("scale", 1.0, -1e9, 1e9)),
            unit=_unit(table, "unit", name, table.take("unit", "deg", str, "text")),
        )
        table.none_left()
        if value.at < least:
            raise table.refuse(place, f"must say where {name} stands")
        values.append(value)
    _one_measure(keys, "values", [value.name for value in values])
    return tuple(values)


_ERROR_KEYS = tuple(each.name for each in fields(SensorErrors) if each.name != "zero_found")


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


def parse_device(text: str, path: str) -> Device:
    """Read a device's file; raises FileError naming the file and the key that is wrong."""
    description = parse_description(text, path)
    table = tomllib.loads(text)
    sensor_errors = table.get("doubts", {})
    return Device(
        description=description,
        axis_map=_axes(table.get("axes"), path),
        sensor_errors=_sensor_errors(sensor_errors, path),
        zero=_zero(table.get("zero"), sensor_errors.get("zero_u_deg"), path),
    )


def _axes(value: Any, path: str) -> AxisMap | None:
    if value is None:
        return None
    try:
        return parse_axis_map(value if isinstance(value, str) else repr(value))
    except EntryError as error:
        raise FileError(f"{path}: `axes`: {error.message}", path=path) from error


def _zero(value: Any, u_deg: Any, path: str) -> SensorZero | None:
    if value is None:
        if u_deg is not None:
            raise FileError(f"{path}: `doubts.zero_u_deg` goes with a `zero`, and there is none", path=path)
        return None
    if not (isinstance(value, list) and len(value) == 2 and all(_is_number(part) for part in value)):
        raise FileError(f"{path}: `zero` must be two numbers in degrees, such as [2.5, -1.0]", path=path)
    if not all(abs(part) <= DEFAULT_RANGE_DEG for part in value):
        raise FileError(f"{path}: `zero`: a sensor's zero is within {DEFAULT_RANGE_DEG:g} degrees", path=path)
    return SensorZero(float(value[0]), float(value[1]), ENTERED_U_DEG if u_deg is None else float(u_deg))


def _sensor_errors(value: Any, path: str) -> SensorErrors:
    if not isinstance(value, dict):
        raise FileError(f"{path}: `doubts` must be a table such as {{ floor_deg = 0.001 }}", path=path)
    for name, number in value.items():
        if name not in _ERROR_KEYS:
            raise FileError(
                f"{path}: `doubts.{name}` isn't a key; the keys are {', '.join(_ERROR_KEYS)}", path=path
            )
        if not (_is_number(number) and 0 <= number < DEFAULT_RANGE_DEG):
            raise FileError(f"{path}: `doubts.{name}` must be a number from 0 on, not {number!r}", path=path)
    known: dict[str, Any] = {name: float(number) for name, number in value.items()}
    return SensorErrors(**known)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)

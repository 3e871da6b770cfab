"""Values <-> JSON, from the values' own fields: what commands print, files hold and events keep.

The names are a contract (scripts and old data files rely on them): keys may be added, never renamed or
dropped. Lengths are millimetres with `_mm` in the key, slopes ratios, angles `_deg`. Reading back what was
written gives the same values, so an answer that was logged years ago is still an answer.

A type says what a value must be: a frozen dataclass (an object of its fields; what has a default may be left
out), `float`, `int` (0 or more), `str`, `bool`, `Literal`, an enum, `X | None`, `tuple[X, ...]`,
`tuple[X, Y]`, `Mapping[K, V]`, `Annotated` with bounds (`shimfit.model.Within`), or, where there is no class,
a dict of types by key in which `key?` may be left out. Other keys are passed over: a newer program adds some.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import MISSING, asdict, fields, is_dataclass
from enum import Enum
from functools import cache, partial
from itertools import repeat
from types import UnionType
from typing import (
    TYPE_CHECKING,
    Annotated,
    Any,
    Literal,
    NamedTuple,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

from shimfit.model import (
    FORMS,
    Chance,
    Change,
    Cost,
    Foot,
    Instrument,
    Lean,
    Lot,
    Pack,
    Piece,
    Positive,
    Prescription,
    Resting,
    Status,
    Tolerance,
    Within,
)

if TYPE_CHECKING:
    from shimfit.core.foot import GapPlane

Json = dict[str, Any]
Reader = Callable[[Any], Any] | None
_Value = TypeVar("_Value")

# ---------------------------------------------------------------- what a value must be


class Shape(NamedTuple):
    """What a type says of a value in JSON."""

    fault: Callable[[Any], str | None]
    """What is wrong, from the place on: ` must be text`, `.foot.along_mm is missing`; None: nothing."""
    read: Reader
    """The value from JSON without a fault; None: as it stands."""
    schema: Json
    """The same as JSON Schema (draft 2020-12)."""


def fault(type_: Any, value: Any) -> str | None:
    """What is wrong with a value in JSON, and where: `posts[3].height_mm is missing`; None: nothing."""
    wrong = shape(type_).fault(value)
    return None if wrong is None else wrong.lstrip(". ")


def from_json(type_: type[_Value], data: Any, **more: Any) -> _Value:
    """A value of a class from JSON without a fault; more: fields that the data does not hold."""
    given = {
        key: data[key] if reading is None else reading(data[key])
        for key, reading, null in _readers(type_)  # type: ignore[arg-type]  # any class can be hashed
        if key in data and not (null and data[key] is None)
    }
    return type_(**given, **more)


def read(type_: Any, data: Any) -> Any:
    """What JSON without a fault holds; of a dict of types, a dict of what is there."""
    reading = shape(type_).read
    return data if reading is None else reading(data)


def shape(type_: Any) -> Shape:
    """What a type says of its values."""
    if isinstance(type_, Shape):
        return type_
    return _object(type_) if isinstance(type_, dict) else _shape(type_)


@cache
def _shape(type_: Hashable) -> Shape:
    origin, args = get_origin(type_), get_args(type_)
    if origin is Annotated:
        return _text(args[1].must) if args[0] is str else _number(args[1])
    if origin is Literal:
        return _one_of(args)
    if origin in (Union, UnionType):
        return _or_null(shape(args[0]))
    if origin is tuple:
        return list_of(shape(args[0])) if args[-1] is ... else _tuple([shape(one) for one in args])
    if origin is Mapping:
        return _mapping(*map(shape, args))
    if isinstance(type_, type) and is_dataclass(type_):
        if own := _BESIDE_FIELDS.get(type_):
            return own()
        whole = _object(members(type_))._replace(read=partial(from_json, type_))
        return also(whole, _wrong_lot) if type_ is Lot else whole
    if isinstance(type_, type) and issubclass(type_, Enum):
        return _one_of([str(one.value) for one in type_], type_)
    return _PLAIN[type_]()


_MOST_BITS = 1024
"""What a float could hold; Python writes no number of many thousand digits."""


def _must(be: str, value: Any) -> str:
    kinds = {dict: "an object", list: "a list", tuple: "a list", type(None): "null"}
    too_long = isinstance(value, int) and value.bit_length() > _MOST_BITS
    shown = "a number of so many digits" if too_long else kinds.get(type(value)) or repr(value)
    return f" must be {be}, not {shown if len(shown) <= 40 else f'{shown[:37]}…'}"


def _number(within: Within) -> Shape:
    must, least, most, null = within
    plain = Within()

    def wrong(value: Any) -> str | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None if null and value is None else _must("a number", value)
        if least <= value <= most:  # nan compares false
            return None
        return _must(must if abs(value) <= plain.most else plain.must, value)

    schema: Json = {"type": ["number", "null"] if null else "number", "minimum": least, "maximum": most}
    return Shape(wrong, float, schema)


def _leaf(be: str, good: Callable[[Any], bool], schema: Json, reading: Reader = None) -> Shape:
    return Shape(lambda value: None if good(value) else _must(be, value), reading, schema)


def _text(must: str = "") -> Shape:
    if not must:
        return _leaf("text", lambda value: isinstance(value, str), {"type": "string"})
    schema = {"type": "string", "pattern": "\\S"}
    return _leaf(must, lambda value: isinstance(value, str) and bool(value.strip()), schema)


def _one_of(words: Sequence[str], make: Reader = None) -> Shape:
    known, be = frozenset(words), "one of " + ", ".join(words)
    return _leaf(be, lambda value: isinstance(value, str) and value in known, {"enum": list(words)}, make)


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**53


_COUNT: Json = {"type": "integer", "minimum": 0, "maximum": 2**53 - 1}
_PLAIN: dict[Any, Callable[[], Shape]] = {
    float: lambda: _number(Within()),
    int: lambda: _leaf("a whole number, 0 or more", _is_count, _COUNT),
    str: _text,
    bool: lambda: _leaf("true or false", lambda value: isinstance(value, bool), {"type": "boolean"}),
    Any: lambda: _leaf("", lambda _: True, {}),
}


def _or_null(one: Shape) -> Shape:
    wrong, reading, schema = one
    return Shape(
        lambda value: None if value is None else wrong(value),
        reading and (lambda value: None if value is None else reading(value)),
        {"anyOf": [schema, {"type": "null"}]},
    )


def list_of(item: Shape) -> Shape:
    """A list of what has this shape."""
    reading = tuple if item.read is None else lambda value: tuple(map(item.read, value))
    return Shape(_wrong_list(repeat(item)), reading, {"type": "array", "items": item.schema})


def _tuple(items: Sequence[Shape]) -> Shape:
    def reading(value: Any) -> tuple[Any, ...]:
        both = zip(items, value, strict=True)
        return tuple(one if item.read is None else item.read(one) for item, one in both)

    schema: Json = {"type": "array", "prefixItems": [item.schema for item in items], "minItems": len(items)}
    return Shape(_wrong_list(items, len(items)), reading, schema | {"items": False})


def _wrong_list(items: Iterable[Shape], length: int | None = None) -> Callable[[Any], str | None]:
    def wrong(value: Any) -> str | None:
        if not isinstance(value, list | tuple) or length not in (None, len(value)):
            return _must("a list" if length is None else f"a list of {length}", value)
        for at, (one, item) in enumerate(zip(value, items, strict=False)):
            if bad := item.fault(one):
                return f"[{at}]{bad}"
        return None

    return wrong


def _mapping(key: Shape, item: Shape) -> Shape:
    def wrong(value: Any) -> str | None:
        if not isinstance(value, Mapping):
            return _must("an object", value)
        for name, one in value.items():
            if key.fault(name):
                return f" has a key{key.fault(name)}"
            if bad := item.fault(one):
                return f".{name}{bad}"
        return None

    names = {"propertyNames": key.schema} if "enum" in key.schema else {}
    return Shape(wrong, None, {"type": "object", "additionalProperties": item.schema} | names)


def _object(by_key: Mapping[str, Any]) -> Shape:
    keys = [(key.rstrip("?"), shape(one), key[-1] != "?") for key, one in by_key.items()]
    needed_first = sorted(keys, key=lambda key: not key[2])

    def wrong(value: Any) -> str | None:
        if not isinstance(value, Mapping):
            return _must("an object", value)
        for key, one, is_needed in needed_first:
            if key in value:
                if bad := one.fault(value[key]):
                    return f".{key}{bad}"
            elif is_needed:
                return f".{key} is missing"
        return None

    readers = [(key, one.read) for key, one, _ in keys]

    def reading(value: Any) -> Json:
        return {key: one(value[key]) if one else value[key] for key, one in readers if key in value}

    required = [key for key, _, is_needed in keys if is_needed]
    schema: Json = {"type": "object", "properties": {key: one.schema for key, one, _ in needed_first}}
    return Shape(wrong, reading, schema | ({"required": required} if required else {}))


OF_THE_EVENT = frozenset({"by", "time", "event"})
"""Fields that the event itself says, not its data."""


@cache
def members(class_: Hashable) -> Mapping[str, Any]:
    """Types of a dataclass's fields by key, as in a dict of types."""
    assert isinstance(class_, type)
    assert is_dataclass(class_)
    hints = get_type_hints(class_, include_extras=True)
    own = [one for one in fields(class_) if one.name not in OF_THE_EVENT]
    needed = {one.name for one in own if one.default is one.default_factory is MISSING}
    return {one.name if one.name in needed else f"{one.name}?": hints[one.name] for one in own}


@cache
def _readers(class_: Hashable) -> list[tuple[str, Reader, bool]]:
    """Key, reader, and whether null stands for the default, of each field."""
    return [
        (
            key.rstrip("?"),
            shape(type_).read,
            any(isinstance(within, Within) and within.null for within in get_args(type_)),
        )
        for key, type_ in members(class_).items()
    ]


def also(one: Shape, wrong: Callable[[Any], str | None]) -> Shape:
    """A shape with one more thing that may be wrong."""
    return one._replace(fault=lambda value: one.fault(value) or wrong(value))


def _wrong_lot(row: Mapping[str, Any]) -> str | None:
    """Like pieces have the dimensions of their form."""
    form = FORMS[row["form"]]
    for key in form.needs:
        if row.get(key) is None:
            return f".{key} is missing: a {row['form']} has one"
    if form.use == "marked" and row["thin_mm"] >= row["thick_mm"]:
        return ".thin_mm must be less than thick_mm"
    return None


def _cost() -> Shape:
    amounts = _mapping(_text(), _number(Within()))

    def reading(value: Mapping[str, Any]) -> Cost:
        return Cost(float(value["total"]), tuple((k, float(v)) for k, v in value.items() if k != "total"))

    whole = also(amounts, lambda value: None if "total" in value else ".total is missing")
    return whole._replace(read=reading, schema=amounts.schema | {"required": ["total"]})


def _resting() -> Shape:
    slopes: Json = {"slope_along": float | None, "slope_across": float | None}
    limits = tuple[Lean, Lean] | None

    def reading(value: Mapping[str, Any]) -> Resting:
        lean = None if None in map(value.get, slopes) else Lean(*(float(value[key]) for key in slopes))
        ends = read(limits, value.get("limits"))
        return Resting(lean, float(value["rock_mm"]), float(value["tipping_arm"]), ends)

    keys = {"rock_mm": float, "tipping_arm": float, **slopes, "limits?": limits}
    return _object(keys)._replace(read=reading)


_BESIDE_FIELDS: dict[Any, Callable[[], Shape]] = {Cost: _cost, Resting: _resting}

# ---------------------------------------------------------------- values to JSON


def to_json(value: Any) -> Any:
    """A value as JSON: its fields but what its event says; a dimension that is not there is left out."""
    if isinstance(value, tuple):
        return [to_json(one) for one in value]
    if isinstance(value, Enum):
        return str(value.value)
    if not is_dataclass(value):
        return value
    data = {name: to_json(getattr(value, name)) for name, *_ in _readers(type(value))}  # type: ignore[arg-type]
    if isinstance(value, Piece):
        keys = ("lot", "form", "thickness_mm", *FORMS[value.form].piece_keys)
        keys = (*keys, "copy") if value.copy is not None else keys
        return {key: data[key] for key in keys}
    if isinstance(value, Lot | Change | Instrument):
        return {key: one for key, one in data.items() if one is not None}
    return data


def lean_to_json(lean: Lean | None, height_mm: float) -> Json:
    """Slopes and the displacement of the top at a height; all null where there is no one lean."""
    if lean is None:
        return dict.fromkeys(("slope_along", "slope_across", "top_along_mm", "top_across_mm"))
    top_along_mm, top_across_mm = lean.top_mm(height_mm)
    return to_json(lean) | {"top_along_mm": top_along_mm, "top_across_mm": top_across_mm}  # type: ignore[no-any-return]


def tolerance_to_json(tolerance: Tolerance, height_mm: float) -> Json:
    """Tolerance with what it allows at the top of a post."""
    return {"allowed_top_mm": tolerance.allowed_top_mm(height_mm), **to_json(tolerance)}


def resting_to_json(resting: Resting, height_mm: float) -> Json:
    """Predicted rest; when it rocks the lean is null and `limits` holds the two limit tilts."""
    out = lean_to_json(resting.lean, height_mm)
    out |= {"rock_mm": resting.rock_mm, "tipping_arm": resting.tipping_arm, "unique": resting.unique}
    if resting.limits is not None:
        out["limits"] = [lean_to_json(limit, height_mm) for limit in resting.limits]
    return out


# ---------------------------------------------------------------- the answer for one post

_POST = {
    "foot_along_mm": Positive,
    "foot_across_mm": Positive,
    "height_mm": Positive,
    **{key: type_ for key, type_ in members(Foot).items() if key[-1] == "?"},
}
ANSWER = shape(
    {
        "post": _POST,
        "lean": Lean,
        "tolerance": Tolerance,
        "packs": tuple[Pack, ...],
        "resting": Resting,
        "within": bool,
        "status": Status,
        "cost": Cost,
        "why?": str | None,
        "odds?": Chance | None,
        "layout?": str,
        "change?": tuple[Change, ...],
        "cautions?": tuple[str, ...],
        "take_up?": float,
        "scatter?": float,
        "saw_settings_deg?": tuple[float, ...],
    }
)
"""An answer as its event keeps it, and as `shimfit solve --json` prints it with what follows from it."""


def prescription_to_json(
    answer: Prescription, *, entry: str = "", understood: str = "", plane: GapPlane | None = None
) -> Json:
    """Answer in the form of `shimfit solve --json`, without the schema number.

    plane: gap plane of the lean that was read; without it pivot, gap_mm and edges are left out (events).
    """
    foot = answer.post
    post: Json = {
        "foot_along_mm": foot.along_mm,
        "foot_across_mm": foot.across_mm,
        "height_mm": answer.height_mm,
        "rod_hole_mm": foot.rod_hole_mm,
    }
    # Where the rod pulls, and a round foot, only where they say something.
    post |= {"round": True} if foot.round else {}
    post |= {"rod_at_mm": list(foot.rod_at_mm)} if foot.rod_at_mm != (0.0, 0.0) else {}
    gaps: Json = {}
    if plane is not None:
        gaps["pivot"] = None if plane.pivot is None else str(plane.pivot)
        gaps["gap_mm"] = {str(seat): gap_mm for seat, gap_mm in plane.seats_mm.items()}
        edges = {
            str(face): {"from": str(start), "from_mm": start_mm, "to": str(end), "to_mm": end_mm}
            for face, ends in plane.edges_mm.items()
            for (start, start_mm), (end, end_mm) in [ends.items()]
        }
        gaps |= {"edges": edges} if edges else {}
    return {
        "entry": entry,
        "understood": understood,
        "post": post,
        "lean": lean_to_json(answer.lean, answer.height_mm),
        **gaps,
        "packs": to_json(answer.packs),
        "change": to_json(answer.change),
        "resting": resting_to_json(answer.resting, answer.height_mm),
        "tolerance": tolerance_to_json(answer.tolerance, answer.height_mm),
        "within": answer.within,
        "status": answer.status,
        "why": answer.why,
        **chance_to_json(answer.chance if answer.packs else None),
        "layout": answer.layout,
        "cost": {"total": answer.cost.total, **dict(answer.cost.parts)},
        "cautions": list(answer.cautions),
        "take_up": answer.take_up,
        "scatter": answer.scatter,
        "saw_settings_deg": list(answer.saw_settings_deg),
    }


def chance_to_json(chance: Chance | None) -> Json:
    """What the next reading is likely to say of packs: `chance` that it is plumb, `odds` all of it."""
    return {"chance": chance and chance.plumb, "odds": chance and asdict(chance)}


def prescription_from_json(data: Mapping[str, Any]) -> Prescription:
    """Inverse of prescription_to_json; `fault(ANSWER, data)` has found nothing."""
    given = read(ANSWER, data)
    post, chance = given.pop("post"), given.pop("odds", None)
    sides_mm, height_mm = (post.pop("foot_along_mm"), post.pop("foot_across_mm")), post.pop("height_mm")
    return Prescription(post=Foot(*sides_mm, **post), height_mm=height_mm, chance=chance, **given)

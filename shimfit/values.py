"""`dataclass` that makes a class in an eighth of the time: eighty are made before the program's first paint.

The standard library compiles six functions for each frozen class. Five of them read the same for all and are
made here from the names of the fields; the constructor is compiled when the first value is made, since most
classes that a command loads it never uses. What a class does is the same.
"""

from __future__ import annotations

import dataclasses
from operator import attrgetter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from dataclasses import dataclass
else:

    def dataclass(cls: type | None = None, /, **how: Any) -> Any:
        """As dataclasses.dataclass, which an ordered, changeable or extended class is left to."""
        if cls is None:
            return lambda one: dataclass(one, **how)
        usual = how.get("frozen") and how.keys() <= {"frozen", "slots"}
        if not usual or any(map(dataclasses.is_dataclass, cls.__mro__)):
            return dataclasses.dataclass(cls, **how)
        del how["frozen"]
        own = vars(cls).keys() & {"__eq__", "__hash__", "__repr__"}
        made = dataclasses.dataclass(cls, init=False, eq=False, repr=False, **how)
        made.__dataclass_params__.frozen = True  # the library asks it of what a class of its own is built on
        pickled = _PICKLED if how.get("slots") else ()
        for method in (_first_init(made), *_methods(dataclasses.fields(made)), *_FROZEN, *pickled):
            if method.__name__ not in own:
                setattr(made, method.__name__, method)
        return made


def _first_init(cls: Any) -> Callable[..., None]:
    """A constructor that puts the compiled one in its place."""

    def __init__(self: Any, *values: Any, **named: Any) -> None:  # noqa: N807 - put into the class
        cls.__init__ = _init(cls)
        cls.__init__(self, *values, **named)

    return __init__


def _init(cls: Any) -> Callable[..., None]:
    """The constructor as the standard library writes it: each field is a parameter with its default."""
    taken, body = [], []
    known: dict[str, Any] = {"_set": object.__setattr__, "_none": dataclasses.MISSING}
    for one in dataclasses.fields(cls):
        value = one.name
        if not one.init:
            if one.default is not dataclasses.MISSING:
                known[f"_usual_{value}"] = one.default
                body.append(f"_set(self, {value!r}, _usual_{value})")
            continue
        if one.default_factory is not dataclasses.MISSING:
            known[f"_make_{value}"] = one.default_factory
            taken.append(f"{value}=_none")
            value = f"_make_{value}() if {value} is _none else {value}"
        elif one.default is not dataclasses.MISSING:
            known[f"_usual_{value}"] = one.default
            taken.append(f"{value}=_usual_{value}")
        else:
            taken.append(value)
        body.append(f"_set(self, {one.name!r}, {value})")
    if hasattr(cls, "__post_init__"):
        body.append("self.__post_init__()")
    exec(f"def __init__(self, {', '.join(taken)}):\n " + "\n ".join(body or ["pass"]), known)  # noqa: S102 - the fields of our own classes
    init: Callable[..., None] = known["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    return init


def _methods(fields: Sequence[dataclasses.Field[Any]]) -> tuple[Callable[..., Any], ...]:
    compared = _values([one.name for one in fields if one.compare])
    hashed = _values([one.name for one in fields if (one.compare if one.hash is None else one.hash)])
    shown = [one.name for one in fields if one.repr]

    def __eq__(self: Any, other: Any) -> bool:  # noqa: N807 - put into the class
        return compared(self) == compared(other) if other.__class__ is self.__class__ else NotImplemented

    def __hash__(self: Any) -> int:  # noqa: N807 - as above
        return hash(hashed(self))

    def __repr__(self: Any) -> str:  # noqa: N807 - as above
        listed = ", ".join(f"{name}={getattr(self, name)!r}" for name in shown)
        return f"{type(self).__qualname__}({listed})"

    return __eq__, __hash__, __repr__


def _values(names: list[str]) -> Callable[[Any], tuple[Any, ...]]:
    """What takes the values of some fields, as a tuple."""
    if len(names) > 1:
        return attrgetter(*names)
    return (lambda one: (getattr(one, names[0]),)) if names else (lambda _: ())


def __setattr__(_: Any, name: str, *__: Any) -> None:  # noqa: N807 - put into the class
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def __delattr__(_: Any, name: str) -> None:  # noqa: N807 - as above
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


def __getstate__(self: Any) -> list[Any]:  # noqa: N807 - as above
    return [getattr(self, one.name) for one in dataclasses.fields(self)]


def __setstate__(self: Any, state: list[Any]) -> None:  # noqa: N807 - as above
    for one, value in zip(dataclasses.fields(self), state, strict=True):
        object.__setattr__(self, one.name, value)


_FROZEN = (__setattr__, __delattr__)
_PICKLED = (__getstate__, __setstate__)
"""How a value with slots is copied and pickled: there is no dict to put its fields into."""
__all__ = ["dataclass"]

"""`dataclass` that makes a class in half the time: eighty are made before the program's first paint.

The standard library compiles six functions for each frozen class. Three of them read the same for all: equal,
hash and repr, made here from the names of the fields. What a class does is the same.
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
        """As dataclasses.dataclass, which a class that is ordered or can be changed is left to."""
        if cls is None:
            return lambda one: dataclass(one, **how)
        if not how.get("frozen") or how.keys() - {"frozen", "slots"}:
            return dataclasses.dataclass(cls, **how)
        own = vars(cls).keys() & {"__eq__", "__hash__", "__repr__"}
        made = dataclasses.dataclass(cls, eq=False, repr=False, **how)
        for method in _methods(dataclasses.fields(made)):
            if method.__name__ not in own:
                setattr(made, method.__name__, method)
        return made


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


__all__ = ["dataclass"]

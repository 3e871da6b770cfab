"""The program's own `dataclass` against the standard library's: the same classes, value by value."""

from __future__ import annotations

import copy
import dataclasses
import pickle

import pytest

from shimfit.values import dataclass


def made_by(decorate):
    @decorate(frozen=True, slots=True)
    class Some:
        name: str
        count: int = 1
        seen: list = dataclasses.field(default_factory=list, compare=False)
        hidden: int = dataclasses.field(default=0, repr=False)

    @decorate(frozen=True, slots=True)
    class One:
        only: tuple = ()

    @decorate(frozen=True)
    class Nothing:
        pass

    @decorate(frozen=True, slots=True)
    class Own:
        text: str

        def __eq__(self, other: object) -> bool:
            return isinstance(other, Own) and self.text.lower() == other.text.lower()

        def __hash__(self) -> int:
            return hash(self.text.lower())

    return Some, One, Nothing, Own


OURS, THEIRS = made_by(dataclass), made_by(dataclasses.dataclass)


@pytest.mark.parametrize("number", range(4))
def test_equal_hash_and_repr_are_the_librarys(number: int) -> None:
    ours, theirs = OURS[number], THEIRS[number]
    given = [
        [{"name": "a"}, {"name": "a", "count": 2}, {"name": "a", "seen": [1]}, {"name": "a", "hidden": 3}],
        [{"only": (1,)}, {"only": ()}],
        [{}],
        [{"text": "a"}, {"text": "A"}, {"text": "b"}],
    ][number]
    for one in given:
        mine, its = ours(**one), theirs(**one)
        assert repr(mine).replace("made_by.<locals>.", "") == repr(its).replace("made_by.<locals>.", "")
        assert hash(mine) == hash(its)
        assert [mine == ours(**other) for other in given] == [its == theirs(**other) for other in given]
        assert mine != its
        assert dataclasses.asdict(mine) == dataclasses.asdict(its)
        assert dataclasses.replace(mine) == mine == copy.copy(mine)
        with pytest.raises((dataclasses.FrozenInstanceError, TypeError)):
            mine.count = 7


@dataclass(frozen=True, slots=True)
class Kept:
    """At the top of a module, so that it can be pickled."""

    name: str
    more: tuple[int, ...] = ()


def test_what_can_be_changed_or_ordered_is_the_librarys_own() -> None:
    assert pickle.loads(pickle.dumps(Kept("a", (1,)))) == Kept("a", (1,))

    @dataclass(order=True, frozen=True)
    class Ordered:
        number: int

    @dataclass
    class Changed:
        number: int

    assert Ordered(1) < Ordered(2)
    changed = Changed(1)
    changed.number = 2
    assert changed == Changed(2)
    with pytest.raises(TypeError):
        hash(changed)


@pytest.mark.parametrize("decorate", [dataclass, dataclasses.dataclass])
def test_a_class_may_be_built_on_one(decorate) -> None:
    @decorate(frozen=True, slots=True)
    class Longer(Kept):
        last: int = 0

    assert Longer("a", (1,), 2) == dataclasses.replace(Longer("a", (1,)), last=2)
    assert repr(Longer("a")).endswith("Longer(name='a', more=(), last=0)")
    with pytest.raises(dataclasses.FrozenInstanceError):
        Longer("a").last = 3


def test_a_field_that_is_worked_out_is_no_parameter() -> None:
    @dataclass(frozen=True, slots=True)
    class Sum:
        parts: tuple[int, ...]
        total: int = dataclasses.field(init=False, compare=False)
        seen: bool = dataclasses.field(default=False, init=False)

        def __post_init__(self) -> None:
            object.__setattr__(self, "total", sum(self.parts))

    assert (Sum((1, 2)).total, Sum((1, 2)).seen) == (3, False)
    with pytest.raises(TypeError):
        Sum((1, 2), 3)
    assert dataclasses.replace(Sum((1, 2)), parts=(4,)).total == 4

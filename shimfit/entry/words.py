"""The words of the entry line, each with the one thing that it means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Literal, TypeAlias

from shimfit.entry.settings import EntrySettings
from shimfit.model import Face
from shimfit.quantities.typed import UNIT_WORDS

Kind: TypeAlias = Literal[
    "number", "unit", "ratio", "minutes", "seconds", "sign", "qualifier", "face", "plumb", "over", "height",
    "comma", "bubble", "unfinished", "unknown",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a word stands for."""

    kind: Kind
    value: str


ARROWS: dict[str, Face] = {
    ">": Face.NEXT,
    "→": Face.NEXT,
    "<": Face.PREV,
    "←": Face.PREV,
    "^": Face.OUT,
    "↑": Face.OUT,
    "↓": Face.HOUSE,
}
"""As the plan is drawn: next to the right, out at the top. The typed arrow down, v, is a word below."""
FILLERS = frozenset(("top", "leans", "lean", "towards", "toward", "to", "and", "the"))
"""Said, and of no weight: only as a word by itself."""
_FIXED: dict[str, Meaning] = {
    **{word: Meaning("unit", unit) for word, unit in UNIT_WORDS.items()},
    **dict.fromkeys(("d", "deg", "degree", "degrees"), Meaning("unit", "deg")),
    **dict.fromkeys(("min", "minute", "minutes"), Meaning("minutes", "'")),
    **dict.fromkeys(("s", "strong", "heavy", "full"), Meaning("qualifier", "strong")),
    **dict.fromkeys(("shy", "scant", "light"), Meaning("qualifier", "shy")),
    **dict.fromkeys(("plumb", "ok", "okay"), Meaning("plumb", "plumb")),
    **dict.fromkeys(("over", "per"), Meaning("over", "over")),
    "height": Meaning("height", "height"),
    **dict.fromkeys(("bubble", "bubbles", "vial"), Meaning("bubble", "bubble")),
    **dict.fromkeys(("i", "inboard"), Meaning("face", "inboard")),
    "previous": Meaning("face", Face.PREV),
    "outboard": Meaning("face", Face.OUT),
    "v": Meaning("face", Face.HOUSE),
}


def vocabulary(settings: EntrySettings) -> Mapping[str, Meaning]:
    """Every word and letter of this run, in lower case. The run's own names and letters win."""
    return _vocabulary(*settings.spoken)


@lru_cache(maxsize=16)
def _vocabulary(names: tuple[str, ...], letters: tuple[str, ...]) -> Mapping[str, Meaning]:
    own = {
        word: Meaning("face", face)
        for words in (names, letters)
        for word, face in zip(words, Face, strict=True)
    }
    plain = {face.value: Meaning("face", face) for face in Face}
    return MappingProxyType({**plain, **_FIXED, **own})


def split_run(run: str, known: Mapping[str, Meaning]) -> list[str] | None:
    """The words that a run of letters is made of, the longest first; None when it is not made of words.

    `mmn` is `mm` and `n`; `sn` is `s` and `n`; `next` is one word.
    """
    if run in known:
        return [run]
    if len(run) > 40:
        return None
    return _split(run, 0, known, set())


def _split(run: str, start: int, known: Mapping[str, Meaning], dead: set[int]) -> list[str] | None:
    """Depth first with the dead ends remembered, so that no run takes long."""
    if start == len(run):
        return []
    if start in dead:
        return None
    for end in range(len(run), start, -1):
        if run[start:end] in known:
            rest = _split(run, end, known, dead)
            if rest is not None:
                return [run[start:end], *rest]
    dead.add(start)
    return None


def growths(run: str, settings: EntrySettings) -> list[str]:
    """What may be typed behind a run of letters to end a word in it: `sh` may become `shy`, so `y`."""
    found = {word[len(run) :] for word in FILLERS if word.startswith(run)}
    known, initials = vocabulary(settings), _initials(*settings.spoken)
    for cut in range(len(run) if len(run) <= 40 else 0):
        tail = run[cut:]
        endings = [word[len(tail) :] for word in initials.get(tail[0], ()) if word.startswith(tail)]
        if endings and _split(run[:cut], 0, known, set()) is not None:
            found.update(endings)
    return sorted(found - {""}, key=len)


@lru_cache(maxsize=16)
def _initials(names: tuple[str, ...], letters: tuple[str, ...]) -> dict[str, list[str]]:
    """The words by their first letter."""
    index: dict[str, list[str]] = {}
    for word in _vocabulary(names, letters):
        index.setdefault(word[0], []).append(word)
    return index

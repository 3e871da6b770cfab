"""From characters to tokens: the words and marks of the entry line, each with its place."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Literal, TypeAlias

from shimfit.entry.result import EntrySettings
from shimfit.model import Face
from shimfit.quantities.typed import (
    FEET_MARKS,
    INCH_MARKS,
    MINUS_MARKS,
    UNIT_WORDS,
    Fault,
    Number,
    mend,
    scan_number,
)
from shimfit.values import dataclass

Kind: TypeAlias = Literal[
    "number", "unit", "ratio", "minutes", "seconds", "sign", "qualifier", "face", "plumb", "over", "height",
    "comma", "bubble", "unfinished", "unknown",
]  # fmt: skip


Meaning: TypeAlias = tuple[Kind, str]
"""What a word or a mark stands for."""
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
_WORDS: dict[str, Meaning] = {
    **{word: ("unit", unit) for word, unit in UNIT_WORDS.items()},
    **dict.fromkeys(("d", "deg", "degree", "degrees"), ("unit", "deg")),
    **dict.fromkeys(("min", "minute", "minutes"), ("minutes", "'")),
    **dict.fromkeys(("s", "strong", "heavy", "full"), ("qualifier", "strong")),
    **dict.fromkeys(("shy", "scant", "light"), ("qualifier", "shy")),
    **dict.fromkeys(("plumb", "ok", "okay"), ("plumb", "plumb")),
    **dict.fromkeys(("over", "per"), ("over", "over")),
    "height": ("height", "height"),
    **dict.fromkeys(("bubble", "bubbles", "vial"), ("bubble", "bubble")),
    **dict.fromkeys(("i", "inboard"), ("face", "inboard")),
    "previous": ("face", Face.PREV),
    "outboard": ("face", Face.OUT),
    "v": ("face", Face.HOUSE),
}
_MARKS: dict[str, Meaning] = {
    **{mark: ("face", face) for mark, face in ARROWS.items()},
    **dict.fromkeys(FEET_MARKS, ("unit", "ft")),
    **dict.fromkeys(INCH_MARKS, ("unit", "in")),
    **dict.fromkeys("°º", ("unit", "deg")),
    "@": ("over", "@"),
    "+": ("sign", "strong"),
    **dict.fromkeys(MINUS_MARKS, ("sign", "shy")),
    **dict.fromkeys(",;", ("comma", ",")),
}


@lru_cache(maxsize=16)
def _vocabulary(
    key: tuple[tuple[str, ...], tuple[str, ...]],
) -> tuple[Mapping[str, Meaning], dict[str, list[str]]]:
    """Every word and letter of a run in lower case, its own names winning; and all by first letter."""
    own: dict[str, Meaning] = {
        word: ("face", face) for words in key for word, face in zip(words, Face, strict=True)
    }
    plain: dict[str, Meaning] = {face.value: ("face", face) for face in Face}
    known = {**plain, **_WORDS, **own}
    initials: dict[str, list[str]] = {}
    for word in known:
        initials.setdefault(word[0], []).append(word)
    return MappingProxyType(known), initials


_LONGEST_RUN = 40
"""Letters in a row beyond which nobody meant words."""


def _split(run: str, start: int, known: Mapping[str, Meaning], dead: set[int]) -> list[str] | None:
    """The words that a run of letters is made of, the longest first; None when it is not made of words.

    `mmn` is `mm` and `n`; `sn` is `s` and `n`; `next` is one word. Depth first with the dead ends remembered,
    so that no run takes long.
    """
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
    known, initials = _vocabulary(settings.vocabulary_key)
    for cut in range(len(run) if len(run) <= _LONGEST_RUN else 0):
        tail = run[cut:]
        endings = [word[len(tail) :] for word in initials.get(tail[0], ()) if word.startswith(tail)]
        if endings and _split(run[:cut], 0, known, set()) is not None:
            found.update(endings)
    return sorted(found - {""}, key=len)


# ---------------------------------------------------------------- tokens


@dataclass(frozen=True, slots=True)
class Token:
    """One thing that was typed."""

    kind: Kind
    value: str
    """What it stands for: a unit, a face, strong or shy; of unknown and unfinished the reason."""
    start: int
    end: int
    number: Number | None = None
    meant: str | None = None
    """Of a token that can't be read: the whole text as it was probably meant."""


_RUN = re.compile(r"[^\W\d_]+")
_RATIO = re.compile(
    r"(?P<top>mm|cm|inches|inch|in|[\"″”])\s*(?:/\s*|\bper\s+)"
    r"(?P<bottom>metre|meter|m(?!m)|foot|ft|['′’])"
)
_HALF_RATIO = re.compile(r"(?:mm|cm|inches|inch|in|[\"″”])\s*(?:/|\bper\b)\s*[a-z]{0,4}$")
_RATIO_NAMES = {("mm", "m"): "mm/m", ("cm", "m"): "cm/m", ("in", "ft"): "in/ft"}
_RATIO_BEGINS = 'mci"″”'
_ARROW_HEADS = re.compile(r"[-=]>|<[-=]")


def lower(text: str) -> str:
    """Lower case of the same length, so that positions stay."""
    low = text.lower()
    return low if len(low) == len(text) else "".join(c.lower() if len(c.lower()) == 1 else c for c in text)


def tokenise(text: str, settings: EntrySettings) -> list[Token]:
    """All tokens of the text. Never fails: what can't be read is a token that says why."""
    reader = _Tokeniser(text, settings)
    while reader.pos < len(text):
        if text[reader.pos].isspace():
            reader.pos += 1
        else:
            reader.read_one()
    return reader.out


class _Tokeniser:
    def __init__(self, text: str, settings: EntrySettings) -> None:
        self.text = text
        self.low = lower(text)
        self.settings = settings
        self.known, _ = _vocabulary(settings.vocabulary_key)
        self.pos = 0
        self.out: list[Token] = []

    def _add(self, kind: Kind, value: str, end: int, number: Number | None = None) -> None:
        self.out.append(Token(kind, value, self.pos, end, number))
        self.pos = end

    def _bad(
        self, reason: str, at: int, end: int, *, is_open: bool = False, meant: str | None = None
    ) -> None:
        """An unreadable token: at the very end of the text it may only be unfinished."""
        kind: Kind = "unfinished" if is_open and end == len(self.text) else "unknown"
        self.out.append(Token(kind, reason, at, end, meant=meant))
        self.pos = max(end, self.pos + 1)

    def read_one(self) -> None:
        low, pos = self.low, self.pos
        number = scan_number(low, pos)
        if isinstance(number, Number):
            self._add("number", "", number.end, number)
        elif isinstance(number, Fault):
            self._bad(number.reason, number.at, number.end, is_open=number.open, meant=self._mended(number))
        elif low[pos] in _RATIO_BEGINS and self._ratio():
            pass
        elif low[pos] in "-=<" and (match := _ARROW_HEADS.match(low, pos)):
            self._arrow_head(match)
        elif low[pos] in FEET_MARKS and low[pos + 1 : pos + 2] in (*FEET_MARKS,):
            self._add("unit", "in", pos + 2)
        elif meaning := _MARKS.get(low[pos]):
            self._add(*meaning, pos + 1)
        elif match := _RUN.match(low, pos):
            self._run(match[0])
        else:
            mark = low[pos]
            seen = f"{mark!r} means nothing here" if mark.isprintable() else "a character that can't be seen"
            self._bad(seen, pos, pos + 1)

    def _mended(self, fault: Fault) -> str | None:
        """The whole text as meant: a 0 behind a tape fraction was the letter o, a 1 an l."""
        letters = self.settings.all_letters.values()
        slip = {"0": "o", "1": "l"}.get(self.text[fault.end - 1])
        instead = fault.instead
        if instead is not None and "/" in instead and self.text.startswith(instead, self.pos):
            instead = f"{instead}{slip}" if slip in letters else None
        return mend(self.text, self.pos, Fault("", 0, fault.end, instead)) if instead else None

    def _ratio(self) -> bool:
        """Take `mm/m` and its kin as one token; False when there is none here."""
        match = _RATIO.match(self.low, self.pos)
        if match is None:
            half = _HALF_RATIO.match(self.low, self.pos)
            if half is not None:
                end = half.end()
                self._bad(f"{half[0]}: in what length? mm/m or in/ft", end, end, is_open=True)
            return half is not None
        top = "in" if match["top"][0] in 'i"″”' else match["top"]
        bottom = "m" if match["bottom"][0] == "m" else "ft"
        name = _RATIO_NAMES.get((top, bottom))
        if name is None:
            reason = f"{top} per {bottom} mixes the systems: mm/m or in/ft"
            self._bad(reason, match.start("bottom"), match.end())
        else:
            self._add("ratio", name, match.end())
        return True

    def _arrow_head(self, match: re.Match[str]) -> None:
        arrow = match[0].strip("-=")
        meant = self.text[: match.start()] + arrow + self.text[match.end() :]
        reason = f"{match[0]} is shy and an arrow in one: type {arrow} for the direction, or the word shy"
        self._bad(reason, match.start(), match.end(), meant=meant)

    def _run(self, run: str) -> None:
        end = self.pos + len(run)
        if run in FILLERS and run not in self.known:
            self.pos = end
            return
        short = len(run) <= _LONGEST_RUN or run in self.known
        words = _split(run, 0, self.known, set()) if short else None
        if words is None:
            example = "" if self.out else "; a lean is typed like 6n10h or 1/4n3/8h"
            self._bad(f"{self.text[self.pos : end][:20]!r} isn't understood here{example}", self.pos, end)
            return
        for word in words:
            self._add(*self.known[word], self.pos + len(word))

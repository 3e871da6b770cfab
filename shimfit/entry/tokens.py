"""From characters to tokens: numbers, units, signs, faces and words, each with its place in the text."""

from __future__ import annotations

import re
from dataclasses import dataclass

from shimfit.entry.settings import EntrySettings
from shimfit.entry.words import ARROWS, FILLERS, Kind, split_run, vocabulary
from shimfit.quantities.typed import (
    FEET_MARKS,
    INCH_MARKS,
    MINUS_MARKS,
    Fault,
    Number,
    mend,
    scan_number,
)


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
    return _Tokeniser(text, settings).all()


class _Tokeniser:
    def __init__(self, text: str, settings: EntrySettings) -> None:
        self.text = text
        self.low = lower(text)
        self.settings = settings
        self.known = vocabulary(settings)
        self.pos = 0
        self.out: list[Token] = []

    def all(self) -> list[Token]:
        while self.pos < len(self.text):
            if self.text[self.pos].isspace():
                self.pos += 1
            else:
                self._one()
        return self.out

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

    def _one(self) -> None:
        low, pos = self.low, self.pos
        number = scan_number(low, pos, self.settings.denominators)
        if isinstance(number, Number):
            self._add("number", "", number.end, number)
        elif isinstance(number, Fault):
            self._bad(number.reason, number.at, number.end, is_open=number.open, meant=self._mended(number))
        elif low[pos] in _RATIO_BEGINS and self._ratio():
            pass
        elif low[pos] in "-=<" and (match := _ARROW_HEADS.match(low, pos)):
            self._arrow_head(match)
        elif low[pos] in ARROWS:
            self._add("face", ARROWS[low[pos]], pos + 1)
        elif match := _RUN.match(low, pos):
            self._run(match[0])
        else:
            self._mark(low[pos])

    def _mark(self, mark: str) -> None:
        pos = self.pos
        if mark in FEET_MARKS and self.text[pos + 1 : pos + 2] in (*FEET_MARKS,):
            self._add("unit", "in", pos + 2)
        elif mark in FEET_MARKS:
            self._add("unit", "ft", pos + 1)
        elif mark in INCH_MARKS:
            self._add("unit", "in", pos + 1)
        elif mark in "°º":
            self._add("unit", "deg", pos + 1)
        elif mark == "@":
            self._add("over", "@", pos + 1)
        elif mark == "+":
            self._add("sign", "strong", pos + 1)
        elif mark in MINUS_MARKS:
            self._add("sign", "shy", pos + 1)
        elif mark in ",;":
            self._add("comma", mark, pos + 1)
        else:
            reason = (
                f"{mark!r} means nothing here" if mark.isprintable() else "a character that can't be seen"
            )
            self._bad(reason, pos, pos + 1)

    def _mended(self, fault: Fault) -> str | None:
        """The whole text as meant: a nought behind a tape fraction was the letter o, a one an l."""
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
        words = split_run(run, self.known)
        if words is None:
            example = "" if self.out else "; a lean is typed like 6n10h or 1/4n3/8h"
            self._bad(f"{self.text[self.pos : end][:20]!r} is no word of this line{example}", self.pos, end)
            return
        for word in words:
            meaning = self.known[word]
            self._add(meaning.kind, meaning.value, self.pos + len(word))

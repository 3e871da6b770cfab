"""A place in the tokens of an entry, and the two ways to stop there: refuse, or wait for more."""

from __future__ import annotations

from typing import NoReturn

from shimfit.entry.result import Incomplete, Refused
from shimfit.entry.settings import EntrySettings
from shimfit.entry.tokens import Token, tokenise
from shimfit.model import Face


class Halt(Exception):  # noqa: N818  # it ends the parse with a result, and never leaves this room
    """Carries the result that the parse ends with."""

    def __init__(self, result: Incomplete | Refused) -> None:
        super().__init__(result)
        self.result = result


class Cursor:
    """Tokens of one entry, read from left to right."""

    def __init__(self, text: str, settings: EntrySettings) -> None:
        self.text = text
        self.settings = settings
        self.tokens = tokenise(text, settings)
        self.index = 0

    @property
    def token(self) -> Token | None:
        """The token that is read next; None at the end."""
        return self.peek(0)

    def peek(self, ahead: int) -> Token | None:
        """The token that many places further on; None beyond the end."""
        index = self.index + ahead
        return self.tokens[index] if index < len(self.tokens) else None

    def take(self) -> Token:
        """The next token, and move past it."""
        token = self.tokens[self.index]
        self.index += 1
        return token

    def next_is(self, *kinds: str, ahead: int = 0) -> bool:
        """True when the next token (or one further on) is of one of these kinds."""
        token = self.peek(ahead)
        return token is not None and token.kind in kinds

    def said(self, token: Token) -> str:
        """The token as it was typed."""
        return self.text[token.start : token.end]

    def refuse(self, reason: str, at: int, meant: str | None = None) -> NoReturn:
        """End the parse: this can't be meant."""
        raise Halt(Refused(self.text, reason, at, meant))

    def wait(self, reason: str, at: int | None = None, meant: str | None = None) -> NoReturn:
        """End the parse: it may become good when more is typed."""
        raise Halt(Incomplete(self.text, reason, len(self.text) if at is None else at, meant))

    def stop_at_bad(self) -> None:
        """End the parse where the next token can't be read."""
        token = self.token
        if token is not None and token.kind in ("unknown", "unfinished"):
            stop = self.wait if token.kind == "unfinished" else self.refuse
            stop(token.value, token.start, token.meant)

    @property
    def ways(self) -> str:
        """The four letters, as a question offers them: `n p o h`."""
        return " ".join(self.settings.all_letters.values())

    @property
    def example(self) -> str:
        """An entry in this run's units and letters."""
        letters = self.settings.all_letters
        n, h = letters[Face.NEXT], letters[Face.HOUSE]
        return f"1/4{n}3/8{h}" if self.settings.units == "inch" else f"6mm{n}10mm{h}"

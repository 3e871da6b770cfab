"""What the grammar needs to know about the run, the tape and the level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from shimfit.errors import UsageError
from shimfit.model import Face
from shimfit.quantities.typed import TAPE_DENOMINATORS, Units

DEFAULT_NAMES: Mapping[str, str] = {face.value: face.value for face in Face}
DEFAULT_LETTERS: Mapping[str, str] = {"next": "n", "prev": "p", "out": "o", "house": "h"}
TAKEN_LETTERS = "dms"
"""d is degrees, m begins mm, s is strong: no face may be one of these letters."""


@dataclass(frozen=True, slots=True)
class EntrySettings:
    """Settings of the entry line. Raises UsageError when names or letters of faces can't be told apart."""

    units: Units = "mm"
    """Unit of a bare number; a bare fraction is inches whatever stands here."""
    denominators: tuple[int, ...] = TAPE_DENOMINATORS
    """Lower numbers of fractions that are accepted."""
    graduation_in: Fraction = Fraction(1, 16)
    """Finest marks of the inch tape; strong and shy are a quarter of it."""
    graduation_mm: Fraction = Fraction(1)
    """Finest marks of the metric tape."""
    gauge_mm: float | None = None
    """Standing gauge length: the level that offsets are read over; None = over the reading height."""
    along_post: bool = False
    """True: a straightedge lies along the post, so that offset ÷ gauge length is a sine."""
    faces: Mapping[str, str] = field(default_factory=lambda: dict(DEFAULT_NAMES))
    """Names of the four faces in this run, by next, prev, out, house."""
    letters: Mapping[str, str] | None = None
    """Letters of the four faces; None = n p o h, or of a renamed face the first letter that is free."""
    max_lean_mm: float = 50.8
    """More than this (2 in) is refused as a slip."""
    max_lean_deg: float = 3.0

    all_letters: Mapping[Face, str] = field(init=False, repr=False, compare=False)
    """The four letters. A renamed face takes its first letter when no other meaning has it."""

    spoken: tuple[tuple[str, ...], tuple[str, ...]] = field(init=False, repr=False, compare=False)
    """Names and letters in lower case, in the order of Face: what the words of this run depend on."""

    def __post_init__(self) -> None:
        self._check_names()
        object.__setattr__(self, "all_letters", self._find_letters())
        self._check_letters()
        names = tuple(self.name(face).lower() for face in Face)
        object.__setattr__(self, "spoken", (names, tuple(self.all_letters[face] for face in Face)))

    def name(self, face: Face) -> str:
        """What this run calls the face."""
        return self.faces.get(face, face.value)

    def letter(self, face: Face) -> str:
        """The one letter that stands for the face."""
        return self.all_letters[face]

    def _find_letters(self) -> dict[Face, str]:
        if self.letters is not None:
            return {face: self.letters.get(face, DEFAULT_LETTERS[face]).lower() for face in Face}
        kept = {face: DEFAULT_LETTERS[face] for face in Face if self.name(face) == face.value}
        for face in (face for face in Face if face not in kept):
            wanted = (self.name(face)[0].lower(), DEFAULT_LETTERS[face], *self.name(face).lower())
            taken = {*kept.values(), *TAKEN_LETTERS, "v", "i"}
            kept[face] = next((c for c in wanted if c not in taken), DEFAULT_LETTERS[face])
        return {face: kept[face] for face in Face}

    def _check_names(self) -> None:
        names = [self.name(face).lower() for face in Face]
        if len(set(names)) < 4:
            raise UsageError(f"two faces have one name ({' '.join(names)}): give each its own")
        for name in names:
            if len(name) < 2 or not name.isalpha():
                raise UsageError(f"a face's name is one word of letters, not {name!r}")

    def _check_letters(self) -> None:
        letters = list(self.all_letters.values())
        if len(set(letters)) < 4:
            raise UsageError(f"two faces have one letter ({' '.join(letters)}): give each its own")
        for letter in letters:
            if len(letter) != 1 or not letter.isalpha() or letter in TAKEN_LETTERS:
                raise UsageError(f"{letter!r} can't stand for a face: one letter, not one of d m s")

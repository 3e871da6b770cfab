"""100,000 random and mutated entries: nothing crashes, no number without a direction, no NaN, and whatever
is understood is typed back to the same value."""

from __future__ import annotations

import math
import os
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimfit.entry import EntrySettings, Incomplete, Refused, Understood, parse_entry
from shimfit.entry.tokens import tokenise
from tests.referee.typed_again import typed_again

SETTINGS = (
    EntrySettings(units="inch"),
    EntrySettings(units="mm"),
    EntrySettings(units="inch", gauge_mm=1219.2),
    EntrySettings(faces={"next": "lake", "prev": "hill", "out": "street", "house": "garden"}),
)
WORDS = (
    "mm in ft m cm next prev out house strong shy over per plumb ok mm/m in/ft height min inboard",
    "lake street 1/4 3/8 0.6 6 10 bubble",
)
PIECES = (
    *"0123456789/. -+,;@'\"°npohisdv<>^½→↓x",
    *(word for line in WORDS for word in line.split()),
    "1 1/4",
    *"e\x00٣é𝟛ßİ−′",
)
GOOD = (
    *("1/4n3/8h", "1 1/4n3/8h", "1/4+n3/8-h", "6mmn10mmh", ".25n.375h", ".6dn.8do", "3/16n1/8o@4'", "plumb"),
    *("0 0", "1/4n0", "0°36'n0°20'30\"o", "2mm/mn3mm/mo", "n1/4h3/8", "@4'6\""),
    "strong 1/4 next, shy 3/8 house over 48in",
)


def _signed(part):
    """Exact amount, positive towards next or out."""
    return part and part.value * part.face.sign


def check(text, entry_settings):
    parsed = parse_entry(text, entry_settings)
    assert isinstance(parsed, Incomplete | Understood | Refused)
    if not isinstance(parsed, Understood):
        assert parsed.reason
        assert 0 <= parsed.at <= len(text)
        return False
    assert parsed.text == text
    typed = [token.number.value for token in tokenise(text, entry_settings) if token.number is not None]
    along, across = parsed.slopes(900.0)
    if parsed.is_gauge_only:
        assert (along, across) == (None, None)
    else:
        # a number that is not 0 is in one of the two directions, or in the length that it was read over
        parts = [part for part in (parsed.along, parsed.across) if part is not None]
        assert parts
        room = len(parts) + (2 if parsed.over is not None else 0) + 4 * sum(p.unit == "deg" for p in parts)
        assert len([value for value in typed if value]) <= room
        assert all(slope is None or math.isfinite(slope) for slope in (along, across))
        assert all(a is None or (math.isfinite(a) and a > 0) for a in parsed.resolution_slope(900.0))
    again = parse_entry(typed_again(parsed), entry_settings)
    assert isinstance(again, Understood), (text, typed_again(parsed), again)
    assert _signed(again.along) == _signed(parsed.along)
    assert _signed(again.across) == _signed(parsed.across)
    assert again.slopes(900.0) == (along, across)
    assert again.over_mm == parsed.over_mm
    assert typed_again(again) == typed_again(parsed)
    assert parsed.words
    return True


def random_text(rng):
    return "".join(rng.choice(PIECES) for _ in range(rng.randint(0, 9)))


def mutated_text(rng):
    text = list(rng.choice(GOOD))
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(text) + 1)
        match rng.randrange(4):
            case 0:
                text[at:at] = rng.choice(PIECES)
            case 1:
                del text[at : at + 1]
            case 2:
                text[at : at + 1] = rng.choice(PIECES)
            case _:
                text[at:at] = text[max(0, at - 2) : at]
    return "".join(text)


ENTRIES = int(os.environ.get("SHIMFIT_ENTRIES", "20000"))
"""How many random entries: a hundred thousand when the grammar was changed."""


@pytest.mark.parametrize("generator", range(4))
def test_many_thousand_entries(generator):
    """In four parts, so that they can run side by side."""
    rng = random.Random(20 + generator)
    counted = 0
    for _ in range(ENTRIES // 8):
        counted += check(random_text(rng), rng.choice(SETTINGS))
        counted += check(mutated_text(rng), rng.choice(SETTINGS))
    assert counted > ENTRIES // 140  # enough of them are understood for the round trip to mean something


@given(st.text(max_size=40), st.sampled_from(SETTINGS))
@settings(max_examples=400, deadline=None)
def test_any_text_at_all(text, entry_settings):
    check(text, entry_settings)


@given(st.lists(st.sampled_from(PIECES), max_size=12), st.sampled_from(SETTINGS))
@settings(max_examples=600, deadline=None)
def test_pieces_of_the_grammar_in_any_order(pieces, entry_settings):
    check("".join(pieces), entry_settings)


def test_long_texts_take_no_long_time():
    for text in ("1" * 100_000, "n" * 10_000, "sn" * 5_000, "/" * 10_000, "1/" * 5_000, "mmm" * 3_000 + "q"):
        assert not isinstance(parse_entry(text, SETTINGS[0]), Understood)

"""Bytes to lines: the rules of the wire, cut in every way."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimfit.wire.lines import LONGEST, LineFramer
from shimfit.wire.samples import Refusal, Tally


def lines(chunks: list[bytes], *, drop_first: bool = False) -> tuple[list[bytes], Tally]:
    tally = Tally()
    framer = LineFramer(tally, drop_first=drop_first)
    return [line for chunk in chunks for line in framer.feed(chunk)], tally


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\n\r", b"\r\r\n", b"\n\n\r\r\n"])
def test_every_line_ending_and_mixture_ends_a_line(end):
    assert lines([b"one" + end + b"two" + end])[0] == [b"one", b"two"]
    assert lines([b"one" + end, b"two\n"])[0] == [b"one", b"two"]


def test_empty_lines_are_nothing():
    assert lines([b"\r\n\r\n\n"]) == ([], Tally())


def test_breaks_and_line_noise_at_a_lines_start_are_stripped():
    assert lines([b"\x00\xff\x00one\n\xff\xfftwo\n\x00\n"])[0] == [b"one", b"two"]


def test_a_nul_inside_a_line_is_left_for_the_dialect_to_refuse():
    assert lines([b"o\x00ne\n"])[0] == [b"o\x00ne"]


def test_a_million_nuls_leave_nothing_behind():
    tally = Tally()
    framer = LineFramer(tally)
    for _ in range(1000):
        assert framer.feed(bytes(1000)) == []
    assert framer.feed(b"$x\n") == [b"$x"]
    assert not tally.refused


def test_the_longest_line_passes_and_one_byte_more_is_dropped_and_counted_once():
    longest = b"a" * LONGEST
    assert lines([longest + b"\n"])[0] == [longest]
    got, tally = lines([longest + b"a\nnext\n"])
    assert got == [b"next"]
    assert tally.refused == {Refusal.TOO_LONG: 1}


@pytest.mark.parametrize("size", [1, 7, 1023, 1024, 1025, 4096, 120_000])
def test_120_kb_without_an_end_are_counted_once_and_memory_stays_bounded(size):
    tally = Tally()
    framer = LineFramer(tally)
    data = b"x" * 120_000
    for at in range(0, len(data), size):
        assert framer.feed(data[at : at + size]) == []
        assert len(framer._rest) <= LONGEST
    assert framer.feed(b"still the long one\r\nok\r\n") == [b"ok"]
    assert tally.refused == {Refusal.TOO_LONG: 1}


def test_the_first_line_may_be_dropped_uncounted():
    assert lines([b"2.4\n12.4\n"], drop_first=True) == ([b"12.4"], Tally())
    assert lines([b"\r\n2.4\n12.4\n"], drop_first=True)[0] == [b"12.4"]


def test_a_first_line_that_is_also_too_long_is_dropped_uncounted():
    assert lines([b"y" * 3000, b"\n12.4\n"], drop_first=True) == ([b"12.4"], Tally())


def test_an_unfinished_line_is_never_parsed_and_counts_only_when_the_link_was_lost():
    tally = Tally()
    framer = LineFramer(tally)
    framer.feed(b"whole\nunfin")
    framer.restart(lost=True)
    assert framer.feed(b"ished\nwhole\n") == [b"ished", b"whole"]
    assert tally.refused == {Refusal.UNFINISHED: 1}
    framer.feed(b"unfin")
    framer.restart(lost=False)
    assert tally.refused == {Refusal.UNFINISHED: 1}
    framer.restart(lost=True)
    assert tally.refused == {Refusal.UNFINISHED: 1}


PIECES = st.lists(
    st.one_of(
        st.binary(max_size=12),
        st.sampled_from([b"\r", b"\n", b"\r\n", b"\x00", b"\xff", b"$IIXDR,", b"x" * 500, b"y" * 1024]),
    ),
    max_size=30,
)


@settings(max_examples=150, deadline=None)
@given(PIECES, st.lists(st.integers(0, 6000), max_size=12), st.booleans())
def test_cutting_the_same_bytes_otherwise_changes_neither_lines_nor_counts(pieces, cuts, drop_first):
    data = b"".join(pieces)
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    cut = [data[a:b] for a, b in pairwise(edges)]
    single = [data[at : at + 1] for at in range(len(data))]
    whole = lines([data], drop_first=drop_first)
    assert lines(cut, drop_first=drop_first) == whole
    assert lines(single, drop_first=drop_first) == whole

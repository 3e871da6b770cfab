"""NMEA 0183 XDR against published sentences, an independent reader, and every refusal by its reason."""

from __future__ import annotations

import functools
import operator
import random

import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from receiving import published, receive, receive_three_ways, sentence, xdr

from shimfit.wire.formats import Xdr
from shimfit.wire.lines import XdrReader, checksum
from shimfit.wire.samples import Tally

PUBLISHED = published("nmea_examples.csv")


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: row["sentence"][:30])
def test_published_sentences_pass_or_fail_their_checksum_as_the_rule_says(row):
    """Sources stand in the table (read); 14 have right sums, 2 were published with wrong ones."""
    received = receive_three_ways(row["sentence"].encode() + b"\r\n")
    is_bad = row["verdict"].startswith("BAD")
    assert (received.refused.get("bad_checksum", 0) == 1) == is_bad
    printed = checksum(row["sentence"][1:-3].encode())
    assert f"{printed:02X}" == row["checksum_by_rule"].upper()


def test_fourteen_published_sentences_are_accepted_and_two_refused():
    received = receive([row["sentence"].encode() + b"\r\n" for row in PUBLISHED])
    assert received.refused["bad_checksum"] == 2
    assert len(PUBLISHED) - received.refused["bad_checksum"] == 14


def test_what_the_published_sentences_come_to():
    """From the table's column `angles_in_degrees`: five whole pairs; 171 degrees is beyond the range."""
    received = receive([row["sentence"].encode() + b"\r\n" for row in PUBLISHED])
    assert received.angles == [
        (2.9, 0.7),
        (0.6135744, -0.6135744),
        (0.135, 3.861),
        (0.138, 3.864),
        (0.140, 3.866),
    ]
    assert received.refused == {"bad_checksum": 2, "out_of_range": 1, "field_count": 1}
    assert received.tally.other == 3, "E is no axis of ours, WTHI no angle, lower-case a no type A"


def test_a_wide_range_lets_the_published_171_degrees_in():
    (row,) = [row for row in PUBLISHED if "171" in row["sentence"]]
    received = receive([row["sentence"].encode() + b"\n"], Xdr(range_deg=180.0))
    assert received.angles == [(171.0, -37.0)]


@pytest.mark.parametrize("row", [r for r in PUBLISHED if not r["verdict"].startswith("BAD")])
def test_an_independent_reader_agrees_on_the_published_sentences(row):
    message = pynmea2.parse(row["sentence"], check=True)
    assert f"{checksum(row['sentence'][1:-3].encode()):02X}" == row["checksum_printed"].upper()
    assert message.sentence_type == "XDR"


def test_an_independent_reader_agrees_on_ten_thousand_made_up_sentences():
    draw = random.Random(7)
    for _ in range(10_000):
        x, y = (
            round(draw.uniform(-44, 44), draw.randrange(5)),
            round(draw.uniform(-44, 44), draw.randrange(5)),
        )
        line = sentence(f"{draw.choice('IHAYC')}{draw.choice('ICPX')}XDR,A,{x},D,PITCH,A,{y},D,ROLL")
        message = pynmea2.parse(line.decode(), check=True)
        oracle = {message.get_transducer(i).id: float(message.get_transducer(i).value) for i in (0, 1)}
        (sample,) = receive([line + b"\r\n"]).samples
        assert (sample.x_deg, sample.y_deg) == (oracle["PITCH"], oracle["ROLL"])


@given(st.binary(max_size=200))
def test_the_checksum_is_the_exclusive_or_of_all_bytes(body):
    assert checksum(body) == functools.reduce(operator.xor, body, 0)


@pytest.mark.parametrize("talker", ["II", "HC", "AP", "YX"])
@pytest.mark.parametrize(
    ("x_name", "y_name"),
    [
        ("PITCH", "ROLL"),
        ("PTCH", "HEEL"),
        ("TRIM", "heel"),
        ("Pitch", "Roll"),
        (" pitch ", "roll "),
        ("PITCH1", "ROLL1"),
    ],
)
def test_any_talker_and_any_spelling_of_the_names(talker, x_name, y_name):
    line = sentence(f"{talker}XDR,A,1.5,D,{x_name},A,-2.5,D,{y_name}") + b"\r\n"
    assert receive_three_ways(line).angles == [(1.5, -2.5)]
    swapped = sentence(f"{talker}XDR,A,-2.5,D,{y_name},A,1.5,D,{x_name}") + b"\r\n"
    assert receive_three_ways(swapped).angles == [(1.5, -2.5)]


def test_names_are_a_setting():
    line = sentence("IIXDR,A,1.5,D,BOW,A,-2.5,D,PORT") + b"\n"
    assert receive([line]).tally.other == 1
    assert receive([line], Xdr(x=("port",), y=("bow",))).angles == [(-2.5, 1.5)]


def test_lower_case_hex_and_a_plus_sign_are_accepted():
    line = sentence("IIXDR,A,+1.5,D,PITCH,A,.5,D,ROLL")
    assert line[-2:] != line[-2:].lower()
    assert receive([line[:-2] + line[-2:].lower() + b"\n"]).angles == [(1.5, 0.5)]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"$IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL*00", "bad_checksum"),
        (b"$IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL*4", "bad_checksum"),
        (b"$IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL*", "bad_checksum"),
        (sentence("IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL") + b" ", "bad_checksum"),
        (b"$IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL", "no_checksum"),
        (sentence("IIXDR,A,1.0,D"), "field_count"),
        (sentence("IIXDR,A,1.0,D,PITCH,A,2.0,D"), "field_count"),
        (sentence("IIXDR,A,nan,D,PITCH,A,2.0,D,ROLL"), "not_a_number"),
        (sentence("IIXDR,A,inf,D,PITCH,A,2.0,D,ROLL"), "not_a_number"),
        (sentence("IIXDR,A,1_0,D,PITCH,A,2.0,D,ROLL"), "not_a_number"),
        (sentence("IIXDR,A, 1,D,PITCH,A,2.0,D,ROLL"), "not_a_number"),
        (sentence("IIXDR,A,1.,D,PITCH,A,2.0,D,ROLL"), "not_a_number"),
        (sentence("IIXDR,A,0x1,D,PITCH,A,2.0,D,ROLL"), "not_a_number"),
        (sentence("IIXDR,A,45.001,D,PITCH,A,2.0,D,ROLL"), "out_of_range"),
        (sentence("IIXDR,A,1e999,D,PITCH,A,2.0,D,ROLL"), "out_of_range"),
        (sentence("IIXDR,A,1.0,D,PI\x00TCH,A,2.0,D,ROLL"), "damaged_byte"),
        (sentence("IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL")[:-3] + b"\xb0*00", "damaged_byte"),
        (b"chatter\x07", "damaged_byte"),
    ],
)
def test_each_refusal_has_its_reason(line, reason):
    received = receive_three_ways(line + b"\r\n")
    assert received.refused == {reason: 1}
    assert not received.samples


@pytest.mark.parametrize(
    "line",
    [
        b"boot: ready",
        b"*41",
        sentence("GPGGA,120000,,,,,0,,,,M,,M,,"),
        sentence("IIXDR"),
        sentence("IIXDR,C,21.5,C,TEMP"),
        sentence("IIXDR,A,1.0,P,PITCH"),
        sentence("IIXDR,A,1.0,D,YAW,A,2.0,D,RUDDER"),
        sentence("IIXDR,A,,D,PITCH,A,,D,ROLL"),
    ],
)
def test_what_is_no_error_is_counted_as_other(line):
    received = receive_three_ways(line + b"\r\n")
    assert (received.tally.other, received.refused, received.samples) == (1, {}, [])


def test_a_sentence_of_another_kind_with_a_wrong_sum_is_refused_all_the_same():
    assert receive([b"$GPGGA,120000*00\n"]).refused == {"bad_checksum": 1}


def test_a_missing_checksum_is_accepted_only_when_asked_for():
    line = b"$IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL\r\n"
    assert receive([line], Xdr(checksum="optional")).angles == [(1.0, 2.0)]
    wrong = b"$IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL*00\r\n"
    assert receive([wrong], Xdr(checksum="optional")).refused == {"bad_checksum": 1}


def test_a_dollar_inside_a_line_starts_a_new_sentence():
    received = receive_three_ways(b"$IIXDR,A,5.7$IIXDR,A,9" + xdr(1.5, 2.5))
    assert received.angles == [(1.5, 2.5)]
    assert received.refused == {"truncated": 1}


def test_empty_groups_are_skipped_and_the_others_kept():
    received = receive(
        [sentence("IIXDR,A,,D,PITCH,A,2.0,D,ROLL,C,,C,T") + b"\n" + sentence("IIXDR,A,1.0,D,PITCH") + b"\n"]
    )
    assert received.angles == [(1.0, 2.0)]


def test_the_same_axis_twice_drops_the_older_one():
    one = b"".join(sentence(f"IIXDR,A,{x},D,PITCH") + b"\r\n" for x in (1, 2, 3))
    received = receive_three_ways(one + sentence("IIXDR,A,9,D,ROLL") + b"\r\n")
    assert received.angles == [(3.0, 9.0)]
    assert received.refused == {"unpaired": 2}


def test_a_whole_pair_is_not_joined_to_an_axis_that_was_waiting():
    received = receive([sentence("IIXDR,A,9,D,ROLL") + b"\n" + xdr(1.5, 2.5)])
    assert received.angles == [(1.5, 2.5)]
    assert received.refused == {"unpaired": 1}


def pairs_at(times_s: list[tuple[float, str]]) -> tuple[Tally, int]:
    tally = Tally()
    reader = XdrReader(Xdr(), tally)
    for time_s, name in times_s:
        reader.read(sentence(f"IIXDR,A,1,D,{name}"), time_s)
    return tally, tally.good


def test_an_axis_waits_a_quarter_second_until_the_period_is_known():
    assert pairs_at([(0.0, "PITCH"), (0.25, "ROLL")])[1] == 1
    assert pairs_at([(0.0, "PITCH"), (0.26, "ROLL")])[1] == 0


def test_then_it_waits_half_a_period():
    steady = [(0.2 * k + d, name) for k in range(30) for d, name in ((0.0, "PITCH"), (0.01, "ROLL"))]
    late = [(6.0, "PITCH"), (6.0 + 0.11, "ROLL")]
    tally, good = pairs_at(steady + late)
    assert good == 30
    assert {str(reason): count for reason, count in tally.refused.items()} == {"unpaired": 1}
    assert pairs_at([*steady, (6.0, "PITCH"), (6.09, "ROLL")])[1] == 31


def test_a_restart_forgets_an_axis_that_waits():
    tally = Tally()
    reader = XdrReader(Xdr(), tally)
    reader.read(sentence("IIXDR,A,1,D,PITCH"), 0.0)
    reader.restart()
    assert reader.read(sentence("IIXDR,A,1,D,ROLL"), 0.01) is None


BITS = st.tuples(st.integers(0, 10_000), st.integers(0, 7))


@settings(deadline=None, max_examples=300)
@given(BITS)
def test_a_single_flipped_bit_never_becomes_a_sample_that_was_not_sent(flip):
    """`$`, CR and LF can be made by a flip too; the sum finds every single one."""
    good = xdr(1.234, -2.345)
    data = bytearray(good * 3)
    at = flip[0] % len(data)
    data[at] ^= 1 << flip[1]
    received = receive([bytes(data)])
    assert set(received.angles) <= {(1.234, -2.345)}
    assert len(received.angles) >= 1


@pytest.mark.parametrize("factor", ["half", "double"])
def test_a_wrong_speed_brings_no_sample(factor):
    """Bits of a line at the wrong speed, as a simulated receiver (8N1) sees them."""
    bits = "".join("0" + f"{byte:08b}"[::-1] + "1" for byte in xdr(1.234, -2.345) * 40)
    seen = "".join(bit * 2 for bit in bits) if factor == "double" else bits[::2]
    data, at = bytearray(), 0
    while at + 10 <= len(seen):
        if seen[at] == "1":
            at += 1
            continue
        data.append(int(seen[at + 1 : at + 9][::-1], 2))
        at += 10
    received = receive([bytes(data)])
    assert len(data) > 100
    assert received.samples == []


def test_the_last_printed_digit_is_the_output_step():
    tally = Tally()
    reader = XdrReader(Xdr(), tally)
    assert reader.step_deg is None
    reader.read(xdr(1.234, 2.0).strip(), 0.0)
    assert reader.step_deg == pytest.approx(0.001)

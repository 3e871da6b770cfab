"""From bytes with their times to state, words and a reading: the table of what comes and what is done."""

from __future__ import annotations

import gc
import math
import random
import sys
from types import FunctionType, MethodType, ModuleType

import pytest
from receiving import sentence, xdr

from shimfit.core.sensing.mounting import SensorZero
from shimfit.core.sensing.watch import SensorErrors, WatchState
from shimfit.wire.formats import Text, parse_description
from shimfit.wire.stream import ListenOptions, Stream

XY = parse_description("columns = ['x:deg', 'y:deg']", "xy.toml")
TRIPLE = parse_description("columns = ['ax:g', 'ay:g', 'az:g']", "triple.toml")
assert isinstance(XY, Text)


KNOWN = SensorZero(0.0, 0.0, 0.0)
"""A zero that is known exactly: what is looked at here is the rest of the uncertainty."""


class Play:
    """A stream with a hand-turned clock; sends XDR 50 times a second by default."""

    def __init__(self, options: ListenOptions | None = None, number: int = 1) -> None:
        self.stream = Stream(options or ListenOptions(zero=KNOWN))
        self.now = 0.0
        self.draw = random.Random(number)
        self.stream.opened(0.0)

    def still(self, seconds: float, *, x=1.0, y=-0.5, noise=0.01, hz=50.0, also=b""):
        for _ in range(round(seconds * hz)):
            self.now += 1 / hz
            self.stream.feed(
                self.now, xdr(x + self.draw.gauss(0, noise), y + self.draw.gauss(0, noise)) + also
            )
        return self

    def silent(self, seconds: float):
        for _ in range(round(seconds * 10)):
            self.now += 0.1
            self.stream.tick(self.now)
        return self

    @property
    def state(self) -> WatchState:
        return self.stream.view(self.now).state

    @property
    def words(self) -> str:
        return self.stream.view(self.now).words

    @property
    def refused(self) -> dict[str, int]:
        return {str(reason): count for reason, count in self.stream.tally.refused.items()}


def test_from_first_byte_to_a_reading():
    play = Play()
    seen = [play.state]
    for _ in range(120):
        play.still(0.05)
        if play.state is not seen[-1]:
            seen.append(play.state)
    assert seen == [
        WatchState.NO_DATA,
        WatchState.LISTENING,
        WatchState.MOVING,
        WatchState.STEADY,
        WatchState.HOLDING,
        WatchState.TAKEN,
    ]
    taken = play.stream.view(play.now).taken
    assert taken is not None
    assert taken.x_deg == pytest.approx(1.0, abs=3 * taken.u_x_deg)
    assert taken.y_deg == pytest.approx(-0.5, abs=3 * taken.u_y_deg)
    assert 0.0007 < taken.u_x_deg < 0.003


def test_xdr_is_believed_after_three_sentences_with_angles():
    play = Play()
    for count in range(3):
        assert play.stream.input.format is None, count
        play.still(0.02)
    assert play.stream.input.format == "xdr"
    assert play.stream.tally.good == 3, "and the first ones are not lost"


def feed_lines(play: Play, lines: list[bytes]) -> None:
    for line in lines:
        play.now += 0.02
        play.stream.feed(play.now, line + b"\r\n")


def test_text_is_found_after_eight_lines_and_then_asks_for_a_description():
    play = Play()
    feed_lines(play, [b"1.25;3;0.5"] * 7)
    assert play.stream.input.format is None
    feed_lines(play, [b"1.25;3;0.5"])
    assert play.stream.input.format == "text"
    assert play.state is WatchState.LISTENING
    assert "3 columns" in play.stream.messages[0]
    described = parse_description(play.stream.input.needs_description, "guess.toml")
    assert isinstance(described, Text)
    assert (described.separator, described.count) == (";", 3)


@pytest.mark.parametrize(
    "broken", [b"1.25;3", b"1.25,3,0.5", b"1.25;nan;0.5", b"1.25;3;0.5;", b"boot", b"1;2;99999999999999"]
)
def test_seven_lines_and_a_different_one_are_no_run(broken):
    play = Play()
    feed_lines(play, [b"1.25;3;0.5"] * 7 + [broken] + [b"1.25;3;0.5"] * 7)
    assert play.stream.input.format is None


@pytest.mark.parametrize("body", ["GPGGA,1,2", "IIXDR,A,1.5,D,PITCH,A,2.5,D,ROLL"])
def test_no_text_is_found_once_any_sentence_passed_its_checksum(body):
    play = Play()
    feed_lines(play, [sentence(body), *[b"1.25;3;0.5"] * 20])
    assert play.stream.input.format is None


def test_sentences_win_over_text_found_before():
    play = Play()
    feed_lines(play, [b"1.25;3;0.5"] * 9)
    assert play.stream.input.format == "text"
    play.still(0.2)
    assert play.stream.input.format == "xdr", "what has a checksum wins over what has none"
    assert play.stream.input.needs_description is None


def test_modbus_is_never_guessed_and_nothing_is_ever_sent():
    play = Play()
    play.stream.feed(0.1, bytes.fromhex("01 03 04 00 7B FF D3 8A 47") * 50)
    assert play.stream.input.format is None
    assert play.stream.input.due(1.0) is None


def test_no_bytes_and_bytes_without_lines_are_kept_apart():
    play = Play(ListenOptions(description=None))
    play.silent(1.0)
    assert play.state is WatchState.NO_DATA
    assert "cable" in play.words
    play.stream.feed(play.now, b"\x12\x80garbage\r\n" * 5)
    assert play.state is WatchState.LISTENING
    described = Play(ListenOptions(description=XY))
    described.stream.feed(0.1, b"?\r\n" * 9)
    assert "another number of columns" in described.words


def test_stale_after_a_second_and_the_number_is_gone():
    play = Play().still(6)
    assert play.state is WatchState.TAKEN
    play.silent(1.0)
    assert play.state is WatchState.TAKEN
    play.silent(0.2)
    assert play.state is WatchState.STALE
    assert "NO DATA" in play.words
    assert play.stream.last is None
    play.still(0.1)
    assert play.state is WatchState.MOVING, "the hold is lost"


def test_a_slow_sensor_is_stale_after_five_periods():
    play = Play().still(20, hz=2)
    play.silent(2.4)
    assert play.state is not WatchState.STALE
    play.silent(0.2)
    assert play.state is WatchState.STALE


def test_a_slow_sensor_gets_its_reading_from_twenty_samples():
    play = Play().still(12, hz=2, noise=0.005)
    assert play.state is WatchState.TAKEN
    assert play.stream.view(play.now).taken.samples >= 20


def test_garbage_between_good_lines_does_not_end_a_hold():
    play = Play().still(3)
    assert play.state is WatchState.HOLDING
    play.still(0.5, also=b"ready\r\n$IIXDR,A,99,D,PITCH" + b"x" * 1100 + b"\r\n")
    assert play.state is WatchState.HOLDING
    assert play.refused == {"too_long": 25}


def test_more_than_a_tenth_damaged_ends_a_hold():
    play = Play().still(3)
    play.still(0.8, also=b"$IIXDR,A,1,D,PITCH*00\r\n")
    assert play.state is WatchState.MOVING
    assert "damaged" in play.words
    play.still(12)
    assert play.state is WatchState.TAKEN


def test_a_few_damaged_lines_do_not_end_it():
    play = Play().still(3)
    play.still(0.1, also=b"$IIXDR,A,1,D,PITCH*00\r\n").still(1.5)
    assert play.state is WatchState.TAKEN
    assert play.refused == {"bad_checksum": 5}


def test_unplugged_in_mid_line_counts_it_and_never_parses_it():
    play = Play().still(3)
    play.stream.feed(play.now, xdr(1, 2)[:20])
    play.stream.lost("/dev/x is gone")
    assert play.state is WatchState.NO_DATA
    assert play.words == "/dev/x is gone"
    assert play.refused == {"unfinished": 1}
    play.stream.opened(play.now)
    play.stream.feed(play.now, xdr(1, 2)[20:])
    play.still(0.5)
    assert play.refused == {"unfinished": 1}
    assert play.stream.tally.other == 1
    assert play.state is WatchState.MOVING


def test_a_sensor_that_repeats_itself_is_frozen_where_noise_had_been_seen():
    play = Play().still(6).still(19.5, noise=0)
    assert play.state is not WatchState.FROZEN
    play.still(1, noise=0)
    assert play.state is WatchState.FROZEN
    assert "frozen" in play.words
    play.still(9)
    assert play.state is WatchState.TAKEN


def test_a_coarse_quiet_sensor_may_repeat_itself_for_ever():
    play = Play().still(40, noise=0)
    assert play.state is WatchState.TAKEN
    taken = play.stream.view(play.now).taken
    # no scatter at all: what is left is the output step, q/sqrt(12) (GUM 4.3.7)
    # No change was ever seen, so the step is not known: a tenth, whatever number of decimals is printed.
    assert taken.u_x_deg == pytest.approx(0.1 / math.sqrt(12), rel=1e-3)
    stated = Play(ListenOptions(zero=KNOWN, sensor_errors=SensorErrors(step_deg=0.001))).still(8, noise=0)
    known = stated.stream.view(stated.now).taken
    assert known.u_x_deg == pytest.approx(0.001 / math.sqrt(12), rel=1e-3)


def test_the_output_step_of_a_coarse_sensor_is_learned_from_its_changes():
    play = Play()
    for degrees in (0.1, 0.2, 0.3, 0.2, 0.4, 0.5, 0.4):
        play.still(0.2, x=degrees, y=0, noise=0)
    play.still(12, x=0.4, y=0, noise=0)
    taken = play.stream.view(play.now).taken
    assert taken.u_x_deg == pytest.approx(0.1 / math.sqrt(12), rel=0.06)
    assert "steps" in taken.largest


def test_until_a_zero_is_found_its_offset_is_in_the_uncertainty_of_both_directions():
    """A sensor glued 1 degree off on a post that leans 17.5 mm in 1 m the other way says plumb."""
    play = Play(ListenOptions()).still(6, x=0.0, y=0.0)
    taken = play.stream.view(play.now).taken
    assert not taken.zero_found
    assert min(taken.u_x_deg, taken.u_y_deg) >= 0.5
    assert "zero, which nobody has found" in taken.largest
    assert max(taken.u_hold_deg) < 0.01, "the hold itself was as good as ever"
    assert play.stream.zero_words == "zero not found: turn it end for end"
    known = Play(ListenOptions(zero=SensorZero(0.0, 0.0, 0.02, age_days=31))).still(6)
    assert known.stream.view(known.now).taken.zero_found
    assert "31 days ago" in known.stream.zero_words
    for days, is_due in ((3, False), (29, False), (30, True)):
        due = Play(ListenOptions(zero=SensorZero(0.0, 0.0, 0.02, age_days=days))).stream.zero_words
        assert (due is not None) == is_due, days


def test_a_fall_takes_the_zero_away():
    play = Play(ListenOptions(description=TRIPLE, zero=SensorZero(0.1, 0.0)))
    for size in (1.0, 0.9, 0.05, 0.04, 0.06, 1.8, 1.0, 1.0):
        play.now += 0.05
        play.stream.feed(play.now, f"0.001,0.001,{size}\n".encode())
    assert play.stream.fell
    assert play.stream.zero is None
    assert play.stream.zero_words.startswith("the sensor fell; zero not found")
    assert not play.stream.watch.sensor_errors.zero_found
    knocked = Play(ListenOptions(description=TRIPLE, zero=SensorZero(0.1, 0.0)))
    for size in (1.0, 0.2, 1.8, 0.2, 1.3, 1.0):
        knocked.now += 0.05
        knocked.stream.feed(knocked.now, f"0.001,0.001,{size}\n".encode())
    assert not knocked.stream.fell, "a blow is no fall"


def test_more_than_gravity_for_a_moment_passes_and_for_longer_ends_the_hold():
    def triples(play, seconds, norm):
        for _ in range(round(seconds * 50)):
            play.now += 0.02
            noise = play.draw.gauss(0, 0.0002)
            play.stream.feed(play.now, f"{noise:.5f},{noise:.5f},{norm}\n".encode())

    play = Play(ListenOptions(description=TRIPLE))
    triples(play, 3, 1.0)
    triples(play, 0.2, 1.08)
    triples(play, 0.2, 1.0)
    assert play.state is WatchState.HOLDING
    triples(play, 0.5, 1.08)
    assert play.state is WatchState.MOVING
    assert "gravity" in play.words
    triples(play, 6, 1.0)
    assert play.state is WatchState.TAKEN
    assert play.stream.tally.good > 400, "moving samples are kept and logged"


def test_a_device_clock_that_jumps_ends_the_hold_and_is_reported_once():
    clocked = parse_description("columns = ['time:ms', 'x:deg', 'y:deg']", "c.toml")
    play = Play(ListenOptions(description=clocked))

    def ticks(seconds, start_ms):
        for count in range(round(seconds * 50)):
            play.now += 0.02
            noise = play.draw.gauss(0, 0.01)
            play.stream.feed(play.now, f"{start_ms + 20 * count},{noise:.3f},{-noise:.3f}\n".encode())

    ticks(3, 0)
    assert play.state is WatchState.HOLDING
    assert play.stream.view(play.now).held_s > 2.5
    ticks(0.2, 0)
    assert play.stream.view(play.now).held_s < 0.3
    ticks(6, 200)
    assert play.state is WatchState.TAKEN
    assert sum("clock" in message for message in play.stream.messages) == 1
    assert play.refused == {}


def test_zero_is_taken_off_and_elevations_are_turned_to_slopes():
    play = Play(ListenOptions(zero=SensorZero(0.4, -0.1))).still(6, x=1.4, y=-0.1, noise=0)
    taken = play.stream.view(play.now).taken
    assert taken.x_deg == pytest.approx(1.0, abs=1e-4)
    assert taken.y_deg == pytest.approx(0.0, abs=1e-4)


def test_a_pair_that_no_two_axes_can_have_is_out_of_range():
    wide = parse_description("columns = ['x:deg', 'y:deg']\nrange_deg = 80", "wide.toml")
    play = Play(ListenOptions(description=wide))
    play.stream.feed(0.1, b"cut\n70,70\n10,10\n")
    assert play.refused == {"out_of_range": 1}
    assert play.stream.tally.good == 1


def test_another_speed_forgets_the_garbage_of_the_last_one():
    play = Play()
    play.stream.feed(0.1, b"\x80\x12\x13\n$garbage\n" * 20)
    assert play.refused != {}
    play.stream.new_speed()
    assert play.refused == {}
    play.still(0.2)
    assert play.stream.tally.good == 10


def test_rates():
    play = Play().still(5)
    seen = play.stream.snapshot(play.now)
    assert seen.good_per_s == pytest.approx(50, rel=0.05)
    assert seen.bytes_per_s == pytest.approx(50 * 42, rel=0.1)


def bytes_kept(by: object) -> int:
    """Of all that an object leads to but code; counting afterwards costs nothing while bytes are fed."""
    seen: dict[int, object] = {}
    waiting = [by]
    while waiting:
        each = waiting.pop()
        if id(each) not in seen and not isinstance(each, (type, FunctionType, ModuleType, MethodType)):
            seen[id(each)] = each
            waiting += gc.get_referents(each)
    return sum(map(sys.getsizeof, seen.values()))


@pytest.mark.parametrize("size", [1, 7, 64, 4096])
def test_millions_of_random_bytes_leave_bounded_memory_and_no_sample(size):
    """The smaller the pieces the fewer bytes, so that the whole takes seconds."""
    draw = random.Random(size)
    total = {1: 30_000, 7: 170_000, 64: 800_000, 4096: 4_000_000}[size]
    stream = Stream(ListenOptions())
    stream.opened(0.0)
    stream.feed(0.0, draw.randbytes(50_000))
    done = 0
    block = draw.randbytes(1 << 20)
    while done < total:
        at = done % (len(block) - size)
        stream.feed(done / 11_520, block[at : at + size])
        done += size
    assert bytes_kept(stream) < 100_000
    assert stream.tally.good == 0
    assert stream.tally.bytes >= total


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"$IIXDR,A,1.0,D,PITCH,A,2.0,D,ROLL\r\n", "without their checksums"),
        (b"\x81\x90\xfe\x13\n", "bytes but no lines: try another speed"),
        (b"nan,nan\n", "NaN is not a number"),
        (b"7" * 400, "never ends"),
    ],
)
def test_bytes_that_bring_no_reading_are_worded_as_what_they_look_like_within_five_seconds(line, says):
    play = Play()
    while play.now < 5.2:
        play.now += 0.1
        play.stream.feed(play.now, line)
    view = play.stream.view(play.now)
    assert view.state is WatchState.LISTENING
    assert says in view.words
    assert play.stream.unread_s(play.now) > 5

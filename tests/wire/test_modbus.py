"""Modbus RTU against published CRCs, an independent library's server, and each way an answer can be wrong."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import struct
import threading
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Self

import pytest
from receiving import published, wait_for

from shimfit.core.sensing.watch import WatchState
from shimfit.model import Foot, Lean
from shimfit.wire.formats import Field, Modbus, parse_description
from shimfit.wire.frames import (
    ModbusFrames,
    ModbusPoller,
    ModbusScanner,
    crc16,
    numbers_of,
    quiet_s,
    with_crc,
)
from shimfit.wire.inclinometer import Inclinometer
from shimfit.wire.samples import Tally
from shimfit.wire.simulate import SensorNature, SimulatedPost, Stage
from shimfit.wire.stream import ListenOptions

CRCS = published("modbus_crc_examples.csv")
PAIR = Modbus(values=(Field("x", 0, scale=0.01), Field("y", 1, scale=0.01)), poll_s=0.1, timeout_s=0.2)
REQUEST = ModbusFrames(PAIR).request


def answer(x: int = 123, y: int = -45, *, station: int = 1, function: int = 3) -> bytes:
    return with_crc(bytes([station, function, 4]) + struct.pack(">hh", x, y))


# ---------------------------------------------------------------- frames


@pytest.mark.parametrize("row", CRCS, ids=lambda row: row["published"] + row["verdict"])
def test_published_crcs_and_their_misprints(row):
    """Sources in the table (read); three were published wrong, and must be refused."""
    data = bytes.fromhex(row["bytes_hex"].replace(" ", ""))
    assert crc16(data) == int(row["crc_value"], 16)
    assert with_crc(data)[-2:].hex(" ").upper() == row["wire_low_high"]
    if row["verdict"] == "WRONG":
        assert bytes.fromhex(row["published"].replace(" ", "")) != with_crc(data)[-2:]


def test_three_misprints_are_in_the_table():
    assert sum(row["verdict"] == "WRONG" for row in CRCS) == 3


def test_an_independent_crc_agrees():
    from pymodbus.framer.rtu import FramerRTU

    for size in range(1, 60):
        data = bytes((7 * size + 31 * k) % 256 for k in range(size))
        # That library gives the value with its bytes in wire order.
        assert FramerRTU.compute_CRC(data).to_bytes(2, "big") == with_crc(data)[-2:]


def test_the_request_spans_all_values_and_addresses_are_from_0():
    assert with_crc(bytes.fromhex("01 03 00 00 00 02")) == REQUEST == bytes.fromhex("01 03 00 00 00 02 C4 0B")
    wide = Modbus(values=(Field("x", 5, "float32"), Field("y", 9, "int32")), station=7, function=4)
    assert ModbusFrames(wide).request[:-2] == bytes([7, 4, 0, 5, 0, 6])


@pytest.mark.parametrize(
    ("kind", "form", "value"),
    [
        ("int16", ">h", -1234),
        ("uint16", ">H", 54321),
        ("int32", ">i", -123456),
        ("uint32", ">I", 4_000_000_000),
        ("float32", ">f", -1.25),
    ],
)
@pytest.mark.parametrize("order", ["high-first", "low-first"])
def test_types_and_word_order(kind, form, value, order):
    described = Modbus(values=(Field("x", 0, kind, order, scale=2.0), Field("y", 2)))
    raw = struct.pack(form, value)
    if order == "low-first" and len(raw) == 4:
        raw = raw[2:] + raw[:2]
    raw = raw.ljust(4, b"\x00") + struct.pack(">h", 7)
    frames = ModbusFrames(described)
    frame = with_crc(bytes([1, 3, len(raw)]) + raw)
    assert frames.judge(frame) is None
    assert numbers_of(frames.answer, frame) == {"x": 2.0 * value, "y": 7.0}


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        (b"", "short_answer"),
        (answer()[:-1], "short_answer"),
        (answer() + b"\x00", "short_answer"),
        (answer()[:-1] + b"\x00", "bad_crc"),
        (answer(station=2), "wrong_station"),
        (answer(function=4), "wrong_function"),
        (with_crc(bytes([1, 0x83, 2])), "device_refused"),
        (with_crc(bytes([1, 3, 2, 0, 7])), "wrong_byte_count"),
    ],
)
def test_an_answer_is_checked_in_order(frame, why):
    assert str(ModbusFrames(PAIR).judge(frame)) == why


def test_the_order_of_checks_is_length_crc_station_function_count():
    frames = ModbusFrames(PAIR)
    all_wrong = with_crc(bytes([2, 4, 2, 0, 7]))
    assert str(frames.judge(all_wrong)) == "wrong_station"
    assert str(frames.judge(all_wrong[:-1] + b"\x00")) == "bad_crc"
    assert str(frames.judge(all_wrong[:-1])) == "short_answer"


def test_quiet_time_between_frames():
    """3.5 characters: 2.0052 ms of 11 bits at 19200, 1.8229 ms of 10 bits (bus log, read); 1.75 ms above."""
    assert quiet_s(19200) == pytest.approx(0.0020052, abs=1e-7)
    assert quiet_s(19200, bits=10) == pytest.approx(0.0018229, abs=1e-7)
    assert quiet_s(115200) == 0.00175


# ---------------------------------------------------------------- polling


class Poll:
    """A poller with its tally and a hand-turned clock."""

    def __init__(self, description: Modbus = PAIR) -> None:
        self.tally = Tally()
        self.poller = ModbusPoller(description, self.tally)

    @property
    def refused(self) -> dict[str, int]:
        return {str(reason): count for reason, count in self.tally.refused.items()}


@pytest.mark.parametrize("size", [1, 2, 3, 8, 100])
@pytest.mark.parametrize("echo", [b"", REQUEST])
def test_an_answer_in_pieces_with_or_without_the_requests_echo(size, echo):
    poll = Poll()
    assert poll.poller.due(0.0) == REQUEST
    data = echo + answer()
    samples = []
    for at in range(0, len(data), size):
        samples += poll.poller.feed(data[at : at + size], 0.01)
    assert [(s.x_deg, s.y_deg) for s in samples] == [(1.23, -0.45)]
    assert poll.refused == {}


def test_it_asks_again_after_the_poll_period_and_not_before():
    poll = Poll()
    poll.poller.due(0.0)
    assert poll.poller.due(0.05) is None
    poll.poller.feed(answer(), 0.02)
    assert poll.poller.due(0.09) is None
    assert poll.poller.due(0.1) == REQUEST


def test_after_a_timeout_it_stays_silent_and_a_late_answer_does_not_pass_for_the_next():
    poll = Poll()
    poll.poller.due(0.0)
    poll.poller.check(0.19)
    assert poll.refused == {}
    poll.poller.check(0.2)
    assert poll.refused == {"no_answer": 1}
    assert poll.poller.due(0.3) is None
    assert poll.poller.feed(answer(), 0.35) == [], "late: nobody waits for it"
    assert poll.poller.due(0.4) == REQUEST
    assert len(poll.poller.feed(answer(), 0.41)) == 1


def test_half_an_answer_counts_as_short():
    poll = Poll()
    poll.poller.due(0.0)
    poll.poller.feed(answer()[:5], 0.1)
    poll.poller.check(0.25)
    assert poll.refused == {"short_answer": 1}


def test_three_failed_polls_in_a_row_are_no_answer_and_one_good_one_ends_it():
    poll = Poll()
    now = 0.0
    for count in range(3):
        assert not poll.poller.no_answer, count
        assert poll.poller.due(now) is not None
        now += 0.21
        poll.poller.check(now)
        now += 0.21
    assert poll.poller.no_answer
    poll.poller.due(now)
    poll.poller.feed(answer(), now + 0.01)
    assert not poll.poller.no_answer


@pytest.mark.parametrize(
    ("code", "words"), [(1, "function"), (2, "address"), (3, "number"), (4, "failed"), (6, "busy"), (9, "9")]
)
def test_a_refusal_by_the_device_is_reported_in_words(code, words):
    poll = Poll()
    poll.poller.due(0.0)
    poll.poller.feed(with_crc(bytes([1, 0x83, code])), 0.01)
    assert poll.refused == {"device_refused": 1}
    assert words in poll.poller.news[-1]


def test_an_unfinished_answer_at_unplug_is_counted_and_forgotten():
    poll = Poll()
    poll.poller.due(0.0)
    poll.poller.feed(answer()[:6], 0.01)
    poll.poller.restart(lost=True)
    assert poll.refused == {"unfinished": 1}
    assert poll.poller.due(0.02) == REQUEST


# ---------------------------------------------------------------- answers without requests


def scan(chunks: list[bytes]) -> tuple[list[tuple[float, float]], dict[str, int]]:
    tally = Tally()
    scanner = ModbusScanner(PAIR, tally)
    samples = [sample for chunk in chunks for sample in scanner.feed(chunk, 0.0)]
    return [(s.x_deg, s.y_deg) for s in samples], {str(r): n for r, n in tally.refused.items()}


REFUSED = {"bad_crc": 1, "wrong_station": 1, "device_refused": 1}


def test_a_bare_file_of_answers_is_read_however_it_is_cut():
    bad = answer(7, 8)[:-1] + b"\x55"
    data = answer(1, 2) + REQUEST + answer(3, 4) + b"\x00noise" + answer(5, 6) + bad
    data += answer(station=9) + with_crc(bytes([1, 0x83, 2])) + answer(9, 10)
    whole = scan([data])
    assert whole == ([(0.01, 0.02), (0.03, 0.04), (0.05, 0.06), (0.09, 0.1)], REFUSED)
    assert scan([data[at : at + 1] for at in range(len(data))]) == whole


def test_an_answer_that_begins_inside_a_bad_one_is_found():
    cut_short = answer(7, 8)[:5]
    assert scan([cut_short + answer(3, 4) + answer(5, 6)]) == ([(0.03, 0.04), (0.05, 0.06)], {"bad_crc": 1})


def test_signs_range_and_kind_are_those_of_the_description():
    described = replace(PAIR, flip=("x",), range_deg=10.0, kind="tangent")
    tally = Tally()
    scanner = ModbusScanner(described, tally)
    (sample,) = scanner.feed(answer(123, -45) + answer(1001, 0), 0.0)
    assert (sample.x_deg, sample.y_deg) == (-1.23, -0.45)
    assert tally.refused == {"out_of_range": 1}
    assert not scanner.elevation
    assert ModbusScanner(PAIR, tally).elevation


# ---------------------------------------------------------------- descriptions


def test_a_description_and_what_it_refuses():
    toml = """
format = "modbus"
station = 5
function = 4
framing = "8N1"
baud = 19200
poll_s = 0.05
values = [
  { name = "x", address = 100, type = "int32", order = "low-first", scale = 0.001, unit = "deg" },
  { name = "y", address = 102, type = "int32", order = "low-first", scale = 0.001, unit = "deg" },
]
"""
    described = parse_description(toml, "s.toml")
    assert isinstance(described, Modbus)
    assert described.values[1] == Field("y", 102, "int32", "low-first", 0.001, "deg")
    assert (described.station, described.function, described.framing, described.baud) == (5, 4, "8N1", 19200)
    for old, new, says in [
        ("address = 102", "address = 70000", "address"),
        ("address = 102", "address = 400", "125 registers"),
        ("function = 4", "function = 6", "function"),
        ('name = "y"', 'name = "z"', "z"),
        ("station = 5", "station = 0", "station"),
        ("poll_s", "pole_s", "pole_s"),
    ]:
        with pytest.raises(OSError, match=says):
            parse_description(toml.replace(old, new), "s.toml")


# ---------------------------------------------------------------- an independent server at the far end


class Server:
    """pymodbus serving two registers on a serial port, on a thread of its own."""

    def __init__(self, port: str, registers: list[int]) -> None:
        self._port = port
        self._registers = registers
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(10)
        self._thread.join(10)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        from pymodbus.framer import FramerType
        from pymodbus.server import ModbusSerialServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        device = SimDevice(1, simdata=[SimData(0, values=self._registers, datatype=DataType.REGISTERS)])
        self._server: Any = ModbusSerialServer(
            device, framer=FramerType.RTU, port=self._port, baudrate=115200, timeout=1
        )
        await self._server.serve_forever(background=True)
        self._ready.set()
        await self._server.serving


@pytest.fixture
def cable() -> Iterator[tuple[str, str]]:
    """Names of two terminals, what is written at one comes out at the other."""
    import tty

    ends = [os.openpty() for _ in range(2)]
    for ours, theirs in ends:
        tty.setraw(theirs)
        os.set_blocking(ours, False)
    stop = threading.Event()

    def carry() -> None:
        one, other = ends[0][0], ends[1][0]
        while not stop.is_set():
            for source in select.select([one, other], [], [], 0.05)[0]:
                with contextlib.suppress(BlockingIOError):
                    os.write(other if source == one else one, os.read(source, 1000))

    thread = threading.Thread(target=carry, daemon=True)
    thread.start()
    yield os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    stop.set()
    thread.join(5)
    for ours, theirs in ends:
        os.close(ours)
        os.close(theirs)


def test_an_independent_server_is_polled_over_a_live_link(cable):
    described = Modbus(
        values=(Field("x", 0, scale=0.01), Field("y", 1, scale=0.01)),
        poll_s=0.02,
        timeout_s=1.0,
        framing="8N1",
        baud=115200,
        kind="tangent",
    )
    with Server(cable[1], [123, 65536 - 45]):
        sensor = Inclinometer(cable[0], ListenOptions(description=described))
        sensor.start()
        try:
            wait_for(lambda: sensor.tally().good >= 10)
            assert sensor.snapshot().lean is not None
            assert sensor.tally().refused == {}
            _, x_deg, y_deg = sensor.history(10.0)
            assert list(x_deg) == pytest.approx([1.23] * len(x_deg))
            assert list(y_deg) == pytest.approx([-0.45] * len(y_deg))
        finally:
            sensor.stop()


def test_a_polled_device_at_the_far_end_of_a_terminal_and_its_silence(terminal):
    ours, name = terminal
    nature = SensorNature(noise_deg=0.0, zero_x_deg=1.5, zero_y_deg=-2.5)
    played = Stage(SimulatedPost(Foot(90.0, 90.0), Lean(0.0, 0.0), nature), "modbus")
    played.step(0.0, 0.02)
    described = Modbus(
        values=(Field("x", 0, scale=0.001), Field("y", 1, scale=0.001)),
        poll_s=0.02,
        timeout_s=0.05,
        framing="8N1",
    )
    stop, mute = threading.Event(), threading.Event()

    def device() -> None:
        os.set_blocking(ours, False)
        while not stop.wait(0.002):
            try:
                received = os.read(ours, 100)
            except (BlockingIOError, OSError):
                continue
            if not mute.is_set():
                os.write(ours, played.answer(received))

    thread = threading.Thread(target=device, daemon=True)
    thread.start()
    sensor = Inclinometer(name, ListenOptions(description=described))
    sensor.start()
    try:
        wait_for(lambda: sensor.tally().good >= 5)
        mute.set()
        wait_for(lambda: "no answer" in sensor.snapshot().words)
        assert sensor.snapshot().state is WatchState.STALE
        mute.clear()
        wait_for(lambda: sensor.snapshot().lean is not None)
    finally:
        sensor.stop()
        stop.set()
        thread.join(5)

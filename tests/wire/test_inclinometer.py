"""The live instrument through pseudo-terminals and sockets: first contact, readings, losses."""

from __future__ import annotations

import math
import os
import socket
import sys
import threading
import time
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path

import pytest
from receiving import wait_for, xdr

from shimfit.core.sensing.mounting import AxisMap
from shimfit.core.sensing.watch import Steadiness, WatchState
from shimfit.errors import FileError, InstrumentError
from shimfit.model import Face
from shimfit.wire import inclinometer, stream
from shimfit.wire import link as links
from shimfit.wire.capture import parse_capture, replay
from shimfit.wire.inclinometer import Inclinometer
from shimfit.wire.samples import Refusal
from shimfit.wire.stream import ListenOptions, Stream

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
QUICKER = 5
"""So many of a quick listener's seconds pass in one."""
QUICK = Steadiness(window_s=0.4, hold_s=0.8, least_samples=8)


class Post:
    """A sensor on a pseudo-terminal with a fixed name; it can be unplugged and plugged in again."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ends: tuple[int, int] | None = None

    def plug(self) -> None:
        import tty

        ours, theirs = os.openpty()
        tty.setraw(theirs)
        self._ends = ours, theirs
        self.path.symlink_to(os.ttyname(theirs))

    def unplug(self) -> None:
        assert self._ends is not None
        self.path.unlink()
        for end in self._ends:
            os.close(end)
        self._ends = None

    def send(self, data: bytes) -> None:
        assert self._ends is not None
        os.write(self._ends[0], data)

    def still_until(self, seen: Callable[[], bool], x=1.0, y=-0.5) -> None:
        """A hundred samples of a quick listener's second, for as long as it takes: a busy machine is slow."""
        end, count = time.monotonic() + 20.0, 0
        while not seen():
            assert time.monotonic() < end, "it was not taken"
            count += 1
            wobble = 0.004 * (count * 7 % 11 - 5)
            self.send(xdr(x + wobble, y - wobble))
            time.sleep(0.01 / QUICKER)


@contextmanager
def listening(
    url: str, options: ListenOptions | None = None, capture: Path | None = None, clock=time.monotonic
):
    sensor = Inclinometer(url, options, None if capture is None else str(capture), clock)
    sensor.start()
    try:
        yield sensor
    finally:
        sensor.stop()
    assert not sensor._thread.is_alive()


@pytest.fixture
def quick(monkeypatch):
    """A clock for a quick listener, and its readings as often by it."""
    monkeypatch.setattr(inclinometer, "_GATHER_S", inclinometer._GATHER_S / QUICKER)
    return lambda: QUICKER * time.monotonic()


@pytest.fixture
def post(tmp_path):
    post = Post(tmp_path / "post")
    post.plug()
    yield post
    if post._ends is not None:
        post.unplug()


def test_from_first_contact_to_a_reading_in_the_posts_directions(post, tmp_path, quick):
    axes = AxisMap(Face.HOUSE, Face.NEXT)
    options = ListenOptions(steadiness=QUICK, axis_map=axes)
    with listening(str(post.path), options, tmp_path / "a.cap", quick) as sensor:
        assert sensor.snapshot().state is WatchState.NO_DATA
        wait_for(lambda: sensor.snapshot().is_open)
        post.still_until(lambda: sensor.snapshot().taken is not None)
        seen = sensor.snapshot()
        taken = seen.taken
        assert seen.state is WatchState.TAKEN
        assert seen.banner is None
        # sensor x = +1 leans to the house, y = -0.5 to prev
        assert taken.lean.slope_across == pytest.approx(-0.01746, abs=2e-4)
        assert taken.lean.slope_along == pytest.approx(-0.00873, abs=2e-4)
        assert taken.text.startswith("0.50")
        assert "prev" in taken.text
        assert "house" in taken.text
        assert seen.lean.slope_across == pytest.approx(-0.01746, abs=2e-3)
        times_s, x_deg, _ = sensor.history(1.0)
        assert 5 < len(times_s) < 110, "how many, is the machine's affair"
        assert times_s[-1] - times_s[0] <= 1.0
        assert abs(x_deg.mean() - 1.0) < 0.05
        sensor.again()
        wait_for(lambda: sensor.snapshot().taken is None)
        good = sensor.tally().good
    capture = parse_capture((tmp_path / "a.cap").read_bytes(), "a.cap")
    stream = Stream(options)
    replay(capture, stream)
    assert stream.tally.good >= good
    assert stream.tally.refused == {}
    assert [e.kind for e in capture.entries if e.kind != "bytes"] == ["opened", "closed"]


def test_a_replay_of_the_capture_comes_to_the_same_reading(post, tmp_path, quick):
    options = ListenOptions(steadiness=QUICK)
    with listening(str(post.path), options, tmp_path / "a.cap", quick) as sensor:
        wait_for(lambda: sensor.snapshot().is_open)
        post.still_until(lambda: sensor.snapshot().taken is not None)
        live = sensor.snapshot().taken
    stream = Stream(options)
    end_s = replay(parse_capture((tmp_path / "a.cap").read_bytes(), "a.cap"), stream)
    assert stream.last_taken is not None
    assert live is not None
    assert stream.last_taken.x_deg == pytest.approx(live.held.x_deg, abs=1e-12)
    assert stream.last_taken.samples == live.held.samples
    assert stream.view(end_s).state is WatchState.TAKEN


def test_unplugged_in_mid_line_and_back_ten_times(post, monkeypatch, quick):
    monkeypatch.setattr(inclinometer, "BACK_OFF_S", (0.01,))
    with listening(str(post.path), ListenOptions(steadiness=QUICK), clock=quick) as sensor:
        for turn in range(1, 11):
            wait_for(lambda: sensor.snapshot().is_open)
            post.send(xdr(1, 2)[: 5 + turn])
            wait_for(
                lambda turn=turn: sensor.tally().bytes >= sum(range(6, 6 + turn)) + 43 * (turn - 1) - turn
            )
            before = sensor.tally().good
            post.unplug()
            wait_for(lambda: not sensor.snapshot().is_open)
            lost = sensor.snapshot()
            assert lost.state is WatchState.NO_DATA
            assert lost.lean is None
            assert lost.taken is None
            assert lost.banner
            post.plug()
            wait_for(lambda: sensor.snapshot().is_open)
            post.send(xdr(1, 2))
            wait_for(lambda before=before: sensor.tally().good == before + 1)
        assert {str(reason): count for reason, count in sensor.tally().refused.items()} == {"unfinished": 10}
        post.still_until(lambda: sensor.snapshot().state is WatchState.TAKEN)


def test_the_capture_keeps_all_that_came_before_and_after_a_loss(post, tmp_path, monkeypatch):
    monkeypatch.setattr(inclinometer, "BACK_OFF_S", (0.01,))
    path = tmp_path / "a.cap"
    with listening(str(post.path), capture=path) as sensor:
        sent = b""
        for turn in range(3):
            wait_for(lambda: sensor.snapshot().is_open)
            data = os.urandom(3000)
            post.send(data)
            sent += data
            wait_for(lambda sent=sent: sensor.tally().bytes == len(sent))
            if turn < 2:
                post.unplug()
                wait_for(lambda: not sensor.snapshot().is_open)
                post.plug()
    capture = parse_capture(path.read_bytes(), "a.cap")
    assert b"".join(entry.data for entry in capture.entries) == sent
    assert sum(entry.kind == "error" for entry in capture.entries) >= 2


def test_a_device_that_is_not_there_yet_is_waited_for(tmp_path, monkeypatch):
    monkeypatch.setattr(inclinometer, "BACK_OFF_S", (0.01,))
    post = Post(tmp_path / "post")
    with listening(str(post.path)) as sensor:
        wait_for(sensor.failed.is_set)
        assert "there is no" in sensor.snapshot().words
        post.plug()
        wait_for(sensor.opened.is_set)
        assert sensor.fault is None
        post.unplug()


def test_a_silent_link_is_stale_then_closed_and_opened_again(monkeypatch, quick):
    monkeypatch.setattr(inclinometer, "BACK_OFF_S", (0.01,))
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        listening(f"socket://127.0.0.1:{server.getsockname()[1]}", clock=quick) as sensor,
    ):

        def received_from(peer: socket.socket, good: int) -> bool:
            peer.sendall(xdr(1, 2))  # again and again: pyserial empties a socket while it opens it
            return sensor.tally().good >= good

        first, _ = server.accept()
        with first:
            wait_for(lambda: received_from(first, 5))
            wait_for(lambda: sensor.snapshot().state is WatchState.STALE)
            assert sensor.snapshot().lean is None
            assert "cable" in sensor.snapshot().words
            good = sensor.tally().good
            monkeypatch.setattr(inclinometer, "SILENT_S", 0.5)
            second, _ = server.accept()
        with second:
            wait_for(lambda: received_from(second, good + 5))
            assert any("nothing came" in message for message in sensor.messages())


class Port:
    """A serial port with a speed: only at the right one do good lines come."""

    url = "/dev/ttyUSB7"

    def __init__(self, right: int, baud: int) -> None:
        self.right = right
        self.tried = [baud]
        self.written = b""

    def read(self) -> bytes:
        time.sleep(0.005)
        return xdr(1, 2) if self.tried[-1] == self.right else b"\x8a\x00\xf3\x12"

    def set_speed(self, baud: int) -> None:
        self.tried.append(baud)

    def write(self, data: bytes) -> None:
        self.written += data

    def empty(self) -> None: ...

    def close(self) -> None: ...


def test_the_speed_is_hunted_by_listening(monkeypatch):
    right = 38400
    monkeypatch.setattr(inclinometer, "HUNT_S", 0.1)
    monkeypatch.setattr(inclinometer, "_GATHER_S", 0.0)
    monkeypatch.setattr(inclinometer, "SETTLE_S", 0.001)
    ports = []

    def open_link(_url, *, baud, **_):
        ports.append(Port(right, baud))
        return ports[-1]

    monkeypatch.setattr(links, "open_link", open_link)
    with listening("/dev/ttyUSB7") as sensor:
        wait_for(lambda: sensor.snapshot().baud == right and sensor.tally().good > 40)
        assert sensor.snapshot().format == "xdr"
        assert sensor.tally().refused == {}, "the garbage of wrong speeds is forgotten"
    assert ports[0].tried == [9600, 115200, right]
    assert ports[0].written == b"", "nothing is ever written while listening"


def test_speeds_that_bring_garbage_are_left_at_once_and_shown(monkeypatch):
    """Each was listened to for 3 s; all nine are tried before it gives up."""
    monkeypatch.setattr(inclinometer, "SETTLE_S", 0.001)
    for each in (inclinometer, stream):
        monkeypatch.setattr(each, "UNREAD_S", 0.5)
    ports = []
    monkeypatch.setattr(
        links, "open_link", lambda _url, *, baud, **_: ports.append(Port(1, baud)) or ports[-1]
    )
    monkeypatch.setattr(Port, "read", lambda _port: time.sleep(0.002) or b"\x8a\x00\xf3\x12" * 30)
    with listening("/dev/ttyUSB7") as sensor:
        wait_for(lambda: sensor.snapshot().gave_up)
        words = sensor.snapshot().words
        assert "bytes but no lines: try another speed" in words
        assert "tried 9600, 115200, 38400, 19200" in words
        assert set(ports[0].tried) == set(links.SPEEDS)


def test_after_a_loss_the_speed_that_was_good_is_tried_first(monkeypatch):
    monkeypatch.setattr(inclinometer, "HUNT_S", 0.05)
    monkeypatch.setattr(inclinometer, "SETTLE_S", 0.001)
    monkeypatch.setattr(inclinometer, "BACK_OFF_S", (0.01,))
    ports = []
    unplugged = threading.Event()

    class Unpluggable(Port):
        def read(self) -> bytes:
            if unplugged.is_set():
                unplugged.clear()
                raise InstrumentError("gone")
            return super().read()

    def open_link(_url, *, baud, **_):
        ports.append(Unpluggable(38400, baud))
        return ports[-1]

    monkeypatch.setattr(links, "open_link", open_link)
    with listening("/dev/ttyUSB7") as sensor:
        wait_for(lambda: sensor.tally().good > 10)
        unplugged.set()
        wait_for(lambda: len(ports) == 2)
        wait_for(lambda: sensor.snapshot().is_open)
    assert ports[1].tried == [38400]


def test_a_speed_that_was_given_is_the_only_one(monkeypatch):
    monkeypatch.setattr(inclinometer, "HUNT_S", 0.02)
    ports = []
    monkeypatch.setattr(
        links, "open_link", lambda _url, *, baud, **_: ports.append(Port(1, baud)) or ports[-1]
    )
    with listening("/dev/ttyUSB7", ListenOptions(baud=19200)) as sensor:
        wait_for(lambda: sensor.tally().bytes > 100)
        assert sensor.snapshot().format is None
    assert [port.tried for port in ports] == [[19200]]


def test_stopping_twice_or_before_starting_is_harmless(post):
    sensor = Inclinometer(str(post.path))
    sensor.stop()
    sensor = Inclinometer(str(post.path))
    sensor.start()
    assert sensor._thread.is_alive()
    sensor.stop()
    sensor.stop()
    assert not sensor._thread.is_alive()


def test_a_capture_that_can_not_be_written_is_refused_at_once(post, tmp_path):
    with pytest.raises(FileError):
        Inclinometer(str(post.path), capture_path=str(tmp_path / "no" / "a.cap"))


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full disk to write to")
def test_a_disk_that_fills_up_is_reported_and_ends_the_listening(post):
    with listening(str(post.path), capture=Path("/dev/full")) as sensor:
        wait_for(lambda: isinstance(sensor.fault, FileError))
        assert "disk is full" in sensor.messages()[-1]


def test_the_capture_is_flushed_when_the_program_ends_without_stopping(post, tmp_path):
    import subprocess

    path = tmp_path / "a.cap"
    program = (
        "import sys, time\n"
        "from shimfit.wire.inclinometer import Inclinometer\n"
        "s = Inclinometer(sys.argv[1], capture_path=sys.argv[2]); s.start()\n"
        "while s.tally().good < 20: time.sleep(0.01)\n"
    )
    done = threading.Event()

    def speak() -> None:
        while not done.wait(0.02):
            post.send(xdr(1, 2))

    thread = threading.Thread(target=speak, daemon=True)
    thread.start()
    try:
        subprocess.run([sys.executable, "-c", program, str(post.path), str(path)], check=True, timeout=60)
    finally:
        done.set()
        thread.join()
    capture = parse_capture(path.read_bytes(), "a.cap")
    assert not capture.torn
    assert capture.entries[-1].kind == "closed"
    assert sum(len(entry.data) for entry in capture.entries) >= 20 * len(xdr(1, 2))


def test_nothing_of_it_loads_a_screen():
    import subprocess

    program = "import sys, shimfit.wire.inclinometer\nassert not {'textual', 'serial'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)


class PlayedLink:
    """A link whose clock runs with its bytes: six seconds of a stream pass in a moment."""

    def __init__(self, fault: Exception | None = None, good: int = 400) -> None:
        self.url = "played"
        self.now_s = 100.0
        self.good = good
        self.sent = 0
        self.fault = fault
        self.blocked = threading.Event()
        self.go_on = threading.Event()

    def clock(self) -> float:
        return self.now_s

    def read(self) -> bytes:
        if self.sent >= self.good:
            if self.fault is not None:
                fault, self.fault, self.sent = self.fault, None, 0
                raise fault
            self.blocked.set()
            self.go_on.wait(20)
            return b""
        self.sent += 1
        self.now_s += 0.02
        return xdr(1.0 + 0.004 * (self.sent * 7 % 11 - 5), -0.5)

    def write(self, data: bytes) -> None: ...

    def empty(self) -> None: ...

    def close(self) -> None: ...


@pytest.fixture
def played(monkeypatch):
    def play(link: PlayedLink) -> Inclinometer:
        monkeypatch.setattr(inclinometer, "_GATHER_S", 0.0)
        monkeypatch.setattr(inclinometer, "BACK_OFF_S", (0.01,))
        monkeypatch.setattr(links, "open_link", lambda *_, **__: link)
        monkeypatch.setattr(links, "ports", lambda: ())
        return Inclinometer("played", clock=link.clock)

    return play


def test_the_screens_thread_never_waits_for_the_port(played):
    """A thousand snapshots while the reader is inside a read that nothing ends but the test."""
    link = PlayedLink()
    sensor = played(link)
    sensor.start()
    try:
        assert link.blocked.wait(20)
        link.blocked.clear()
        assert all(sensor.snapshot().lean is not None for _ in range(1000))
        assert not link.blocked.is_set(), "the reader was inside that one read all along"
    finally:
        link.go_on.set()
        sensor.stop()


def test_a_reader_that_is_blocked_is_reported_as_lost_and_its_last_value_can_not_be_taken(played):
    link = PlayedLink()
    sensor = played(link)
    sensor.start()
    try:
        assert link.blocked.wait(20)
        assert sensor.snapshot().taken is not None
        link.now_s += 1.4
        assert sensor.snapshot().taken is not None
        link.now_s += 0.2
        seen = sensor.snapshot()
        assert seen.state is WatchState.STALE
        assert seen.lean is None
        assert seen.taken is None
        assert "the reader has stopped" in seen.banner
        assert "the reader has stopped" in seen.words
    finally:
        link.go_on.set()
        sensor.stop()


def test_the_lean_shown_as_now_is_of_now(played):
    """Eight seconds at one lean, then half a second at another: whoever turns the nut sees that one alone."""
    link = PlayedLink(good=425)
    of = link.read
    link.read = lambda: of() if link.sent < 400 else of() and xdr(3.0, 0.0)
    sensor = played(link)
    sensor.start()
    try:
        assert link.blocked.wait(20)
        lean = sensor.snapshot().lean
        assert (lean.slope_along, lean.slope_across) == pytest.approx((math.tan(math.radians(3.0)), 0.0))
    finally:
        link.go_on.set()
        sensor.stop()


@pytest.mark.parametrize("fault", [RuntimeError("out of step"), AttributeError("none"), MemoryError()])
def test_whatever_goes_wrong_in_the_reader_is_a_reported_loss_and_a_new_beginning(played, fault):
    link = PlayedLink(fault)
    sensor = played(link)
    sensor.start()
    try:
        assert link.blocked.wait(20)
        assert any(type(fault).__name__ in message for message in sensor.messages())
        assert sensor.snapshot().taken is not None, "it comes in again"
        assert sensor.fault is None
    finally:
        link.go_on.set()
        sensor.stop()


def test_two_sensors_one_for_each_direction_are_one_inclinometer():
    """Each on a port of its own; what one sends is never cut into by the other, and one alone is reported."""
    import tty

    ends = [os.openpty() for _ in range(2)]
    for _, theirs in ends:
        tty.setraw(theirs)
    said = [b"$IIXDR,A,0.500,D,PITCH*26\r\n", b"$IIXDR,A,-1.000,D,ROLL*54\r\n"]
    stopping = threading.Event()
    speaking = [True, True]

    def speak(at: int) -> None:
        while not stopping.wait(0.04):
            if speaking[at]:
                os.write(ends[at][0], said[at][:9])
                time.sleep(0.01)
                os.write(ends[at][0], said[at][9:])

    speakers = [threading.Thread(target=speak, args=(at,), daemon=True) for at in range(2)]
    for each in speakers:
        each.start()
    try:
        with listening(",".join(os.ttyname(theirs) for _, theirs in ends)) as sensor:
            wait_for(lambda: sensor.tally().good > 20)
            lean = sensor.snapshot().lean
            assert math.degrees(lean.slope_along) == pytest.approx(0.5, abs=0.01)
            assert math.degrees(lean.slope_across) == pytest.approx(-1.0, abs=0.01)
            assert set(sensor.tally().refused) <= {Refusal.UNPAIRED}
            speaking[1] = False
            wait_for(lambda: sensor.snapshot().state is WatchState.STALE)
            assert "does the other sensor send" in sensor.snapshot().words
    finally:
        stopping.set()
        for each in speakers:
            each.join()
        for pair in ends:
            for end in pair:
                os.close(end)

"""Links and what goes wrong with them, through pseudo-terminals and sockets."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from receiving import wait_for, xdr

from shimfit.errors import InstrumentError, UsageError
from shimfit.wire import link as links
from shimfit.wire.link import Port, find_again, open_link, open_sentence, speeds_to_try
from shimfit.wire.stream import ListenOptions, Stream

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


def read_all(link, size: int) -> bytes:
    data = b""
    while len(data) < size:
        data += link.read()
    return data


def test_bytes_come_through_a_terminal_unchanged(terminal):
    ours, name = terminal
    link = open_link(name)
    every = bytes(range(256))
    os.write(ours, every)
    assert read_all(link, 256) == every
    assert link.read() == b"", "and then a moment of nothing"
    link.close()
    link.close()


def test_nothing_is_written_unless_asked(terminal):
    ours, name = terminal
    link = open_link(name)
    os.set_blocking(ours, False)
    with pytest.raises(BlockingIOError):
        os.read(ours, 10)
    link.write(b"ask")
    assert os.read(ours, 10) == b"ask"
    link.close()


def test_empty_throws_away_what_was_not_read(terminal):
    ours, name = terminal
    link = open_link(name)
    os.write(ours, b"late")
    wait_for(lambda: link._ports[name].in_waiting == 4)
    link.empty()
    os.write(ours, b"new")
    assert read_all(link, 3) == b"new"
    link.close()


def test_a_port_is_opened_alone(terminal):
    _, name = terminal
    link = open_link(name)
    with pytest.raises(InstrumentError, match="taken"):
        open_link(name)
    link.close()
    open_link(name).close()


@pytest.mark.parametrize(
    ("url", "kind", "says"),
    [
        ("/dev/there-is-no-such-port", InstrumentError, "there is no"),
        ("socket://127.0.0.1:1", InstrumentError, "refuses"),
        ("nosuch://x", UsageError, "isn't a port or link"),
        ("socket://", UsageError, "isn't a port or link"),
    ],
)
def test_what_can_not_be_opened_says_why_and_what_to_do(url, kind, says):
    with pytest.raises(kind, match=says) as caught:
        open_link(url)
    assert url in caught.value.message


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOENT, "plugged in"),
        (errno.EACCES, "group"),
        (errno.EBUSY, "taken"),
        (errno.EAGAIN, "taken"),
        (errno.ECONNREFUSED, "refuses"),
        (errno.EIO, "can't be opened"),
    ],
)
def test_each_error_number_has_its_sentence(number, says):
    assert says in open_sentence("/dev/x", OSError(number, os.strerror(number)))
    if number != errno.EIO:
        assert says in open_sentence("/dev/x", OSError(f"could not open port: [Errno {number}] anything"))


def test_a_terminal_that_goes_away_is_reported_as_lost():
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link = open_link(os.ttyname(theirs))
    os.close(theirs)
    os.close(ours)
    with pytest.raises(InstrumentError, match="gone"):
        read_all(link, 1)
    with pytest.raises(InstrumentError):
        link.write(b"x")
    link.close()


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="this system does not tell who holds a port")
def test_a_second_listener_is_shown_who_has_the_port(terminal):
    _, name = terminal
    program = (
        "import sys, time; port = open(sys.argv[1], 'rb', 0); print('has it', flush=True); time.sleep(30)"
    )
    with subprocess.Popen([sys.executable, "-c", program, name], stdout=subprocess.PIPE) as holder:
        assert holder.stdout.readline() == b"has it\n"
        busy = OSError(errno.EBUSY, "busy")
        words = open_sentence(name, busy)
        holder.kill()
    assert f"{name} is taken: " in words
    assert f"(process {holder.pid}) has it open" in words
    assert "another program" in open_sentence(name, busy)


@pytest.mark.parametrize("reset", [False, True])
def test_a_server_that_dies_is_reported_as_lost(reset):
    import struct

    with socket.create_server(("127.0.0.1", 0)) as server:
        link = open_link(f"socket://127.0.0.1:{server.getsockname()[1]}")
        peer, _ = server.accept()
        peer.sendall(xdr(1, 2))
        assert read_all(link, len(xdr(1, 2))) == xdr(1, 2)
        if reset:
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        peer.close()
        with pytest.raises(InstrumentError, match="far end"):
            read_all(link, 1)
        link.close()


class FarPort:
    """The port that an RFC 2217 server shares: no modem lines, as a pseudo-terminal has none."""

    def __init__(self) -> None:
        self.baudrate, self.bytesize, self.parity, self.stopbits = 9600, 8, "N", 1
        self.xonxoff = self.rtscts = False
        self.dtr = self.rts = True
        self.cts = self.dsr = self.ri = self.cd = False

    def reset_input_buffer(self) -> None: ...

    def reset_output_buffer(self) -> None: ...


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5's own
def test_a_network_port_by_rfc_2217_and_its_server_that_dies():
    """pyserial's own server side at the far end."""
    import threading

    from serial.rfc2217 import PortManager

    far = FarPort()
    peers = []

    class Connection:
        def write(self, data: bytes) -> None:
            peers[0].sendall(data)

    def serve() -> None:
        peer, _ = server.accept()
        peers.append(peer)
        manager = PortManager(far, Connection())
        while data := peer.recv(1000):
            list(manager.filter(data))

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        link = open_link(f"rfc2217://127.0.0.1:{server.getsockname()[1]}", baud=38400)
        assert far.baudrate == 38400
        peers[0].sendall(xdr(1, 2))
        assert read_all(link, len(xdr(1, 2))) == xdr(1, 2)
        peers[0].shutdown(socket.SHUT_RDWR)
        thread.join(10)
        peers[0].close()
        with pytest.raises(InstrumentError, match="far end"):
            read_all(link, 1)
        link.close()


def test_loop_links_work_like_devices():
    link = open_link("loop://")
    link.write(xdr(1, 2))
    assert read_all(link, len(xdr(1, 2))) == xdr(1, 2)
    link.close()


def test_two_writers_on_one_link_give_damage_not_numbers(terminal):
    """Bytes of two senders mixed: what is not whole is refused by its sum."""
    ours, name = terminal
    stream = Stream(ListenOptions())
    link = open_link(name)
    stream.opened(0.0)
    one, other = xdr(1, 2), xdr(11, 12)
    mixed = b"".join(one[:cut] + other + one[cut:] for cut in range(0, len(one), 3))
    for at in range(0, len(mixed), 500):
        os.write(ours, mixed[at : at + 500])
        stream.feed(1.0, read_all(link, len(mixed[at : at + 500])))
    link.close()
    assert stream.tally.good >= 10
    assert stream.tally.refused_total >= 10


def test_unplugged_in_mid_line_and_back_a_thousand_times():
    """Each time: a terminal, half a line, gone; then the other half. Never a sample from two halves."""
    import tty

    stream = Stream(ListenOptions())
    line = xdr(1.5, -2.5)
    for turn in range(1000):
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        link = open_link(os.ttyname(theirs))
        stream.opened(float(turn))
        cut = 2 + turn % (len(line) - 3)
        sent = line[-cut:] + line + line[:-cut]
        os.write(ours, sent)
        stream.feed(turn + 0.5, read_all(link, len(sent)))
        os.close(theirs)
        os.close(ours)
        with pytest.raises(InstrumentError) as caught:
            link.read()
        stream.lost(caught.value.message)
        link.close()
    assert stream.tally.good == 1000
    assert stream.tally.bytes == 1000 * 2 * len(line)
    assert {str(reason): count for reason, count in stream.tally.refused.items()} == {"unfinished": 1000}
    assert not list(filter(lambda name: "pts" in name, _open_files())), "no file is left open"


def _open_files() -> list[str]:
    folder = Path("/proc/self/fd")
    names = []
    for number in folder.iterdir() if folder.is_dir() else []:
        with contextlib.suppress(OSError):
            names.append(str(number.readlink()))
    return names


# ---------------------------------------------------------------- names and speeds


def test_speeds_are_hunted_only_where_a_link_has_one(terminal):
    assert speeds_to_try("/dev/ttyUSB0", None)[:3] == (9600, 115200, 38400)
    assert speeds_to_try("/dev/ttyUSB0", 19200)[:3] == (19200, 9600, 115200)
    assert len(speeds_to_try("/dev/ttyUSB0", None)) == 9
    for url in ("socket://h:1", "rfc2217://h:1", "/dev/ttyACM0", terminal[1]):
        assert len(speeds_to_try(url, None)) == 1


def test_a_symlink_to_a_terminal_has_no_speed_either(terminal, tmp_path):
    link = tmp_path / "post"
    link.symlink_to(terminal[1])
    assert len(speeds_to_try(str(link), None)) == 1


USB = Port("/dev/ttyUSB0", "USB serial adapter", "1a86:7523", "S1", "1-2")


@pytest.mark.parametrize(
    ("now", "url"),
    [
        ([Port("/dev/ttyUSB3", "x", "1a86:7523", "S1", "9-9")], "/dev/ttyUSB3"),
        ([Port("/dev/ttyUSB3", "x", "1a86:7523", None, "1-2")], "/dev/ttyUSB3"),
        ([Port("/dev/ttyUSB3", "x", "1a86:7523", "S2", "3-3")], None),
        ([Port("/dev/ttyUSB3", "x", "0403:6001", "S1", "1-2")], None),
        ([], None),
    ],
)
def test_a_device_is_found_again_under_another_name(now, url):
    assert find_again(USB, now) == url


def test_a_port_without_usb_is_never_looked_for():
    assert find_again(Port("/dev/ttyS0", "built-in port"), [USB]) is None
    assert find_again(None, [USB]) is None


def test_ports_are_listed_with_what_they_seem_to_be(monkeypatch):
    from types import SimpleNamespace

    from serial.tools import list_ports

    def info(device, description, vid=None):
        return SimpleNamespace(
            device=device, description=description, vid=vid, pid=vid, serial_number="7", location="1-1"
        )

    found = [
        info("/dev/ttyS0", "ttyS0"),
        info("/dev/ttyUSB0", "USB-to-UART", 0x1A86),
        info("/dev/ttyACM0", "Pico", 0x2E8A),
        info("/dev/rfcomm0", "n/a"),
    ]
    monkeypatch.setattr(list_ports, "comports", lambda: found)
    assert [(port.url, port.seems.split(" (")[0]) for port in links.ports()] == [
        ("/dev/rfcomm0", "Bluetooth serial"),
        ("/dev/ttyACM0", "USB board"),
        ("/dev/ttyUSB0", "USB serial adapter"),
        ("/dev/ttyS0", "built-in port"),
    ]

"""The firmware, unchanged, on CPython with a played bus; its stream goes through a terminal into `listen`."""

from __future__ import annotations

import importlib.util
import io
import json
import math
import os
import shutil
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
import stub_i2c
from receiving import receive

from shimfit.cli import main
from shimfit.cli.io import Io
from shimfit.wire import inclinometer
from shimfit.wire.formats import parse_description

FIRMWARE = Path(__file__).parents[2] / "hardware_notes" / "firmware" / "inclinometer.py"
ROOT = FIRMWARE.parents[2]
HERE = Path(__file__).parent
CHIPS = ("ADXL345", "ADXL313", "LIS3DH", "MPU-6050")
QUICKER = 10
# What MicroPython's time has and CPython's has not; each of its seconds passes QUICKER times as quick.
TIME = (
    "import sys, time\n"
    f"time.sleep_ms = lambda ms: time.sleep(ms / 1000 / {QUICKER})\n"
    f"time.sleep_us = lambda us: time.sleep(us / 1e6 / {QUICKER})\n"
    f"time.ticks_ms = lambda: int({QUICKER} * time.monotonic() * 1000)\n"
    "time.ticks_diff = lambda a, b: a - b\n"
)


@pytest.fixture
def firmware(monkeypatch):
    """The program as a module, with no time passing."""
    for name in ("sleep_ms", "sleep_us"):
        monkeypatch.setattr(time, name, lambda _: None, raising=False)
    monkeypatch.setattr(time, "ticks_ms", lambda: 0, raising=False)
    monkeypatch.setattr(time, "ticks_diff", lambda a, b: a - b, raising=False)
    spec = importlib.util.spec_from_file_location("firmware_inclinometer", FIRMWARE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def sent_by(firmware, monkeypatch, chip, lean, *, sentences=200, noise_g="0.003") -> bytes:
    """What the board says with a chip on its bus that leans by these slopes."""
    out = io.StringIO()
    with monkeypatch.context() as played:
        for name, value in (("CHIP", chip), ("TAN_X", lean[0]), ("TAN_Y", lean[1]), ("NOISE_G", noise_g)):
            played.setenv(f"STUB_{name}", str(value))
        played.setattr(sys, "stdout", out)
        firmware.run(stub_i2c.I2C(), chip, sentences)
    return out.getvalue().encode()


@pytest.mark.parametrize("chip", CHIPS)
def test_each_chips_lean_comes_out_as_it_went_in(firmware, monkeypatch, chip):
    """A lean of -10 and +8 mm/m; 200 of 200 sentences are good."""
    received = receive([sent_by(firmware, monkeypatch, chip, (-0.010, 0.008))])
    assert len(received.samples) == 200
    assert received.tally.refused_total == received.tally.other == 0
    mean_x, mean_y = (sum(column) / 200 for column in zip(*received.angles, strict=True))
    assert 1000 * math.tan(math.radians(mean_x)) == pytest.approx(-10.0, abs=0.3)
    assert 1000 * math.tan(math.radians(mean_y)) == pytest.approx(8.0, abs=0.3)


def test_large_leans_are_elevations(firmware, monkeypatch):
    from shimfit.wire.samples import slopes

    received = receive([sent_by(firmware, monkeypatch, "LIS3DH", (0.3, -0.2), noise_g="0")])
    lean = slopes(*received.angles[0], elevation=True)
    assert (lean.slope_along, lean.slope_across) == pytest.approx((0.3, -0.2), abs=6e-4)  # digits of 1 mg


def test_a_wrong_chip_and_a_loose_wire_are_said_as_comments_and_tried_again(firmware, monkeypatch):
    monkeypatch.setattr(
        firmware, "CHIPS", {**firmware.CHIPS, "ADXL345": (0x53, 0, 0x00, (), 0x32, True, 256.0)}
    )
    data = sent_by(firmware, monkeypatch, "ADXL345", (0, 0), sentences=3)
    assert data.count(b"# ADXL345 expected, chip says 0xE5\n") == 3
    assert receive([data]).tally.other == 3
    out = io.StringIO()
    with monkeypatch.context() as played:
        played.setenv("STUB_CHIP", "MPU-6050")
        played.setattr(sys, "stdout", out)
        firmware.run(stub_i2c.I2C(), "LIS3DH", 2)
    assert out.getvalue().count("# [Errno 19]") == 2


def test_a_dead_chip_that_sends_zeros_sends_no_lean(firmware, monkeypatch):
    with pytest.raises(OSError, match="feels 0"):
        firmware.elevations(0.0, 0.0, 0.0)
    asleep = {**firmware.CHIPS, "MPU-6050": (0x68, 0x75, 0x68, (), 0x3B, False, 16384.0)}
    monkeypatch.setattr(firmware, "CHIPS", asleep)
    received = receive([sent_by(firmware, monkeypatch, "MPU-6050", (0, 0), sentences=3)])
    assert (received.samples, received.tally.other) == ([], 3)


# Data-sheet facts, from memory: what each chip is set to, and what a count and the range are worth then.
SET = {
    "ADXL345": ({0x31: 0x08, 0x2C: 0x0B, 0x2D: 0x08}, 256.0, 2.0),
    "ADXL313": ({0x31: 0x0A, 0x2C: 0x0B, 0x2D: 0x08}, 1024.0, 2.0),
    "LIS3DH": ({0x20: 0x67, 0x23: 0x88}, 16000.0, 2.048),
    "MPU-6050": ({0x6B: 0x00, 0x1A: 0x04, 0x1C: 0x00}, 16384.0, 2.0),
}


@pytest.mark.parametrize("chip", CHIPS)
def test_range_and_scale_are_what_the_registers_make_of_them(firmware, chip):
    registers, per_g, range_g = SET[chip]
    assert dict(firmware.CHIPS[chip][3]) == registers
    assert firmware.CHIPS[chip][6] == per_g
    assert stub_i2c.scale(chip, registers)[:2] == (per_g, range_g)


@pytest.mark.parametrize(
    ("chip", "setup", "per_g"),
    [
        ("ADXL313", ((0x31, 0x08), (0x2D, 0x08)), 1024.0),  # half a g at 1024 a g: z clips, leans double
        ("ADXL345", ((0x31, 0x01), (0x2D, 0x08)), 256.0),  # ten bits over 4 g, read as 256 a g
        ("LIS3DH", ((0x20, 0x67), (0x23, 0x98)), 16000.0),
        ("MPU-6050", ((0x6B, 0x00), (0x1C, 0x18)), 16384.0),
    ],
)
def test_a_range_or_scale_that_is_not_the_chips_own_says_no_lean(firmware, monkeypatch, chip, setup, per_g):
    """The firmware says so in a comment; and were the triples sent on, the host would refuse them."""
    address, register, who, _, first, low_first, _ = firmware.CHIPS[chip]
    wrong = (address, register, who, setup, first, low_first, per_g)
    monkeypatch.setattr(firmware, "CHIPS", {**firmware.CHIPS, chip: wrong})
    received = receive([sent_by(firmware, monkeypatch, chip, (-0.010, 0.008), sentences=4)])
    assert (received.samples, received.tally.other) == ([], 4)
    monkeypatch.setenv("STUB_CHIP", chip)
    bus = stub_i2c.I2C()
    firmware.start(bus, chip)
    lines = b"".join(b"%f,%f,%f\n" % tuple(firmware.read(bus, chip)) for _ in range(9))
    described = parse_description('format = "text"\ncolumns = ["ax:g", "ay:g", "az:g"]\n', "t")
    triples = receive([lines], described)
    assert triples.samples == []
    assert triples.refused == {"not_one_g": 8}


def test_the_chip_is_woken_as_its_datasheet_says(firmware, monkeypatch):
    monkeypatch.setenv("STUB_CHIP", "ADXL345")
    bus = stub_i2c.I2C()
    firmware.start(bus, "ADXL345")
    # DATA_FORMAT full resolution, BW_RATE 200 Hz, POWER_CTL measure (ADXL345 datasheet)
    assert bus.written == [(0x31, 0x08), (0x2C, 0x0B), (0x2D, 0x08)]


MICROPYTHON = os.environ.get("SHIMFIT_MICROPYTHON", "")


@pytest.mark.skipif(not (MICROPYTHON and shutil.which("node")), reason="SHIMFIT_MICROPYTHON names no port")
def test_it_runs_on_a_real_micropython():
    """SHIMFIT_MICROPYTHON = micropython.mjs of the npm package of MicroPython's WebAssembly port."""
    run = subprocess.run(
        ["node", str(HERE / "micropython_run.mjs"), MICROPYTHON, str(FIRMWARE), "40"],
        capture_output=True,
        timeout=120,
        check=True,
    )
    received = receive([run.stdout])
    assert len(received.samples) == 40
    assert received.tally.refused_total == received.tally.other == 0
    mean_x, mean_y = (sum(column) / 40 for column in zip(*received.angles, strict=True))
    assert mean_x == pytest.approx(-math.degrees(2.5625 / 256), abs=0.01)
    assert mean_y == pytest.approx(math.degrees(2 / 256), abs=0.001)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_it_streams_through_a_terminal_into_listen(tmp_path, terminal, monkeypatch):
    """The firmware as a program of its own at one end, `listen` at the other; both are quicker than usual."""
    ours, theirs = terminal
    program = (
        f"{TIME}sys.path.insert(0, {str(HERE)!r})\n"
        f"import runpy\nrunpy.run_path({str(FIRMWARE)!r}, run_name='__main__')"
    )
    environment = os.environ | {
        "STUB_TAN_X": "-0.010",
        "STUB_TAN_Y": "0.008",
        "STUB_NOISE_G": "0.003",
        "PYTHONUNBUFFERED": "1",
        "PYTHONPATH": str(ROOT),
    }
    quick = partial(inclinometer.Inclinometer, clock=lambda: QUICKER * time.monotonic())
    monkeypatch.setattr(inclinometer, "Inclinometer", quick)
    monkeypatch.setattr(inclinometer, "_GATHER_S", inclinometer._GATHER_S / QUICKER)
    out, err = io.StringIO(), io.StringIO()
    board = subprocess.Popen([sys.executable, "-c", program], stdout=ours, env=environment)
    try:
        code = main(["listen", theirs, "--json", "--capture", str(tmp_path / "b.cap")], Io(out, err))
    finally:
        board.kill()
        board.wait()
    assert code == 0, err.getvalue()
    reported = json.loads(out.getvalue())
    assert reported["state"] == "TAKEN"
    assert reported["refused_total"] == 0
    assert 1000 * math.tan(math.radians(reported["lean"]["x_deg"])) == pytest.approx(-10.0, abs=0.6)
    assert 1000 * math.tan(math.radians(reported["lean"]["y_deg"])) == pytest.approx(8.0, abs=0.6)

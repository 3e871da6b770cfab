"""`listen` and `simulate` as typed: the contract's JSON, exit codes, captures, faces, a live post."""

from __future__ import annotations

import json
import math
import os
import shlex
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Self

import pytest

from shimfit.wire import link as links
from shimfit.wire import simulate

ROOT = Path(__file__).resolve().parents[2]
CAPTURES = ROOT / "fixtures" / "captures"
KEYS = {
    "schema",
    "format",
    "bytes",
    "samples_good",
    "refused",
    "refused_total",
    "other",
    "lean",
    "state",
    "why",
    "messages",
}


def numbers_in(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [number for part in value for number in numbers_in(part)]
    return [value] if isinstance(value, float) else []


@pytest.mark.parametrize("path", sorted(CAPTURES.glob("*.cap")), ids=lambda path: path.stem)
def test_a_captures_json_has_the_contracts_keys_and_only_finite_numbers(shimfit, path):
    described = path.with_suffix(".toml")
    form = ("--format", str(described)) if described.exists() else ()
    ran = shimfit("listen", str(path), "--json", *form)
    reported = ran.json
    assert ran.code == (0 if reported["samples_good"] else 3)
    assert set(reported) >= KEYS
    assert reported["refused_total"] == sum(reported["refused"].values())
    assert (reported["lean"] is None) == (reported["state"] != "TAKEN")
    assert all(math.isfinite(number) for number in numbers_in(reported))


def test_a_reading_of_a_still_post_is_what_was_simulated(shimfit):
    """8 mm and 5 mm in 1 m: 0.4583 and 0.2865 degrees."""
    lean = shimfit("listen fixtures/captures/still.cap --json").json["lean"]
    assert lean["x_deg"] == pytest.approx(math.degrees(math.atan(0.008)), abs=3 * lean["u_x_deg"])
    assert lean["y_deg"] == pytest.approx(math.degrees(math.atan(0.005)), abs=3 * lean["u_y_deg"])
    assert lean["slope_along"] == pytest.approx(0.008, abs=3 * lean["u_along"])
    assert lean["u_hold_x_deg"] < 0.004
    assert lean["u_x_deg"] >= 0.5, "nobody has found this sensor's zero"
    assert not lean["zero_found"]


def test_without_json_it_is_given_in_sentences(shimfit):
    ran = shimfit("listen fixtures/captures/unplugged.cap")
    assert ran.code == 0
    assert ran.out.startswith("TAKEN: ")
    assert "largest uncertainty" in ran.out
    assert "link lost at 5.0 s" in ran.err


def test_axes_and_zero(shimfit):
    plain = shimfit("listen fixtures/captures/still.cap --json").json["lean"]
    turned = shimfit(
        "listen", "fixtures/captures/still.cap", "--json", "--axes", "x=house y=next", "--zero", "0.1,-0.1"
    ).json["lean"]
    assert turned["x_deg"] == pytest.approx(plain["x_deg"] - 0.1)
    assert turned["slope_across"] == pytest.approx(-math.tan(math.radians(turned["x_deg"])))
    assert turned["slope_along"] == pytest.approx(math.tan(math.radians(turned["y_deg"])))


def test_two_faces_come_apart_into_lean_and_zero(shimfit):
    ran = shimfit("listen --reversal fixtures/captures/face-one.cap fixtures/captures/face-two.cap --json")
    assert ran.code == 0
    reported = ran.json
    lean, zero = reported["lean"], reported["zero"]
    assert lean["x_deg"] == pytest.approx(math.degrees(math.atan(0.008)), abs=3 * lean["u_x_deg"])
    assert lean["y_deg"] == pytest.approx(math.degrees(math.atan(0.005)), abs=3 * lean["u_y_deg"])
    assert zero["x_deg"] == pytest.approx(2.5, abs=3 * zero["u_x_deg"])
    assert zero["y_deg"] == pytest.approx(-1.0, abs=3 * zero["u_y_deg"])
    assert reported["doubt"] is None
    said = shimfit("listen --reversal fixtures/captures/face-one.cap fixtures/captures/face-two.cap")
    assert "lean: x +0.4" in said.out
    assert "zero: x +2." in said.out


def test_a_face_that_was_not_turned_or_has_no_reading_is_over(shimfit):
    ran = shimfit("listen --reversal fixtures/captures/face-one.cap fixtures/captures/face-one.cap --json")
    assert ran.code == 1
    assert ran.json["doubt"] == "ask"
    ran = shimfit("listen --reversal fixtures/captures/face-one.cap fixtures/captures/creeping.cap --json")
    assert ran.code == 1
    assert ran.json["lean"] is None
    assert "creeping.cap has no reading" in ran.json["why"]


def test_a_turn_that_is_short_of_half_is_in_the_doubt(shimfit, tmp_path):
    """Turned by 176 degrees on a post that leans 1 degree across: 1 x sin 4 / 2 = 0.035 degrees too much."""
    faces = []
    for number, (x_deg, y_deg) in enumerate(((2.5, -1.0 + 1.0), (2.5 - 0.0698, -1.0 - 0.9976))):
        lines = [f"{x_deg + 0.002 * (k % 3 - 1):.4f},{y_deg:.4f}\n" for k in range(400)]
        faces.append(tmp_path / f"{number}.txt")
        faces[-1].write_text("".join(lines))
    toml = tmp_path / "t.toml"
    toml.write_text('format = "text"\ncolumns = ["x:deg", "y:deg"]\n')
    ran = shimfit("listen", "--reversal", *map(str, faces), "--format", str(toml), "--json")
    lean = ran.json["lean"]
    assert abs(lean["x_deg"]) == pytest.approx(0.035, abs=0.002)
    assert abs(lean["x_deg"]) <= 2.1 * lean["u_x_deg"]


def test_a_known_zero_judges_a_new_one_and_a_found_one_is_kept(shimfit, tmp_path):
    faces = ("fixtures/captures/face-one.cap", "fixtures/captures/face-two.cap")
    jumped = shimfit("listen", "--reversal", *faces, "--zero", "1.0,-1.0,0.01", "--json")
    assert jumped.code == 1
    assert jumped.json["doubt"] == "zero-jumped"
    assert shimfit("listen", "--reversal", *faces, "--zero", "2.5,-1.0,0.02", "--json").code == 0
    db = ("--db", str(tmp_path / "box.shimfit"))
    kept = shimfit("listen", "--reversal", *faces, "--keep", "--degc", "21", *db, "--json")
    assert kept.code == 0
    reported = shimfit("instrument", "list", *db, "--json").json["instruments"][0]
    assert reported["name"] == "inclinometer"
    assert math.degrees(math.atan(reported["zero_along"])) == pytest.approx(2.5, abs=0.02)
    assert reported["zero_degc"] == 21
    assert shimfit("listen", "fixtures/captures/still.cap", "--keep").code == 2
    still = shimfit("listen", "fixtures/captures/low-passed.cap", "--still", "--keep", *db, "--json")
    memory_s = max(still.json["sensor"][axis]["memory_s"] for axis in "xy")
    reported = shimfit("instrument", "list", *db, "--json").json["instruments"][0]
    assert reported["memory_s"] == pytest.approx(memory_s)
    assert reported["zero_degc"] == 21, "what was known of it before stays"


def test_know_your_sensor(shimfit, tmp_path):
    path = str(tmp_path / "still.cap")
    shimfit("simulate", "--capture", path, "--seconds", "40", "--memory", "0.6", "--drift", "0.05")
    ran = shimfit("listen", path, "--still", "--json")
    sensor = ran.json["sensor"]["x"]
    assert sensor["samples"] == 2000
    assert sensor["spread_deg"] == pytest.approx(0.02, rel=0.1)
    assert sensor["memory_s"] == pytest.approx(4 * 0.02, rel=0.4)  # (1 + 0.6) / (1 - 0.6) = 4 samples
    assert sensor["drift_deg_per_min"] == pytest.approx(0.05, abs=0.02)
    assert len(sensor["curve"]) >= 8
    said = shimfit("listen", path, "--still").out
    assert "averaging stops helping" in said
    assert "●" in said
    assert "doubts = { floor_deg = 0.0" in said
    short = shimfit("listen fixtures/captures/two-sentences.cap --still --json")
    assert short.code == 0


def test_a_still_record_that_is_too_short_is_refused(shimfit, tmp_path):
    path = str(tmp_path / "s.cap")
    shimfit("simulate", "--capture", path, "--seconds", "1")
    ran = shimfit("listen", path, "--still", "--json")
    assert ran.code == 2
    assert "too short" in ran.json["error"]["message"]


def test_a_trace_has_every_good_sample(shimfit, tmp_path):
    trace = tmp_path / "t.csv"
    reported = shimfit("listen", "fixtures/captures/still.cap", "--json", "--trace", str(trace)).json
    header, *rows = trace.read_text().splitlines()
    assert header == "time_s,x_deg,y_deg,moving"
    assert len(rows) == reported["samples_good"]
    first = (CAPTURES / "still.cap").read_bytes().split(b"$IIXDR,A,")[1]
    assert rows[0] == f"0.020000,{float(first.split(b',')[0]):.6f},{float(first.split(b',')[4]):.6f},0"


def test_a_bare_file_with_and_without_times(shimfit, tmp_path):
    from shimfit.wire.capture import parse_capture

    capture = parse_capture((CAPTURES / "still.cap").read_bytes(), "still")
    pieces = [entry for entry in capture.entries if entry.kind == "bytes"]
    bare, timing = tmp_path / "raw.bin", tmp_path / "raw.chunks.csv"
    bare.write_bytes(b"".join(piece.data for piece in pieces))
    rows, offset = ["segment,time_s,offset,length"], 0
    for piece in pieces:
        rows.append(f"0,{piece.time_s},{offset},{len(piece.data)}")
        offset += len(piece.data)
    timing.write_text("\n".join(rows) + "\n")
    whole = shimfit("listen fixtures/captures/still.cap --json").json
    timed = shimfit("listen", str(bare), "--timing", str(timing), "--json").json
    assert timed["lean"] == whole["lean"]
    guessed = shimfit("listen", str(bare), "--rate", "50", "--json").json
    assert guessed["state"] == "TAKEN"
    assert "evenly" in guessed["messages"][0]


def test_text_without_a_description_asks_for_one_and_gives_its_beginning(shimfit):
    ran = shimfit("listen fixtures/captures/clocked-text.cap")
    assert ran.code == 3
    assert "LISTENING" in ran.out
    assert "columns = [" in ran.out
    reported = shimfit("listen fixtures/captures/clocked-text.cap --json").json
    assert (reported["format"], reported["lean"], reported["samples_good"]) == ("text", None, 0)


@pytest.mark.parametrize(
    ("words", "code", "kind"),
    [
        ("listen", 2, "usage"),
        ("listen nosuch.cap", 4, "file"),
        ("listen fixtures", 4, "file"),
        ("listen /dev/there-is-no-such-port --seconds 1", 3, "device"),
        ("listen socket://127.0.0.1:1 --seconds 1", 3, "device"),
        ("listen nosuch://x --seconds 1", 2, "usage"),
        ("listen fixtures/captures/still.cap --format nosuch.toml", 4, "file"),
        ("listen fixtures/captures/still.cap --format fixtures/captures/README.md", 4, "file"),
        ("listen fixtures/captures/still.cap --timing x.csv", 2, "usage"),
        ("listen fixtures/captures/still.cap --seconds 3", 2, "usage"),
        ("listen fixtures/captures/still.cap --zero 1", 2, "usage"),
        ("listen fixtures/captures/still.cap --zero a,b", 2, "usage"),
        ("listen fixtures/captures/still.cap --zero 46,0", 2, "usage"),
        ("listen fixtures/captures/still.cap --zero 1,2,-0.1", 2, "usage"),
        ("simulate --seconds 1 --at-once --zero 1,2,0.1", 2, "usage"),
        ("listen fixtures/captures/still.cap --axes x=up", 2, "entry"),
        ("listen /dev/null0 --baud 1 --seconds 1", 2, "usage"),
        ("listen /dev/null0 --timing x.csv", 2, "usage"),
        ("listen --reversal fixtures/captures/still.cap nosuch.cap", 4, "file"),
        ("simulate --format morse --seconds 1 --at-once", 2, "usage"),
        ("simulate --at-once", 2, "usage"),
        ("simulate --seconds 0", 2, "usage"),
        ("simulate --rate 0", 2, "usage"),
        ("simulate --seconds 1 --at-once --do dance", 2, "usage"),
        ("simulate --seconds 1 --at-once --do '1 dance'", 2, "entry"),
        ("simulate --seconds 1 --at-once --along 900", 2, "usage"),
        ("simulate --seconds 1 --at-once --do '0 damage 1.5'", 2, "entry"),
        ("simulate --capture /nowhere/at/all.cap --seconds 1", 4, "file"),
    ],
)
def test_what_goes_wrong_has_its_exit_code_and_its_kind(shimfit, words, code, kind):
    ran = shimfit(*shlex.split(words), "--json")
    assert ran.code == code
    assert ran.json["error"]["kind"] == kind
    assert ran.json["error"]["message"] in ran.err


def test_ports_are_listed(shimfit, monkeypatch):
    port = links.Port("/dev/ttyUSB0", "USB serial adapter", "1a86:7523", "S1", "1-2")
    monkeypatch.setattr(links, "ports", lambda: (port,))
    assert shimfit("listen --ports").out.split("  ")[0] == "/dev/ttyUSB0"
    assert shimfit("listen --ports --json").json["ports"] == [
        {
            "url": "/dev/ttyUSB0",
            "seems": "USB serial adapter",
            "usb": "1a86:7523",
            "serial_number": "S1",
            "location": "1-2",
        }
    ]
    monkeypatch.setattr(links, "ports", lambda: ())
    assert "no ports" in shimfit("listen --ports").err


# ---------------------------------------------------------------- simulate


def test_simulate_on_stdout_speaks_and_repeats_itself_for_a_seed(shimfit):
    ran = shimfit("simulate --seconds 2 --at-once --rate 10")
    lines = ran.out.splitlines()
    assert len(lines) == 20
    assert all(line.startswith("$IIXDR,A,") for line in lines)
    assert shimfit("simulate --seconds 2 --at-once --rate 10").out == ran.out
    assert shimfit("simulate --seconds 2 --at-once --rate 10 --seed 2").out != ran.out


def lean_after(shimfit, tmp_path, script, seconds=10):
    """Where it stands once taken: the tail of a movement is left out, so a reading comes 5 s after it."""
    path = str(tmp_path / "s.cap")
    assert shimfit("simulate", "--capture", path, "--seconds", str(seconds), "--do", script).code == 0
    reported = shimfit("listen", path, "--json").json
    assert reported["state"] == "TAKEN", reported["why"]
    return reported["lean"]["slope_along"], reported["lean"]["slope_across"]


def test_packs_that_go_in_take_the_lean_out_by_the_gap_planes_geometry(shimfit, tmp_path):
    """90 mm foot, 8 and 5 mm in 1 m: 0.72, 0.45 and 1.17 mm at the three corners make it plumb."""
    script = "1 insert next-house 0.72; 1 insert prev-out 0.45; 1 insert next-out 1.17"
    along, across = lean_after(shimfit, tmp_path, script)
    assert along == pytest.approx(0.0, abs=3e-4)
    assert across == pytest.approx(0.0, abs=3e-4)
    along, across = lean_after(
        shimfit, tmp_path, script + "; 2 pull prev-out; 2 pull next-out; 2 pull next-house"
    )
    assert (along, across) == (pytest.approx(0.008, abs=3e-4), pytest.approx(0.005, abs=3e-4))


def test_a_push_shifts_and_a_knock_does_not(shimfit, tmp_path):
    assert lean_after(shimfit, tmp_path, "1 push 0.5 0")[0] == pytest.approx(
        0.008 + math.radians(0.5), abs=4e-4
    )
    assert lean_after(shimfit, tmp_path, "1 knock 1.5")[0] == pytest.approx(0.008, abs=3e-4)


def same_reading(one, other) -> bool:
    """A replay's reading is the live one's; a capture keeps times to a microsecond."""
    kept = [reported["lean"] for reported in (one, other)]
    return all(one[key] == other[key] for key in ("samples_good", "refused", "other", "state")) and all(
        kept[0][key] == pytest.approx(kept[1][key], rel=1e-5)
        for key in ("x_deg", "y_deg", "u_x_deg", "held_s")
    )


posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


def test_a_devices_file_brings_axes_zero_and_doubts_and_what_is_typed_wins(shimfit, tmp_path):
    toml = tmp_path / "mine.toml"
    toml.write_text(
        'format = "xdr"\naxes = "x=house y=next"\nzero = [0.1, -0.1]\ndoubts = { floor_deg = 0.05 }\n',
        "utf-8",
    )
    plain = shimfit("listen fixtures/captures/still.cap --json").json["lean"]
    known = shimfit("listen", "fixtures/captures/still.cap", "--json", "--format", str(toml)).json["lean"]
    assert known["x_deg"] == pytest.approx(plain["x_deg"] - 0.1)
    assert known["slope_across"] == pytest.approx(-math.tan(math.radians(known["x_deg"])))
    assert known["u_x_deg"] == pytest.approx(math.hypot(plain["u_hold_x_deg"], 0.05, 0.02), rel=1e-3)
    assert "can't average away" in known["largest_term"]
    words = ("listen", "fixtures/captures/still.cap", "--json", "--format", str(toml), "--zero", "0,0")
    assert shimfit(*words).json["lean"]["x_deg"] == pytest.approx(plain["x_deg"])
    faces = ("fixtures/captures/face-one.cap", "fixtures/captures/face-two.cap")
    zero = shimfit("listen", "--reversal", *faces, "--json", "--format", str(toml)).json["zero"]
    assert zero["x_deg"] == pytest.approx(2.5, abs=0.02), (
        "a known zero is not taken off where it is looked for"
    )


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('axes = "x=up"', "axes"),
        ("axes = 3", "axes"),
        ("zero = [1]", "zero"),
        ("zero = [1, 99]", "zero"),
        ("zero = [1, nan]", "zero"),
        ("doubts = 1", "doubts"),
        ("doubts = { luck = 1 }", "luck"),
        ("doubts = { gain = -1 }", "gain"),
        ("doubts = { gain = true }", "gain"),
        ("colour = 1", "colour"),
    ],
)
def test_a_wrong_devices_file_names_its_key(shimfit, tmp_path, line, says):
    toml = tmp_path / "mine.toml"
    toml.write_text(f'format = "xdr"\n{line}\n', "utf-8")
    ran = shimfit("listen", "fixtures/captures/still.cap", "--json", "--format", str(toml))
    assert ran.code == 4
    assert says in ran.json["error"]["message"]


class Simulated:
    """`shimfit simulate` as a program of its own."""

    def __init__(self, path: Path, *options: str) -> None:
        self.path = path
        self.process = subprocess.Popen(
            [sys.executable, "-m", "shimfit", "simulate", "--link", str(path), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=ROOT,
        )

    def __enter__(self) -> Self:
        end = time.monotonic() + 30
        while not self.path.is_symlink():
            assert time.monotonic() < end
            assert self.process.poll() is None, self.process.stderr.read()
            time.sleep(0.02)
        return self

    def order(self, text: str) -> None:
        self.process.stdin.write(text.encode() + b"\n")
        self.process.stdin.flush()

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.communicate(timeout=30)


def test_a_whole_session_on_a_simulated_post(shimfit, simulated_post, tmp_path):
    """First contact, the packs go in on an order, unplugged and back, the reading, and the capture again."""
    capture = tmp_path / "a.cap"
    packs = "insert next-house 0.72; 0.5 insert prev-out 0.45; 0.5 insert next-out 1.17"
    simulated_post(f"0.5 {packs}; 2.5 unplug 0.4", noise_deg=0.02)
    ran = shimfit("listen", "/dev/post", "--json", "--capture", str(capture))
    assert ran.code == 0, ran.err
    reported = ran.json
    assert reported["state"] == "TAKEN"
    assert reported["lean"]["slope_along"] == pytest.approx(0.0, abs=5e-4), "plumb on its three packs"
    assert reported["lean"]["slope_across"] == pytest.approx(0.0, abs=5e-4)
    assert any("gone" in message for message in reported["messages"])
    assert set(reported["refused"]) <= {"unfinished"}
    again = shimfit("listen", str(capture), "--json").json
    assert same_reading(again, reported)
    assert again["bytes"] == reported["bytes"]


@posix
def test_the_simulator_plays_on_a_terminal_and_obeys_what_is_typed(shimfit, tmp_path):
    path = tmp_path / "post"
    with Simulated(path, "--noise", "0.005") as sim:
        for order in ("tip 1 0", "dance", "damage 1.5"):
            sim.order(order)
        reported = shimfit(
            "listen", str(path), "--json", "--trace", str(tmp_path / "t.csv"), "--seconds", "1.5"
        )
        last = (tmp_path / "t.csv").read_text().splitlines()[-1].split(",")
        # 8 mm in 1 m and a degree more; the lag of 0.3 s and the ring are not over yet.
        assert float(last[1]) == pytest.approx(0.458 + 1.0, abs=0.3)
        assert reported.json["format"] == "xdr"
        sim.order("quit")
        assert sim.process.wait(timeout=30) == 0
        said = sim.process.stderr.read().decode()
        assert "'dance' isn't an order" in said
        assert "damage is a share" in said
    assert not path.exists()


def test_it_ends_by_itself_once_a_reading_is_taken(shimfit, simulated_post):
    simulated_post()
    ran = shimfit("listen", "/dev/post")
    assert ran.code == 0
    assert ran.out.splitlines()[-3].startswith("TAKEN: ")
    assert "next, 0.29 ± 1.00° out (k = 2), held for" in ran.out
    assert ran.out.splitlines()[-1] == "zero not found: turn it end for end"


def test_a_polled_sensor_is_simulated_too(shimfit, simulated_post, tmp_path):
    toml = tmp_path / "polled.toml"
    toml.write_text(
        'format = "modbus"\nframing = "8N1"\nbaud = 115200\npoll_s = 0.05\n'
        'values = [{name="x", address=0, scale=0.001}, {name="y", address=1, scale=0.001}]\n'
    )
    simulated_post(wire_format="modbus")
    words = ("listen", "/dev/post", "--format", str(toml), "--json", "--capture", str(tmp_path / "m.cap"))
    ran = shimfit(*words)
    assert ran.code == 0, ran.err
    reported = ran.json
    assert reported["format"] == "modbus"
    assert reported["lean"]["slope_along"] == pytest.approx(0.008, abs=4e-4)
    again = shimfit("listen", str(tmp_path / "m.cap"), "--format", str(toml), "--json").json
    assert same_reading(again, reported)


def new_run(shimfit) -> None:
    shimfit("job new lakeside")
    laid_out = "--length 2400mm --every 1200 --foot 90x90mm --height 1000mm --tolerance 1:500"
    shimfit(f"run new lakeside/landing {laid_out}")


def test_a_reading_is_logged_from_the_sensor_with_its_uncertainty_and_the_state_of_its_zero(
    shimfit, simulated_post
):
    """The simulated post leans 8 and 5 mm in 1 m; until two faces were read its zero is not known."""
    new_run(shimfit)
    simulated_post()
    ran = shimfit("read lakeside/landing/1 --listen /dev/post --json")
    assert ran.code == 0, ran.err
    reading = ran.json["reading"]
    assert (reading["method"], reading["zero_found"], reading["stage"]) == ("sensor", False, "stood")
    assert reading["slope_along"] == pytest.approx(0.008, abs=3 * reading["u_own_along"] + 1e-5)
    assert reading["slope_across"] == pytest.approx(0.005, abs=3 * reading["u_own_across"] + 1e-5)
    assert reading["u_along"] > 0.008, "half a degree that nobody has taken out"
    assert ran.json["answer"] is None, "nothing follows from it"
    faces = ("fixtures/captures/face-one.cap", "fixtures/captures/face-two.cap")
    assert shimfit("listen", "--reversal", *faces, "--keep").code == 0
    shimfit("settings sensor /dev/post")
    ran = shimfit("read lakeside/landing/2 --listen sensor --bed --json")
    assert ran.code == 1, "the box is empty"
    assert ran.json["understood"].startswith("inclinometer, ")
    last = ran.json["reading"]
    assert (last["stage"], last["method"], last["zero_found"]) == ("bed", "sensor", True)
    # The kept zero of 2.5 and -1.0 degrees is taken off.
    assert last["slope_along"] == pytest.approx(0.008 - math.tan(math.radians(2.5)), abs=1e-3)
    assert last["slope_across"] == pytest.approx(0.005 + math.tan(math.radians(1.0)), abs=1e-3)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ("1 3n2o --listen /dev/post", 2, "ENTRY does not go with it"),
        ("1 --listen /dev/post --turned 3n2o", 2, "--turned does not go with it"),
        ("1 --listen /dev/post --table x.csv", 2, "--table does not go with it"),
        ("1 --listen /dev/post --bed --after", 2, "--bed is read before a post stands there"),
        ("1 --listen /dev/post --seconds 0", 2, "--seconds must be more than 0"),
        ("1 3n2o --seconds 5", 2, "--seconds goes with --listen"),
        ("1 --listen sensor", 2, "the settings name no sensor"),
        ("9 --listen /dev/post", 2, "post"),
        ("1 --listen /dev/post", 3, "nothing is logged: MOVING"),
        ("1 --listen /dev/there-is-none", 3, "there is no simulated"),
    ],
)
def test_no_reading_of_the_sensor_is_logged_and_why(shimfit, simulated_post, words, code, says):
    new_run(shimfit)
    simulated_post("0 shake 0.5" if code == 3 and "none" not in words else "0 unplug")
    ran = shimfit(f"read lakeside/landing/{words}" + (" --seconds 0.3" if code == 3 else ""))
    assert (ran.code, says in ran.err) == (code, True), ran.err
    assert shimfit("record lakeside/landing --json").json["posts"][0]["state"] == "to read"


@posix
def test_a_silent_sensor_is_a_device_error_with_its_state(shimfit, terminal_name):
    ran = shimfit("listen", terminal_name, "--seconds", "0.5", "--json")
    assert ran.code == 3
    assert ran.json["state"] == "NO DATA"


@pytest.fixture
def terminal_name():
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


@pytest.fixture
def speaking():
    """A terminal at which a sensor speaks, 50 sentences a second: its name."""
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.02):
            os.write(ours, b"$IIXDR,A,0.500,D,PITCH,A,-1.000,D,ROLL*3C\r\n")

    speaker = threading.Thread(target=speak, daemon=True)
    speaker.start()
    yield os.ttyname(theirs)
    over.set()
    speaker.join()
    os.close(ours)
    os.close(theirs)


@posix
@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_stopped_from_outside_it_still_tells_and_closes_the_capture(speaking, tmp_path, number, code):
    capture = tmp_path / "a.cap"
    words = ["listen", speaking, "--json", "--capture", str(capture), "--seconds", "60"]
    listen = subprocess.Popen([sys.executable, "-m", "shimfit", *words], cwd=ROOT, stdout=subprocess.PIPE)
    end = time.monotonic() + 30
    while not (capture.exists() and capture.stat().st_size > 1000):
        assert time.monotonic() < end
        time.sleep(0.02)
    listen.send_signal(number)
    out, _ = listen.communicate(timeout=30)
    assert listen.returncode == code
    assert json.loads(out)["samples_good"] > 10
    assert b"closed" in capture.read_bytes()[-40:]


def test_two_tips_teach_how_the_sensor_sits(shimfit, simulated_post, monkeypatch):
    """The simulated sensor is on the opposite face: its x leans prev, its y leans house."""
    there = simulated_post("0 turn")
    monkeypatch.setattr("shimfit.cli.sensor.TIP_S", 0.0)
    orders = iter(("tip 0 0", "tip 1 1", "tip 0 2", "tip 2 0"))  # the second is straight towards neither

    class AtThePost:
        def readline(self) -> str:
            there.stage.obey(simulate.parse_order(next(orders)), 0.0)
            settled_s = there.clock() + 4.0
            while there.clock() < settled_s:
                time.sleep(0.01)
            return "\n"

    monkeypatch.setattr("sys.stdin", AtThePost())
    ran = shimfit("listen", "--teach", "/dev/post")
    assert ran.code == 0, ran.err
    assert ran.out == 'axes = "x=prev y=house"\n'
    assert "Both axes moved" in ran.err
    assert "tip the top straight" in ran.err
    assert "x ←" in ran.err

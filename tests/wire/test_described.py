"""Made-up devices, described: labelled text and binary frames, fed whole, byte by byte and with a tail."""

from __future__ import annotations

import binascii
import random
import struct
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from receiving import receive_three_ways

from shimfit.errors import FileError
from shimfit.wire.capture import parse_capture
from shimfit.wire.formats import Field, Modbus, parse_description
from shimfit.wire.frames import ModbusFrames, propose_frames
from shimfit.wire.simulate import encoder_of
from shimfit.wire.stream import ListenOptions, Stream


def values_of(form: str, order: str, scale: str, first: int, second: int) -> str:
    row = "{{name='{}', offset={}, type='{}', order='{}', scale={}}}"
    return f"[{row.format('x', first, form, order, scale)}, {row.format('y', second, form, order, scale)}]"


@pytest.mark.parametrize(
    ("separator", "labels", "line", "unit", "wanted"),
    [
        (",", '["X=", "Y="]', b"X=+01.23,Y=-00.45", "deg", (1.23, -0.45)),
        (",", '["X=", "Y="]', b"X= 1.23,Y=  -0.45", "deg", (1.23, -0.45)),
        ("whitespace", '["X:", "Y:"]', b"X:1.23 Y:-0.45", "deg", (1.23, -0.45)),
        ("whitespace", '["P", "R"]', b"P+1.2 R-0.4", "deg", (1.2, -0.4)),
        (";", '["a", "b"]', b"a90;b-30", "arcmin", (1.5, -0.5)),
        (":", '["", ""]', b"1.5:-2.5", "deg", (1.5, -2.5)),
        ("tab", '["", ""]', b"1.5\t-2.5", "deg", (1.5, -2.5)),
    ],
)
def test_labelled_lines(separator, labels, line, unit, wanted):
    described = parse_description(
        f'format = "text"\nseparator = "{separator}"\nlabels = {labels}\n'
        f'columns = ["x:{unit}", "y:{unit}"]\n',
        "made-up",
    )
    received = receive_three_ways(b"cut off\n" + 3 * (line + b"\r\n"), described)
    assert received.angles == [pytest.approx(wanted)] * 3
    if line[:1] in b"XPa":
        assert not receive_three_ways(b"cut off\nQ" + line[1:] + b"\n", described).samples


def test_milli_g():
    described = parse_description('format = "text"\ncolumns = ["ax:mg", "ay:mg", "az:mg"]\n', "made-up")
    (angles,) = receive_three_ways(b"cut\n10,-20,999.8\n", described).angles
    assert angles == pytest.approx((-0.573, 1.146), abs=0.001)


def bit_by_bit(data: bytes) -> int:
    """CRC-16/MODBUS by long division (Modbus over serial line, 6.2.2), beside the table that is used."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return register


CHECKED = {
    "sum8": lambda data: bytes([sum(data) % 256]),
    "xor8": lambda data: bytes([reduce(xor, data)]),
    # The standard library's own, an independent reckoning.
    "crc16-ccitt": lambda data: struct.pack(">H", binascii.crc_hqx(data, 0xFFFF)),
    "crc16-modbus": lambda data: struct.pack(">H", bit_by_bit(data)),
}


def received_in(description: str, chunks: list[bytes]):
    samples = []
    described = parse_description(description, "made-up")
    stream = Stream(ListenOptions(description=described), on_sample=lambda sample, _: samples.append(sample))
    stream.opened(0.0)
    for chunk in chunks:
        stream.feed(0.0, chunk)
    return [(sample.x_deg, sample.y_deg) for sample in samples], stream


CAPTURES = Path(__file__).parents[2] / "fixtures" / "captures"
DEVICES = sorted(path.stem for path in CAPTURES.glob("*.toml"))


@pytest.mark.parametrize("name", DEVICES)
def test_each_made_up_device_is_read_the_same_whole_byte_by_byte_and_with_a_tail(name):
    """A still post that leans 8 and 5 mm in 1 m, 0.4584 and 0.2865 degrees, with noise of 0.01 to 0.02."""
    capture = parse_capture((CAPTURES / f"{name}.cap").read_bytes(), name)
    data = b"".join(entry.data for entry in capture.entries)
    said = (CAPTURES / f"{name}.toml").read_text("utf-8")
    whole, stream = received_in(said, [data])
    assert len(whole) >= 70
    x_deg, y_deg = (sum(column) / len(whole) for column in zip(*whole, strict=True))
    assert (x_deg, y_deg) == pytest.approx((0.4584, 0.2865), abs=0.01)
    one_by_one, _ = received_in(said, [data[k : k + 1] for k in range(len(data))])
    assert one_by_one == whole
    half = len(data) // len(whole) // 2
    with_tail, tail = received_in(said, [data + data[-2 * half :][:half]])
    assert with_tail == whole
    assert tail.tally.refused_total == stream.tally.refused_total == 0


@pytest.mark.parametrize("name", [name for name in DEVICES if name not in ("acceleration", "milli-g")])
def test_what_comes_is_described_by_itself_and_the_proposal_reads_it(name):
    """Labels, separators, clocks, frame, check, types and orders are found; units are for a person to say."""
    data = b"".join(
        entry.data for entry in parse_capture((CAPTURES / f"{name}.cap").read_bytes(), name).entries
    )
    stream = Stream(ListenOptions())
    stream.opened(0.0)
    for at in range(3, len(data), 17):  # from the midst of a line or a frame
        stream.feed(at / 1000, data[at : at + 17])
    proposed = stream.input.needs_description
    assert proposed is not None
    received, proposal = received_in(proposed, [data])
    wanted, _ = received_in((CAPTURES / f"{name}.toml").read_text("utf-8"), [data])
    assert proposal.tally.refused_total == 0
    assert len(received) == len(wanted)
    if "arcmin" not in name and "ccitt" not in name:
        assert received == [pytest.approx(pair) for pair in wanted]
    comes_to = proposed.rpartition("# comes to: x ")[2].split()
    raw = [float(part.rstrip(",")) for part in (comes_to[0], comes_to[2])]
    assert any(pair == pytest.approx(raw, abs=0.0006) for pair in received), "it is shown on the data"


def test_no_frames_are_found_in_text_noise_or_what_never_changes():
    draw = random.Random(3)
    assert propose_frames(bytes(draw.randrange(256) for _ in range(4000))) is None
    assert propose_frames(b"\xaa\x55\x01\x02\x03" * 100) is None, (
        "any sum is right for one and the same frame"
    )
    for path in CAPTURES.glob("*.cap"):
        if not path.stem.startswith("binary"):
            assert propose_frames(path.read_bytes()[200:1400]) is None


@pytest.mark.parametrize("check", sorted(CHECKED))
@pytest.mark.parametrize("form", ["int16", "int32", "float32"])
@pytest.mark.parametrize("order", ["low-first", "high-first"])
def test_binary_frames(check, form, order):
    letter = {"int16": "h", "int32": "i", "float32": "f"}[form]
    size, scale = struct.calcsize(letter), "1.0" if form == "float32" else "0.01"
    wanted = [(1.23, -0.45), (-3.0, 12.5), (0.0, 0.01)]
    frames = []
    for pair in wanted:
        raw = pair if form == "float32" else [round(100 * part) for part in pair]
        body = struct.pack(("<" if order == "low-first" else ">") + 2 * letter, *raw)
        frames.append(b"\xaa\x55" + body + CHECKED[check](body))
    description = (
        f"format = 'binary'\nheader = 'AA 55'\nlength = {len(frames[0])}\ncheck = '{check}'\n"
        f"check_from = 2\nvalues = {values_of(form, order, scale, 2, 2 + size)}\n"
    )
    data = b"\x01\xaa" + b"".join(frames)
    for chunks in ([data], [data[k : k + 1] for k in range(len(data))], [data + frames[0][:-1]]):
        angles, stream = received_in(description, chunks)
        assert angles == [pytest.approx(pair, abs=1e-6) for pair in wanted]
        assert stream.tally.refused_total == 0
    hurt = bytearray(data)
    hurt[2 + len(frames[0]) + 3] ^= 0x10
    angles, stream = received_in(description, [bytes(hurt)])
    assert angles == [pytest.approx(wanted[0], abs=1e-6), pytest.approx(wanted[2], abs=1e-6)]
    assert sum(stream.tally.refused.values()) >= 1
    cut_short, follows = frames[0][:5], frames[1] + frames[2]  # the next one begins inside it
    angles, stream = received_in(description, [cut_short + follows])
    assert angles == [pytest.approx(pair, abs=1e-6) for pair in wanted[1:]]
    assert stream.tally.refused == {"bad_checksum": 1}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("AA 55", "zz"), "header"),
        (("length = 7", "length = 2"), "length"),
        (("offset=4", "offset=5"), "offset"),
        (("'sum8'", "'sum9'"), "check"),
        (("name='y'", "name='x'"), "twice"),
    ],
)
def test_a_wrong_description_names_its_key(change, says):
    values = values_of("int16", "low-first", "0.01", 2, 4)
    text = f"format = 'binary'\nheader = 'AA 55'\nlength = 7\ncheck = 'sum8'\nvalues = {values}\n"
    parse_description(text, "made-up")
    with pytest.raises(FileError, match=says):
        parse_description(text.replace(*change), "made-up")


def test_a_column_that_only_grows_is_proposed_as_a_clock_and_no_lean():
    stream = Stream(ListenOptions())
    stream.opened(0.0)
    for k in range(12):
        stream.feed(0.1 * k, b"%d;%.2f;%.2f\n" % (1000 + 20 * k, 0.3 + 0.01 * (k % 3), -0.2 - 0.01 * (k % 2)))
    assert stream.input.needs_description is not None
    assert "columns = ['-', 'x:deg', 'y:deg']" in stream.input.needs_description
    described = parse_description(stream.input.needs_description, "proposed")
    assert [column.at for column in described.values] == [1, 2]


def text(*lines: str) -> str:
    return "\n".join(("format = 'text'", *lines))


def rows(place: str, second: int, rest: str) -> str:
    both = (f"{{ name = '{name}', {place} = {at}, {rest} }}" for name, at in (("x", 4), ("y", second)))
    return f"values = [{', '.join(both)}]"


def binary(check: str, rest: str) -> str:
    head = "format = 'binary'\nheader = 'AA 55'\nlength = 16"
    return "\n".join((head, check, rows("offset", 8, rest)))


def modbus(rest: str) -> str:
    return "format = 'modbus'\n" + rows("address", 7, rest)


LABELLED = ("labels = ['', 'A', '', 'B=']", "prefix = '>'", "flip = ['y']")
WRITTEN = [
    text("columns = ['seq', 'x:deg', '-', 'y:deg']", *LABELLED),
    text("columns = ['seq', 'x:mm/m', '-', 'y:mm/m']", *LABELLED),
    text("columns = ['x:arcmin', 'y:mrad']"),
    text("columns = ['x:%', 'y:in/ft']", "separator = 'tab'"),
    text("columns = ['ax:mg', 'ay:mg', 'az:mg', 'time:ms']", "separator = 'whitespace'"),
    text("columns = ['x:count', 'y:count']", "scale = 0.01", "separator = ';'", "decimal = ','"),
    binary("check = 'sum8'\ncheck_from = 2", "type = 'int16', order = 'low-first', scale = 0.001"),
    binary("check = 'xor8'", "type = 'int32', scale = 0.0001"),
    binary("check = 'crc16-modbus'\ncheck_order = 'low-first'", "type = 'float32', order = 'low-first'"),
    binary("check = 'crc16-ccitt'\ncheck_from = 1", "type = 'float32', scale = 0.01"),
    binary("", "type = 'int16', order = 'low-first', scale = 0.005"),
    modbus("type = 'int16', scale = 0.01, unit = 'mm/m'"),
    modbus("type = 'int32', order = 'low-first', scale = 0.0001"),
    modbus("type = 'float32', order = 'low-first'"),
]


@pytest.mark.parametrize("toml", WRITTEN)
def test_what_a_description_writes_the_same_description_reads(toml: str) -> None:
    """1.5 and -2.25 degrees as an inclinometer of that kind would send them, and back."""
    described = parse_description(toml, "made-up")
    write = encoder_of("", described)
    sent = [write(0.02 * k, 1.5, -2.25) for k in range(6)]
    if isinstance(described, Modbus):
        frames = ModbusFrames(described)
        assert {frames.judge(each) for each in sent} == {None}
        sent = [part for each in sent for part in (frames.request, each)]
    samples = []
    stream = Stream(
        ListenOptions(description=described),
        on_sample=lambda sample, _: samples.append(sample),
        polled=False,
    )
    stream.opened(0.0)
    for count, data in enumerate(sent):
        stream.feed(0.02 * count, data)
    assert len(samples) >= 5
    assert stream.tally.refused == {}
    for sample in samples:
        assert (sample.x_deg, sample.y_deg) == pytest.approx((1.5, -2.25), abs=0.006)


@pytest.mark.parametrize(
    ("form", "scale", "value", "read"),
    [
        ("int16", 0.001, 40.0, 32.767),
        ("int16", 0.001, -40.0, -32.768),
        ("uint16", 0.001, -1.0, 0.0),
        ("int8", 0.5, 200.0, 63.5),
        ("uint32", 1e-9, 10.0, 4.294967295),
        ("int32", 0.0, 3.0, 0.0),
        ("float32", 0.0, 3.0, 0.0),
    ],
)
def test_what_a_field_can_not_hold_clips(form, scale, value, read) -> None:
    """The largest and least of n bits in two's complement, and of n bits without a sign."""
    for order in ("high-first", "low-first"):
        field = Field("x", 0, form, order, scale)
        assert field.number(field.encoded(value)) == pytest.approx(read)

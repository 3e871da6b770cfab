"""Captures: written as it happens, read back byte for byte, torn and damaged ones, bare files, replays."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from receiving import FIXTURES, xdr

from shimfit.errors import FileError
from shimfit.wire.capture import CaptureWriter, bare_capture, is_capture, parse_capture, replay
from shimfit.wire.stream import ListenOptions, Stream


def written(path, entries, start_s=100.0) -> bytes:
    writer = CaptureWriter(str(path), {"device": "/dev/x", "note": "two\nlines"}, start_s)
    for time_s, entry in entries:
        if isinstance(entry, bytes):
            writer.data(start_s + time_s, entry)
        else:
            writer.event(start_s + time_s, *entry)
    writer.close()
    return path.read_bytes()


def test_a_capture_keeps_every_byte_and_its_time(tmp_path):
    nasty = b"@1 2\n!3 closed\n\x00\xff\r\n"
    data = written(
        tmp_path / "a.cap", [(0, ("opened", "x")), (0.5, nasty), (1.25, b"\n"), (2, ("closed", ""))]
    )
    assert data.startswith(b"# shimfit capture 1\n# device: /dev/x\n# note: two lines\n")
    assert is_capture(data)
    capture = parse_capture(data, "a.cap")
    assert capture.header == {"device": "/dev/x", "note": "two lines"}
    assert [(e.time_s, e.kind, e.data, e.text) for e in capture.entries] == [
        (0.0, "opened", b"", "x"),
        (0.5, "bytes", nasty, ""),
        (1.25, "bytes", b"\n", ""),
        (2.0, "closed", b"", ""),
    ]
    assert not capture.torn


@given(st.lists(st.binary(max_size=40), max_size=8))
def test_any_bytes_come_back(tmp_path_factory, pieces):
    path = tmp_path_factory.mktemp("any") / "a.cap"
    data = written(path, [(count / 8, piece) for count, piece in enumerate(pieces)])
    assert [entry.data for entry in parse_capture(data, "a").entries] == pieces


def test_a_torn_last_record_is_ignored_wherever_it_tore(tmp_path):
    data = written(tmp_path / "a.cap", [(0.5, b"first\n"), (0.6, b"second\n")])
    start = data.index(b"@0.6")
    for end in range(start + 1, len(data)):
        capture = parse_capture(data[:end], "a.cap")
        assert [entry.data for entry in capture.entries] == [b"first\n"], end
        assert capture.torn


@pytest.mark.parametrize(
    ("damaged", "says"),
    [
        (b"@0.5 3\nabcX@0.6 1\nx\n", "does not end there"),
        (b"@0.5 3\nabc\nnoise\n@0.6 1\nx\n", "neither a record nor an event"),
        (b"@0.5 1\na\n@0.4 1\nb\n", "backwards"),
        (b"!0.5 exploded\n", "neither"),
        (b"@nan 1\na\n", "neither"),
    ],
)
def test_a_damaged_capture_names_file_and_byte(damaged, says):
    with pytest.raises(FileError, match=says) as caught:
        parse_capture(b"# shimfit capture 1\n" + damaged, "a.cap")
    assert "a.cap" in caught.value.message


def test_a_capture_that_can_not_be_written_says_so(tmp_path):
    with pytest.raises(FileError, match="can't write"):
        CaptureWriter(str(tmp_path / "no" / "a.cap"), {}, 0.0)


def test_anything_else_is_a_bare_file():
    assert not is_capture(b"")
    assert not is_capture(b"# shimfit capture 2\n")
    assert not is_capture(xdr(1, 2))


# ---------------------------------------------------------------- bare files


def replayed(capture) -> Stream:
    stream = Stream(ListenOptions())
    replay(capture, stream)
    return stream


def bare(data: bytes, timing: str | None, rate_hz: float = 50.0):
    return bare_capture(data, "raw.bin", timing=timing, timing_path="raw.chunks.csv", rate_hz=rate_hz)


def test_a_timing_table_gives_each_piece_its_time_and_each_segment_an_opening():
    data = xdr(1, 2) + xdr(3, 4)[:10] + xdr(5, 6)
    cut = len(xdr(1, 2)) + 10
    timing = f"segment,time_s,offset,length\n0,0.1,0,5\n0,0.2,5,{cut - 5}\n1,4.0,{cut},{len(data) - cut}\n"
    capture = bare(data, timing)
    assert [(e.time_s, e.kind) for e in capture.entries] == [
        (0.1, "opened"),
        (0.1, "bytes"),
        (0.2, "bytes"),
        (4.0, "opened"),
        (4.0, "bytes"),
    ]
    stream = replayed(capture)
    assert stream.tally.good == 2
    assert {str(reason): count for reason, count in stream.tally.refused.items()} == {"unfinished": 1}


def test_each_segment_may_have_a_clock_of_its_own():
    data = xdr(1, 2) * 2
    half = len(data) // 2
    capture = bare(
        data, f"segment,time_s,offset,length\na,5,0,{half}\nb,0,{half},{half - 1}\nb,1.5,{2 * half - 1},1\n"
    )
    assert [entry.time_s for entry in capture.entries] == [5, 5, 5, 5, 6.5]


@pytest.mark.parametrize(
    ("timing", "says"),
    [
        ("time_s,offset\n", "header"),
        ("segment,time_s,offset,length\n0,soon,0,5\n", "line 2"),
        ("segment,time_s,offset,length\n0,1,0,5\n0,0.5,5,1\n", "line 3"),
        ("segment,time_s,offset,length\n0,1,1,5\n", "line 2"),
        ("segment,time_s,offset,length\n0,1,0,500\n", "line 2"),
        ("segment,time_s,offset,length\n0,inf,0,5\n", "line 2"),
        ("segment,time_s,offset,length\n0,1,0,\u0665\n", "line 2"),
        ("segment,time_s,offset,length\n0,1,0\n", "line 2"),
        ('segment,time_s,offset,length\n"0,1,0,5\n', "not a CSV table"),
        ("segment,time_s,offset,length\n0,1,0,5\n", "lists 5 bytes"),
    ],
)
def test_a_timing_table_that_does_not_fit_is_refused(timing, says):
    with pytest.raises(FileError, match=says):
        bare(xdr(1, 2), timing)


def test_without_times_the_lines_come_evenly():
    stream = replayed(bare(xdr(1, 2) * 300, None, rate_hz=50.0))
    assert stream.view(299 / 50).state == "TAKEN"
    assert stream.period_s == pytest.approx(0.02)


def test_a_line_cut_off_at_the_end_of_a_bare_file_is_counted():
    assert replayed(bare(xdr(1, 2) + xdr(1, 2)[:9], None)).tally.refused == {"unfinished": 1}


# ---------------------------------------------------------------- replays


def test_where_the_person_stopped_listening_nothing_counts_as_unfinished(tmp_path):
    data = written(
        tmp_path / "a.cap", [(0, ("opened", "")), (0.5, xdr(1, 2) + b"$IIX"), (0.6, ("closed", ""))]
    )
    assert replayed(parse_capture(data, "a")).tally.refused == {}


@pytest.mark.parametrize("event", ["error", "opened"])
def test_where_the_link_was_lost_it_does(tmp_path, event):
    data = written(tmp_path / "a.cap", [(0, ("opened", "")), (0.5, b"$IIX"), (0.6, (event, "gone"))])
    assert replayed(parse_capture(data, "a")).tally.refused == {"unfinished": 1}


CAPTURES = sorted((FIXTURES / "captures").glob("*.cap"))


def test_there_are_captures():
    assert len(CAPTURES) >= 8


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.stem)
def test_each_capture_comes_to_what_stands_beside_it(path, capsys):
    """`python fixtures/captures/rebuild.py` writes the expectations anew; look at the difference."""
    reported = listen_to(path)
    wanted = json.loads(path.with_suffix(".want.json").read_text(encoding="utf-8"))
    lean = wanted.pop("lean")
    got = reported.pop("lean")
    assert reported == wanted
    assert (got is None) == (lean is None)
    if lean is not None:
        for key in ("x_deg", "y_deg", "u_x_deg", "u_y_deg"):
            assert got[key] == pytest.approx(lean[key], abs=1e-9)


def listen_to(path):
    import io

    from shimfit.cli import carry_out
    from shimfit.cli.io import Io

    described = path.with_suffix(".toml")
    extra = ["--format", str(described)] if described.exists() else []
    out = io.StringIO()
    assert carry_out(["listen", str(path), "--json", *extra], Io(out, io.StringIO())) == 0
    return json.loads(out.getvalue())

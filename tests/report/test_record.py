import csv
import io
import json
from dataclasses import replace

import pytest

from shimfit.errors import Exit
from shimfit.model import PostState, Reading
from shimfit.report.record import (
    WAITS,
    LogStamp,
    record_csv,
    record_json,
    record_lines,
    run_record,
    why_not_plumb,
)
from shimfit.standing import PostRecord
from shimfit.store.events import Head

LOG = LogStamp(312, "9f3c51" + "0a" * 29, Head(57, "1f0c", "9a2e"))
# The keys that the contract of the command line names, one by one.
POST_KEYS = {
    "post", "state", "before", "after", "tolerance", "decision", "probability", "packs", "rounds",
    "torque", "notes",
}  # fmt: skip
READING_KEYS = {
    "slope_along", "slope_across", "top_along_mm", "top_across_mm", "u_along_mm", "u_across_mm",
    "time", "by", "instrument", "method",
}  # fmt: skip


@pytest.fixture
def record(boardwalk, toolbox):
    return run_record(boardwalk(5), LOG, toolbox)


def test_json_has_every_key_of_the_contract(record):
    answer = record_json(record)
    assert answer["materials"] == list(record.materials) != []
    assert answer["schema"] == 1
    assert (answer["job"], answer["run"]) == ("North shore boardwalk", "Lake side")
    assert answer["log"] == {
        "events": 312,
        "hash": LOG.hash,
        "job": {"events": 57, "first": "1f0c", "hash": "9a2e"},
        "figure": "57:1f0c:9a2e",
    }
    assert len(answer["posts"]) == 5
    for post in answer["posts"]:
        assert post.keys() >= POST_KEYS
        assert post["before"].keys() >= READING_KEYS
        assert post["after"].keys() >= READING_KEYS
        assert post["decision"] in ("plumb", "out", "too-close", "none")
    json.dumps(answer, allow_nan=False)


def test_tops_and_doubts_are_the_slopes_at_the_reading_height(boardwalk):
    run = boardwalk(1)
    read = replace(
        run.posts[0].after, slope_along=0.001, slope_across=-0.0005, u_along=0.0003, height_mm=1100.0
    )
    record = run_record(replace(run, posts=(replace(run.posts[0], after=read),)), LOG)
    after = record_json(record)["posts"][0]["after"]
    assert after["top_along_mm"] == pytest.approx(1.1)
    assert after["top_across_mm"] == pytest.approx(-0.55)
    assert after["u_along_mm"] == pytest.approx(0.33)


def test_csv_reads_back_as_the_json_says(record):
    text = record_csv(record)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    answer = record_json(record)
    assert len(rows) == len(answer["posts"])
    for row, post in zip(rows, answer["posts"], strict=True):
        for side in ("before", "after"):
            for key in READING_KEYS:
                said, cell = post[side][key], row[f"{side}_{key}"]
                if isinstance(said, float):
                    assert float(cell) == said
                else:
                    assert cell == (said or "")
        assert row["decision"] == post["decision"]
        assert int(row["rounds"]) == post["rounds"]
        assert row["packs"].count("; ") == len(post["packs"]) - 1


def test_csv_keeps_commas_quotes_and_line_breaks_in_notes(boardwalk):
    run = boardwalk(1)
    nasty = 'said "1/2, no more"\nthen =left'
    post = replace(run.posts[0], name="1,a", notes=(nasty,))
    text = record_csv(run_record(replace(run, posts=(post,)), LOG))
    assert text.count("\r\n") == 2  # RFC 4180: header and one record; the note's own break is a bare LF
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    assert (row["post"], row["notes"]) == ("1,a", nasty)


def test_every_csv_header_of_a_length_carries_its_unit(record):
    header = record_csv(record).split("\r\n", 1)[0].split(",")
    assert len(header) == len(set(header))
    measured = [name for name in header if "top" in name or "_u_" in name or "station" in name]
    assert measured
    assert all(name.endswith("_mm") for name in measured)


def test_what_was_not_read_is_null_not_zero(boardwalk, stands_by):
    run = boardwalk(1)
    half = Reading("3/8n", 0.01, None, 1000.0)
    bare = replace(
        stands_by(replace(run.posts[0], before=half)),
        reading=None,
        state=PostState.HALF_READ,
        rounds=0,
        packs_in_place=(),
    )
    record = run_record(replace(run, posts=(bare,)), LOG)
    post = record_json(record)["posts"][0]
    assert post["before"]["slope_across"] is None
    assert post["before"]["top_across_mm"] is None
    assert post["after"] is None
    assert post["decision"] == "none"
    (row,) = csv.DictReader(io.StringIO(record_csv(record), newline=""))
    assert row["before_top_across_mm"] == ""
    assert row["after_slope_along"] == ""
    assert "not read" in "\n".join(record_lines(record))


@pytest.mark.parametrize(
    ("slope", "code"),
    [(0.0002, Exit.DONE), (0.002, Exit.DONE), (0.00201, Exit.OVER), (0.004, Exit.OVER)],
)
def test_exit_code_tells_a_verified_post_over_its_tolerance(boardwalk, slope, code, stands_by):
    run = boardwalk(1)
    post = run.posts[0]
    after = replace(post.after, slope_along=slope, slope_across=0.0)
    record = run_record(replace(run, posts=(stands_by(post, after),)), LOG)
    assert record.over == (code == Exit.OVER)


def test_lean_before_packing_never_counts_as_over(boardwalk, stands_by):
    run = boardwalk(1)
    post = stands_by(run.posts[0])
    record = run_record(replace(run, posts=(post,)), LOG)
    assert record.run.posts[0].before.lean.magnitude > 0.002
    assert not record.over


def test_sentences_name_tolerance_source_rule_instrument_and_hash(record):
    text = "\n".join(record_lines(record))
    assert "1:500" in text
    assert "AISC 303-16, 7.13.1.1" in text
    assert "95 % guard band" in text
    assert "turned end for end 2026-05-12 07:00" in text
    assert LOG.hash in text


def test_what_stands_in_for_an_unnamed_instrument_is_said(boardwalk, stands_by):
    run = boardwalk(1)
    after = replace(run.posts[0].after, instrument=None)
    record = run_record(replace(run, posts=(stands_by(run.posts[0], after),)), LOG)
    assert "a carpenter's level of ±0.5 mm/m is assumed" in "\n".join(record_lines(record))


@pytest.mark.parametrize(
    ("width", "columns"),
    [
        (200, "Post Before As built Off plumb ± U Decision Packs in place Read"),
        (170, "Post Before As built Off plumb ± U Decision Packs in place"),
        (100, "Post Before As built Off plumb ± U Decision"),
        (60, "Post As built Off plumb ± U Decision"),
    ],
)
def test_a_narrow_window_leaves_out_who_read_then_packs_then_how_it_was(record, width, columns):
    lines = record_lines(record, width)
    at = next(at for at, line in enumerate(lines) if line.startswith("Post "))
    assert " ".join(lines[at].split()) == columns
    assert "of allowed, mm" in lines[at + 1]
    assert "chance · rounds" in lines[at + 1]
    assert all("plumb, > 99.9 % · " in line for line in lines[at + 3 : at + 8])


def test_inch_runs_are_told_in_inches_and_kept_in_mm(boardwalk):
    run = boardwalk(1, units="inch")
    read = replace(run.posts[0].after, slope_along=0.00127, slope_across=0.0)  # 1.27 mm = 3.2/64 in at 1 m
    record = run_record(replace(run, posts=(replace(run.posts[0], after=read),)), LOG)
    assert 'next 3/64" ±1/32"' in "\n".join(record_lines(record))
    assert record_json(record)["posts"][0]["after"]["top_along_mm"] == pytest.approx(1.27)


def test_renamed_faces_are_used_in_words_and_never_in_data(boardwalk):
    run = boardwalk(1, face_names=(("out", "lake"), ("house", "road")))
    record = run_record(run, LOG)
    assert "lake" in "\n".join(record_lines(record))
    seats = {pack["seat"] for pack in record_json(record)["posts"][0]["packs"]}
    assert seats <= {"next", "prev", "out", "house", "next-out"}


def test_a_bow_stands_in_the_record_in_the_faces_of_the_run(boardwalk, toolbox, stands_by):
    # By hand: half way up a lean of 4 mm the line stands 2 mm off; read there at 5 mm: bowed 3 mm.
    run = boardwalk(1)
    post = run.posts[0]
    full = replace(post.after, slope_along=0.004, slope_across=0.0, height_mm=1000.0)
    half = replace(full, slope_along=0.010, slope_across=-0.002, height_mm=500.0, stage="mid")
    bowed = stands_by(post, full)
    bowed = replace(bowed, readings=(half, *bowed.readings))
    record = run_record(
        replace(run, posts=(bowed,), face_names=(("prev", "lake"), ("next", "road"))), LOG, toolbox
    )
    reported = record_json(record)["posts"][0]
    assert reported["bow"]["along_mm"] == pytest.approx(3.0)
    assert reported["bow"]["across_mm"] == pytest.approx(-1.0)
    assert any("3.0 mm road and 1.0 mm house off the line" in note for note in reported["notes"])
    row = next(csv.DictReader(io.StringIO(record_csv(record), newline="")))
    assert float(row["bow_along_mm"]) == pytest.approx(3.0)
    assert row["notes"] == "; ".join(reported["notes"])


def test_without_a_reading_at_half_height_there_is_no_bow(record):
    assert all(post["bow"] is None for post in record_json(record)["posts"])
    assert "bow" not in "\n".join(record_lines(record, 200))


def test_whole_sentences_of_why_no_pack_does_it_stand_by_themselves(boardwalk, monkeypatch):
    post = boardwalk(1).posts[0]
    monkeypatch.setattr(PostRecord, "why", "Each corner has a pack that nearly fits. None is nearer.")
    monkeypatch.setitem(WAITS, post.next_step, "packs not in yet")
    why = why_not_plumb(post, "mm")
    assert why.endswith(". Each corner has a pack that nearly fits. None is nearer; packs not in yet")


def test_a_face_that_is_none_in_a_log_of_before_does_not_stop_the_record(boardwalk):
    run = boardwalk(1)
    held = replace(run.posts[0], after=replace(run.posts[0].after, face="roof"))
    assert "held to roof" in "\n".join(record_lines(run_record(replace(run, posts=(held,)), LOG)))

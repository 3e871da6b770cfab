"""One run from first mark to handover by commands, and what happens when things go wrong on the way."""

from __future__ import annotations

import csv
import io
import json
import sys

import pytest

from shimfit.model import Lot
from shimfit.store.events import Draft
from shimfit.workflow.site import Site

NEW_RUN = "run new lake/walk --length 3600 --every 1200 --foot 90x90mm --height 1000mm --tolerance 1:500"


@pytest.fixture
def lake(after):
    """A job with one run of four posts and a box."""
    return after("job new lake", NEW_RUN, "stock import fixtures/stock/boardwalk_box.csv")


def test_a_post_from_lean_to_handover(lake) -> None:
    first = lake("read", "lake/walk/1", "6mm n 10mm h", "--json")
    assert first.code == 0
    assert first.json["state"] == "pack"
    assert first.json["answer"]["status"] == "proven"
    again = lake("read", "lake/walk/1", "0.5mm n 0", "--json", "--sure")
    assert again.json["state"] == "plumb"
    record = lake("record lake/walk --json")
    assert record.code == 0
    row = record.json["posts"][0]
    assert row["post"] == "1"
    assert row["decision"] == "plumb"
    assert row["before"]["top_across_mm"] == pytest.approx(-10.0)
    assert row["after"]["top_along_mm"] == pytest.approx(0.5)
    assert row["after"]["u_along_mm"] > 0
    assert row["rounds"] == 1
    assert row["packs"] == first.json["answer"]["packs"]
    rows = list(csv.DictReader(io.StringIO(lake("record", "lake/walk", "--csv", "-").out)))
    assert [r["post"] for r in rows] == ["1", "2", "3", "4"]
    assert float(rows[0]["after_top_along_mm"]) == pytest.approx(0.5)
    assert rows[1]["decision"] == "none"


def test_the_record_says_over_tolerance_by_its_exit_code(lake) -> None:
    lake("read", "lake/walk/1", "6mm n 10mm h")
    ran = lake("read", "lake/walk/1", "8mm n 0", "--sure")
    assert ran.code == 1
    assert lake("record lake/walk --json").code == 1


def test_pieces_leave_the_box_when_the_reading_says_that_they_went_in(lake) -> None:
    def count(lot: str) -> int:
        lots = lake("stock list --json").json["lots"]
        return sum(one["count"] for one in lots if one["lot"] == lot)

    answer = lake("read", "lake/walk/1", "6mm n 10mm h", "--json").json["answer"]
    used = [piece["lot"] for pack in answer["packs"] for piece in pack["pieces"]]
    before = {lot: count(lot) for lot in used}
    lake("read", "lake/walk/1", "0 0", "--sure")
    assert all(count(lot) < before[lot] for lot in used)
    lake("undo lake")
    assert {lot: count(lot) for lot in used} == before


def test_pieces_promised_to_one_post_are_not_offered_to_the_next(shimfit, tmp_path) -> None:
    box = tmp_path / "box.csv"
    box.write_text("lot,form,count,length_mm,thin_mm,thick_mm\nT1,taper,3,200,0.5,6\n")
    shimfit("job new lake")
    shimfit(NEW_RUN)
    shimfit("stock", "import", str(box))
    assert shimfit("read", "lake/walk/1", "6mm n 10mm h").code == 0
    second = shimfit("read", "lake/walk/2", "6mm n 10mm h", "--json")
    assert second.code == 1
    assert second.json["answer"]["status"] == "impossible"


def test_a_half_reading_is_kept_as_half_and_completed_by_the_other_half(lake) -> None:
    half = lake("read", "lake/walk/2", "8mm n", "--json")
    assert half.json["state"] == "half read"
    assert half.json["reading"]["slope_across"] is None
    whole = lake("read", "lake/walk/2", "12mm o", "--json")
    assert whole.json["state"] == "pack"
    assert whole.json["answer"]["lean"]["top_along_mm"] == pytest.approx(8.0)


def test_undo_and_redo_by_command(lake) -> None:
    lake("read", "lake/walk/1", "6mm n 10mm h")
    undone = lake("undo lake")
    assert undone.code == 0
    assert "6mm n 10mm h" in undone.out
    assert lake("run show lake/walk --json").json["posts"][0]["state"] == "to read"
    lake("redo lake")
    assert lake("run show lake/walk --json").json["posts"][0]["state"] == "pack"


def test_a_new_job_that_was_taken_back_is_brought_back(lake) -> None:
    lake("job new pond")
    assert lake("undo pond").code == 0
    assert "pond" not in lake("job list").out
    assert "the jobs are: lake" in lake("redo creek").err
    assert lake("redo pond").code == 0
    assert "pond" in lake("job list").out
    assert "nothing to bring back" in lake("redo pond").err


def test_packs_of_ones_own_notes_skips_and_tightening(lake) -> None:
    lake("read", "lake/walk/1", "6mm n 10mm h")
    assert lake("pack", "lake/walk/1", "next-out=T1@30mm+F1", "prev-out=F2").code == 0
    assert lake("tighten lake/walk/1 --torque 20Nm").code == 0
    assert lake("note", "lake/walk/2", "split").code == 0
    assert lake("skip", "lake/walk/3", "no rod yet").code == 0
    posts = lake("run show lake/walk --json").json["posts"]
    assert posts[0]["packs_in_place"][0]["made_mm"] == pytest.approx(0.5 + 5.5 * 30 / 200 + 0.5)
    assert posts[0]["state"] == "tighten & re-read"
    assert posts[1]["notes"] == ["split"]
    assert posts[2]["state"] == "skipped"


@pytest.mark.parametrize(
    "words",
    [
        ("read", "lake/walk/99", "9mm n 0"),
        ("read", "lake/walk", "9mm n 0"),
        ("read", "pond/walk/1", "9mm n 0"),
        ("read", "lake/walk/1", "9mm"),
        ("read", "lake/walk/1", "9mm n 0", "--again", "--rails-on"),
        ("note", "lake/walk/1", " "),
        ("pack", "lake/walk/1", "middle=F1"),
        ("pack", "lake/walk/1", "next="),
        ("pack", "lake/walk/1", "next=NONE"),
        ("pack", "lake/walk/1", "next=T1"),
        ("pack", "lake/walk/1", "next=T1@900mm"),
        ("pack", "lake/walk/1"),
        ("tighten", "lake/walk/1", "--torque", "20m"),
        ("stock", "out", "F1", "99"),
        ("job", "new", "lake"),
        ("job", "new", "a/b"),
        ("settings", "colour", "red"),
        ("settings", "units", "furlong"),
        ("undo", "pond"),
    ],
)
def test_refusals_leave_the_log_as_it_was(lake, words) -> None:
    before = lake("record lake/walk --json").json["log"]
    ran = lake(*words)
    assert ran.code == 2, ran.err
    assert ran.err.count("\n") <= 2
    assert lake("record lake/walk --json").json["log"] == before


def test_a_slip_asks_for_a_second_look_and_sure_takes_it(lake) -> None:
    lake("read", "lake/walk/1", "6mm n 10mm h")
    lake("tighten lake/walk/1")
    ran = lake("read", "lake/walk/1", "40mm p 13mm h")
    assert ran.code == 2
    assert "--sure" in ran.err
    assert lake("read", "lake/walk/1", "40mm p 13mm h", "--sure").code in (0, 1)


def test_the_stored_unit_is_what_a_bare_number_means(shimfit) -> None:
    shimfit("settings units inch")
    reported = shimfit("solve", "1/4n3/8h", "--height", "44", "--foot", "3.5x3.5", "--json").json
    assert reported["post"]["height_mm"] == pytest.approx(44 * 25.4)
    assert shimfit("settings units --json").json == {"schema": 1, "settings": {"units": "inch"}}


def test_the_sample_is_written_once_marked_and_taken_out_again(shimfit) -> None:
    assert shimfit("demo").code == 0
    jobs = shimfit("job list --json").json["jobs"]
    assert {job["job"] for job in jobs if job["sample"]} == {"lakeside-sample", "porch-sample"}
    assert shimfit("demo").code == 2
    assert shimfit("demo --remove").code == 0
    assert shimfit("job list --json").json["jobs"] == []
    listed = shimfit("stock list --json").json
    assert listed == {"schema": 1, "lots": [], "short": [], "taken_twice": [], "unread": []}
    assert shimfit("demo").code == 0


def test_json_never_holds_a_number_that_is_none(lake) -> None:
    lake("read", "lake/walk/1", "6mm n 10mm h")
    for words in (
        "record lake/walk --json",
        "run show lake/walk --json",
        "stock list --json",
        "job list --json",
    ):
        out = lake(words).out
        assert json.loads(out, parse_constant=pytest.fail)["schema"] == 1


def test_options_may_stand_before_or_after_the_command(shimfit, tmp_path) -> None:
    here, there = tmp_path / "here.db", tmp_path / "there.db"
    assert shimfit("--db", str(here), "job", "new", "one").code == 0
    assert shimfit("job", "new", "two", "--db", str(there)).code == 0
    first = shimfit("--db", str(here), "--json", "job", "list").json["jobs"]
    second = shimfit("job", "list", "--json", "--db", str(there)).json["jobs"]
    assert ([job["job"] for job in first], [job["job"] for job in second]) == (["one"], ["two"])
    assert shimfit("job list --json").json["jobs"] == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("solve '9mm n 4mm o' --height 1 --foot 90x90mm", "a reading height of 1 mm can't be"),
        ("run new lake/x --length 3m --every 1m --foot 90x90mm --height 40m", "a wrong unit?"),
        ("run new lake/x --length 3m --every 1m --foot 90x90in --height 1m", "a wrong unit?"),
        ("job new box", "is the stock of all jobs"),
        ("run new lake/x --length 3m --every 1m --corners 1m --foot 90x90mm --height 1m", "give --turn"),
        ("run new lake/x --length 3m --every 1m --foot 90x90mm --height 1m --due 99999", "at most 36500"),
        ("stock add F77 flat --thin 1mm", "--thickness is missing; a flat needs it"),
        ("stock add F77 flat --thickness 1mm --thin 2mm", "--thin is filled in, but a flat has no such"),
        ("stock add F9+F8 flat --thickness 1mm", "in `pack` a + ends a lot's name"),
        ("stock add F9@3 flat --thickness 1mm", "in `pack` a @ ends a lot's name"),
        ("stock add F9 flat --thickness 1mm --count 0", "0 of F9 are nothing to put in the box"),
        ("stock out F1 0", "0 pieces can't be gone"),
        ("read lake/walk/1 '9mm n 4mm o' --face roof", "its faces are next, prev, out, house"),
        ("read lake/walk --table readings.csv --bed --by me", "--bed, --by: for one reading"),
        ("record lake/walk --hash 0123", "--hash"),
        ("lineup lake/walk --off 2=3mm --off 2=4mm", "2 is given twice"),
        ("instrument add rough --accuracy 5", "an accuracy of 5000 mm/m is too rough"),
        ("instrument add long --length 600m", "a level of 600 m is longer"),
        ("instrument add short --length 24", "a level of 0.024 m is shorter"),
        ("tigthen lake/walk/1", "there is no command 'tigthen'; did you mean tighten? see shimfit --help"),
        ("run insert lake/walk --at 1230mm", "leave no room between their feet"),
        ("run insert lake/walk --at 1800mm --name ' 2 '", "there is a post 2 already"),
        ("run insert lake/walk --at 1800mm --name a/b", "has no slash in it"),
        ("run move lake/walk/2 --at 2390mm", "leave no room between their feet"),
        ("run new lake/x --length 12 --every 4 --units inch --foot 3.5x3.5 --height 44", "4ft or 4in"),
        ("run new lake/x --length 12ft --every 4 --units inch --foot 3.5x3.5 --height 44", "4ft or 4in"),
        ("run new lake/x --length 2.4 --every 1m --foot 90x90mm --height 1m", "2.4m or 2.4mm"),
        (
            "run new lake/x --stations 0,48,40 --units inch --foot 3.5x3.5 --height 44",
            'stations have to rise: 40" comes after 48"',
        ),
        ("run new lake/x --length 3m --every 1m --foot 90x90mm --height 1m --kerf 500", "no saw cuts '500'"),
        ("run set lake/walk --kerf 500", "no saw cuts '500' wide"),
        ("rails lake/walk --at x", "--at: 'x' isn't a length"),
        ("rails lake/walk --at 1m --rail-depth ''", "--rail-depth: the length is missing"),
        ("photo lake/walk/1 ''", "which photo?"),
        ("tighten lake/walk/1 --torque 1e9", "a torque of 1e9 is no nut's"),
        ("tighten lake/walk/1 --torque ''", "a torque is a number with its unit"),
        ("due lake/walk --due-days -3", "posts can't be due after -3 days"),
        ("stock lists", "there is no command 'lists'; did you mean list? see shimfit stock --help"),
    ],
)
def test_what_can_not_be_or_would_be_passed_over_is_refused(lake, words: str, said: str) -> None:
    before = lake("export -").out
    ran = lake(words)
    assert ran.code == 2
    assert said in ran.err
    assert lake("export -").out == before


def test_a_box_with_lots_that_no_pack_can_name_still_opens_and_its_wood_goes_by_another_name(
    lake, tmp_path
) -> None:
    """Older programs took such names."""
    with Site.open(tmp_path / "test.db", environment={}) as site:
        site.add_stock(Lot("F9+F8", "flat", 2, thickness_mm=1.0))
    table = lake("stock export -").out
    (tmp_path / "box.csv").write_text(table)
    assert "F9+F8" in table
    assert "column lot" in lake(f"stock import {tmp_path}/box.csv").err
    assert lake("stock out F9+F8").code == 0
    (tmp_path / "box.csv").write_text(table.replace("F9+F8", "F9-F8"))
    assert lake(f"stock import {tmp_path}/box.csv").code == 0
    assert lake("pack lake/walk/1 out=F9-F8").code == 0


def test_what_of_the_box_this_version_cannot_read_is_told(lake, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("shimfit.store.log.wrong_with", lambda *_: None)  # as a newer program may log
    with Site.open(tmp_path / "test.db", environment={}) as site:
        site.append(Draft("stock-out", {"lot": 7}))
    ran = lake("stock list --json")
    assert len(ran.json["unread"]) == 1
    assert ran.json["unread"][0] in ran.err


def test_what_is_odd_is_asked_about_and_taken(lake) -> None:
    ran = lake("stock add F77 flat --thickness 1m")
    assert ran.code == 0
    assert "caution: 1000 mm is thick for a pack; a wrong unit?" in ran.err
    ran = lake("tighten lake/walk/1 --torque 5000")
    assert (ran.code, "5000 N m is more than a post's rod takes" in ran.err) == (0, True)
    assert "there is no file nosuch.jpg here" in lake("photo lake/walk/1 nosuch.jpg").err
    assert lake("photo lake/walk/1 README.md").err == ""
    assert "'my job/RUN'" in lake("job new 'my job'").out
    assert lake("instrument add cube --kind inclinometer --length 60mm").code == 0, "a unit is no slip of it"


def test_a_bare_length_is_in_the_unit_that_was_said_with_it(lake) -> None:
    """A short return of 30 in is asked about where only the job says inches; what names the unit is taken."""
    lake("job new porch --units inch")
    new = "run new porch/{} --length {} --every 48 --foot 3.5x3.5in --height 44in"
    assert "30ft or 30in" in lake(new.format("a", "30")).err
    assert [lake(new.format("b", "30in")).code, lake(new.format("c", "30 --units inch")).code] == [0, 0]
    assert [lake(new.format("d", "240")).code, lake(new.format("e", "'60 1/2' --turn 30in")).code] == [0, 0]
    assert lake("read lake/walk/2 '9mm n 4mm o' --face OUT").code == 0
    assert '"face":"out"' in lake("export -").out


def test_a_command_names_no_key_of_the_screen(lake) -> None:
    lake("read lake/walk/1 '9mm n 4mm o'")
    lake("pack lake/walk/1")
    lake("tighten lake/walk/1")
    reported = lake("read lake/walk/1 '0.2mm n 0'").out
    assert "\nPlumb.\n" in reported
    assert "Enter" not in reported


def test_a_run_is_told_in_its_own_unit_and_names(shimfit) -> None:
    shimfit("job new dock --units inch")
    shimfit("run new dock/pier --length 8ft --every 4ft --foot 3.5x3.5 --height 40 --names on,back,lake,path")
    shimfit("stock import fixtures/stock/porch_box_inch.csv")
    assert shimfit("read dock/pier/2 '1/4 on, 3/8 lake'").code == 0
    reported = shimfit("run show dock/pier").out
    assert 'foot 3 1/2" x 3 1/2", read at 40"' in reported
    assert '48"  pack' in reported
    assert 'top 1/4" on, 3/8" lake' in reported
    assert "mm" not in reported
    assert '" path' in shimfit("lineup dock/pier --off 2=1/4").out
    # A bare number is in the run's unit too, as in a reading; half of the quarter stays off the line.
    bare = shimfit("lineup dock/pier --off 2=0.25 --json").json["legs"][0]
    assert bare["worst_before_mm"] == pytest.approx(25.4 / 8)
    planned = shimfit("plan dock/pier")
    assert "not read yet, so not in the plan: post 1, 3" in planned.out


# ---------------------------------------------------------------- what a run is told once


def test_openings_count_each_posts_own_foot(shimfit) -> None:
    shimfit("job new pier")
    reported = shimfit(
        "run new pier/a --length 2.5m --every 1250mm --foot 90x90mm --corner-foot 140x140mm --height 1m "
        "--opening 1100mm"
    )
    # By hand: 1250 - 140/2 - 90/2 = 1135; half a line post on both sides would leave 1160.
    assert "the opening 1-2 is 1135 mm, 35 mm over your limit" in reported.err
    assert "1160" not in reported.err


def test_per_direction_stays_when_a_table_names_a_posts_own_tolerance(shimfit, tmp_path) -> None:
    table = tmp_path / "posts.csv"
    table.write_text("post,station_mm,kind,tolerance,per_direction\n1,0,end,,\n2,1200,line,2mm/m,\n"
                     "3,2400,line,,no\n4,3600,end,3mm/m,no\n")  # fmt: skip
    shimfit("job new pier")
    new = "run new pier/a --foot 90x90mm --height 1m --tolerance 1:500 --per-direction --table"
    assert shimfit(*new.split(), str(table)).code == 0
    shown = shimfit("run show pier/a").out.splitlines()
    assert "tolerance 1:500 in each direction" in shown[0]
    assert shown[2].endswith("tolerance 2mm/m in each direction")
    assert shown[3].endswith("tolerance 1:500")
    assert shown[4].endswith("tolerance 3mm/m")
    posts = shimfit("run show pier/a --json").json["posts"]
    assert [post["tolerance"]["per_direction"] for post in posts] == [True, True, False, False]


def test_the_saws_cut_and_a_rod_off_the_middle_are_the_runs(shimfit) -> None:
    box = "fixtures/stock/boardwalk_box.csv"
    shimfit("job new pier")
    shimfit(f"stock import {box}")
    new = "run new pier/{} --length 1.2m --every 1200mm --foot 90x90mm --height 1m "
    assert shimfit(new.format("plain")).code == 0
    off = shimfit(new.format("off") + "--rod-at next=8mm,house=6mm --kerf 4mm")
    assert off.code == 0, off.err
    assert "rod off the middle: next=8 mm,house=6 mm, saw cuts 4 mm wide" in shimfit("run show pier/off").out
    reported = shimfit("run show pier/off --json").json
    assert reported["foot"]["rod_at_mm"] == [8.0, -6.0]
    assert reported["kerf_mm"] == 4.0
    answers = [shimfit(f"read pier/{run}/1 '6mm n 10mm h' --json").json["answer"] for run in ("plain", "off")]
    assert answers[1]["post"]["rod_at_mm"] == [8.0, -6.0]
    assert answers[0]["resting"] != answers[1]["resting"]
    for bad in ("next=8mm,prev=6mm", "up=3mm", "next=60mm"):
        refused = shimfit(new.format("bad") + f"--rod-at {bad}")
        assert refused.code == 2, bad


def test_what_is_piped_in_is_called_that(lake, monkeypatch: pytest.MonkeyPatch) -> None:
    for text, said in (
        (b"lot,form,count,thickness_mm\nF1,flat,many,1\n", "what was piped in, line 2, column count"),
        (b"", "what was piped in is empty: it needs a header line"),
    ):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text)))
        assert said in lake("stock import -").err
    assert "'' can't be the name of a file" in lake("stock import ''").err


def test_a_table_takes_no_face_that_is_none(lake, tmp_path) -> None:
    table = tmp_path / "faces.csv"
    table.write_text("post,entry,face\n1,6n2o,roof\n")
    said = lake(f"read lake/walk --table {table}")
    assert said.code == 4
    assert "line 2, column face: 'roof' isn't a face of this run; its faces are next, prev," in said.err
    table.write_text("post,entry,face\n1,6n2o,Out\n")
    assert lake(f"read lake/walk --table {table}").code == 0
    assert "held to out" in lake("record lake/walk").out


def test_a_station_that_is_no_number_is_quoted_as_it_stands(lake, tmp_path) -> None:
    table = tmp_path / "posts.csv"
    table.write_text("post,station_mm\n1,0\n2,abc\n")
    said = lake(f"run new lake/x --table {table} --foot 90x90mm --height 1m").err
    assert "line 3, column station_mm: 'abc' isn't a number" in said


def test_a_post_in_two_lines_of_a_table_is_served_once(lake, tmp_path) -> None:
    box, table = tmp_path / "box.csv", tmp_path / "walk.csv"
    box.write_text("lot,form,count,thickness_mm\nF1,flat,40,0.5\nF2,flat,40,1.5\n")
    table.write_text("post,entry\n1,6n2o\n2,5n7h\n2,5n6h\n")
    lake(f"stock import {box}")
    said = json.loads(lake(f"read lake/walk --table {table} --json").out)
    assert ([row["post"] for row in said["readings"]], said["shared_out"]) == (["1", "2", "2"], 2)
    table.write_text("post,entry\n")
    assert "walk.csv holds no reading\n" in lake(f"read lake/walk --table {table}").out


def test_a_bow_is_said_in_the_runs_own_names(lake) -> None:
    new = "run new lake/quay --length 3m --every 1m --foot 90x90mm --height 1m --names street,hill,water,yard"
    lake(new)
    said = lake("read lake/quay/2 '5 street 6 water' --mid '9 street 1 water'")
    assert "its middle stands 6.5 mm street and 2.0 mm yard off the line" in said.out


def test_a_setting_whose_name_says_its_unit_is_printed_as_it_is_typed(lake) -> None:
    assert lake("settings torque_nm 30").out == "torque_nm 30.0\n"
    assert lake("settings rod_mm").out == "rod_mm 12.0\n"
    assert lake("settings minutes_lift").out == "minutes_lift 6.0 min\n"


def test_what_nobody_meant_is_refused_or_asked_about_and_says_how_it_is_typed(shimfit) -> None:
    shimfit("job new heron")
    shimfit("run new heron/jetty --length 1.2m --every 1.2m --foot 90x90mm --height 1000mm")
    bare = shimfit("trim heron/jetty/1")
    assert (bare.code, "none to cut flush: log what went in first" in bare.err) == (2, True)
    minus = shimfit("solve -6n10h --height 1000mm --foot 90x90mm")
    assert (minus.code, "-6n10h has a minus: a reading says the side" in minus.err) == (2, True)
    marks = shimfit("instrument add L1 --length 600mm --graduation 3in")
    assert (marks.code, "by marks 76.2 mm apart: a wrong unit?" in marks.err) == (2, True)
    assert "no instrument L1 is entered yet" in shimfit("settings instrument L1").err
    assert shimfit("instrument add L1 --length 600mm --graduation 1mm").code == 0
    assert shimfit("settings instrument L1").err == ""


def test_settings_take_the_unit_that_is_typed(shimfit) -> None:
    for typed in ("30", "30 N m", "30Nm"):
        assert shimfit("settings", "torque_nm", typed, "--json").json["settings"]["torque_nm"] == 30.0
    assert shimfit("settings", "rod_mm", "1/2in", "--json").json["settings"]["rod_mm"] == 12.7
    for key, typed in (("torque_nm", "tight"), ("torque_nm", "-3"), ("minutes_round", "8 h")):
        assert shimfit("settings", key, typed).code == 2

"""The whole-run commands, as a script sees them."""

import json
import signal
import subprocess
import sys

import numpy as np
import pytest

from shimfit.cli import main
from shimfit.cli.io import Io


def problem(posts=2, stock=None):
    rng = np.random.default_rng(1)
    rows = [
        {
            "id": str(k), "foot_along_mm": 90, "foot_across_mm": 90, "height_mm": 1000,
            "slope_along": float(rng.normal(0.004, 0.008)), "slope_across": float(rng.normal(0.006, 0.008)),
            "tolerance": "1:500",
        }
        for k in range(posts)
    ]  # fmt: skip
    usual = [
        {"lot": f"F{k}", "form": "flat", "count": 1 + posts // 20, "thickness_mm": round(0.2 + 0.031 * k, 2)}
        for k in range(60)
    ]
    return {"schema": 1, "posts": rows, "stock": usual if stock is None else stock}


def run(tmp_path, capsys, content, *more):
    file = tmp_path / "problem.json"
    file.write_text(content if isinstance(content, str) else json.dumps(content))
    code = main(["plan", "--problem", str(file), *more], Io())
    out = capsys.readouterr()
    return code, out.out, out.err


def test_a_problem_is_answered_as_one_json_object(tmp_path, capsys):
    code, out, _ = run(tmp_path, capsys, problem(), "--json", "--seconds", "20")
    answer = json.loads(out)
    assert (code, answer["schema"], answer["unsolved"]) == (0, 1, [])
    assert len(answer["posts"]) == 2


def test_a_post_that_cannot_be_served_is_exit_1_and_said(tmp_path, capsys):
    code, out, _ = run(tmp_path, capsys, problem(1, stock=[]))
    assert code == 1
    assert "1 not served" in out
    assert "NOT SERVED" in out


@pytest.mark.parametrize(
    "content",
    [
        *("", "[1]", "{", '{"posts": [{"id": 1}], "stock": []}', '{"posts": NaN}'),
        *(f'{{"posts": {"9" * 5000}}}', f'{{"posts": {"[" * 99_999}'),
    ],
    ids=range(7),
)
def test_what_is_no_problem_is_exit_4_and_one_sentence(tmp_path, capsys, content):
    code, out, err = run(tmp_path, capsys, content, "--json")
    assert code == 4
    assert json.loads(out)["error"]["kind"] == "file"
    assert err.count("\n") == 1


def test_a_corner_keeps_its_own_turn_and_rails_use_it(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "site.db"))

    def said(*words):
        code = main([*words, "--json"], Io())
        return code, json.loads(capsys.readouterr().out)

    said("job", "new", "pier")
    legs = ("--length", "1500mm", "--turn", "1500mm@45", "--turn", "1500mm", "--every", "1500mm")
    code, laid = said("run", "new", "pier/bend", *legs, "--foot", "90x90mm", "--height", "1000mm")
    assert code == 0
    assert [post["turn_deg"] for post in laid["posts"]] == [None, 45.0, None, None]
    for name in "1234":
        said("read", f"pier/bend/{name}", "0 0")
    rails = [rail["length_mm"] for rail in said("rails", "pier/bend", "--at", "500mm")[1]["rails"]]
    # Upright posts: half a foot at each end, at the 45 degree corner half its diagonal.
    assert rails == pytest.approx([1410.0, 1500 - 45 - 45 * 2**0.5, 1410.0])
    table = tmp_path / "posts.csv"
    assert main(["run", "export", "pier/bend", str(table)], Io()) == 0
    said("run", "new", "pier/again", "--table", str(table), "--foot", "90x90mm", "--height", "1000mm")
    assert [post["turn_deg"] for post in said("run", "show", "pier/again")[1]["posts"]] == [
        None, 45.0, None, None,
    ]  # fmt: skip
    for wrong in ("1500mm@180", "1500mm@nan", "1500mm@", "1500mm@0", "1500mm@1e400"):
        code, reported = said("run", "new", "pier/x", "--length", "3m", "--turn", wrong, "--every", "1m",
                          "--foot", "90x90mm", "--height", "1m")  # fmt: skip
        assert (code, reported["error"]["kind"]) == (2, "entry")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("run new pier/x --length 3m --every 1m --foot 90x90mm --height 1m --due=-3", "0 or more"),
        ("run new pier/x --length 50mm --every 1m --foot 90x90mm --height 1m", "no room between their feet"),
        ("kit pier/west --fall nan", "a usual fall is a ratio"),
        ("kit pier/west --fall 5", "a usual fall is a ratio"),
        ("kit pier/west --fall 0.01 --posts 100000000", "1 to 200 posts"),
        ("kit pier/west --fall 0.01 --posts 0", "1 to 200 posts"),
    ],
)
def test_what_can_not_be_meant_is_refused_in_a_sentence(tmp_path, capsys, monkeypatch, words, said):
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "site.db"))
    assert main(["job", "new", "pier"], Io()) == 0
    west = "run new pier/west --length 3m --every 1m --foot 90x90mm --height 1m"
    assert main(west.split(), Io()) == 0
    capsys.readouterr()
    assert main(words.split(), Io()) == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("seconds", ["1e400", "0", "-1", "nan", "inf", "86401"])
def test_seconds_that_no_plan_can_take_are_refused_in_a_sentence(tmp_path, capsys, seconds):
    code, out, err = run(tmp_path, capsys, problem(), f"--seconds={seconds}", "--json")
    assert code == 2
    assert json.loads(out)["error"]["kind"] == "usage"
    assert "more than 0 and up to 86400 seconds" in err


def test_a_run_or_a_problem_not_both(capsys):
    assert main(["plan"], Io()) == 2
    assert main(["plan", "a/b", "--problem", "x"], Io()) == 2
    assert "one of the two" in capsys.readouterr().err


def test_ctrl_c_keeps_the_best_so_far_and_says_so(tmp_path):
    file = tmp_path / "problem.json"
    file.write_text(json.dumps(problem(150)))
    command = [sys.executable, "-m", "shimfit", "plan", "--problem", str(file)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as planning:
        assert "no plan yet" in planning.stderr.readline()
        planning.send_signal(signal.SIGINT)
        out, err = planning.communicate(timeout=120)
    assert planning.returncode in (0, 1)
    assert "Traceback" not in err
    assert "Stopped: this is the best so far." in out


def test_a_run_is_planned_cut_and_railed_from_the_data_file(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "site.db"))
    stock = tmp_path / "stock.csv"
    rows = "\n".join(f"F{k},flat,6,{0.2 + 0.03 * k:.2f},,,,," for k in range(40))
    stock.write_text(
        "lot,form,count,thickness_mm,length_mm,width_mm,thin_mm,thick_mm,origin\n"
        f"{rows}\nS1,strip,1,20,600,40,,,offcut\n"
    )
    for words in (
        ["job", "new", "pier"],
        ["run", "new", "pier/west", "--length", "2400mm", "--every", "1200mm", "--foot", "90x90mm",
         "--height", "1000mm", "--tolerance", "1:500"],
        ["stock", "import", str(stock)],
        ["read", "pier/west/1", "9mm n 4mm o"],
        ["read", "pier/west/2", "6mm p 8mm o", "--bed"],
        ["read", "pier/west/3", "5mm n 5mm h"],
    ):  # fmt: skip
        assert main(words, Io()) in (0, 1), capsys.readouterr().err
    capsys.readouterr()
    assert main(["plan", "pier/west", "--json"], Io()) == 0
    answer = json.loads(capsys.readouterr().out)
    assert [post["id"] for post in answer["posts"]] == ["1", "2", "3"]
    assert main(["cut", "pier/west", "--json"], Io()) == 0
    cut = json.loads(capsys.readouterr().out)
    assert [post["packs"] for post in cut["posts"]] == [post["packs"] for post in answer["posts"]]
    assert main(["cut", "pier/west"], Io()) == 0
    reported = capsys.readouterr().out
    assert "PACK LABELS" in reported
    assert "not sawn: S1" not in reported  # nothing is sawn and every post is served
    pdf = tmp_path / "cut.pdf"
    assert main(["cut", "pier/west", "--pdf", str(pdf)], Io()) == 0
    assert pdf.read_bytes().startswith(b"%PDF")
    assert main(["rails", "pier/west", "--at", "900mm", "--depth", "90mm", "--json"], Io()) == 0
    rails = json.loads(capsys.readouterr().out)["rails"]
    assert [(rail["from"], rail["to"]) for rail in rails] == [("1", "2"), ("2", "3")]
    assert all(abs(rail["length_mm"] - 1110) < 5 for rail in rails)
    assert main(["lineup", "pier/west", "--off", "2=3mm", "--json"], Io()) == 0
    (leg,) = json.loads(capsys.readouterr().out)["legs"]
    assert leg["worst_after_mm"] < leg["worst_before_mm"] == pytest.approx(1.5)
    assert main(["lineup", "pier/west", "--off", "2=3mm"], Io()) == 0
    reported = capsys.readouterr().out
    assert "2  aim 1.0 mm house" in reported
    assert "1.5 mm out, then 0.5 mm out" in reported
    aimed_at_line_or_plumb(capsys)


def aimed_at_line_or_plumb(capsys):
    """`plan --line-up` takes the offsets that `lineup` takes; what would be passed over is said."""

    def across_of_2(*more):
        assert main(["plan", "pier/west", "--look", "--json", *more], Io()) == 0
        reported = capsys.readouterr()
        return next(
            p["resting"]["slope_across"] for p in json.loads(reported.out)["posts"] if p["id"] == "2"
        ), reported.err

    aimed, _ = across_of_2("--line-up", "--off", "2=90mm")
    plumb, said = across_of_2("--line-up")
    assert aimed < plumb - 0.0004
    assert "caution: no string-line offsets" in said
    for words in (["--off", "2=3mm"], ["--line-up", "--off", "2=50m"], ["--line-up", "--off", "9=3mm"]):
        assert main(["plan", "pier/west", *words], Io()) == 2
        assert capsys.readouterr().err


def test_a_kit_is_made_of_what_the_shop_has(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "site.db"))
    shop = tmp_path / "shop.csv"
    shop.write_text("lot,form,count,length_mm,thin_mm,thick_mm\nlong,taper,1,300,0.5,9\n")
    west = "run new pier/west --length 1200mm --every 1200mm --foot 90x90mm --height 1000mm"
    for words in ("job new pier", west):
        assert main(words.split(), Io()) == 0
    capsys.readouterr()
    assert main(["kit", "pier/west", "--fall", "0.01", "--json", "--shop", str(shop)], Io()) == 0
    kit = json.loads(capsys.readouterr().out)
    assert kit["served_without"] < 0.5 < kit["served_share"]
    assert {line["lot"]["lot"] for line in kit["lines"]} == {"long"}
    assert (kit["asked_share"], kit["reached"]) == (0.95, kit["served_share"] >= 0.95)


def test_a_kit_that_falls_short_says_so_and_a_full_box_needs_none(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "site.db"))
    shop = tmp_path / "shop.csv"
    shop.write_text("lot,form,count,thickness_mm\nA,flat,1,1\n")
    west = "run new pier/west --length 1200mm --every 1200mm --foot 90x90mm --height 1000mm"
    for words in ("job new pier", west):
        assert main(words.split(), Io()) == 0
    capsys.readouterr()

    def said(*more):
        assert main(["kit", "pier/west", "--fall", "0.01", "--posts", "1", *more], Io()) == 0
        return capsys.readouterr().out

    assert "short of the 95 % aimed at" in said("--shop", str(shop))
    short = json.loads(said("--shop", str(shop), "--json"))
    assert not short["reached"]
    assert short["served_share"] < short["asked_share"]
    assert bool(short["lines"]) == (short["served_share"] > short["served_without"])
    assert main(["stock", "import", "fixtures/stock/boardwalk_box.csv"], Io()) == 0
    capsys.readouterr()
    assert "Nothing needs to be bought." in said()

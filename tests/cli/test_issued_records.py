"""What a record says of its job, and that it is given out: logged once, on paper, in JSON and in CSV."""

import csv
import io

import pypdf
import pytest

from shimfit.errors import Exit


@pytest.fixture
def walk(after):
    """A job with two posts, one proven plumb."""
    return after(
        "job new shore",
        "run new shore/walk --length 2m --every 2m --foot 90x90mm --height 1000mm --tolerance 1:500",
        "instrument add level-A --serial LA-17 --accuracy 0.2mm/m",
        *["read shore/walk/1 '0.5n 0' --instrument level-A --by 'crew A' --after"] * 2,
    )


def paper(shimfit, tmp_path, *words):
    file = tmp_path / "record.pdf"
    ran = shimfit("record", "shore/walk", "--pdf", str(file), *words)
    assert ran.code == Exit.DONE, ran.err
    return " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(file).pages)


def test_facts_of_job_and_run_stand_on_paper_in_json_and_in_csv(walk, tmp_path):
    walk("job", "set", "shore", "--site", "North landing", "--site-address", "Quay 4", "--weather", "rain")
    walk("run", "set", "shore/walk", "--weather", "dry", "--moisture", "14 %")
    reported = walk("record", "shore/walk", "--json").json
    assert reported["facts"] == {
        "customer": None,
        "site": "North landing",
        "site_address": "Quay 4",
        "firm": None,
        "firm_address": None,
        "weather": "dry",
        "temperature": None,
        "moisture": "14 %",
    }
    assert reported["read_by"] == ["crew A"]
    assert reported["instruments"][0]["serial"] == "LA-17"
    row = next(csv.DictReader(io.StringIO(walk("record", "shore/walk", "--csv", "-").out, newline="")))
    assert (row["site"], row["weather"], row["customer"]) == ("North landing", "dry", "")
    text = paper(walk, tmp_path)
    for said in (
        "Site North landing, Quay 4",
        "Weather dry",
        "Customer not given",
        "Timber's moisture 14 %",
        "serial LA-17",
        "Read by crew A",
    ):
        assert said in text, said


def test_a_run_takes_its_word_back_and_the_jobs_holds_again_and_undo_takes_the_job_s(walk):
    walk("job", "set", "shore", "--weather", "rain")
    walk("run", "set", "shore/walk", "--weather", "dry")
    assert walk("run", "set", "shore/walk", "--json").json["facts"]["weather"] == "dry"
    walk("run", "set", "shore/walk", "--weather", "")
    assert walk("run", "set", "shore/walk", "--json").json["facts"]["weather"] == "rain"
    assert walk("job", "set", "shore", "--json").json["facts"]["weather"] == "rain"
    for _ in range(3):
        walk("undo", "shore")
    assert walk("job", "set", "shore", "--json").json["facts"]["weather"] is None


def test_the_firm_of_the_settings_goes_into_new_jobs(shimfit, tmp_path):
    shimfit("settings", "firm", "Two Rivers Joinery")
    shimfit("settings", "firm_address", "Mill lane 2")
    shimfit("job", "new", "shore")
    facts = shimfit("job", "set", "shore", "--json").json["facts"]
    assert (facts["firm"], facts["firm_address"]) == ("Two Rivers Joinery", "Mill lane 2")


def test_an_issued_record_is_dated_and_numbered_until_more_is_logged(walk, tmp_path):
    assert "Date of issue not given, logged up to" in paper(walk, tmp_path)
    text = paper(walk, tmp_path, "--number", "2026-014")
    first = walk("record", "shore/walk", "--json").json
    assert "Record number 2026-014" in text
    assert "Replaces nothing: first issue" in text
    assert first["issue"]["number"] == "2026-014"
    # Printed again without a word: the same issue, nothing more is logged.
    assert paper(walk, tmp_path, "--issue") == text
    assert walk("record", "shore/walk", "--json").json["log"] == first["log"]
    walk("note", "shore/walk/2", "board cupped")
    later = walk("record", "shore/walk", "--json").json
    assert later["issue"] is None
    assert later["issued_before"]["number"] == "2026-014"
    assert "record 2026-014 was issued" in paper(walk, tmp_path)
    # What was issued can be printed again from its own figure.
    assert paper(walk, tmp_path, "--as-of", first["log"]["figure"]) == text


def test_a_re_issue_wants_a_reason_and_tells_what_it_replaces_and_which_posts_changed(walk, tmp_path):
    paper(walk, tmp_path, "--number", "14")
    old = walk("record", "shore/walk", "--json").json["log"]["figure"]
    walk("read", "shore/walk/2", "0.2n 0", "--by", "crew B")
    refused = walk("record", "shore/walk", "--number", "14a")
    assert refused.code == Exit.REFUSED
    assert "say why it is issued anew" in refused.err
    text = paper(walk, tmp_path, "--number", "14a", "--why", "post 2 read")
    assert f"record 14 of {old}, because: post 2 read; posts changed: 2" in text
    reported = walk("record", "shore/walk", "--json").json["issue"]
    assert (reported["replaces"], reported["why"], reported["changed"]) == (old, "post 2 read", ["2"])
    row = next(csv.DictReader(io.StringIO(walk("record", "shore/walk", "--csv", "-").out, newline="")))
    assert (row["record_number"], row["replaces"], row["changed_posts"]) == ("14a", old, "2")


def test_an_issue_goes_with_the_job_into_another_file(walk, tmp_path, monkeypatch):
    paper(walk, tmp_path, "--number", "14")
    walk("job", "set", "shore", "--customer", "Harbour trust")
    figure = walk("record", "shore/walk", "--number", "15", "--why", "customer named", "--json").json["log"][
        "figure"
    ]
    walk("export", str(tmp_path / "shore.jsonl"))
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "office.db"))
    assert walk("import", str(tmp_path / "shore.jsonl")).code == Exit.DONE
    assert (
        walk("record", "shore/walk", "--json").json["issued_before"]["number"] == "15"
    )  # that it came in is logged
    reported = walk("record", "shore/walk", "--as-of", figure, "--json").json
    assert reported["log"]["figure"] == figure
    assert (reported["issue"]["number"], reported["issue"]["changed"]) == ("15", [])
    assert reported["facts"]["customer"] == "Harbour trust"


def test_what_is_scanned_from_paper_can_be_pasted_whole(walk):
    figure = walk("record", "shore/walk", "--json").json["log"]["figure"]
    for text in (figure, f"shore/walk\n{figure}", f"shore/walk {figure}"):
        assert walk("record", "verify", "--hash", text, "--json").json["answer"] == "same"

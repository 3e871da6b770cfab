"""One list of cautions, and every front shows what it must."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from shimfit.cli import main
from shimfit.core.cautions import FRONTS, TEXTS, caution_of_material, cautions_of
from shimfit.tui.plain import run_plain
from shimfit.workflow.site import Site

HERE = Path(__file__).parents[2]
JETTY = (
    *("run", "new", "heron/jetty", "--length", "2.4m", "--every", "1.2m"),
    *("--foot", "90x90mm", "--height", "1000mm"),
)


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture
def shimfit(tmp_path, monkeypatch, capsys):
    """Runs a command on a data file of its own; what it said on both streams."""
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "own.db"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))

    def run(*words: str) -> str:
        main(list(words))
        said = capsys.readouterr()
        return flat(said.out + said.err)

    return run


def test_the_readme_has_every_caution_word_for_word() -> None:
    readme = flat((HERE / "README.md").read_text("utf-8"))
    assert set(FRONTS["readme"]) == set(TEXTS)
    for text in cautions_of("readme"):
        assert text in readme


def test_commands_show_theirs(shimfit) -> None:
    shimfit("job", "new", "heron")
    shimfit(*JETTY)
    shimfit("stock", "import", str(HERE / "fixtures/stock/boardwalk_box.csv"))
    shimfit("read", "heron/jetty/1", "6n10h")
    trimmed = shimfit("trim", "heron/jetty/1")
    assert all(text in trimmed for text in cautions_of("trim"))
    record = shimfit("record", "heron/jetty", "--json")
    assert all(text in record for text in cautions_of("record"))
    kit = shimfit("kit", "heron/jetty", "--fall", "0.002", "--posts", "1")
    assert all(text in kit for text in cautions_of("kit"))


MAKEUP = (
    "--top 1000mm --rail 80mm --rail-depth 90mm --hole 45mm --washer 40mm --washer-hole 13mm "
    "--washer-thick 3mm --nut 10mm --past 10mm --clamp 4000 --washer-allows 9 --foot-allows 9"
)


def test_each_front_of_a_run_shows_its_own(shimfit) -> None:
    shimfit("job", "new", "heron")
    shimfit(*JETTY)
    shimfit(
        "stock",
        "add",
        "T1",
        "taper",
        *["--length", "200mm", "--thin", "0.5mm", "--thick", "6mm", "--count", "4"],
    )
    for post, entry in enumerate(("6n10h", "0n0h", "0n0h"), 1):
        shimfit("read", f"heron/jetty/{post}", entry)
    shown = {
        "tips": shimfit("cut", "heron/jetty"),
        "rails": shimfit("rails", "heron/jetty", "--at", "500mm"),
        "makeup": shimfit("makeup", "heron/jetty", *MAKEUP.split()),
        "readme": shimfit("help", "cautions"),
    }
    for front, said in shown.items():
        missing = [text for text in cautions_of(front) if text not in said]
        assert not missing, f"{front}: {missing}"


def test_plain_help_shows_its_own(tmp_path) -> None:
    site = Site.open(tmp_path / "own.db", environment={})
    said = io.StringIO()
    run_plain(site, stdin=io.StringIO("help\n"), stdout=said)
    site.close()
    assert all(text in flat(said.getvalue()) for text in cautions_of("help"))


def test_the_first_start_in_plain_mode_shows_its_caution_once(tmp_path) -> None:
    site = Site.open(tmp_path / "own.db", environment={})
    said = io.StringIO()
    run_plain(site, stdin=io.StringIO("sample\n"), stdout=said)
    run_plain(site, stdin=io.StringIO(""), stdout=said)
    site.close()
    assert FRONTS["first start"]
    assert all(flat(said.getvalue()).count(text) == 1 for text in cautions_of("first start"))


@pytest.mark.parametrize("material", ["cedar shingle", "Cardboard", "softwood offcut", "spruce", "red cedar"])
def test_what_rots_or_creeps_is_warned_of_at_the_box_and_in_the_answer(shimfit, material: str) -> None:
    said = shimfit(
        "stock", "add", "C1", "flat", "--thickness", "1mm", "--count", "30", "--material", material
    )
    assert "rots or creeps" in said
    shimfit("job", "new", "heron")
    shimfit(*JETTY)
    assert "rots or creeps" in shimfit("read", "heron/jetty/1", "22n0o", "--json", "--sure")


@pytest.mark.parametrize("material", ["", "HDPE", "aluminium", "ipe", "PVC", "firm rubber", "papered steel"])
def test_what_is_sound_is_not(material: str) -> None:
    assert caution_of_material([material]) is None

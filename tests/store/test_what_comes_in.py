"""What comes in a file is checked like what is typed; what an older one holds is shown without commands."""

from __future__ import annotations

import json

import pytest

from shimfit.errors import FileError, UsageError
from shimfit.settings import load
from shimfit.store.events import Event, Place, microseconds
from shimfit.store.merge import export_text, import_text, line_of

TITLE = "\x1b]0;owned\x07"
A_DAY = 86_400 * 1_000_000


def made_up(text: str, **changes) -> str:
    """The last line of an export with other content, its hash right: as a program could write it."""
    *lines, last = text.splitlines()
    row = json.loads(last) | changes
    data = json.dumps(row.pop("data"), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    row.pop("schema")
    row.pop("origin")
    event = Event(**row, data_text=data)
    row["hash"] = event.computed_hash()
    assert Place(event.seq, event.prev, row["hash"])
    return "\n".join([*lines, line_of(Event(**row, data_text=data))]) + "\n"


@pytest.fixture
def text(crew):
    north = crew("north").lay_out()
    north.log("noted", {"text": "knot"}, post="1")
    return export_text(north.journal)


@pytest.mark.parametrize(
    "changes",
    [
        {"data": {"text": f"knot {TITLE}"}},
        {"data": {"text": "knot \x9b31m"}},
        {"data": {"text": "knot \u202e"}},
        {"data": {"text": "knot" * 6000}},
        {"by": f"crew{TITLE}"},
        {"by": "crew" * 30},
        {"stamp": 2**53 - 2},
    ],
)
def test_what_nobody_can_type_is_refused_with_its_line(crew, text, changes):
    south = crew("south")
    with pytest.raises(FileError, match=r"line \d+: (holds what nobody can type|is stamped more than)"):
        import_text(south.journal, made_up(text, **changes), "theirs.jsonl")
    assert south.journal.head == (0, "")


def test_the_latest_stamp_that_is_taken_leaves_every_later_export_importable(crew, text):
    south, west = crew("south"), crew("west")
    latest = microseconds(south.clock.now.isoformat()) + A_DAY + 1_000_000  # the clock's next look
    with pytest.raises(FileError, match="more than 24 h ahead of this machine's clock"):
        import_text(south.journal, made_up(text, stamp=latest + 1), "theirs.jsonl")
    assert south.journal.head == (0, "")
    import_text(south.journal, made_up(text, stamp=latest + 1_000_000), "theirs.jsonl")  # one look later
    south.clock.set("2026-05-04T18:00:00+02:00")
    west.clock.set("2026-05-04T18:00:00+02:00")
    south.read("2")
    import_text(west.journal, export_text(south.journal), "again.jsonl")
    assert west.post("2").readings


@pytest.mark.parametrize("typed", [f"knot{TITLE}", "knot\x00", "k" * 21_000])
def test_it_can_not_be_typed_either(crew, typed):
    north = crew().lay_out()
    before = north.journal.head
    with pytest.raises(UsageError, match="nothing was logged"):
        north.log("noted", {"text": typed}, post="1")
    assert north.journal.head == before


def test_several_lines_and_any_script_can(crew):
    north = crew().lay_out()
    for words in ("split\nreplace", "ירוק", "节疤", "🪵 ok"):
        north.log("noted", {"text": words}, post="1")
        assert north.post("1").notes[-1] == words


def test_an_older_files_note_is_shown_without_its_commands(crew, monkeypatch):
    north = crew().lay_out()
    monkeypatch.setattr("shimfit.store.log.signs_wrong", lambda *_: None)
    north.log("noted", {"text": f"a{TITLE}b\x9bc\u202ed"}, post="1")
    assert north.post("1").notes[-1] == "a ]0;owned b c d"
    assert north.journal.verify() is None


@pytest.mark.parametrize(
    ("key", "value"),
    [
        *(("graduation", bad) for bad in (0, "16", 7, None, [16])),
        *(("by", bad) for bad in (5, None, {})),
        *(("units", bad) for bad in ("furlong", 1)),
        *(("ascii", bad) for bad in (7, "yes")),
        ("rod_mm", "thick"),
        ("backup_days", 10**12),
    ],
)
def test_a_stored_setting_that_nobody_could_type_disables_nothing(key, value):
    assert load({key: value}, environment={}) == load({}, environment={})


def test_a_stored_setting_is_used(crew):
    stored = {"graduation": 32, "by": "north crew", "ascii": True, "rod_mm": 16, "backup_days": 7}
    found = load(stored, environment={})
    assert {key: getattr(found, key) for key in stored} == stored

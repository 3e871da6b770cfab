"""One way to a file: what may be written over, what never, and what is left when it can't be written."""

from __future__ import annotations

import os
import sqlite3
import stat
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from shimfit.errors import FileError
from shimfit.outputs import BESIDE, PDF, POSTS_CSV, STOCK_CSV, Growing, write_whole

posix = pytest.mark.skipif(os.name != "posix", reason="links, devices and pipes of POSIX")


def database(path: Path) -> Path:
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE t (a)")
    db.close()
    return path


def names(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir())


def test_a_file_is_whole_and_nothing_is_left_beside_it(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.pdf", b"%PDF-1.7 one", PDF)
    write_whole(tmp_path / "a.pdf", b"%PDF-1.7 two", PDF)
    assert (tmp_path / "a.pdf").read_bytes() == b"%PDF-1.7 two"
    assert names(tmp_path) == ["a.pdf"]


def test_an_interrupted_write_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_whole(tmp_path / "a.pdf", b"%PDF-1.7 one", PDF)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match="the disk is full"):
        write_whole(tmp_path / "a.pdf", b"%PDF-1.7 two", PDF)
    assert (tmp_path / "a.pdf").read_bytes() == b"%PDF-1.7 one"
    assert names(tmp_path) == ["a.pdf"]


def test_a_file_of_another_kind_is_kept_unless_forced(tmp_path: Path) -> None:
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear crew,")
    with pytest.raises(FileError, match="--force"):
        write_whole(letter, b"%PDF-", PDF)
    assert letter.read_text() == "Dear crew,"
    write_whole(letter, b"%PDF-", PDF, force=True)
    assert letter.read_bytes() == b"%PDF-"


@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbfpost,leg\n", b'"post","leg"\n', b"post;leg\n"])
def test_an_empty_file_or_one_of_the_same_kind_may_go(tmp_path: Path, start: bytes) -> None:
    (tmp_path / "posts.csv").write_bytes(start)
    write_whole(tmp_path / "posts.csv", b"post,leg\r\n", POSTS_CSV)
    assert (tmp_path / "posts.csv").read_bytes() == b"post,leg\r\n"


@posix
def test_a_link_is_followed_and_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    link = tmp_path / "near.csv"
    link.symlink_to(tmp_path / "far" / "box.csv")
    for text in (b"lot,form\n1", b"lot,form\n2"):  # a link into the void, then one to a file
        write_whole(link, text, STOCK_CSV)
        assert link.is_symlink()
        assert (tmp_path / "far" / "box.csv").read_bytes() == text


@posix
def test_permissions_stay(tmp_path: Path) -> None:
    file = tmp_path / "a.pdf"
    file.touch()
    file.chmod(0o600)
    write_whole(file, b"%PDF-", PDF)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


@posix
def test_a_pipe_is_written_to_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
    reader.start()
    write_whole(pipe, b"%PDF-" * 100_000, PDF)
    reader.join(5)
    assert got == [b"%PDF-" * 100_000]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="Linux has /dev/full")
def test_a_full_device_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="the disk is full"):
        write_whole("/dev/full", b"%PDF-", PDF)
    assert Path("/dev/full").is_char_device()


@pytest.mark.parametrize("end", ["", *BESIDE])
def test_nothing_lands_on_a_data_file_or_beside_it(tmp_path: Path, end: str) -> None:
    data = tmp_path / "site.db"
    data.write_bytes(b"damaged beyond recognition")  # no SQLite file by its looks
    with pytest.raises(FileError, match="part of the data file"):
        write_whole(f"{data}{end}", b"%PDF-", PDF, keep=[data], force=True)
    assert names(tmp_path) == ["site.db"]


@posix
def test_a_hard_link_to_a_data_file_is_the_data_file(tmp_path: Path) -> None:
    data = tmp_path / "site.db"
    data.write_bytes(b"damaged beyond recognition")
    os.link(data, tmp_path / "b.pdf")
    with pytest.raises(FileError, match="part of the data file"):
        write_whole(tmp_path / "b.pdf", b"%PDF-", PDF, keep=[data], force=True)


@pytest.mark.parametrize("end", ["", "-wal", "-shm", "-journal"])
def test_any_other_database_is_left_alone(tmp_path: Path, end: str) -> None:
    other = database(tmp_path / "photos.sqlite")
    before = other.read_bytes()
    with pytest.raises(FileError, match="database"):
        write_whole(f"{other}{end}", b"%PDF-", PDF, force=True)
    with pytest.raises(FileError, match="database"):
        Growing(f"{other}{end}", PDF)
    assert other.read_bytes() == before
    assert names(tmp_path) == ["photos.sqlite"]


def test_a_folder_and_an_empty_name_are_no_files(tmp_path: Path) -> None:
    for name in (tmp_path, "", "a\x00b"):
        with pytest.raises(FileError):
            write_whole(name, b"%PDF-", PDF)


# ---------------------------------------------------------------- the commands

OUTPUTS = {
    "export": ("export", "{}"),
    "stock export": ("stock", "export", "{}"),
    "run export": ("run", "export", "pier/east", "{}"),
    "record --csv": ("record", "pier/east", "--csv", "{}"),
    "record --pdf": ("record", "pier/east", "--pdf", "{}"),
    "cut --pdf": ("cut", "pier/east", "--pdf", "{}"),
    "simulate --capture": ("simulate", "--capture", "{}", "--seconds", "1"),
    "listen --trace": ("listen", "fixtures/captures/coarse-sensor.cap", "--trace", "{}"),
    "listen --capture": ("listen", "/dev/none", "--capture", "{}"),
}


@pytest.fixture
def pier(after: Callable[..., Any]) -> Callable[..., Any]:
    laid = "run new pier/east --stations 0,1200 --foot 90x90mm --height 1000mm"
    box = "stock import fixtures/stock/boardwalk_box.csv"
    return after("job new pier", laid, box, "read pier/east/1 6n10h")


def contents(folder: Path) -> dict[str, bytes]:
    """But for what SQLite itself makes beside a file that is only read (an empty log, its index)."""
    files = (one for one in folder.iterdir() if not one.name.endswith(("-wal", "-shm")))
    return {one.name: one.read_bytes() for one in files}


@pytest.mark.parametrize("words", OUTPUTS.values(), ids=list(OUTPUTS))
def test_no_command_destroys_a_data_file(pier: Callable[..., Any], words: Any, tmp_path: Path) -> None:
    data = tmp_path / "test.db"
    other = database(tmp_path / "other.sqlite")
    targets = [data, other, *(Path(f"{data}{end}") for end in BESIDE)]
    for name, points_at in (("soft.pdf", data), ("hard.csv", data)):
        link = tmp_path / name
        link.symlink_to(points_at) if name == "soft.pdf" else os.link(points_at, link)
        targets.append(link)
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear crew,")
    before = contents(tmp_path)
    for target in targets:
        ran = pier(*(word.format(target) for word in words), "--force")
        assert ran.code == 4, (target, ran)
    assert pier(*(word.format(letter) for word in words)).code == 4
    assert contents(tmp_path) == before


def test_a_record_is_not_issued_where_its_paper_cannot_be_written(
    pier: Callable[..., Any], tmp_path: Path
) -> None:
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear crew,")
    before = pier("record", "pier/east", "--json").json["log"]
    assert pier("record", "pier/east", "--issue", "--pdf", str(letter)).code == 4
    assert pier("record", "pier/east", "--json").json["log"] == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="Linux has /dev/full")
@pytest.mark.parametrize("words", list(OUTPUTS.values())[:7], ids=list(OUTPUTS)[:7])
def test_a_full_disk_is_exit_4_and_a_sentence(pier: Callable[..., Any], words: Any) -> None:
    ran = pier(*(word.format("/dev/full") for word in words))
    assert ran.code == 4
    assert "the disk is full" in ran.err


# ---------------------------------------------------------------- the simulation's link


@posix
@pytest.mark.parametrize("what", ["file", "folder", "test.db", "gone", "/dev/null"])
def test_a_simulation_replaces_nothing_that_it_did_not_make(
    shimfit: Callable[..., Any], tmp_path: Path, what: str
) -> None:
    link = tmp_path / "post"
    if what == "file":
        link.write_text("mine")
    elif what == "folder":
        link.mkdir()
    else:
        link.symlink_to(what)
    before = str(link.readlink()) if link.is_symlink() else link.stat()
    ran = shimfit("simulate", "--link", str(link), "--seconds", "0.1")
    assert ran.code == 4
    assert "exists" in ran.err
    assert (str(link.readlink()) if link.is_symlink() else link.stat()) == before


@posix
def test_a_link_that_was_left_behind_is_made_anew_and_taken_away(
    shimfit: Callable[..., Any], tmp_path: Path
) -> None:
    link = tmp_path / "post"
    link.symlink_to("/dev/pts/99999")
    assert shimfit("simulate", "--link", str(link), "--seconds", "0.1").code == 0
    assert not link.is_symlink()


@posix
def test_a_link_that_somebody_else_put_in_place_meanwhile_stays(tmp_path: Path) -> None:
    from shimfit.model import Lean
    from shimfit.quantities.typed import parse_foot
    from shimfit.wire.simulate import Player, SensorNature, SimulatedPost, Stage

    post = SimulatedPost(parse_foot("90x90mm"), Lean(0.006, -0.01), SensorNature(0.02, 0.0), seed=7)
    link = tmp_path / "post"
    player = Player(Stage(post, "xdr", seed=7), 50.0, link)
    player.plug()
    link.unlink()
    link.symlink_to("/dev/null")
    player.unplug()
    assert str(link.readlink()) == "/dev/null"

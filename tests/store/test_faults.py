"""What goes wrong on a site: the program dies, the disk is full, the folder is locked, the file is damaged.

In every case nothing that was acknowledged is lost, nothing is half written, and the person reads one
sentence.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import pytest

from shimfit.errors import FileError
from shimfit.store.db import MIGRATIONS
from shimfit.store.journal import Journal

HERE = Path(__file__).parent
needs_posix = pytest.mark.skipif(os.name != "posix", reason="forks, limits and users of POSIX")


def in_a_child(work, *, user: int | None = None):
    """Result of work() in a forked program, as another user where one is given; its FileError as a value."""
    hear, say = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(hear)
        sys.dont_write_bytecode = True  # what a quota cut off would break the programs that come after
        try:
            if user is not None and os.geteuid() == 0:
                os.setgid(user)
                os.setuid(user)
            try:
                result = work()
            except FileError as error:
                result = ("FileError", error.message)
            os.write(say, pickle.dumps(result))
            os._exit(0)
        finally:
            os._exit(1)
    os.close(say)
    with os.fdopen(hear, "rb") as pipe:
        data = pipe.read()
    assert os.waitpid(child, 0)[1] == 0, "the child failed; its traceback is above"
    return pickle.loads(data)


def refusal(work) -> str | None:
    """Sentence of the FileError that work() raises, or None."""
    try:
        work()
    except FileError as error:
        return error.message
    return None


def is_one_sentence(text: str) -> bool:
    return "\n" not in text and "Traceback" not in text and 20 < len(text) < 300


# ---------------------------------------------------------------- the program dies


@needs_posix
def test_killed_at_any_moment_nothing_acknowledged_is_lost():
    """A short run of the script whose long run (1,000 trials) is made by hand; SHIMFIT_KILLS: how many."""
    script = HERE.parent / "bench" / "kill9.py"
    trials = os.environ.get("SHIMFIT_KILLS", "40")
    done = subprocess.run(
        [sys.executable, str(script), "--trials", trials, "--seed", "3"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    counts = dict(line.rsplit(maxsplit=1) for line in done.stdout.splitlines()[1:])
    assert int(counts["  acknowledged"]) > int(trials), done.stdout


def test_every_commit_is_synced_in_full(crew, tmp_path):
    """What the kill trials can't show; SQLite: in WAL mode only FULL syncs the log at each commit."""
    north = crew().lay_out()
    db = north.journal.db
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert db.execute("PRAGMA synchronous").fetchone() == (2,)
    assert db.execute("PRAGMA fullfsync").fetchone() == (1,)
    assert db.execute("PRAGMA checkpoint_fullfsync").fetchone() == (1,)
    assert db.execute("PRAGMA foreign_keys").fetchone() == (1,)
    assert db.execute("PRAGMA recursive_triggers").fetchone() == (1,)


@needs_posix
def test_the_name_of_a_new_file_is_synced_too(tmp_path, monkeypatch):
    """POSIX, fsync: a file's name is on disk when its folder is."""
    synced, fsync = [], os.fsync

    def noting(handle):
        synced.append(os.fstat(handle).st_ino)
        fsync(handle)

    monkeypatch.setattr(os, "fsync", noting)
    Journal.open(tmp_path / "jetty.db").close()
    assert tmp_path.stat().st_ino in synced


# ---------------------------------------------------------------- the disk is full


def test_full_at_every_page_says_so_logs_nothing_and_goes_on_when_there_is_space(crew):
    """max_page_count makes SQLite's own "disk full" come at each page in turn."""
    north = crew().lay_out()
    db = north.journal.db
    refused = 0
    for n in range(120):
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        db.execute(f"PRAGMA max_page_count = {pages}")
        before = north.journal.head
        message = refusal(lambda n=n: north.read("1", text=str(n)))
        if message is not None:
            refused += 1
            assert "the disk is full" in message
            assert is_one_sentence(message)
            assert north.journal.head == before
            assert all(reading.text != str(n) for reading in north.post("1").readings)
            db.execute("PRAGMA max_page_count = 1000000")
            north.read("1", text=str(n))
    assert refused > 10
    assert [reading.text for reading in north.post("1").readings] == [str(n) for n in range(120)]
    assert north.journal.verify() is None


@needs_posix
@pytest.mark.parametrize("room", [0, 1, 4096, 9000, 20_000, 33_000, 60_000, 120_000])
def test_a_quota_hit_anywhere_loses_nothing(crew, tmp_path, room):
    """RLIMIT_FSIZE refuses the system's own writes, in the log, in the file and on the way there."""
    north = crew().lay_out()
    north.journal.close()
    path = tmp_path / "north.db"

    def fill() -> tuple[list[str], str]:
        limit = path.stat().st_size + room if room else 1024
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        reported: list[str] = []
        try:
            with Journal.open(path) as journal:
                for n in range(400):
                    data = {"text": f"{n} " + "x" * 200}
                    reported.append(journal.append("noted", data, job="jetty", run="east", post="1").id)
        except FileError as error:
            return reported, error.message
        return reported, "never refused"

    reported, message = in_a_child(fill)
    assert is_one_sentence(message)
    assert "full" in message
    with Journal.open(path) as journal:
        assert journal.verify() is None
        there = [event.id for event in journal.events() if event.kind == "noted"]
        assert there[: len(reported)] == reported
        assert len(there) <= len(reported) + 1
        journal.append("noted", {"text": "after"}, job="jetty", run="east", post="1")


def _mount(folder: Path, *options: str) -> bool:
    done = subprocess.run(["mount", *options, str(folder)], capture_output=True, check=False)
    return done.returncode == 0


@pytest.fixture
def small_disk():
    """A file system of 500 kB; only where this user may mount one."""
    folder = Path(tempfile.mkdtemp())
    if shutil.which("mount") is None or not _mount(folder, "-t", "tmpfs", "-o", "size=500k", "tmpfs"):
        folder.rmdir()
        pytest.skip("this user may not mount a small disk; the quota trial above stands in for it")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)
    folder.rmdir()


def test_a_small_disk_fills_up(small_disk):
    path = small_disk / "jetty.db"
    filler = small_disk / "photos"
    reported = []
    with Journal.open(path) as journal:
        journal.append("job-added", {"name": "jetty"})

        def log() -> None:
            reported.append(journal.append("setting", {"key": f"k{len(reported)}", "value": "x" * 200}).id)

        while (message := refusal(log)) is None:
            assert len(reported) < 2000
        assert "full" in message
        assert len(reported) > 5
        assert [event.id for event in journal.events() if event.kind == "setting"] == reported
    with Journal.open(path) as journal:
        assert journal.verify() is None
        assert [event.id for event in journal.events() if event.kind == "setting"] == reported
    for left in small_disk.iterdir():
        left.unlink()
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as photos:
        while True:
            photos.write(bytes(4096))
    with pytest.raises(FileError, match="full"):
        Journal.open(path)
    assert not path.exists(), "nothing half made is left"
    with Journal.open(small_disk.parent / f"{small_disk.name}-other.db") as elsewhere:
        elsewhere.append("job-added", {"name": "jetty"})
    for left in small_disk.parent.glob(f"{small_disk.name}-other.db*"):
        left.unlink()


# ---------------------------------------------------------------- the folder is locked


@pytest.fixture
def locked_folder(crew, tmp_path):
    """A data file in a folder that nobody may write; opened by a user who is not root."""
    folder = Path(tempfile.mkdtemp())
    north = crew(path=tmp_path / "jetty.db").lay_out()
    north.read("1")
    north.journal.run("jetty", "east")
    north.journal.close()
    shutil.copy(tmp_path / "jetty.db", folder / "jetty.db")
    (folder / "jetty.db").chmod(0o444)
    folder.chmod(0o555)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@needs_posix
def test_a_folder_that_can_not_be_written_is_told_and_left_alone(locked_folder):
    names = sorted(file.name for file in locked_folder.iterdir())
    for path in (locked_folder / "jetty.db", locked_folder / "new.db", locked_folder / "sub" / "new.db"):
        result = in_a_child(lambda path=path: Journal.open(path) and "opened", user=65534)
        assert result[0] == "FileError", result
        assert "read only" in result[1]
        assert is_one_sentence(result[1])
    assert sorted(file.name for file in locked_folder.iterdir()) == names


@needs_posix
def test_a_folder_that_can_not_be_written_can_be_read(locked_folder):
    def look():
        with Journal.open(locked_folder / "jetty.db", read_only=True) as journal:
            return str(journal.run("jetty", "east").post("1").state), journal.verify()

    assert in_a_child(look, user=65534) == ("pack", None)


@needs_posix
def test_a_file_that_was_not_closed_is_read_in_full_from_a_locked_folder(
    crew, tmp_path, locked_folder, monkeypatch
):
    """The last readings are still in the write-ahead log, which can't be opened in place there."""
    north = crew("south").lay_out()
    north.read("2")
    locked_folder.chmod(0o755)
    for end in ("", "-wal"):
        shutil.copy(tmp_path / f"south.db{end}", locked_folder / f"south.db{end}")
        (locked_folder / f"south.db{end}").chmod(0o444)
    locked_folder.chmod(0o555)

    def look():
        with Journal.open(locked_folder / "south.db", read_only=True) as journal:
            state = str(journal.run("jetty", "east").post("2").state)
            copies = len(list(folder.iterdir()))
        return state, copies, len(list(folder.iterdir()))

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        monkeypatch.setattr(tempfile, "tempdir", name)
        assert in_a_child(look, user=65534) == ("pack", 1, 0)


# ---------------------------------------------------------------- not our file


def _as_is(path: Path) -> tuple[bytes, list[str]]:
    return path.read_bytes(), sorted(file.name for file in path.parent.iterdir() if ".lock" not in file.name)


@pytest.mark.parametrize("read_only", [True, False])
@pytest.mark.parametrize(
    ("content", "says"),
    [
        (bytes(range(256)) * 8, "not a shimfit data file"),
        (b"lot,form,count\n", "not a shimfit data file"),
        (b"SQLite format 3\x00", "not a shimfit data file"),
        (b"SQLite format 3\x00" + bytes(4080), "not a shimfit data file|damaged"),
    ],
)
def test_a_file_of_another_kind_is_refused_untouched(tmp_path, content, says, read_only):
    path = tmp_path / "photo.jpg"
    path.write_bytes(content)
    before = _as_is(path)
    with pytest.raises(FileError, match=says) as caught:
        Journal.open(path, read_only=read_only)
    assert is_one_sentence(caught.value.message)
    assert _as_is(path) == before


@pytest.mark.parametrize("read_only", [True, False])
def test_another_programs_database_is_refused_untouched(tmp_path, read_only):
    path = tmp_path / "other.db"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE event (seq INTEGER)")
    db.commit()
    db.close()
    before = _as_is(path)
    with pytest.raises(FileError, match="belongs to another program"):
        Journal.open(path, read_only=read_only)
    assert _as_is(path) == before


@pytest.mark.parametrize("read_only", [True, False])
@pytest.mark.parametrize("closed", [True, False])
def test_a_newer_schema_is_refused_untouched(crew, tmp_path, read_only, closed):
    crew().lay_out().journal.close()
    path = tmp_path / "north.db"
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    if closed:
        db.close()
    before = path.read_bytes()
    with pytest.raises(FileError, match=r"newer shimfit \(schema") as caught:
        Journal.open(path, read_only=read_only)
    assert is_one_sentence(caught.value.message)
    assert path.read_bytes() == before
    db.close()


def test_a_folder_and_an_absent_file_are_told(tmp_path):
    with pytest.raises(FileError, match="is a folder"):
        Journal.open(tmp_path)
    with pytest.raises(FileError, match="no data file"):
        Journal.open(tmp_path / "none.db", read_only=True)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_file_becomes_a_data_file(tmp_path):
    (tmp_path / "new.db").touch()
    with Journal.open(tmp_path / "new.db") as journal:
        journal.append("job-added", {"name": "jetty"}, job="jetty")
    with Journal.open(tmp_path / "new.db", read_only=True) as again:
        assert [job.name for job in again.jobs()] == ["jetty"]
        assert again.verify() is None
        assert again.head[0] == 1


# ---------------------------------------------------------------- two programs


@needs_posix
def test_a_writer_waits_for_its_turn_is_told_who_holds_it_and_kill_frees_the_file(tmp_path, monkeypatch):
    path = tmp_path / "jetty.db"
    program = (
        "import sys, time; from shimfit.store.journal import Journal\n"
        "journal = Journal.open(sys.argv[1], hold=True); journal.append('job-added', {'name': 'jetty'})\n"
        "print('logged', flush=True); time.sleep(60)"
    )
    writer = subprocess.Popen([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True)
    monkeypatch.setattr("shimfit.store.db.PATIENCE_S", 0.1)
    try:
        assert writer.stdout.readline() == "logged\n"
        with Journal.open(path) as second:
            assert [job.name for job in second.jobs()] == ["jetty"]
            with pytest.raises(FileError, match=f"process {writer.pid} has been writing") as reported:
                second.append("job-added", {"name": "pier"})
            assert is_one_sentence(reported.value.message)
            with pytest.raises(FileError, match=f"process {writer.pid}"):
                Journal.open(path, hold=True)
            (tmp_path / "jetty.db.lock").write_text("99999999999999 crews")
            with pytest.raises(FileError, match="another program has been writing"):
                second.append("job-added", {"name": "pier"})
            writer.kill()
            writer.wait()
            second.append("job-added", {"name": "pier"})
            assert second.verify() is None
    finally:
        writer.kill()
        writer.wait()
        writer.stdout.close()


def test_two_programs_started_at_one_moment_both_open_a_new_file(tmp_path):
    path = tmp_path / "jetty.db"
    opened = []
    threads = [threading.Thread(target=lambda: opened.append(Journal.open(path))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({journal.log for journal in opened}) == 1
    for number, journal in enumerate(opened):
        journal.append("job-added", {"name": str(number)})
    assert [len(journal.jobs()) for journal in opened] == [4] * 4
    for journal in opened:
        journal.close()


@needs_posix
def test_the_lock_is_the_files_own_by_whatever_link_it_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr("shimfit.store.db.PATIENCE_S", 0.1)
    (tmp_path / "card").mkdir()
    (tmp_path / "link.db").symlink_to(tmp_path / "card" / "jetty.db")
    with (
        Journal.open(tmp_path / "card" / "jetty.db", hold=True),
        Journal.open(tmp_path / "link.db") as second,
        pytest.raises(FileError, match=f"process {os.getpid()}"),
    ):
        second.append("job-added", {"name": "jetty"})
    assert not (tmp_path / "link.db.lock").exists()


@needs_posix
def test_a_file_with_two_names_is_not_written_to_and_not_read_past_the_other_ones_log(crew, tmp_path):
    north = crew().lay_out()
    os.link(tmp_path / "north.db", tmp_path / "twin.db")
    before = sorted(tmp_path.iterdir())
    for read_only in (False, True):  # what is logged so far stands in north.db-wal
        with pytest.raises(FileError, match=r"another name, north\.db \(a hard link\).*copy"):
            Journal.open(tmp_path / "twin.db", read_only=read_only)
    assert sorted(tmp_path.iterdir()) == before
    north.log("noted", {"text": "x"}, post="1")
    north.journal.close()
    with pytest.raises(FileError, match=r"another name, twin\.db"):
        Journal.open(tmp_path / "north.db")
    with Journal.open(tmp_path / "twin.db", read_only=True) as twin:
        assert twin.run("jetty", "east").post("1").notes
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "north.db").rename(tmp_path / "elsewhere" / "north.db")
    with pytest.raises(FileError, match=r"has another name \(a hard link\)"):
        Journal.open(tmp_path / "twin.db")
    (tmp_path / "elsewhere" / "north.db").unlink()
    with Journal.open(tmp_path / "twin.db") as twin:
        twin.append("noted", {"text": "y"}, job="jetty", run="east", post="1")


def test_a_program_of_another_kind_that_holds_the_file_is_waited_for_and_then_told(
    crew, tmp_path, monkeypatch
):
    """SQLite's own lock, as a backup program or a browser of databases takes it."""
    north = crew().lay_out()
    other = sqlite3.connect(tmp_path / "north.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    release = threading.Timer(0.2, other.execute, ["ROLLBACK"])
    release.start()
    north.read("1")
    release.join()
    north.journal.close()
    monkeypatch.setattr("shimfit.store.db._BUSY_MS", 1)
    with Journal.open(tmp_path / "north.db") as journal:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(FileError, match=r"another program holds .*: nothing was logged"):
            journal.append("job-added", {"name": "pier"})
        other.execute("ROLLBACK")
        journal.append("job-added", {"name": "pier"})
        assert journal.verify() is None
    other.close()


# ---------------------------------------------------------------- the file is damaged


@pytest.fixture
def worn(crew, tmp_path):
    """A data file with some history, its events, and a place to damage copies of it."""
    north = crew().lay_out(posts=6)
    for n in range(40):
        post = str(n % 6 + 1)
        north.read(post, 0.001 * (n % 9))
        if n % 5 == 0:
            north.prescribe(post)
    events = list(north.journal.events())
    north.journal.close()
    copy = tmp_path / "damaged.db"
    return (tmp_path / "north.db").read_bytes(), events, copy


def _open_damaged(copy: Path, events) -> str:
    """`refused` in one sentence, `found` by verify, or `whole`; anything else fails the test."""
    for left in copy.parent.glob("damaged.db*"):
        if left != copy:
            left.unlink()
    try:
        with Journal.open(copy) as journal:
            if (bad := journal.verify()) is not None:
                assert is_one_sentence(f"event {bad[0]} is not as it was logged: {bad[1]}")
                return "found"
            assert list(journal.events()) == events
            for job in journal.jobs():
                for run in job.runs:
                    journal.run(job.name, run)
            return "whole"
    except FileError as error:
        return "refused" if is_one_sentence(error.message) else error.message


def test_a_cut_off_file_is_never_taken_for_whole(worn):
    data, events, copy = worn
    seen = set()
    for size in range(1, len(data), max(1, len(data) // 40)):
        copy.write_bytes(data[:size])
        seen.add(_open_damaged(copy, events))
    assert seen <= {"refused", "found"}


def test_a_flipped_bit_never_passes_unseen(worn):
    data, events, copy = worn
    chance = random.Random(5)
    seen = []
    for _ in range(120):
        damaged = bytearray(data)
        damaged[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        copy.write_bytes(damaged)
        seen.append(_open_damaged(copy, events))
    assert set(seen) == {"refused", "found", "whole"}  # whole: the bit was in a page's unused space
    assert seen.count("found") > 20


def test_a_damaged_index_is_found_although_every_event_is_whole(worn):
    """SQLite finds a run's events by it: a reading could be passed over although the chain is whole."""
    data, events, copy = worn
    damaged = bytearray(data)
    for page in range(0, len(data), 4096):
        at = data.find(b"jettyeast", page, page + 4096)
        if data[page] == 0x0A and at > 0:
            damaged[at : at + 9] = b"jettywest"
            break
    assert damaged != data
    copy.write_bytes(damaged)
    assert _open_damaged(copy, events) == "found"


def test_an_io_error_is_told_in_a_sentence(crew, monkeypatch):
    north = crew().lay_out()

    class Broken:
        in_transaction = False

        def execute(self, *_):
            raise sqlite3.OperationalError("disk I/O error")

    good = north.journal.db
    north.journal.db = Broken()
    with pytest.raises(FileError) as caught:
        north.log("noted", {"text": "x"}, post="1")
    assert is_one_sentence(caught.value.message)
    north.journal.db = good
    north.log("noted", {"text": "x"}, post="1")
    assert north.journal.verify() is None

"""As somebody who has never seen it: from the first start to the record in his hand, by what the screen says.

The real program in a pseudo-terminal; each key that is pressed is named on the screen that was there before.
Recorded screens: new_user/*.txt (SHIMFIT_REWRITE_SCREENS=1 records them anew).
"""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pypdf
import pytest

from shimfit.cli.rest import asks_for_ascii
from shimfit.workflow.sample import write_sample
from shimfit.workflow.site import Site
from tests.tui.new_user.in_a_terminal import Terminal

if os.name != "posix":
    pytest.skip("pseudo-terminals of POSIX", allow_module_level=True)

HERE = Path(__file__).with_name("new_user")
RECORD = "lakeside-sample-boardwalk-record.pdf"


@pytest.fixture
def tmp_path(tmp_path_factory):
    """A short name, so that a path in a sentence leaves room for the sentence in a worker process too."""
    return tmp_path_factory.mktemp("t")


@pytest.fixture
def start(tmp_path):
    """Starts the program on a data file in a fresh folder; ends it when the test is over."""
    started = []

    def begin(columns, rows, *arguments, db=None, before=None, **environment):
        named = {
            "TERM": "xterm-256color",
            "LANG": "C.UTF-8",
            "SHIMFIT_DB": str(db or tmp_path / "shimfit.db"),
        }
        terminal = Terminal(columns, rows)
        started.append(terminal)
        return terminal.start(tmp_path, {**named, **environment}, *arguments, before=before)

    yield begin
    for terminal in started:
        terminal.end()


@pytest.fixture
def sample(tmp_path):
    """A data file with the sample job in it."""
    path = tmp_path / "shimfit.db"
    with Site.open(path, environment={}) as site:
        write_sample(site)
    return path


def readings_of(path, post):
    with Site.open(path, environment={}) as site:
        return [reading.text for reading in site.run("lakeside-sample", "boardwalk").post(post).readings]


def record_text(path):
    """What stands on the paper, line by line."""
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


# ---------------------------------------------------------------- the whole sample job


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (80, 24)])
def test_from_the_first_start_to_the_record(start, tmp_path, columns, rows) -> None:
    def looks(name, mask=None):
        man.looks(HERE / f"{name}_{columns}x{rows}.txt", mask)

    next_step = "1 of"
    man = start(columns, rows)
    man.sees("Enter starts the sample job", "F1 help")
    looks("1_first_start")

    man.press("Enter")
    man.sees("▲ pack", "TOP leans 6 mm → next, 10 mm ↓ house", next_step, "NEXT-HOUSE")
    looks("2_packs")
    man.type(".4n.2o")
    man.sees("⏎ logs", "→ next", "⏎")
    looks("3_what_was_heard")
    man.press("Enter")
    man.sees("✓ plumb", "Enter walks on to the next post", "0.4 mm off")

    man.press("Enter")
    man.sees("post 5 (5/9)", "How far is the TOP out of plumb", "type the lean, like 6n10h")
    looks("4_to_read")
    man.enter("6n4o")
    man.sees("▲ pack", "post 5 logged: 7.2 of 2.0 mm", next_step)
    man.enter(".3n.3h")
    man.sees("✓ plumb", "Enter walks on to the next post")
    looks("5_plumb_after_packing")
    for post in "6789":
        man.press("Enter")
        man.sees(f"post {post} ({post}/9)", "How far is the TOP")
        man.enter(".5n.3p" if post == "6" else ".5n.3o")
        if post == "6":  # a slip: it says what is wrong and keeps what was typed
            man.sees("two readings along the run", "› .5n.3p")
            man.press("End")
            man.type("\b")
            man.sees("› .5n.3", gone=".5n.3p")
            man.enter("o")
        man.sees(f"post {post} logged: 0.6 of 2.0 mm", "Within tolerance as it stands: tighten,")
        man.enter(".4n.3o")
        man.sees(f"post {post} logged: plumb")
    man.press("Enter")
    man.sees("this is the last post of the run; 1 left to do")

    man.press("F1")
    man.sees("HELP", "Space goes on" if columns > 64 else "Space: goes on", "TYPING A READING")
    while "F4 Record" not in man.words:
        top = " ".join(man.text.splitlines()[0].split())
        man.press(" ")
        man.sees(gone=top)
        man.settles()
    man.press("F2")
    man.sees("1 of 9 left to do", "3 ≈ too close to call", "l left", "⏎ open")
    man.press("l")
    man.sees("the list shows only what is left to do", gone="4 ✓ plumb")
    man.press("Enter")
    man.sees("post 3 (3/9)", "≈ too close to call", "what settles it is said")
    man.enter(".2n.1o")  # far from the last one, and nothing was done: it is asked about, then read once more
    man.sees("Enter again if so")
    man.press("Enter")
    man.sees("Read once more")
    man.enter(".2n.1o")
    man.sees("post 3 logged: plumb")
    man.press("Enter")
    man.sees("every post is done: F4 hands over the record")

    man.press("F4")
    man.sees("9 of 9 p", "e export")
    looks("6_record")
    man.press("e")
    man.sees("file›", ".pdf for paper", "⏎ write")
    man.press("Enter")
    man.sees("✓ written:")
    looks(
        "7_handed_over",
        {r"✓ written:\s(\S+),.*?\n(?=[^\n]*e export)": r"✓ written: \1, in FOLDER\n", r"\n{2,}": "\n\n"},
    )
    man.press("q")
    assert man.leaves() == 0

    paper = record_text(tmp_path / RECORD)
    assert "SAMPLE: invented data" in paper
    assert "\n9 of 9 posts proven plumb" in paper
    assert paper.count("✓ plumb") == 9
    for post in range(1, 10):
        assert re.search(rf"(?m)^{post}\s(corner\s)?(next|prev) [0-9.]+$", paper), f"no row for post {post}"
    assert re.search(r"next 6.0\nout 4.0\nnext 0.3 ±0.\d\nhouse 0.3 ±0.\d\n0.4 ±0.\d of 2.0 ✓ plumb", paper)
    assert readings_of(tmp_path / "shimfit.db", "5") == ["6n4o", ".3n.3h"]
    assert readings_of(tmp_path / "shimfit.db", "6") == [".5n.3o", ".4n.3o"]


def test_in_plain_mode_on_a_dumb_terminal(start, tmp_path) -> None:
    man = start(100, 120, TERM="dumb")
    man.sees("Type sample for a made-up one", "Type help for all words, q to leave")
    man.enter("sample")
    man.sees("post 4, 4 of 9: pack.", "tighten, read again.", "1. NEXT-HOUSE corner, pack:", "post 4>")
    man.enter(".4n.2o")
    man.sees("understood: top leans 0.4 mm towards next, 0.2 mm out", "Enter walks on to the next post.")
    man.enter("")
    man.sees("post 5, 5 of 9: to read.", "How far is the TOP out of plumb")
    man.enter("6n4")
    man.sees("refused: ", "post 5>")
    man.enter("6n4o")
    man.sees("post 5 logged: pack", "2. NEXT-HOUSE corner, pack:")
    man.enter(".3n.3h")
    man.sees("post 5 logged: plumb")
    man.enter("help")
    man.sees("Write the record of the run as PDF, CSV or JSON", "run every post as it stands")
    man.enter("run")
    man.sees("5 of 9 posts left to do.", "post 9: to read")
    man.enter(f"write {RECORD}")
    man.sees("written: ")
    man.looks(
        HERE / "plain_to_the_record.txt",
        {
            r"written: .*?\n(?=post)": f"written: FOLDER/{RECORD}\n",
            r"  next  .*?(?=post 5> run)": "  (all the words, one a line)\n",
            r"\n{3,}": "\n",
        },
    )
    man.enter("q")
    assert man.leaves() == 0
    assert b"\x1b" not in man.sent, "a dumb terminal gets no escapes"
    paper = record_text(tmp_path / RECORD)
    assert "\n4 of 9 posts proven plumb; 1 too close to call, 4 not verified." in paper
    assert paper.count("✓ plumb") == 4


# ---------------------------------------------------------------- only ASCII


@pytest.mark.parametrize(
    ("environment", "ascii_only"),
    [
        ({"LANG": "C"}, True),
        ({"LANG": "C", "LC_CTYPE": "C.UTF-8"}, True),  # what the interpreter makes of the line above
        ({"LANG": "en_GB.UTF-8", "LC_ALL": "POSIX"}, True),
        ({"LANG": "C.UTF-8"}, False),
        ({"LANG": "C", "LC_ALL": "C.UTF-8"}, False),
        ({"LANG": "C", "LC_CTYPE": "en_GB.UTF-8"}, False),
        ({}, False),
    ],
)
def test_whose_locale_asks_for_ascii(environment, ascii_only) -> None:
    assert asks_for_ascii(environment) is ascii_only


def test_in_the_c_locale_every_screen_is_ascii(start, sample) -> None:
    man = start(40, 20, LANG="C")
    seen = [man.sees("^ pack", "TOP leans 6 mm > next, 10 mm v house", "^P all")]
    man.type("1n1o")
    seen.append(man.sees("+ 1 mm > next, 1 mm ^ out Enter logs"))
    man.press("Enter")
    man.sees("too close to call, 1.4 of 2.0 mm")
    man.press("Esc")
    seen.append(
        man.sees("Read again, the level turned end for end", "^P: Turn the level takes both readings")
    )
    man.looks(HERE / "ascii_too_close_40x20.txt")
    for key, text in (
        ("F1", "HELP"),
        ("Esc", "Turn the level takes both"),
        ("F2", "left to do"),
        ("F3", "The box"),
        ("F4", "e export"),
        ("F5", "n new run"),
    ):
        man.press(key)
        seen.append(man.sees(text))
    man.press("q")
    assert man.leaves() == 0
    for screen in seen:
        assert screen.isascii(), screen


# ---------------------------------------------------------------- a sensor that fell silent


@pytest.fixture
def simulator(tmp_path):
    """An inclinometer on a simulated post, 9 mm next and 5 mm out: (its process, its port)."""
    link = tmp_path / "post"
    playing = subprocess.Popen(
        [sys.executable, "-m", "shimfit", "simulate", "--link", str(link), "--along", "9", "--across", "5"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    yield playing, link
    playing.kill()
    playing.wait()
    playing.stdin.close()


def test_a_sensor_silent_for_five_seconds_tells_its_age_and_is_not_logged(start, sample, simulator) -> None:
    playing, link = simulator
    man = start(40, 20, SHIMFIT_SENSOR=str(link))
    man.sees("zero not found: turn it end for end", "F1 help")  # nobody has turned this one yet
    playing.send_signal(signal.SIGSTOP)
    man.sees("~SENSOR: last value ([5-9]|[1-9][0-9]) s ago; typing goes on", gone="zero not found")
    man.sees("no bytes come: look at", "▲ pack", "NEXT-HOUSE corner")  # the packs stay in sight
    man.press(" ")
    man.sees("~✗ SENSOR: last value [0-9]+ s ago")
    man.enter(".4n.2o")
    man.sees("post 4 logged: plumb", "~SENSOR: last value [0-9]+ s ago")
    man.press("^Q")
    assert man.leaves() == 0
    assert readings_of(sample, "4") == ["6mm next 10mm house", ".4n.2o"], "what was silent was not logged"


# ---------------------------------------------------------------- disks that can't be written


def obey_the_permissions() -> None:
    """Root writes wherever it likes: in a new program that is started after this it can't."""
    if os.geteuid() == 0:
        drop_from_bounding_set, override_permissions = 24, 1
        assert ctypes.CDLL(None).prctl(drop_from_bounding_set, override_permissions, 0, 0, 0) == 0


@pytest.fixture
def locked(tmp_path):
    """A folder that nobody may write to."""
    if os.geteuid() == 0 and not sys.platform.startswith("linux"):
        pytest.skip("root writes everywhere here")
    folder = tmp_path / "disk"
    folder.mkdir()
    yield folder
    folder.chmod(0o755)


def test_on_a_read_only_disk_a_new_file_is_refused_in_a_sentence(start, locked) -> None:
    locked.chmod(0o555)
    man = start(80, 24, db=locked / "new.db", before=obey_the_permissions)
    assert man.leaves() == 4
    assert "new.db can't be written (read only): nothing was logged; use --db to name another file" in (
        man.text.replace("\n", "")
    )
    assert b"\x1b" not in man.sent
    assert list(locked.iterdir()) == []


def test_on_a_read_only_disk_a_run_is_looked_at_and_handed_over(start, sample, locked, tmp_path) -> None:
    shutil.copy(sample, locked / "run.db")
    (locked / "run.db").chmod(0o444)
    locked.chmod(0o555)
    before = (locked / "run.db").read_bytes()
    man = start(40, 20, db=locked / "run.db", before=obey_the_permissions)
    man.sees("READ ONLY, nothing is logged here", "▲ pack", "^P all")
    man.looks(HERE / "read_only_40x20.txt")
    man.enter(".4n.2o")
    man.sees("✗", "nothing was logged: this file is open to look at only", "› .4n.2o")
    man.press("Esc")
    man.sees("packed and tight?", gone=".4n.2o")
    man.press("F4")
    man.sees("2 of 9 plumb", "e export")
    man.press("e")
    man.sees("file›")
    man.press("Enter")
    man.sees("written:")
    man.press("q")
    assert man.leaves() == 0
    assert "\n2 of 9 posts proven plumb" in record_text(tmp_path / RECORD)
    assert (locked / "run.db").read_bytes() == before
    assert [file.name for file in locked.iterdir()] == ["run.db"]


def test_on_a_full_disk_what_was_said_to_be_logged_is_there(start, sample) -> None:
    """A quota stands in for the full disk: this user may not mount one."""

    def quota() -> None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))

    # No compiled modules either: cut off by the quota they would break the programs that come after.
    man = start(80, 24, before=quota, PYTHONDONTWRITEBYTECODE="1")
    man.sees("▲ pack", "^P all")
    typed = 0
    for across_mm in (12 + 3 * (k % 9) for k in range(28)):  # each too far from the last to be a repeat
        man.enter(f"6n{across_mm}h")
        typed += 1
        # Asked whether it was packed, or before the last answer is there, whether it moved by itself.
        asked = "Packed and read again: Enter|Enter again if so"
        man.sees(f"~TOP leans 6 mm → next, {across_mm} mm|disk error or full|{asked}")
        if re.search(asked, man.words):
            man.press("Enter")
        man.sees(f"~TOP leans 6 mm → next, {across_mm} mm|disk error or full")
        if "disk error or full" in man.words:
            break
    # Whichever step met the end of the disk: the reading, which stays on the line, or only its answer; or
    # the answer of the reading before, said while the next one was typed.
    man.sees("~the last step was not logged|the reading is logged, but not its answer")
    man.settles()
    # Two where the next one was typed behind one that came back.
    kept = len(re.findall(r"6n\d+h", man.words.rpartition("›")[2]))
    assert kept or "the last step was not logged" not in man.words
    assert typed > kept
    man.press("^Q")
    man.leaves()
    assert len(readings_of(sample, "4")) == 1 + typed - kept, "on the disk or on the line, never lost"

"""Killed in the middle of the work (kill -9): whatever was said to be logged is there, at the same post."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time

import pytest

ENTRIES = ["6n10h", "4p2h", "6n0", "1n1o", "3p7o", "8n4h"]


@pytest.mark.slow
def test_kill_9_loses_nothing_that_was_said_to_be_logged(shimfit) -> None:
    assert shimfit("job new lake").code == 0
    assert shimfit("run new lake/walk --length 7200 --every 1200 --foot 90x90mm --height 1000mm").code == 0
    assert shimfit("stock import fixtures/stock/boardwalk_box.csv").code == 0
    rng = random.Random(20)
    said: list[str] = []
    # The data file is named by SHIMFIT_DB, which the fixture has set for this test.
    with subprocess.Popen(
        [sys.executable, "-m", "shimfit", "--plain"],
        env={**os.environ, "LANG": "C.UTF-8"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        bufsize=1,
    ) as program:
        assert program.stdin is not None
        assert program.stdout is not None
        for entry in rng.sample(ENTRIES, 4):
            program.stdin.write(f"{entry}\nnext\n")
            program.stdin.flush()
            while "logged" not in (line := program.stdout.readline()):
                assert line, "the program ended before it said that the reading was logged"
            said.append(entry)
        program.stdin.write("5n5o\n")
        program.stdin.flush()
        time.sleep(rng.random() * 0.05)
        program.send_signal(signal.SIGKILL)
    posts = shimfit("run show lake/walk --json").json["posts"]
    logged = [post["reading"]["text"] for post in posts if post["reading"]]
    assert logged[: len(said)] == said
    assert shimfit("record verify").code == 0
    last = [post["post"] for post in posts if post["reading"]][-1]
    again = subprocess.run(
        [sys.executable, "-m", "shimfit", "--plain"], input="q\n", capture_output=True, text=True, check=True
    )
    assert f"post {last}" in again.stdout.lower()


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGTERM there")
def test_asked_to_stop_it_leaves_with_143_and_gives_the_file_back(shimfit) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "shimfit", "--plain"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as program:
        assert program.stdout is not None
        assert program.stdout.readline()
        program.send_signal(signal.SIGTERM)
        program.communicate(timeout=30)
    assert program.returncode == 143
    assert shimfit("job new after").code == 0

"""`--json` of every command that the page declares: one object with its schema number."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from shimfit.settings.commands import page

MAKEUP = """makeup pier/east --top 1000mm --rail 80mm --rail-depth 90mm --hole 45mm --washer 40mm
--washer-hole 13mm --washer-thick 3mm --nut 10mm --past 10mm --below joist=200mm --clamp 4000
--washer-allows 4 --foot-allows 2"""
IN_TURN = (
    "job new pier",
    "job list",
    "job set pier --customer 'the harbour'",
    "run new pier/east --stations 0,1200,2400 --foot 90x90mm --height 1000mm --due-days 30",
    "run insert pier/east --at 1800mm --name 2a",
    "run move pier/east/2a --at 1900mm",
    "run remove pier/east/2a",
    "run replace pier/east/3 --foot 100x100mm",
    "run set pier/east --weather dry",
    "run show pier/east",
    "run export pier/east {}/posts.csv",
    "stock import fixtures/stock/boardwalk_box.csv",
    "stock list",
    "stock export {}/box.csv",
    "stock add T9 taper --length 200mm --thin 0.5mm --thick 6mm --count 2",
    "stock out T9 1",
    "solve 6n10h --height 1000mm --foot 90x90mm",
    "read pier/east/1 6n10h",
    "read pier/east/2 3n4h",
    "plan pier/east",
    "cut pier/east",
    "pack pier/east/1",
    "tighten pier/east/1",
    "trim pier/east/1",
    "skip pier/east/3 later",
    "note pier/east/3 wet",
    "photo pier/east/3 a.jpg",
    "undo pier",
    "redo pier",
    "job takeup pier",
    "rails pier/east --at 150mm,900mm --rail-depth 90mm",
    "lineup pier/east",
    "kit pier/east --posts 1",
    MAKEUP,
    "instrument add long --kind level --length 1200mm",
    "instrument list",
    'instrument check long "3mm n 1mm o" "1mm n 1mm o" --height 1m',
    "instrument dropped long",
    "record pier/east",
    "record verify",
    "due pier/east",
    "listen fixtures/captures/coarse-sensor.cap",
    "simulate --capture {}/sensor.cap --seconds 1",
    "export {}/pier.jsonl",
    "export {}/pier.schema.json --schema",
    "import {}/pier.jsonl",
    "salvage {}/test.db {}/saved.db",
    "settings",
    "demo",
    "numbers",
    "help",
    "help box",
    "completion bash",
)
GIVES_NONE = {"serve"}
"""As the help of `--json` says; nor does a `simulate` that plays, or a file that goes to stdout."""


def test_every_command_is_tried() -> None:
    tried = {" ".join(shlex.split(line)[:2]) for line in IN_TURN} | {shlex.split(line)[0] for line in IN_TURN}
    assert {command.name for command in page().commands} - tried == GIVES_NONE


def test_every_command_answers_with_one_object(shimfit: Callable[..., Any], tmp_path: Path) -> None:
    for line in IN_TURN:
        ran = shimfit(f"{line.replace('{}', str(tmp_path))} --json")
        assert ran.code in (0, 1), (line, ran)
        assert json.loads(ran.out)["schema"] == 1, line
        assert "error" not in json.loads(ran.out), line


@pytest.mark.parametrize("command", [one.name for one in page().commands])
def test_every_command_refuses_with_one_object(shimfit: Callable[..., Any], command: str) -> None:
    ran = shimfit(*command.split(), "--no-such-option", "--json")
    assert ran.code == 2
    assert json.loads(ran.out)["error"]["kind"] == "usage"


@pytest.mark.parametrize(
    "line", ["run export pier/east -", "stock export -", "export -", "export - --schema"]
)
def test_a_file_that_goes_to_stdout_is_the_answer_alone(shimfit: Callable[..., Any], line: str) -> None:
    for before in IN_TURN[:4]:
        assert shimfit(before).code == 0
    plain = shimfit(line)
    assert plain.out
    assert shimfit(f"{line} --json").out == plain.out


def test_a_record_and_its_table_do_not_both_go_to_stdout(shimfit: Callable[..., Any]) -> None:
    for before in IN_TURN[:4]:
        assert shimfit(before).code == 0
    ran = shimfit("record pier/east --csv - --json")
    assert ran.code == 2
    assert "only one of" in ran.json["error"]["message"]

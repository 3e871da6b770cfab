"""Every figure of a record is the same on paper, in JSON and in CSV: random jobs, given three ways.

The paper is read back from its PDF, cell by cell, from where each text stands; figures are rounded here on
their own, half away from zero. `SHIMFIT_RECORD_JOBS=50` runs the long trial.
"""

from __future__ import annotations

import csv
import io
import json
import os
import random
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import pypdf
import pytest

from shimfit.codec import to_json
from shimfit.model import Foot, Tolerance
from shimfit.report.asbuilt import record_pdf
from shimfit.report.record import record_csv, record_json, record_of
from shimfit.report.statistics import statistics, statistics_json
from shimfit.store.events import Draft
from shimfit.workflow.site import Site

if TYPE_CHECKING:
    from pathlib import Path

JOBS = int(os.environ.get("SHIMFIT_RECORD_JOBS", "4"))
FACES = ("next", "prev", "out", "house")
HEADS = ("Post", "Before", "As built", "Off plumb ± U", "Decision", "Packs in place", "Read")
STANDS = {
    "✓ plumb": "plumb",
    "✗ out of plumb": "out",
    "≈ too close to call": "too-close",
    "– not verified": "none",
}
SEATS = ("next", "out", "prev", "house", "next-out", "next-house", "prev-out", "prev-house")


# ---------------------------------------------------------------- a random job


def job_of(folder: Path, number: int) -> Site:
    """A job that nobody did: every way that a post can stand, both units, own faces, own limits."""
    chance = random.Random(number)
    now = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)

    def clock() -> datetime:
        nonlocal now
        now += timedelta(minutes=chance.randint(1, 9))
        return now

    site = Site.open(folder / f"job{number}.db", environment={}, clock=clock)
    limit = Tolerance("1:500", "ratio", 0.002, per_direction=chance.random() < 0.4)
    more: dict[str, Any] = {
        "units": chance.choice(("mm", "inch")),
        "rule": chance.choice(("95", "simple", "2u")),
    }
    if chance.random() < 0.5:
        more["face_names"] = dict(zip(FACES, ("gate", "pier", "lake", "path"), strict=True))
    run = {
        "foot": to_json(Foot(90.0, 140.0)),
        "height_mm": 1100.0,
        "tolerance": to_json(limit),
    }
    drafts = [
        Draft("job-added", {"name": "lake"}, job="lake"),
        Draft("run-added", run | more, job="lake", run="walk"),
    ]
    for name in ("level-A", "level-B"):
        data = {
            "name": name,
            "kind": "level",
            "length_mm": 600.0,
            "accuracy_slope": 0.0004,
            "serial": f"no. {name}",
        }
        drafts.append(Draft("instrument", data))
    names = [f"{i}" if chance.random() < 0.8 else f"stair-{i}" for i in range(1, chance.randint(2, 24))]
    for i, name in enumerate(names):
        own: dict[str, Any] = {"name": name, "leg": 1, "station_mm": 1234.5 * i}
        if chance.random() < 0.15:
            own |= {"height_mm": 987.6, "tolerance": to_json(Tolerance("1:300", "ratio", 1 / 300))}
        drafts.append(Draft("post-added", own, job="lake", run="walk"))
    site.journal.append_all(drafts)
    for name in names:
        for draft in history(chance, name):
            site.journal.append_all([draft])
    facts = {key: f"{key} {number}" for key in ("site", "firm", "weather") if chance.random() < 0.5}
    if facts:
        site.tell("lake", chance.choice(("walk", None)), facts)
    if chance.random() < 0.5:
        site.issue("lake", "walk", f"R-{number}")
    return site


def history(chance: random.Random, name: str) -> list[Draft]:
    """What was done at a post, from nothing to proven plumb and doubted again."""
    place = {"job": "lake", "run": "walk", "post": name, "by": chance.choice(("crew A", "crew B", None))}

    def read(stage: str, size: float) -> Draft:
        along, across = (chance.gauss(0, size) if chance.random() < 0.93 else None for _ in range(2))
        if along is None and across is None:
            along = 0.0
        known = chance.random() < 0.9
        data = {
            "text": "as typed",
            "slope_along": along,
            "slope_across": across,
            "height_mm": 1100.0,
            "stage": stage,
            "u_along": 0.00021 if known else None,
            "u_across": 0.00033 if known else None,
            "instrument": chance.choice(("level-A", "level-B", None)),
            "method": chance.choice(("typed", "typed", "sensor")),
            "face": chance.choice((*FACES, None)),
        }
        return Draft("reading", data, **place)

    def packed() -> Draft:
        packs = [
            {
                "seat": seat,
                "need_mm": 1.0,
                "made_mm": chance.uniform(0.2, 6.0),
                "bears_at_mm": [1.0, 2.0],
                "pieces": [{"lot": "F1", "form": "flat", "thickness_mm": 1.0}],
                "purpose": chance.choice(("lift", "fill")),
            }
            for seat in chance.sample(SEATS, chance.randint(1, 3))
        ]
        return Draft("packed", {"packs": packs}, **place)

    tightened = Draft("tightened", {"torque_nm": chance.choice((None, 20.0, 24.5))}, **place)
    bare = [read("stood", 0.006)]
    done = [*bare, packed(), tightened, read("verify", 0.0012)]
    return chance.choice(
        (
            [],
            bare,
            done[:3],
            done,
            done,
            done,
            [*done, read("verify", 0.0005)],
            [*done, packed(), tightened, read("verify", 0.0004)],
            [*done, Draft("trimmed", {}, **place)],
            [*bare, Draft("skipped", {"why": "rod missing"}, **place)],
            [*done, Draft("noted", {"text": f"knot at {name}"}, **place)],
        )
    )


# ---------------------------------------------------------------- the paper, read back


WAITS = {
    "read": "not read yet",
    "read other way": "read in one direction only",
    "pack": "packs not in yet",
    "change packs": "packs not changed yet",
    "tighten": "to be tightened and read",
    "read again": "to be read again",
    "ask": "no packs worked out yet",
    "no pack": "no packs serve it",
}
"""What paper says a post waits for, by its next step in JSON; else its state stands there."""


@dataclass
class Text:
    """A text on the page: where its baseline begins (points, y upwards) and its size."""

    page: int
    x: float
    y: float
    size: float
    said: str


@dataclass
class PaperRow:
    """A post's row: lines of each cell, and the sentences below it."""

    cells: dict[str, list[str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def texts_of(document: pypdf.PdfReader) -> list[Text]:
    found: list[Text] = []
    for number, page in enumerate(document.pages):

        def visited(
            said: str, cm: list[float], tm: list[float], _: object, size: float, number: int = number
        ) -> None:
            x, y = tm[4] * cm[0] + cm[4], tm[5] * cm[3] + cm[5]
            if said.strip():
                found.append(Text(number, x, y, size, said.strip().replace("\u00a0", " ")))

        page.extract_text(visitor_text=visited)
    return found


def rows_of(texts: list[Text]) -> dict[str, PaperRow]:
    """The table by post, from every page that it stands on."""
    rows: dict[str, PaperRow] = {}
    row = PaperRow()
    for page in sorted({one.page for one in texts}):
        here = [one for one in texts if one.page == page]
        before = next((one for one in here if one.said == "Before"), None)
        if before is None:
            continue
        lefts = {
            head: next(one.x for one in here if one.said == head and abs(one.y - before.y) < 1)
            for head in HEADS
        }
        floor = max((one.y for one in here if one.said in ("Figures of the run", "page 1 of 1")), default=0.0)
        below = [one for one in here if one.y < before.y - 12 and one.y > max(floor, 32.0)]
        # From the top; on one line from the left.
        for one in sorted(below, key=lambda one: (-round(one.y, 1), one.x)):
            head = max((name for name in HEADS if lefts[name] <= one.x + 1), key=lambda name: lefts[name])
            if one.size < 7.5:
                row.notes.append(one.said)
            elif head == "Post" and one.said != "corner":
                row = rows[one.said] = PaperRow({name: [] for name in HEADS})
            else:
                row.cells[head].append(one.said)
    return rows


# ---------------------------------------------------------------- comparing


class Comparing:
    """Figures on paper held against JSON's; how many were."""

    def __init__(self, reported: dict[str, Any], units: str, faces: dict[str, str]) -> None:
        self.reported = reported
        self.units = units
        self.faces = faces
        self.figures = 0

    def same(self, paper: str, value: float, *, words: bool = True) -> None:
        """A printed length is the value in mm, rounded half away from zero; in inches in 64ths."""
        in_inches = sixty_fourths(value).replace('under 1/64"', '0"' if words else 'under 1/64"')
        wanted = self.rounded(value, 1) if self.units == "mm" else in_inches
        assert paper == wanted, (paper, value)
        self.figures += 1

    def rounded(self, value: float, places: int) -> str:
        with localcontext() as context:
            context.prec = 60
            exact = Decimal(repr(float(value))) / (1 if self.units == "mm" else Decimal("25.4"))
            return f"{abs(exact).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP):.{places}f}"

    def reading(self, lines: list[str], reading: dict[str, Any] | None, *, uncertainty: bool) -> None:
        if reading is None:
            assert lines == ["–"]
            return
        # A long one goes on in the next line of its cell.
        begins = tuple(f"{name} " for name in self.faces.values())
        said: list[str] = []
        for line in lines:
            if said and not line.startswith((*begins, "0", "not read")):
                said[-1] += f" {line}"
            else:
                said.append(line)
        lines = said
        assert len(lines) == 2
        for line, way, faces in zip(
            lines, ("along", "across"), (("next", "prev"), ("out", "house")), strict=True
        ):
            top, u = reading[f"top_{way}_mm"], reading[f"u_{way}_mm"]
            if top is None:
                assert line == "not read"
                continue
            found = re.fullmatch(r"(?:([a-z]+) )?(\d[^±]*?)(?: ± ?(.+))?", line)
            assert found, line
            self.same(found[2], abs(top))
            if found[2] not in ("0.0", '0"'):
                assert found[1] == self.faces[faces[0] if top > 0 else faces[1]]
            else:
                assert found[1] is None
            if uncertainty:
                self.same(found[3], 2 * u, words=False) if u is not None else self.is_("not known", found[3])

    def is_(self, wanted: Any, found: Any) -> None:
        assert wanted == found
        self.figures += 1

    def row(self, paper: PaperRow, post: dict[str, Any]) -> None:
        cells = paper.cells
        self.reading(cells["Before"], post["before"], uncertainty=False)
        self.reading(cells["As built"], post["after"], uncertainty=True)
        self.off(cells["Off plumb ± U"], post)
        first, second = decided(paper)
        self.is_(post["stands"], first)
        if post["decision"] == "none":
            self.is_(WAITS.get(post["next"], post["state"]), second)
        else:
            chance, _, rounds = second.partition(" · ")
            self.is_(share(post["probability"]), chance)
            self.is_(post["rounds"], int(rounds.split()[0]) if rounds else 0)
        self.packs(" ".join(cells["Packs in place"]), post)
        reading = post["after"] or post["before"]
        if reading is None:
            assert cells["Read"] == ["–"]
        else:
            reported = " ".join(cells["Read"]).replace("(before) ", "")
            self.is_(reading["time"][:16].replace("T", " "), reported[:16])
            usual = "inclinometer" if reading["method"] == "sensor" else "level not named"
            self.is_(f"{reading['by'] or 'not given'}, {reading['instrument'] or usual}", reported[17:])
        said = " ".join(paper.notes)
        for note in post["notes"]:
            if " mm" not in note:
                assert note in said, (note, said)

    def off(self, lines: list[str], post: dict[str, Any]) -> None:
        said = " ".join(line for line in lines if not line.startswith("("))
        found = re.fullmatch(r"(\d[^±]*?|–)(?: ±(.+?))? of (.+)", said)
        assert found, lines
        self.same(found[3], post["tolerance"]["allowed_top_mm"])
        if post["off_mm"] is None:
            assert found[1] == "–"
            return
        self.same(found[1], post["off_mm"])
        if post["u_off_mm"] is None:
            assert found[2] is None
        else:
            self.same(found[2], 2 * post["u_off_mm"], words=False)
        own = post["tolerance"]["text"]
        assert (f"({own})" in lines) == (own != self.reported["tolerance"]["text"])

    def packs(self, said: str, post: dict[str, Any]) -> None:
        digits = 2 if self.units == "mm" else 3
        wanted = [
            f"{'-'.join(self.faces[part] for part in pack['seat'].split('-'))} "
            f"{self.rounded(pack['made_mm'], digits)}{' f' if pack['purpose'] == 'fill' else ''}"
            for pack in post["packs"]
        ]
        assert said.endswith("cut flush") == (post["trimmed"] and bool(post["packs"]))
        packs, _, torque = said.removesuffix("cut flush").rstrip(", ").partition("tightened to ")
        assert packs.strip().split(" · ") == (wanted or [""])
        self.figures += len(wanted)
        if post["torque_nm"]:
            newton = post["torque_nm"] if self.units == "mm" else post["torque_nm"] / 1.3558179483314
            assert float(torque.split()[0]) == pytest.approx(newton, abs=0.051)
            self.figures += 1


def decided(row: PaperRow) -> tuple[str, str]:
    """How a row says that its post stands, and what follows."""
    said = " ".join(row.cells["Decision"])
    sign = next(sign for sign in STANDS if said.startswith(sign))
    return STANDS[sign], said.removeprefix(sign).strip()


def sixty_fourths(mm: float) -> str:
    """The nearest 64th of an inch, half away from zero."""
    count = int((abs(Decimal(repr(mm))) / Decimal("25.4") * 64).quantize(Decimal(1), ROUND_HALF_UP))
    whole, rest = divmod(Fraction(count, 64), 1)
    if mm and not count:
        return 'under 1/64"'
    return (f"{whole} {rest}" if whole and rest else f"{rest or whole}") + '"'


def share(value: float | None) -> str:
    if value is None:
        return "–"
    if value > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if value < 0.001 else f"{100 * value:.1f} %"


def csv_against(rows: list[dict[str, str]], reported: dict[str, Any]) -> int:
    """Every cell of the CSV is JSON's, to the last digit; how many were compared."""
    compared = 0
    for row, post in zip(rows, reported["posts"], strict=True):
        log, issue = reported["log"], reported["issue"] or {}
        wanted = {
            "job": reported["job"],
            "run": reported["run"],
            **{key: post[key] for key in ("post", "leg", "station_mm", "state", "decision", "probability")},
            **{key: post[key] for key in ("stands", "next", "why", "rounds", "torque", "torque_nm")},
            **{key: post[key] for key in ("off_mm", "u_off_mm")},
            "tolerance": post["tolerance"]["text"],
            "allowed_top_mm": post["tolerance"]["allowed_top_mm"],
            "notes": "; ".join(post["notes"]),
            "photos": "; ".join(post["photos"]),
            "bow_along_mm": post["bow"]["along_mm"] if post["bow"] else None,
            "bow_across_mm": post["bow"]["across_mm"] if post["bow"] else None,
            "mean_of": post["mean_of"] or None,
            "log_events": log["events"],
            "log_hash": log["hash"],
            "log_job_events": log["job"]["events"],
            "log_job_hash": log["job"]["hash"],
            "record_number": issue.get("number"),
            "issued": issue.get("time"),
            "issued_by": issue.get("by"),
            "issue_why": issue.get("why"),
            "replaces": issue.get("replaces"),
            "changed_posts": "; ".join(issue.get("changed", [])),
            "program": reported["program"],
            "trimmed": "yes" if post["trimmed"] else None,
            "materials": "; ".join(reported["materials"]),
            **reported["facts"],
        }
        for side in ("before", "after"):
            keys = [key.removeprefix(f"{side}_") for key in row if key.startswith(f"{side}_")]
            wanted |= {f"{side}_{key}": (post[side] or {}).get(key) for key in keys}
        for pack, cell in zip(post["packs"], filter(None, row["packs"].split("; ")), strict=True):
            assert cell.startswith(f"{pack['seat']}={pack['made_mm']:.2f} {pack['purpose']}")
        assert len(list(filter(None, row["readings"].split("; ")))) >= bool(post["readings"])
        for key, value in wanted.items():
            cell = row[key]
            same = (
                float(cell) == value
                if isinstance(value, float)
                else cell == ("" if value is None else str(value))
            )
            assert same, (post["post"], key, cell, value)
        assert set(row) - set(wanted) == {"packs", "readings"}
        compared += len(wanted)
    return compared


@pytest.mark.parametrize("number", range(1, JOBS + 1))
def test_paper_json_and_csv_say_the_same(tmp_path: Path, number: int, record_property: Any) -> None:
    with job_of(tmp_path, number) as site:
        record = record_of(site.journal, "lake", "walk")
    reported = json.loads(json.dumps(record_json(record), allow_nan=False))
    document = pypdf.PdfReader(io.BytesIO(record_pdf(record, random.Random(number).choice(("a4", "letter")))))
    assert json.loads(document.attachments["record.json"][0]) == reported
    assert document.attachments["record.csv"] == [record_csv(record).encode()]

    figures = csv_against(list(csv.DictReader(io.StringIO(record_csv(record), newline=""))), reported)
    texts = texts_of(document)
    rows = rows_of(texts)
    assert list(rows) == [post["post"] for post in reported["posts"]]
    comparing = Comparing(
        reported, record.run.units, {face.value: name for face, name in record.run.faces.items()}
    )
    for post in reported["posts"]:
        comparing.row(rows[post["post"]], post)

    said = " ".join(" ".join(one.said for one in texts).split())
    # The headline, the rows and JSON count the same.
    counted = [decided(row)[0] for row in rows.values()]
    for stands, count in reported["result"].items():
        assert count == (len(rows) if stands == "posts" else counted.count(stands))
    assert f"{reported['result_words']}." in said
    assert reported["result_words"].startswith(f"{counted.count('plumb')} of {len(rows)} posts proven plumb")
    assert {one["post"] for one in reported["exceptions"]} == {
        name for name, row in rows.items() if decided(row)[0] != "plumb"
    }
    assert reported["log"]["figure"] in said.replace(" ", "")
    for value in reported["facts"].values():
        assert value is None or value in said
    first = statistics_json(statistics(record))
    if first["verified"]:
        assert f"Plumb at first try: {first['first_try']} of {first['verified']} " in said
    for one in reported["instruments"]:
        assert f"{one['name']}: level, serial {one['serial']}" in said
    record_property("figures", figures + comparing.figures)
    assert figures + comparing.figures > 30 * len(rows)

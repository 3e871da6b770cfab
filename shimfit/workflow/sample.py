"""The sample: a lakeside boardwalk (mm) and a small porch (inches), invented, to try everything on.

Everything in it is made up and marked as a sample; `remove_sample` takes it out again as one goes back over
one's own steps: the log keeps what happened, nothing of it counts any more.
"""

from __future__ import annotations

from importlib.resources import files

from shimfit.codec import to_json
from shimfit.core.layout import lay_out
from shimfit.core.stock import lots_from_csv
from shimfit.errors import UsageError
from shimfit.model import Foot
from shimfit.quantities.typed import parse_tolerance
from shimfit.store.events import Draft, Event
from shimfit.workflow.layout import post_rows
from shimfit.workflow.reading import log_note, log_reading
from shimfit.workflow.site import Place, Site

BOARDWALK = "lakeside-sample"
PORCH = "porch-sample"
SOURCE = "sample box"

INCH_MM = 25.4


def write_sample(site: Site) -> Place:
    """Write the sample jobs and their box; returns the post to begin at. UsageError when they are there."""
    if any(job.sample for job in site.jobs()):
        raise UsageError("the sample is written already; shimfit demo --remove takes it out")
    box = files(__package__).joinpath("boardwalk_box.csv").read_text(encoding="utf-8")
    site.import_stock(lots_from_csv(box, "the sample box"), SOURCE)
    _porch(site)
    return _boardwalk(site)


def remove_sample(site: Site) -> str:
    """Take the sample jobs and their box out again; what was logged in them stays in the log."""
    sample = {job.name for job in site.jobs() if job.sample}
    if not sample:
        raise UsageError("there is no sample to take out")
    steps: dict[str, Event] = {}
    for event in site.journal.events():
        of_sample_box = event.kind == "stock-imported" and event.data.get("source") == SOURCE
        if (event.job in sample or of_sample_box) and event.kind != "undone":
            steps.setdefault(event.step, event)
    drafts = [Draft("undone", {"of": event.id}, event.job, event.run, event.post) for event in steps.values()]
    site.journal.append_all(drafts)
    return "the sample is out: " + ", ".join(sorted(sample))


def _boardwalk(site: Site) -> Place:
    """Two legs and a corner, 90 mm posts, heavier ones at the ends and the corner."""
    site.add_job(BOARDWALK, sample=True, units="mm")
    heavy = to_json(Foot(140.0, 140.0, rod_hole_mm=18.0))
    rows = post_rows(lay_out([6000.0, 3600.0], 1200.0))
    posts = [row if row["kind"] == "line" else row | {"foot": heavy} for row in rows]
    site.add_run(
        BOARDWALK,
        "boardwalk",
        foot=Foot(90.0, 90.0, rod_hole_mm=14.0),
        height_mm=1000.0,
        tolerance=parse_tolerance("1:500"),
        posts=posts,
        due_days=90,
        max_spacing_mm=1200.0,
    )
    at = {mark: Place(BOARDWALK, "boardwalk", mark) for mark in ("1", "2", "3", "4", "7")}
    log_reading(site, at["1"], "6.5mm next 4mm out")
    log_reading(site, at["1"], "0 0.5mm house", sure=True)
    log_reading(site, at["2"], "9mm prev 5mm out")
    log_reading(site, at["2"], "0.5mm next 0", sure=True)
    log_reading(site, at["3"], "4mm next 8mm house")
    log_reading(site, at["3"], "0 2mm out", sure=True)
    log_note(site, at["7"], "split at the house corner: replace before packing")
    log_reading(site, at["4"], "6mm next 10mm house")
    return at["4"]


def _porch(site: Site) -> None:
    """One short leg in inches."""
    site.add_job(PORCH, sample=True, units="inch")
    foot = Foot(3.5 * INCH_MM, 3.5 * INCH_MM, rod_hole_mm=0.625 * INCH_MM)
    posts = post_rows(lay_out([12 * 12 * INCH_MM], 4 * 12 * INCH_MM))
    site.add_run(
        PORCH, "front", foot=foot, height_mm=40 * INCH_MM, tolerance=parse_tolerance("1:500"), posts=posts
    )
    log_reading(site, Place(PORCH, "front", "1"), "1/4 next, 3/8 house")

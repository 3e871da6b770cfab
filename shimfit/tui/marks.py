"""Posts of a run that is laid out already: insert one, move one, take one out, from what was typed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.quantities import shown
from shimfit.quantities.typed import parse_length

if TYPE_CHECKING:
    from shimfit.core.layout import Mark
    from shimfit.standing import RunState
    from shimfit.workflow.place import Place
    from shimfit.workflow.site import Site


def insert(site: Site, place: Place, text: str) -> str:
    """One more line post at a station of place's run; EntryError or UsageError, and nothing is changed."""
    from shimfit.core import layout

    run = site.run(place.job, place.run)
    laid_out = layout.insert(_marks_of(run), _station_mm(text, run))
    new = next(mark for mark in laid_out if run.post(mark.name) is None)
    data = {"leg": new.leg, "station_mm": new.station_mm, "kind": new.kind}
    site.add_post(replace(place, post=new.name), data)
    return f"post {new.name} stands at {shown.lean(new.station_mm, run.units)}"


def move(site: Site, place: Place, text: str) -> str:
    """Another station for the post; EntryError or UsageError, and nothing is changed."""
    from shimfit.core import layout

    run = site.run(place.job, place.run)
    station_mm = _station_mm(text, run)
    layout.move(_marks_of(run), place.post, station_mm)
    site.move_post(place, station_mm)
    return f"post {place.post} stands at {shown.lean(station_mm, run.units)}"


def remove(site: Site, place: Place) -> str:
    """Take the post out of its run; UsageError where it holds two legs, or where too few would be left."""
    from shimfit.core import layout

    layout.remove(_marks_of(site.run(place.job, place.run)), place.post)
    site.remove_post(place)
    return f"post {place.post} is out of the run; its log is kept"


def _station_mm(text: str, run: RunState) -> float:
    return parse_length(text, run.units, what="station", zero_ok=True)


def _marks_of(run: RunState) -> tuple[Mark, ...]:
    from shimfit.core.layout import Mark

    return tuple(Mark(post.name, post.leg, post.station_mm, post.kind) for post in run.posts)

"""`shimfit run insert`, `move` and `remove`: one post of a run that is laid out."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from shimfit.cli.context import open_site
from shimfit.cli.run.laying_out import check_room

if TYPE_CHECKING:
    from shimfit.cli.io import Io
    from shimfit.core.layout import Mark
    from shimfit.standing import RunState


def run_insert(args: argparse.Namespace, io: Io) -> int:
    """Insert a post between two others."""
    from shimfit.core import layout
    from shimfit.entry import parse_length
    from shimfit.workflow.place import Place, parse_run

    with open_site(args, io) as site:
        job, name = parse_run(args.path)
        run = site.run(job, name)
        marks = layout.insert(
            _marks_of(run), parse_length(args.at, run.units, what="station", zero_ok=True), args.name
        )
        check_room(marks, run.foot)
        new = next(mark for mark in marks if run.post(mark.name) is None)
        data = {"leg": new.leg, "station_mm": new.station_mm, "kind": new.kind}
        site.add_post(Place(job, name, new.name), data)
        return io.tell(
            f"post {new.name} stands at {new.station_mm:g} mm", {"post": new.name}, as_json=args.json
        )


def run_move(args: argparse.Namespace, io: Io) -> int:
    """Move a post along its leg."""
    from shimfit.core import layout
    from shimfit.entry import parse_length
    from shimfit.workflow.place import parse_place

    with open_site(args, io) as site:
        place = parse_place(args.place)
        site.post(place)
        run = site.run(place.job, place.run)
        station_mm = parse_length(args.at, run.units, what="station", zero_ok=True)
        check_room(layout.move(_marks_of(run), place.post, station_mm), run.foot)
        site.move_post(place, station_mm)
        return io.tell(
            f"post {place.post} stands at {station_mm:g} mm", {"post": place.post}, as_json=args.json
        )


def run_remove(args: argparse.Namespace, io: Io) -> int:
    """Take a post out of a run."""
    from shimfit.core import layout
    from shimfit.workflow.place import parse_place

    with open_site(args, io) as site:
        place = parse_place(args.place)
        site.post(place)
        layout.remove(_marks_of(site.run(place.job, place.run)), place.post)
        site.remove_post(place)
        return io.tell(
            f"post {place.post} is out of the run; its log is kept", {"post": place.post}, as_json=args.json
        )


def _marks_of(run: RunState) -> tuple[Mark, ...]:
    from shimfit.core.layout import Mark

    return tuple(Mark(post.name, post.leg, post.station_mm, post.kind, post.turn_deg) for post in run.posts)

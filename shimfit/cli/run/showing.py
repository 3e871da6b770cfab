"""`shimfit run show` and `run export`: where every post of a run stands."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import open_site
from shimfit.errors import Exit
from shimfit.model import Face
from shimfit.outputs import POSTS_CSV

if TYPE_CHECKING:
    from shimfit.cli.io import Io
    from shimfit.model import Foot
    from shimfit.standing import PostRecord, RunState
    from shimfit.tui.telling import Words


def run_show(args: argparse.Namespace, io: Io) -> int:
    """Show where every post of a run stands."""
    from shimfit.cli.plan_said import words_of
    from shimfit.workflow.place import parse_run

    with open_site(args, io, read_only=True) as site:
        run = site.run(*parse_run(args.path))
        words = words_of(run, site.settings)
    if args.json:
        io.json(run_json(run))
        return Exit.DONE
    io.say(
        f"{run.job}/{run.name}: foot {_foot(run.foot, words)}, read at {_told(run.height_mm, words)}, "
        f"tolerance {run.tolerance.text}"
    )
    if run.conflict:
        io.say(f"  ! {run.conflict}")
    for post in run.posts:
        io.say(_post_line(post, words))
        if post.conflict:
            io.say(f"      ! {post.conflict}")
    io.say(f"{len(run.left_to_do)} of {len(run.posts)} left to do")
    return Exit.DONE


def run_export(args: argparse.Namespace, io: Io) -> int:
    """Write the posts of a run as CSV."""
    from shimfit.workflow.place import parse_run
    from shimfit.workflow.tables import posts_to_csv

    with open_site(args, io, read_only=True) as site:
        text = posts_to_csv(site.run(*parse_run(args.path)))
    io.write(args.file, text.encode(), POSTS_CSV, args)
    return Exit.DONE


def run_json(run: RunState) -> dict[str, Any]:
    """A run and where every post stands, as `run show --json` and `run new --json` give it."""
    from shimfit.contract import foot_to_json, pack_to_json, reading_to_json, tolerance_to_json

    return {
        "job": run.job,
        "run": run.name,
        "foot": foot_to_json(run.foot),
        "height_mm": run.height_mm,
        "tolerance": tolerance_to_json(run.tolerance, run.height_mm),
        "units": run.units,
        "posts": [
            {
                "post": post.name,
                "leg": post.leg,
                "station_mm": post.station_mm,
                "kind": post.kind,
                "turn_deg": post.turn_deg,
                "foot": foot_to_json(post.foot),
                "state": str(post.state),
                "reading": reading_to_json(post.reading) if post.reading else None,
                "packs_in_place": [pack_to_json(pack) for pack in post.packs_in_place],
                "prescribed": [pack_to_json(pack) for pack in post.prescription.packs]
                if post.prescription
                else [],
                "rounds": post.rounds,
                "conflict": post.conflict,
                "notes": [note.text for note in post.notes],
            }
            for post in run.posts
        ],
    }


def _told(mm: float, words: Words) -> str:
    from shimfit.tui import lengths

    return lengths.lean(mm, words.units, words.graduation)


def _foot(foot: Foot, words: Words) -> str:
    if foot.round or words.units == "mm":
        return foot.text
    return f"{_told(foot.along_mm, words)} x {_told(foot.across_mm, words)}"


def _post_line(post: PostRecord, words: Words) -> str:
    lean = post.reading.lean if post.reading else None
    told = ""
    if lean is not None:
        along, across = lean.top_mm(post.height_mm)
        told = (
            f"top {_told(along, words)} {words.names[Face.NEXT if along >= 0 else Face.PREV]}, "
            f"{_told(across, words)} {words.names[Face.OUT if across >= 0 else Face.HOUSE]}"
        )
    corner = "" if post.kind == "line" else f" ({post.kind})"
    return f"  {post.name + corner:<12} {_told(post.station_mm, words):>12}  {post.state:<18} {told}".rstrip()

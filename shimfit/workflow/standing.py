"""A run as it stands: rails between its posts, openings, and the targets that line its tops up."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core import lineup, rails
from shimfit.core.lineup import LegLine, LinePost
from shimfit.core.rails import Rail, StandingOpening, StandingPost
from shimfit.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.model import Lean
    from shimfit.standing import PostRecord, RunState

TURN_DEG = 90.0
"""A corner that was not told how far it turns is a right angle towards the house side."""
ROOM_SHARE = 0.5
"""Part of the tolerance that an aim may take; the rest is for what packing leaves."""


def rails_of(
    run: RunState, at_mm: Sequence[float], depth_mm: float = 0.0, *, turn_deg: float = -TURN_DEG
) -> tuple[Rail, ...]:
    """Rails between neighbours as the posts stand by their latest reading.

    UsageError names the posts that have no full reading, or when a height misses the posts.
    """
    return rails.rails(_standing(run, turn_deg), at_mm, depth_mm)


def openings_of(
    run: RunState, limit_mm: float | None = None, *, turn_deg: float = -TURN_DEG
) -> tuple[StandingOpening, ...]:
    """Clear widths against `limit_mm` or the run's own limit; none without a limit."""
    limit = limit_mm if limit_mm is not None else run.opening_limit_mm
    return () if limit is None else rails.openings(_standing(run, turn_deg), limit)


def line_up_run(
    run: RunState, off_mm: Mapping[str, float] | None = None, share: float = ROOM_SHARE
) -> tuple[LegLine, ...]:
    """Targets across the run for every post, from how far each foot is off the string (+ out; 0 if not told).

    UsageError when a post is named that the run has not, or the share is not from 0 to 1.
    """
    from shimfit.solve.highs import Highs

    off = dict(off_mm or {})
    names = {post.name for post in run.posts}
    for name in off:
        if name not in names:
            raise UsageError(f"{run.job}/{run.name} has no post {name}")
    if not 0.0 <= share <= 1.0:
        raise UsageError(f"an aim can take from 0 to 1 of the tolerance, not {share:g}")
    posts = [
        LinePost(
            post.name, post.leg, post.station_mm, off.get(post.name, 0.0),
            share * post.tolerance.allowed_top_mm(post.height_mm),
        )
        for post in run.posts
    ]  # fmt: skip
    return lineup.line_up(posts, Highs())


def _standing(run: RunState, turn_deg: float) -> list[StandingPost]:
    unread = [post.name for post in run.posts if _lean(post) is None]
    if unread:
        raise UsageError(
            f"{run.job}/{run.name}: post {', '.join(unread)} has no full reading yet, so rails to it are "
            "not known"
        )
    standing = []
    for post in run.posts:
        lean = _lean(post)
        assert lean is not None
        told = turn_deg if post.turn_deg is None else post.turn_deg
        turn = told if post.kind == "corner" else 0.0
        standing.append(
            StandingPost(post.name, post.leg, post.station_mm, post.foot, lean, post.height_mm, turn_deg=turn)
        )
    return standing


def _lean(post: PostRecord) -> Lean | None:
    """How it stands, as far as that is known."""
    return post.lean_now[0]

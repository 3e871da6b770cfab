"""A run looked at whole: rails between its posts, openings, targets that line its tops up, the kit for it."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

from shimfit.codec import to_json
from shimfit.core import lineup, rails
from shimfit.core.kit import Kit, kit_for, shop
from shimfit.core.lineup import LegLine, LinePost
from shimfit.core.rails import Opening, Rail, StandingPost
from shimfit.errors import UsageError
from shimfit.quantities import shown
from shimfit.solve.highs import Highs
from shimfit.values import dataclass
from shimfit.workflow.packs import options_of, scatter_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.core.kit import KitLine
    from shimfit.model import Lot
    from shimfit.standing import Basis, PostRecord, RunState
    from shimfit.workflow.site import Site

TURN_DEG = 90.0
"""A corner whose turn is not given is a right angle towards the house side."""
ROOM_SHARE = 0.5
"""Part of the tolerance that an aim may take; the rest is for what packing leaves."""


@dataclass(frozen=True, slots=True)
class RunRails:
    """A run's rails and openings between posts as they stand, and how that is known of each post."""

    rails: tuple[Rail, ...]
    openings: tuple[Opening, ...]
    unknown: tuple[tuple[str, str], ...]
    """Neighbours between which nothing is known: the lean of one of them, or of both, is not known."""
    posts: dict[str, PostRecord]
    """Every post by its name, in walking order."""

    def unsure(self, *names: str) -> tuple[str, ...]:
        """Which of these posts no rail is cut to yet: no reading proves them plumb as they stand."""
        return tuple(name for name in names if self.posts[name].decision != "plumb")

    def lean(self, name: str) -> Basis:
        """How the lean of a post is known."""
        return self.posts[name].lean_now[1]


def rails_of(
    run: RunState,
    at_mm: Sequence[float] = (),
    depth_mm: float = 0.0,
    limit_mm: float | None = None,
    *,
    turn_deg: float = -TURN_DEG,
    thick_mm: float = 0.0,
) -> RunRails:
    """Rails at these heights, and openings against `limit_mm` or the run's own limit (none without one).

    A post that nothing is known of leaves out what meets it, no more. UsageError when a height misses the
    posts or two leave no room.
    """
    limit = limit_mm if limit_mm is not None else run.opening_limit_mm
    made: list[Rail] = []
    clear: list[Opening] = []
    unknown: list[tuple[str, str]] = []
    for pair in pairwise(run.posts):
        known = [one for post in pair if (one := _standing(post, turn_deg)) is not None]
        if len(known) < 2:
            unknown.append((pair[0].name, pair[1].name))
            continue
        made += rails.rails(known, at_mm, depth_mm, thick_mm)
        clear += [] if limit is None else rails.openings(known, limit)
    return RunRails(tuple(made), tuple(clear), tuple(unknown), {post.name: post for post in run.posts})


def line_up_run(
    run: RunState, off_mm: Mapping[str, float] | None = None, share: float = ROOM_SHARE
) -> tuple[LegLine, ...]:
    """Targets across the run for every post, from how far each foot is off the string (+ out; 0 if none).

    UsageError when a post is named that the run has not, or the share is not from 0 to 1.
    """
    off = dict(off_mm or {})
    for name in off:
        if run.post(name) is None:
            names = ", ".join(post.name for post in run.posts)
            raise UsageError(f"{run.job}/{run.name} has no post {name}; its posts are: {names}")
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


def _standing(post: PostRecord, turn_deg: float) -> StandingPost | None:
    """How it stands, as far as that is known."""
    lean = post.lean_now[0]
    if lean is None:
        return None
    reported = turn_deg if post.turn_deg is None else post.turn_deg
    turn = reported if post.kind == "corner" else 0.0
    return StandingPost(post.name, post.station_mm, post.foot, lean, post.height_mm, turn_deg=turn)


# ---------------------------------------------------------------- the kit


HINT = "Offer thinner flats, or a taper to cut (--shop FILE.csv)."


def kit_for_run(
    site: Site,
    job: str,
    run: str,
    *,
    fall: float | None = None,
    posts: int | None = None,
    offered: Sequence[Lot] = (),
    share: float = 0.95,
) -> dict[str, Any]:
    """What to cut or buy so that `share` of the run's posts can be served from the box and the kit.

    From the readings of the run when there are any, else from `fall`. UsageError when there is neither.
    """
    state = site.run(job, run)
    # Of a post that was packed since, or that stood on packs, the lean says nothing of the bed.
    bare = [post.counts for post in state.posts if post.counts is not None and not post.packs_in_place]
    read = [reading.lean for reading in bare if reading.lean is not None]
    count = posts if posts is not None else max(1, len(state.left_to_do))
    options = options_of(state, site.settings, site_scatter=scatter_of(site, job).factor)
    made = kit_for(
        state.foot, state.height_mm, state.tolerance, count, site.box().lots, options, Highs(),
        fall=fall, read=read if fall is None else (), offered=offered or shop(state.units), share=share,
    )  # fmt: skip
    many = shown.counted(count, "post")
    steep = f" (1 in {1 / abs(fall):.3g})" if fall else ""
    source = f"a usual fall of {fall:g}{steep}" if fall is not None else shown.counted(len(read), "reading")
    figures = ("served_share", "served_without", "asked_share", "reached")
    return {
        "job": job,
        "run": run,
        "posts": count,
        **{name: getattr(made, name) for name in figures},
        "words": f"For {many}, from {source}: {_in_words(made, from_shop=bool(offered))}",
        "lines": bought_json(made.lines, options.saw.kerf_mm),
    }


def bought_json(lines: Sequence[KitLine], kerf_mm: float) -> list[dict[str, Any]]:
    """What to buy or cut, a line each."""
    return [
        {"what": one.what, "count": one.count, "lot": to_json(one.lot), "stock_mm": one.stock_mm(kerf_mm)}
        for one in lines
    ]


def _in_words(made: Kit, *, from_shop: bool) -> str:
    """What the box serves, what the kit adds, and plainly so when that is less than was asked for."""
    alone = f"the box alone serves {shown.share(made.served_without, down=True)} of posts in trial runs"
    if made.reached and not made.lines:
        return f"{alone}. Nothing needs to be bought."
    if made.reached:
        return f"{alone}, with this it serves {shown.share(made.served_share, down=True)}:"
    short = f"short of the {shown.share(made.asked_share)} aimed at"
    if not made.lines:
        shop = "what this shop has" if from_shop else "the usual packers"
        return f"{alone}, {short}, and nothing of {shop} helps. {HINT}"
    served = shown.share(made.served_share, down=True)
    return f"{alone}, with this it serves {served}, {short}; a few more of each did not help. {HINT}"

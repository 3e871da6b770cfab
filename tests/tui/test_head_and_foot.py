"""What stands at the head, in the middle and at the foot of the post's page never contradicts itself.

Random histories of one run, the packs worked out at once or behind the screen while the last sentence stays.
"""

from __future__ import annotations

import os
import random
import re
from functools import partial

import pytest

from shimfit.model import PostState
from shimfit.text.glyphs import UNICODE
from shimfit.text.phrases import post_view
from shimfit.tui.session import Session
from shimfit.workflow.reading import answer_now

HISTORIES = int(os.environ.get("SHIMFIT_HISTORIES", "3"))
STEPS = 14
WORDS = tuple(state.value for state in PostState)
NOT_FROM_THE_BOX = ("No pack from this box can do it", "Not from this box beside the other posts")


def typed(rng: random.Random) -> str:
    """A reading near the limit as often as far from it, now and then of one way only."""
    along, across = (rng.choice((0.2, 0.9, 1.4, 1.9, 2.4, 6.0, 11.0, 14.5)) for _ in range(2))
    text = f"{along}{rng.choice('np')}"
    return text if rng.random() < 0.15 else f"{text}{across}{rng.choice('oh')}"


def do(session: Session, rng: random.Random):
    """One move of somebody at the post; its outcome."""
    lots = [lot for lot in session.site.box().lots if lot.count]
    moves = [lambda: session.enter(typed(rng))] * 6
    moves += [*(partial(session.do, name) for name in ("packed", "tightened", "trimmed")), session.redo]
    _, taken_back, _ = session.undo_is_of()
    moves += [] if taken_back.startswith("new run") else [session.undo]
    moves += [lambda: session.do("skip", "no access"), lambda: session.step(rng.choice((-1, 1)))]
    if lots and rng.random() < 0.2:
        session.site.out_of(rng.choice(lots).lot)
        session.answer_missing()
    elif rng.random() < 0.2:
        session.add_lots(rng.choice(("0.5 x4 PVC", "2 x3 PVC", "taper 0.5 6 200 x2 PVC")))
    return rng.choice(moves)()


def agree(session: Session, last: str) -> bool:
    """Head, sentences and foot of the post in view, and what was last said; whether no pack can do it."""
    record = session.record
    view = post_view(record, session.words)
    assert view.word == record.state.value
    if view.do in NOT_FROM_THE_BOX:
        assert record.is_stuck
        assert not view.packs, "what no pack can do is not followed by packs"
    if record.is_stuck and view.packs:
        assert "can't make it plumb" in view.do
    if record.state in (PostState.PLUMB, PostState.TOO_CLOSE, PostState.SKIPPED, PostState.TO_READ):
        assert not view.packs
    if record.state is PostState.PACK:
        assert not record.is_stuck
    for text in (view.do, view.result, *view.remarks):
        assert not re.search(r"[Pp]roven|cheapest|steps of the|optim|bound\b|counted in", text), text
    logged = re.match(r"(?:corrected: )?post (\S+) logged: (.*)", last)
    if logged:
        state = session.run.post(logged[1]).state
        named = logged[2].partition(",")[0]
        told = f"{last!r} at a post that is to {state}"
        assert named not in WORDS or named == state.value, told
    return view.do in NOT_FROM_THE_BOX


@pytest.mark.parametrize("behind", [False, True], ids=["at once", "behind the screen"])
@pytest.mark.parametrize("number", range(HISTORIES))
def test_head_and_foot_agree_over_random_histories(make_site, number, behind) -> None:
    rng = random.Random(1000 * behind + number)
    session = Session(make_site(legs="3.6m"), UNICODE)
    assert session.open_last()
    if number == 0:  # what no pack can do is met too
        for lot in session.site.box().lots:
            session.site.out_of(lot.lot)
    waiting = []
    if behind:
        session.answers_later = waiting.append
    last, cannot = "", 0
    for step in range(STEPS if number else STEPS // 2):  # nothing in the box: the reason is searched for long
        last = (session.enter("9n5o") if step == number == 0 else do(session, rng)).message
        agree(session, last)
        while waiting:
            answer_now(session.site, waiting.pop())
            session.refresh()
        cannot += agree(session, last)
    assert cannot or number

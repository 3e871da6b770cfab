"""Undo and redo are events too: whatever was done, taking it back gives the state before, bit by bit."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shimfit.errors import UsageError
from shimfit.model import PostState
from shimfit.store.events import Draft
from shimfit.store.fold import fold_run
from shimfit.store.journal import Journal


def _run(crew):
    """The run, or None when even laying it out was taken back."""
    try:
        return crew.run()
    except UsageError:
        return None


def _seen(crew):
    """The run without the positions of events in the log, which undo moves on."""
    run = _run(crew)
    if run is None:
        return None
    posts = tuple(replace(post, last_seq=0) for post in run.posts)
    removed = tuple(replace(post, last_seq=0) for post in run.removed)
    return replace(run, posts=posts, removed=removed), crew.journal.box().lots


def test_undo_of_a_reading_takes_its_answer_along(crew):
    north = crew().lay_out()
    before = _seen(north)
    north.read("1", text="9mm n 0")
    north.prescribe("1")
    assert north.journal.to_undo("jetty")[1] == "reading 9mm n 0 at east/1"
    assert north.journal.undo("jetty") == "reading 9mm n 0 at east/1"
    assert _seen(north) == before
    assert north.journal.redo("jetty") == "reading 9mm n 0 at east/1"
    assert north.post("1").state is PostState.PACK
    assert north.post("1").prescription is not None


def test_undo_walks_past_answers_at_other_posts(crew):
    north = crew().lay_out()
    north.prescribe("2")
    north.log("noted", {"text": "x"}, post="1")
    north.prescribe("3")
    assert north.journal.undo("jetty") == "a note at east/1"
    assert north.post("3").prescription is not None
    assert north.post("2").prescription is not None


def test_something_new_ends_redo(crew):
    north = crew().lay_out()
    north.read("1")
    north.journal.undo("jetty")
    north.log("noted", {"text": "x"}, post="2")
    assert north.journal.redo("jetty") is None
    assert north.journal.undo("jetty") == "a note at east/2"
    assert north.journal.redo("jetty") == "a note at east/2"


def test_all_the_way_back_and_forth(crew):
    north = crew().lay_out()
    north.read("1")
    north.read("2")
    back = []
    while (words := north.journal.undo("jetty")) is not None:
        back.append(words)
    assert back[-1] == "new job jetty"
    assert back[-2] == "new run jetty/east with 3 posts"
    assert north.journal.jobs() == ()
    forth = []
    while (words := north.journal.redo("jetty")) is not None:
        forth.append(words)
    assert forth == back[::-1]
    assert north.post("2").state is PostState.PACK
    assert north.journal.verify() is None


def test_what_would_be_taken_back_is_said_in_the_words_of_the_site(crew, packs):
    north = crew().lay_out()
    observed = {"predicted_mm": [0.0, 0.0], "measured_mm": [0.1, 0.0], "u_reading_mm": 0.1, "shares": {}}
    said = []
    for kind, data in (
        ("tightened", {}),
        ("trimmed", {}),
        ("photo", {"file": "west.jpg"}),
        ("skipped", {"why": "later"}),
        ("post-moved", {"station_mm": 10.0}),
        ("post-removed", {}),
    ):
        north.log(kind, data, post="1")
        said.append(north.journal.to_undo("jetty")[1])
    assert said == [
        "the nut tightened at east/1",
        "packs cut flush at east/1",
        "photo west.jpg at east/1",
        "skipped at east/1",
        "moving post east/1",
        "taking out post east/1",
    ]
    north.journal.append_all(
        [
            Draft("observed", observed, "jetty", "east", "2"),
            Draft("noted", {"text": "x"}, "jetty", "east", "2"),
            Draft("noted", {"text": "y"}, "jetty", "east", "3"),
        ]
    )
    assert north.journal.undo("jetty") == "a note at east/2 and 1 more"
    north.log("run-changed", {"due_days": 90, "kerf_mm": 3.0})
    assert north.journal.undo("jetty") == "change of due days, kerf of run jetty/east"
    north.pack("2", packs[0])
    assert north.journal.undo("jetty") == "packs put in at east/2"
    # What is taken from the box for it comes first in the step, and is not what the user did.
    taken = Draft("taken", {"used": [{"lot": "F2"}]})
    north.journal.append_all([taken, Draft("noted", {"text": "z"}, "jetty", "east", "2")])
    for take_back in (north.journal.undo, north.journal.redo, north.journal.undo):
        assert take_back("jetty") == "a note at east/2"
    for kind, data, words in (
        ("setting", {"key": "units", "value": "mm"}, "setting units mm"),
        ("instrument", {"name": "long level", "kind": "level"}, "instrument long level"),
        ("stock-imported", {"lots": [], "source": "box.csv"}, "stock read from box.csv"),
        ("stock-imported", {"lots": []}, "stock read from a file"),
        ("stock-out", {"lot": "F2"}, "lot F2 taken out of the box"),
    ):
        north.journal.append(kind, data)
        assert north.journal.undo(None) == words


def test_naming_any_event_of_a_step_takes_back_the_whole_step(crew):
    north = crew().lay_out()
    _, second = north.journal.append_all(
        [Draft("noted", {"text": text}, "jetty", "east", "1") for text in ("x", "y")]
    )
    north.log("undone", {"of": second.id})
    assert north.post("1").notes == ()
    assert north.journal.redo("jetty") == "a note at east/1"
    assert len(north.post("1").notes) == 2


def test_undo_survives_a_restart(crew, tmp_path):
    north = crew().lay_out()
    north.read("1")
    north.journal.undo("jetty")
    north.journal.close()
    with Journal.open(tmp_path / "north.db") as again:
        assert again.run("jetty", "east").post("1").state is PostState.TO_READ
        assert again.redo("jetty") is not None
        assert again.run("jetty", "east").post("1").state is PostState.PACK


_POSTS = st.sampled_from(["1", "2", "3"])
_DEEDS = st.one_of(
    st.tuples(st.just("read"), _POSTS, st.sampled_from([0.0, 0.0019, 0.009, None])),
    st.tuples(st.just("bed"), _POSTS, st.just(0.006)),
    st.tuples(st.just("prescribe"), _POSTS, st.booleans()),
    st.tuples(st.just("pack"), _POSTS, st.none()),
    st.tuples(st.sampled_from(["tightened", "trimmed", "skipped", "noted", "removed"]), _POSTS, st.none()),
    st.tuples(st.just("moved"), _POSTS, st.sampled_from([100.0, 2500.0, 9000.0])),
    st.tuples(st.sampled_from(["undo", "redo"]), st.none(), st.none()),
)


def _do(crew, packs, action):
    kind, post, value = action
    match kind:
        case "read":
            crew.read(post, value, 0.0)
        case "bed":
            crew.read(post, value, 0.0, stage="bed")
        case "prescribe":
            crew.prescribe(post, packs[:1] if value else ())
        case "pack":
            crew.pack(post, packs[1])
        case "skipped":
            crew.log("skipped", {"why": "later"}, post=post)
        case "noted":
            crew.log("noted", {"text": "x"}, post=post)
        case "removed":
            crew.log("post-removed", {}, post=post)
        case "moved":
            crew.log("post-moved", {"station_mm": value}, post=post)
        case "undo":
            crew.journal.undo("jetty")
        case "redo":
            crew.journal.redo("jetty")
        case _:
            crew.log(kind, {}, post=post)


_LOOSE = settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
_number = iter(range(10**9))


@_LOOSE
@given(st.lists(_DEEDS, max_size=14))
def test_forward_in_steps_is_the_same_as_all_at_once(crew, packs, tmp_path, actions):
    name = f"f{next(_number)}"
    north = crew(name).lay_out()
    north.run()  # from here the state is brought forward event by event
    for action in actions:
        _do(north, packs, action)
        _run(north)
    brought_forward = _run(north)
    assert fold_run(list(north.journal.events()), "jetty", "east") == brought_forward
    north.journal.close()
    with Journal.open(tmp_path / f"{name}.db", read_only=True) as again:
        if brought_forward is not None:
            assert again.run("jetty", "east") == brought_forward
        assert again.verify() is None


@_LOOSE
@given(st.lists(_DEEDS, max_size=10), st.integers(1, 4))
def test_undo_then_redo_gives_the_same_state(crew, packs, actions, times):
    north = crew(f"u{next(_number)}").lay_out()
    for action in actions:
        _do(north, packs, action)
    states = [_seen(north)]
    states += [_seen(north) for _ in range(times) if north.journal.undo("jetty") is not None]
    while len(states) > 1:
        assert _seen(north) == states.pop()
        assert north.journal.redo("jetty") is not None
    assert _seen(north) == states.pop()
    north.journal.close()


def test_when_only_answers_are_left_the_last_of_them_is_taken_back(crew):
    north = crew().lay_out()
    for post in ("8", "9"):  # posts that were lost to damage: no step that stands adds them
        north.prescribe(post)
    said = [north.journal.undo("jetty") for _ in range(5)]
    assert said == [
        "new run jetty/east with 3 posts",
        "new job jetty",
        "the answer at east/9",
        "the answer at east/8",
        None,
    ]

"""Problems from files: the contract's answer, and refusals that name the place."""

import json

import pytest

from shimfit.errors import FileError
from shimfit.workflow import plan
from shimfit.workflow.plan import plan_problem, read_problem


def problem(**changes):
    post = {
        "id": "3", "foot_along_mm": 90, "foot_across_mm": 90, "height_mm": 1000, "slope_along": 0.012,
        "slope_across": -0.007, "tolerance": "1:500",
    }  # fmt: skip
    whole = {
        "schema": 1,
        "posts": [post, {**post, "id": "4", "slope_along": 0.0005, "slope_across": 0.0}],
        "stock": [
            {"lot": "F1", "form": "flat", "count": 4, "thickness_mm": 0.6},
            {"lot": "S1", "form": "strip", "count": 1, "length_mm": 600, "width_mm": 40, "thickness_mm": 20},
        ],
        "saw": {"kerf_mm": 2.5, "settings_deg": [0.5, 1.0], "hold_mm": 250, "min_thin_mm": 0.8},
        "options": {
            "layout": "corners", "max_pieces": 3, "bearing_mm": 32, "bearing_point": "auto",
            "clamp": {"preload_mm": 0.19},
        },
    }  # fmt: skip
    return whole | changes


def test_the_answer_has_the_contracts_keys_and_is_json():
    answer = plan_problem(problem(), 30)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert {"status", "bound", "objective", "gap", "unsolved", "posts", "cuts", "remainders"} <= set(answer)
    by_id = {post["id"]: post for post in answer["posts"]}
    assert by_id["4"]["packs"] == []
    packs = by_id["3"]["packs"]
    assert {"seat", "purpose", "need_mm", "made_mm", "bears_at_mm", "pieces"} <= set(packs[0])
    wedges = [(pack["seat"], piece) for pack in packs for piece in pack["pieces"] if piece["form"] == "strip"]
    assert wedges
    cut = {piece["for"]: piece for strip in answer["cuts"] for piece in strip["pieces"]}
    for seat, piece in wedges:
        assert cut[f"3/{seat}"]["thick_mm"] == piece["thick_mm"]
        assert cut[f"3/{seat}"]["thin_mm"] == piece["thin_mm"]
    assert answer["more_to_serve"] == 0, "all are served"
    assert answer["gap"] == pytest.approx((answer["objective"] - answer["bound"]) / answer["objective"])
    assert all(strip["left_mm"] >= 250 for strip in answer["cuts"])


def test_what_is_to_buy_serves_the_posts_that_were_not_served():
    scarce = problem(stock=[{"lot": "F1", "form": "flat", "count": 1, "thickness_mm": 0.6}])
    answer = plan_problem(scarce, 30)
    assert answer["unsolved"] == ["3"]
    assert answer["gap_served"] >= answer["gap"], "the price of a post left out is no work"
    buy = answer["buy"]
    assert buy["serves"] == ["3"]
    bought = [{**line["lot"], "count": line["count"]} for line in buy["lines"]]
    assert sum(lot["count"] for lot in bought) <= 6
    again = plan_problem(scarce | {"stock": scarce["stock"] + bought}, 30)
    assert again["unsolved"] == []
    assert "buy" not in again
    # Nothing in it is spare: with any one piece less the post is left out, or packed with more work.
    for k, lot in enumerate(bought):
        rest = [{**one, "count": one["count"] - (one is lot)} for one in bought]
        fewer = plan_problem(scarce | {"stock": scarce["stock"] + [one for one in rest if one["count"]]}, 30)
        assert fewer["unsolved"] or fewer["objective"] > again["objective"] - 1e-6, k


def changed_post(**changes):
    whole = problem()
    whole["posts"][0] = {
        key: value for key, value in (whole["posts"][0] | changes).items() if value != "gone"
    }
    return whole


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        (problem(posts=None), "posts"),
        (problem(posts=[7]), r"posts\[0\]"),
        (problem(stock={}), "stock"),
        (problem(schema=2), "schema"),
        (problem(saw={"settings_deg": "1"}), r"saw\.settings_deg"),
        (problem(saw={"settings_deg": [90]}), "options"),
        (problem(options={"layout": "pile"}), "options"),
        (problem(options={"max_pieces": 2.5}), r"options\.max_pieces"),
        (problem(options={"clamp": 3}), r"options\.clamp"),
        (problem(stock=[{"lot": "F", "form": "flat", "count": -1, "thickness_mm": 1}]), "count"),
        (changed_post(height_mm=0), r"posts\[0\]\.height_mm"),
        (changed_post(height_mm="gone"), r"posts\[0\]\.height_mm is missing"),
        (changed_post(slope_along=float("nan")), r"posts\[0\]\.slope_along"),
        (changed_post(slope_along=True), r"posts\[0\]\.slope_along"),
        (changed_post(slope_across=3.0), r"posts\[0\]\.slope"),
        (changed_post(foot_along_mm=-90), r"posts\[0\]\.foot_along_mm"),
        (changed_post(tolerance="tight"), r"posts\[0\]"),
        (changed_post(id=""), r"posts\[0\]\.id"),
        (changed_post(id="4"), r"posts\[1\]\.id"),
        (changed_post(rod_hole_mm=200), r"posts\[0\]"),
        (changed_post(rod_at_mm=[1]), r"posts\[0\]\.rod_at_mm"),
        (changed_post(per_direction="yes"), r"posts\[0\]\.per_direction"),
    ],
)
def test_a_problem_that_is_none_names_the_place(wrong, place):
    with pytest.raises(FileError, match=place):
        read_problem(wrong)


def test_a_list_of_what_to_buy_is_for_so_many_posts_at_most(monkeypatch):
    posts = problem()["posts"]
    many = [{**posts[0], "id": str(k), "slope_along": 0.012 + 0.001 * k} for k in range(2)]
    scarce = problem(posts=many, stock=[{"lot": "F1", "form": "flat", "count": 1, "thickness_mm": 0.6}])
    monkeypatch.setattr(plan, "MOST_TO_BUY_FOR", 1)
    answer = plan_problem(scarce, 30)
    assert len(answer["unsolved"]) == 2
    assert answer["buy"]["serves"] == answer["unsolved"][:1]


def test_a_post_that_cannot_be_served_is_named_with_its_reason():
    answer = plan_problem(problem(stock=[]), 10)
    assert answer["unsolved"] == ["3"]
    assert "packs of about" in answer["why"]["3"]
    assert answer["status"] == "impossible"


def test_prices_and_the_objective_are_a_problems_own():
    options = problem()["options"]
    _, _, reported = read_problem(
        problem(options={**options, "objective": "weights", "minutes": {"piece": 2, "lift": 5.5}})
    )
    assert (reported.minutes.piece, reported.minutes.lift) == (2.0, 5.5)
    cuts = [
        read_problem(problem(options={**options, "minutes": some}))[2].minutes
        for some in ({"cut": 3}, {"tip_cut": 1})
    ]
    assert [(one.cut, one.tip_cut) for one in cuts] == [(3.0, 3.0), (0.75, 1.0)]
    # Dearer pieces: fewer of them, where flats make a thickness in more ways than one.
    flats = [
        {"lot": f"F{k}", "form": "flat", "count": 20, "thickness_mm": thick_mm}
        for k, thick_mm in enumerate((0.2, 0.3, 0.5, 1.0), 1)
    ]
    few, many = (
        plan_problem(problem(stock=flats, options={**options, "minutes": {"piece": price}}), 30)
        for price in (20.0, 0.1)
    )
    # A problem of older programs that asks for weights is planned in minutes, and told so.
    old = plan_problem(problem(options={**options, "objective": "weights"}), 30)
    new = plan_problem(problem(options={**options, "objective": "minutes"}), 30)
    assert old["posts"] == new["posts"]
    assert (len(old["remarks"]), new["remarks"]) == (1, [])
    assert "minutes" in old["remarks"][0]
    pieces = [sum(len(pack["pieces"]) for pack in one["posts"][0]["packs"]) for one in (few, many)]
    assert 0 < pieces[0] < pieces[1]
    assert few["objective"] > many["objective"]


@pytest.mark.parametrize("prices", [{}, {"round": 40.0}])
def test_posts_that_a_level_hardly_ever_proves_plumb_are_served_all_the_same(prices):
    # Their packs cost tens of rounds, and still less than to leave them as they are: the plan is proven.
    post = {**problem()["posts"][0], "slope_along": 0.006, "slope_across": -0.0042, "tolerance": "1:1000"}
    posts = [post, {**post, "id": "4", "slope_along": 0.0067, "slope_across": -0.0046}]
    flats = [{"lot": f"F{mm}", "form": "flat", "count": 20, "thickness_mm": mm} for mm in (0.25, 0.5, 1, 2)]
    answer = plan_problem(problem(posts=posts, stock=flats, options={"minutes": prices}), 30)
    assert (answer["unsolved"], answer["status"]) == ([], "proven")
    assert min(one["cost"] for one in answer["posts"]) > 250


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"objective": "money"}, "options.objective: there is no objective 'money'"),
        ({"minutes": {"rounds": 4}}, r"options\.minutes\.rounds: there is no such price"),
        ({"minutes": {"round": -1}}, r"options\.minutes\.round must be 0 or more"),
        ({"minutes": 4}, "options.minutes must be an object"),
    ],
)
def test_prices_that_are_none_are_refused_with_their_place(wrong, said):
    with pytest.raises(FileError, match=said):
        read_problem(problem(options=wrong))

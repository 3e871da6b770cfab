"""A plan in words: progress, gap, who gets what, who gets nothing and why; cut sheet and pack labels."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from shimfit.codec import read
from shimfit.core.cautions import cautions_of
from shimfit.model import Chance, Lot, Pack, Seat
from shimfit.quantities import shown
from shimfit.text.phrases import in_order, lot_size, odds_briefly, piece_name

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from shimfit.quantities.typed import Units
    from shimfit.text.phrases import Words

Json = dict[str, Any]
AS_GOOD = 0.01
"""A plan is called as good as any where no other could save more of its work."""
LEFT_OUT = {
    "shared cuts": "tips cut off that packs could share",
    "hanging corners": "corners that hang",
    "edge packs": "packs at the edges",
    "rims": "round feet on their rims",
    "short pieces": "pieces shorter than they should be",
}
"""What plans may do that a bound leaves out, in words."""
Line = tuple[str, str]
"""Text and the role that styles it."""


def progress_words(bound: float | None, best: float | None) -> str:
    """How far it is: `a plan: at most 5.5 % could be saved`."""
    if bound is None or not math.isfinite(bound):
        return "looking for what each post could take"
    if best is None:
        return "no plan yet"
    gap = 0.0 if best <= 0 else max(0.0, 1.0 - bound / best)
    return f"a plan: at most {shown.share(gap, 1)} could be saved"


def progress_bar(bound: float | None, best: float | None, width: int, full: str, empty: str) -> str:
    """A bar that is full when the bound has reached the best plan."""
    share = 0.0
    if bound is not None and best is not None:
        share = 1.0 if best <= 0 else min(1.0, max(0.0, bound / best))
    cells = int(share * width)
    return full * cells + empty * (width - cells)


def outcome_words(answer: Json) -> str:
    """How many posts are served: `5 posts to pack, 1 stands as it is, 1 not served`."""
    packed = sum(bool(post["packs"]) for post in answer["posts"])
    bare, unsolved = len(answer["posts"]) - packed, len(answer["unsolved"])
    reported = [f"{packed} to pack"]
    if bare:
        reported.append(f"{bare} as they stand")
    if unsolved:
        reported.append(f"{unsolved} not served")
    return ", ".join(reported)


def gap_words(answer: Json) -> str:
    """How good the plan is, in a sentence."""
    stopped = "Stopped: this is the best so far. " if answer["stopped"] else ""
    if answer["status"] == "impossible":
        return f"{stopped}No post that needs packs can be served from this box."
    if answer["gap"] <= 0 and answer["status"] == "proven" and not stopped:
        return "There is no better way to share out this box."
    left_out = " and ".join(LEFT_OUT[word] for word in answer.get("bound_without", ()))
    but = left_out and f"but for {left_out}"
    if answer["gap"] >= 1.0:
        return f"{stopped}A plan; how much a better one could save isn't known."
    gap: float = answer["gap_served" if "gap_served" in answer else "gap"]
    better = "one that serves as many posts" if answer.get("unsolved") else "a better one"
    if more := answer.get("more_to_serve"):
        better = f"a better one could serve {'one more post' if more == 1 else f'{more} more posts'}"
    elif gap < AS_GOOD:
        return f"{stopped}As good as any way to share out this box, {but or 'near enough'}."
    else:
        better += f" could save {shown.share(gap)} of the work"
    return f"{stopped}A good plan; {but and f'{but}, '}{better} at most."


NOT_PLANNED = (
    "ALTERNATIVES, NO CUT SHEET: these answers were given one by one, so what they cut was not fitted "
    "together. One sheet for all comes from"
)


def plan_lines(answer: Json, words: Words, *, plans: str = "") -> list[Line]:
    """Posts not served first, then the pack labels and the cut sheet.

    plans: what plans the run here; empty: the command.
    """
    why = answer.get("why", {})
    lines: list[Line] = [
        (f"{name}  NOT SERVED: {words.sentence(why.get(name) or 'no pack can do it')}", "strong")
        for name in answer["unsolved"]
    ]
    lines += buy_lines(answer, words)
    lines += label_lines(answer, words)
    bare = [post["id"] for post in answer["posts"] if not post["packs"]]
    if bare:
        lines.append((f"As they stand, only to be tightened: {', '.join(bare)}", ""))
    if cuts := cut_lines(answer, words):
        lines += [("", ""), *cuts]
    if answer.get("alternatives"):  # what each answer that was not planned with others takes by itself
        plans = plans or f"shimfit plan {answer['job']}/{answer['run']}"
        lines += [("", ""), (f"{NOT_PLANNED}: {plans}", "strong")]
    for one in answer.get("alternatives", ()):
        cuts = cut_lines({**one, "unsolved": [], "unsawn": []}, words)[1:]
        lines.append((f"post {one['post']} by itself{'' if cuts else ': flats only'}", "label"))
        lines += [(f"  {text}", role) for text, role in cuts]
    return lines


def buy_lines(answer: Json, words: Words) -> list[Line]:
    """What to buy or cut for the posts that are not served."""
    buy = answer.get("buy")
    if not buy:
        return []
    posts = f"post{'s' * (len(buy['serves']) > 1)} {', '.join(buy['serves'])}"
    lines: list[Line] = [(f"To buy or cut, to serve {posts}, then plan again:", "strong")]
    for line in buy["lines"]:
        what, stock = bought_words(line, words.units)
        lines.append((f"  {line['count']:>3} × {what}{f'; {stock}' * bool(stock)}", ""))
    return [*lines, ("", "")]


def bought_words(line: Json, units: Units) -> tuple[str, str]:
    """What it is that a line of a list to buy or cut names, and how much stock all of it takes, if sawn."""
    sizes = {name: mm for name, mm in line["lot"].items() if name.endswith("_mm")}
    lot, length_mm = Lot(line["lot"]["lot"], line["lot"]["form"], line["count"], **sizes), line["stock_mm"]
    stock = "" if length_mm is None else f"{shown.distance(length_mm, units)} of stock with the cuts"
    return f"{lot.form}, {lot_size(lot, units)}", stock


def label_lines(answer: Json, words: Words) -> list[Line]:
    """A block a post, a label for each of its packs: direction, seat, thickness, and what it is made of."""
    lines: list[Line] = []
    for post in answer["posts"]:
        packs = in_order(read(tuple[Pack, ...], post["packs"]))
        if packs:
            chance = read(Chance | None, post.get("odds"))
            likely = "" if chance is None else f"  {odds_briefly(chance).lower()}"
            lines.append((f"post {post['id']}{likely}", "strong"))
        for pack in packs:
            sign, thick = words.glyphs.seats[pack.seat], words.thick(pack.made_mm)
            lines.append((f"  {sign} {words.seat(pack.seat)}  {thick}: {words.pieces(pack)}", ""))
    return [("PACK LABELS", "label"), *lines] if lines else []


def cut_lines(answer: Json, words: Words) -> list[Line]:
    """The cut sheet: saw settings, marks along each strip in cutting order, tapers, what goes back."""
    lines: list[Line] = []
    setting = None
    for cut in answer["cuts"]:
        if cut["saw_deg"] != setting:
            setting = cut["saw_deg"]
            lines.append(
                (f"Saw at {setting:g}°: trim the first end, turn the strip over after every cut.", "strong")
            )
        lines.append(
            (f"strip {piece_name(cut['strip'], cut.get('copy'))}: {words.length(cut['left_mm'])} left", "")
        )
        for piece in cut["pieces"]:
            # Marks add up to the wedges' thicknesses: half a millimetre would be a third of a wedge.
            mark, thick = words.thick(piece["mark_along_mm"]), words.thick(piece["thick_mm"])
            edges = f"{words.thick(piece['thin_mm'], unit=False)} to {thick}"
            lines.append((f"  {mark}  {goes_to(piece['for'], words)}, {edges}", ""))
    if answer["cuts"] or answer["tapers"]:
        lines += [(text, "strong") for text in cautions_of("sawing" if answer["cuts"] else "tips")]
    for taper in answer["tapers"]:
        tip = words.tip(taper["trim_tip_mm"] or 0.0)
        mark = f"{words.length(taper['mark_mm'])}{f', tip cut off {tip}' if tip else ''}"
        which = piece_name(taper["lot"], taper["copy"])
        lines.append((f"taper {which}: mark {mark}  {goes_to(taper['for'], words)}", ""))
    for lot in answer["remainders"]:
        long = words.length(lot.get("length_mm", 0))
        lines.append((f"back to the box: {remainder(lot, words.length)}, {lot['form']}, {long} long", ""))
    # Strips left whole are worth a word where something is sawn or a post is left out.
    for row in answer["unsawn"] if answer["cuts"] or answer["unsolved"] else ():
        lines.append((f"not sawn: {row['strip']}, {words.sentence(row['why'] or 'no pack can do it')}", ""))
    return [("CUT SHEET", "label"), *lines] if lines else []


def remainder(row: Mapping[str, Any], size: Callable[[float], str]) -> str:
    """What to pencil on a remainder, true whatever is packed first: `rest of T1 no. 2 from 120 mm`.

    row: a lot of the plan's `remainders`. Its name is the box's only once the packs are logged, in their
    order; what it was cut from and where it begins are the same in every order.
    """
    parent = row.get("cut_from")
    if not parent:
        return str(row["lot"])
    return f"rest of {parent['lot']} no. {parent['copy']} from {size(float(parent['start_mm']))}"


def goes_to(what: str, words: Words) -> str:
    """`7/next-out` in the run's own names: `post 7 NEXT-OUT`."""
    post, _, seat = what.rpartition("/")
    return f"post {post} {words.seat(Seat(seat)).rpartition(' ')[0]}"

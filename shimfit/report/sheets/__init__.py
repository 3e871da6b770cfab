"""Cut sheet and pack labels of a plan on paper: what to set the saw to, where to cut, what goes where.

Works on the plan's answer in the contract's form (`cuts`, `posts`, `remainders`, `unsolved`); all its lengths
are millimetres, `saw_deg` is what the saw is set to (half the wedge's angle), `mark_along_mm` runs along the
strip's centre line from its first end to the near side of the cut that ends the piece.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from shimfit.contract import pack_from_json
from shimfit.model import Face
from shimfit.report.record import PLAIN_FACES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.model import Foot
    from shimfit.standing import RunState, Units


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What the sheet's heading needs besides the plan."""

    job: str
    run: str
    units: Units = "mm"
    faces: Mapping[Face, str] = field(default_factory=lambda: dict(PLAIN_FACES))
    """What the run calls its faces."""
    feet: Mapping[str, Foot] = field(default_factory=dict)
    """Foot of each post by name, for the labels' small plans; 90 x 90 mm where it is not told."""
    made: str | None = None
    """When the plan was made (ISO 8601)."""
    sample: bool = False
    graduation: int = 16
    """Marks of the tape to the inch."""


def facts_of(run: RunState, made: str | None, graduation: int = 16) -> SheetFacts:
    """The heading of a run's sheet: its names, unit, faces and feet. made: ISO 8601."""
    own = {Face(face): name for face, name in run.face_names}
    return SheetFacts(
        job=run.job,
        run=run.name,
        units=run.units,
        faces={**PLAIN_FACES, **own},
        feet={post.name: post.foot for post in run.posts},
        made=made,
        sample=run.sample,
        graduation=graduation,
    )


def cut_sheet_pdf(plan: Mapping[str, Any], facts: SheetFacts, *, paper: str = "a4") -> bytes:
    """Cut sheet, then the pack labels on pages of their own. Same plan, same bytes.

    Raises UsageError for a paper that is not known.
    """
    from shimfit.report.pdf.page import Sheet, paper_named
    from shimfit.report.sheets.cutting import CutSheet
    from shimfit.report.sheets.labels import draw_labels

    packs = [(str(post["id"]), pack_from_json(pack)) for post in plan["posts"] for pack in post["packs"]]
    title = f"Cut sheet {facts.job}/{facts.run}"
    with Sheet(
        paper_named(paper), title=title, subject="Cut sheet and pack labels", made=facts.made
    ) as sheet:
        document = CutSheet(sheet, facts)
        document.draw(plan, packs)
        if packs:
            draw_labels(sheet, facts, packs)
        document.footers()
        return sheet.finished()

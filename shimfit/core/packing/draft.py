"""What a layout hands back before it is an answer: packs with their proof, and words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.model import Prescription

if TYPE_CHECKING:
    from shimfit.core.packing.makeup import Build
    from shimfit.core.packing.question import Question
    from shimfit.model import Chance, Cost, LayoutName, Pack, Resting, Status


@dataclass(frozen=True, slots=True)
class Draft:
    """Packs that one layout came to."""

    layout: LayoutName
    packs: tuple[Pack, ...]
    resting: Resting
    status: Status
    cost: Cost
    bound: float
    """No answer of this layout is cheaper."""
    why: str | None = None
    cautions: tuple[str, ...] = ()
    saw_settings_deg: tuple[float, ...] = ()
    builds: tuple[Build, ...] = ()
    """The packs before their pieces were named."""
    bearing: float = 0.0
    """Cost of the bearing mismatch of all packs."""
    chance: Chance | None = None

    def prescription(self, question: Question) -> Prescription:
        """The answer to what was asked."""
        return Prescription(
            post=question.foot,
            height_mm=question.height_mm,
            lean=question.lean,
            tolerance=question.tolerance,
            packs=self.packs,
            resting=self.resting,
            within=question.stands(self.resting),
            status=self.status,
            layout=self.layout,
            why=self.why,
            cost=self.cost,
            cautions=self.cautions,
            saw_settings_deg=self.saw_settings_deg,
            chance=self.chance,
        )

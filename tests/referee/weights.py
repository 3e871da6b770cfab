"""Prices in plain weights, tenths of a piece, in place of minutes: linear, so that a compact integer program
can state them too, and cases worked by hand hold. A round has none: what is left over only has to be allowed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

from shimfit.core.packing.options import Costs, Options


@dataclass(frozen=True, slots=True)
class Weights:
    """What a prescription costs."""

    unsolved: float = 5000.0
    """A post that gets no packs: more than any packs can cost, so that none is left out to save stock."""
    new_material: float = 1000.0
    """The whole of a bought piece. Scrap is free, so scrap is used wherever it does the job."""
    new_flat_share: float = 0.03
    """Share of `new_material` that one bought flat stands for: flats come by the bag."""
    new_taper_share: float = 0.10
    """Share that one stretch of a bought taper stands for: the rest of it goes back to the box."""
    new_strip_share: float = 1.0
    """Share that a whole bought strip stands for; a wedge takes its part of the strip's length."""
    piece: float = 10.0
    """One thing to find, carry and slide in; each joint adds an error of its own (check value 8.6)."""
    cut: float = 5.0
    """One cut, of a taper or of a wedge: less than a piece, so that one cut beats one more flat."""
    saw_set_up: float = 20.0
    """Setting the blade to another angle: worth two pieces; free when the saw stands there already."""
    lift: float = 60.0
    """Lifting a whole foot off the bed on four packs, beside its pieces: as much as six pieces."""


@dataclass(frozen=True, slots=True)
class InWeights(Options):
    """Options whose packs are chosen by weights."""

    weights: Weights = field(default_factory=Weights)
    inside_mm: float = 32.0
    """All of the bearing length: one was all that there was."""

    @property
    def costs(self) -> Costs:
        """What packs are chosen by."""
        w = self.weights
        return Costs(
            unsolved=w.unsolved,
            piece=w.piece,
            cut=w.cut,
            tip_cut=0.0,
            saw_set_up=w.saw_set_up,
            change=w.cut,
            lift=w.lift,
            lift_per_mm=0.0,
            new_flat=w.new_material * w.new_flat_share,
            new_taper=w.new_material * w.new_taper_share,
            new_strip_per_mm=None,
            new_strip=w.new_material * w.new_strip_share,
            thick_per_mm=0.0,
            round=0.0,
            one=1.0,
        )

    def without_set_ups(self) -> InWeights:
        """The same with set-ups of the saw that cost nothing."""
        return replace(self, weights=replace(self.weights, saw_set_up=0.0))


def in_weights(options: Options) -> InWeights:
    """The same options in the usual weights."""
    return InWeights(**{one.name: getattr(options, one.name) for one in fields(options)})


def weights_of(options: Options) -> Weights:
    """The weights of options that are in them, the usual ones else."""
    return options.weights if isinstance(options, InWeights) else Weights()

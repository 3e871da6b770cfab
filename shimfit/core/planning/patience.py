"""How long a planning session may go on, and who is told how it stands."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True, slots=True)
class Patience:
    """The end of the time, the caller's word to stop, and the caller's ear."""

    until: float
    """On `clock`, seconds."""
    clock: Callable[[], float]
    stop: Callable[[], bool] | None = None
    progress: Callable[[float, float | None], None] | None = None
    """Gets (bound, best plan's cost or None)."""
    quick: bool = False
    """Work is counted, not timed: few rounds and nodes, and the same answer on any machine."""

    @property
    def seconds_left(self) -> float:
        """Negative when the time is up."""
        return self.until - self.clock()

    def called_off(self) -> bool:
        """True once the caller said stop."""
        return self.stop is not None and self.stop()

    def at_an_end(self) -> bool:
        """True once the time is up or the caller said stop."""
        return self.clock() >= self.until or self.called_off()

    def part(self, share: float) -> Patience:
        """The same, for the first `share` of the time that is left."""
        return replace(self, until=self.clock() + share * max(0.0, self.seconds_left))

    def tell(self, bound: float, best: float | None) -> None:
        """Say how it stands, to whoever listens."""
        if self.progress is not None:
            self.progress(bound, best)

"""The terminal program as a whole: `program` starts and leaves, `pages` come to the front, `doing` acts.

`rehearsal` tries it all without a person.
"""

from shimfit.tui.app.program import ShimfitApp

__all__ = ["ShimfitApp"]

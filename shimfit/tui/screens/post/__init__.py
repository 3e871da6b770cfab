"""The home screen: one post, read, packed and read again.

`sight` is what there is to see of the post now, `room` how many rows each part gets, `drawing` draws it, and
`wide` in the `side` column where there is room; `taps` is what the foot and the pad offer, `screen` puts them
together.
"""

from __future__ import annotations

from shimfit.tui.screens.post.screen import PostScreen

__all__ = ["PostScreen"]

"""One open data file and everything that can be done on it, by screen or by command.

    with Site.open(path) as site:
        logged = site.log_reading(Place("lakeside", "boardwalk", "7"), "6n 10h")
        logged.prescription

A method that logs returns only when the event is on disk. What can't be done is raised as a ShimfitError
whose message is ready to be shown; nothing is half done.

Rooms: `opened` the file, what it holds and where one stands; `keeping` jobs, runs, posts, stock and settings;
`work` what is typed and done at a post, and the whole Site.
"""

from __future__ import annotations

from shimfit.workflow.site.work import Site

__all__ = ["Site"]

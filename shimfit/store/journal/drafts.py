"""An event about to be logged: its scope made complete, refused where it could not be read back."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.errors import InternalError
from shimfit.store import rows
from shimfit.store.shapes import is_whole, wrong_with
from shimfit.store.steps import UNDONE

if TYPE_CHECKING:
    import sqlite3

    from shimfit.store.events import Draft


def completed(draft: Draft, db: sqlite3.Connection) -> Draft:
    """Draft with the scope that its data names; an `undone` names the whole step, whatever event it named.

    Raises InternalError when the data is not what its kind must hold: a program error, never a typing error.
    """
    if draft.kind == "job-added" and draft.job is None:
        draft = replace(draft, job=draft.data.get("name"))
    if draft.kind == "post-added" and draft.post is None:
        draft = replace(draft, post=draft.data.get("name"))
    wrong = wrong_with(draft.kind, draft.data, draft.job, draft.run, draft.post)
    if wrong is None and not all(map(is_whole, (draft.job, draft.run, draft.post, draft.by))):
        wrong = f"{draft.kind}: a name holds broken characters"
    if wrong is None and draft.kind == UNDONE:
        named = rows.by_id(db, draft.data["of"])
        if named is None:
            wrong = f"undone: there is no event {draft.data['of']}"
        else:
            draft = replace(draft, data={**draft.data, "of": named.step})
    if wrong:
        raise InternalError(f"this can't be logged: {wrong}")
    return draft

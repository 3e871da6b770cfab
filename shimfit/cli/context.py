"""What commands that use the data file share: opening it, and the options that come with it."""

from __future__ import annotations

import argparse
import contextlib
from typing import TYPE_CHECKING, Any

from shimfit import settings
from shimfit.errors import FileError, UsageError
from shimfit.outputs import check

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from shimfit.cli.io import Io
    from shimfit.outputs import Kind
    from shimfit.workflow.site import Site


RUN = "JOB/RUN"
"""How help calls the place of a run."""


def open_site(
    args: argparse.Namespace, io: Io, *, read_only: bool = False, makes: bool = False, hold: bool = True
) -> Site:
    """The data file of --db, SHIMFIT_DB or the user's folder, kept from other writers until it is closed.

    makes: the command begins something, so a file that is not there is made; a mistyped name makes none.
    hold: False where the command works for long, or lets others log meanwhile. Raises FileError.
    """
    from shimfit.workflow.site import Site

    options: dict[str, Any] = {
        name: getattr(args, name)
        for name in ("units", "theme", "ascii", "sensor", "by")
        if hasattr(args, name)
    }
    file = settings.data_file(args.db)
    if not file.exists() and not makes and (args.db or not read_only):
        raise FileError(
            f"there is no data file {file}: `shimfit job new NAME` begins one, or `shimfit demo`",
            path=str(file),
        )
    site = Site.open(file, read_only=read_only, hold=hold and not read_only, empty_ok=True, options=options)
    if not read_only:
        _back_up(site, io)
    return site


def _back_up(site: Site, io: Io) -> None:
    """The backup on a timer: said when it is written; one that can't be written stops nothing."""
    try:
        file = site.back_up()
    except FileError as error:
        io.talk(f"shimfit: no backup was written: {error.message}")
        return
    if file is not None:
        io.talk(f"shimfit: backup written to {file}")


def answered_again(site: Site, io: Io, job: str | None = None) -> list[str]:
    """Posts (of one job, or all) whose answer is another one now: said, and given back."""
    from shimfit.workflow.reading import answer_missing

    served = [str(place) for place in answer_missing(site, job)]
    if served:
        io.talk(f"there is a new answer for {', '.join(served)}")
    return served


def add_force(parser: argparse.ArgumentParser) -> None:
    """Add `--force`, the option of every command that writes a file."""
    parser.add_argument(
        "--force", action="store_true", help="replace a file of another kind (never a data file)"
    )


def once_called(parser: argparse.ArgumentParser, name: str, dest: str, **how: Any) -> None:
    """An option's earlier name: still understood, no longer told."""
    parser.add_argument(name, dest=dest, help=argparse.SUPPRESS, default=argparse.SUPPRESS, **how)


def check_output(args: argparse.Namespace, name: str | None, kind: Kind) -> None:
    """Refuse a file that can't be written over before the work that ends in it; None is no file."""
    if name is not None:
        check(name, kind, keep=[settings.data_file(args.db)], force=args.force)


def file_exists(args: argparse.Namespace) -> bool:
    """True when the data file is there: what only looks then opens it read only, else it is made."""
    return settings.data_file(args.db).exists()


def units_of(args: argparse.Namespace, io: Io) -> settings.Units:
    """What a bare number means: --units, SHIMFIT_UNITS, the stored setting of a data file, else mm."""
    given: settings.Units | None = getattr(args, "units", None)
    if given is not None:
        return given
    if file_exists(args):
        with open_site(args, io, read_only=True) as site:
            return site.settings.units
    return settings.load({}).units


def lengths_in(units: settings.Units) -> Callable[[str], float]:
    """What turns a typed length into mm; `units`: what a bare number is in, the run's as in its readings."""
    from shimfit.entry import parse_length

    return lambda text: parse_length(text, units, zero_ok=True)


@contextlib.contextmanager
def told_in(units: settings.Units) -> Iterator[None]:
    """What the core refuses in millimetres is refused in the run's unit."""
    from shimfit.quantities import shown

    try:
        yield
    except UsageError as error:
        error.message = shown.sentence(error.message, units)
        error.args = (error.message,)
        raise

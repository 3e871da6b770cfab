"""Commands at one post of a run: read, pack, tighten, trim, skip, note, photo, undo, redo."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from inspect import signature
from itertools import chain
from pathlib import Path
from typing import Any

from shimfit.cli.io import Args, Io, answered_again, counted_wrong, open_site
from shimfit.cli.plan import answer_json, post_lines
from shimfit.codec import to_json
from shimfit.entry import EntrySettings, parse_reading
from shimfit.errors import Exit, InstrumentError, UsageError
from shimfit.model import PLANNED
from shimfit.quantities import shown
from shimfit.quantities.typed import to_torque_nm
from shimfit.standing import standing_json
from shimfit.workflow.packs import as_told, parse_face, parse_feelers, parse_packs
from shimfit.workflow.reading import (
    Asked,
    Logged,
    answer_now,
    log_packs,
    log_photo,
    log_reading,
    log_sensor_reading,
    log_tightened,
    log_turned,
)
from shimfit.workflow.site import Place, Site, parse_place, parse_run

MOST_TORQUE_NM = 500.0
"""Above this it is asked about: rods of guard posts take a fraction of it (common practice, no source)."""


def run_read(args: Args, io: Io) -> int:
    """Log a reading; 1 when a verifying reading is over tolerance or no pack can do it."""
    if args.table is not None:
        return _read_table(args, io)
    if args.listen is not None:
        return _read_held(args, io)
    if args.entry is None:
        raise UsageError('what was read? like: shimfit read lakeside/boardwalk/7 "6mm n 10mm h"')
    with open_site(args, io) as site:
        place = parse_place(args.place)
        if args.instrument and site.box().instrument(args.instrument) is None:
            enter = f"`shimfit instrument add {args.instrument} …`"
            io.talk(f"{args.instrument} is not entered: the accuracy of a usual level counts ({enter})")
        typed = site.entry_settings(site.run(place.job, place.run))
        asked = _asked(args, typed)
        words = getattr(site.echo(place, args.entry), "words", "")
        if args.mid is not None:  # refused before anything is logged: a line is taken whole or not at all
            parse_reading(args.mid, typed)
        if args.turned is not None:
            logged = log_turned(site, place, args.entry, args.turned, asked, sure=args.sure)
        else:
            logged = log_reading(site, place, args.entry, asked, sure=args.sure)
        if args.mid is not None:
            half = Asked(mid=True, instrument=args.instrument, by=args.by)
            bowed = log_reading(site, place, args.mid, half, sure=True).message
            logged = replace(logged, message=f"{logged.message}; {bowed}")
        return _report_reading(site, logged, args.entry, words, io)


def _asked(args: Args, typed: EntrySettings) -> Asked:
    """What kind of reading it is, as its options say."""
    return Asked(
        bed=args.bed,
        after=args.after,
        rails_on=args.rails_on,
        again=args.again,
        rocks=parse_feelers(args.rocks, typed.units, typed.faces),
        instrument=args.instrument,
        by=args.by,
        face=None if args.face is None else parse_face(args.face, typed.faces),
    )


def _report_reading(site: Site, logged: Logged, entry: str, words: str, io: Io) -> int:
    """Say what was logged and what is to be done; 1 when it is over tolerance or no pack can do it."""
    place = logged.place
    run = as_told(site, site.run(place.job, place.run))
    post = run.post(place.post)
    assert post is not None
    data: dict[str, Any] = {
        "place": str(place),
        "entry": entry,
        "understood": words,
        **standing_json(logged.post),
        "message": logged.message,
    }
    if io.as_json:
        data["reading"] = to_json(logged.reading)
        data["answer"] = post.answer and answer_json(post.answer, entry, words)
    lines = post_lines(run, post, site.settings)
    to_buy = post.next_step == "no pack" and not post.packs_in_place
    plan = f"shimfit plan {shlex.quote(f'{place.job}/{place.run}')} says what to buy or to cut"
    io.tell(chain((f"{place}: {words}", logged.message), lines, [plan] * to_buy), data)
    return Exit.OVER if _is_over(logged) else Exit.DONE


HELD_S = 60.0
"""How long `read --listen` waits: 4 s on a still post, 15 where the sensor remembers, and time to settle."""


def _read_held(args: Args, io: Io) -> int:
    """Wait until the inclinometer holds a reading, and log it as the screen's Space does."""
    from shimfit.cli.sensor import sensor_line, watch_until
    from shimfit.workflow.sensor import inclinometer_of, is_over, opened, reading_of

    with open_site(args, io, hold=False) as site:
        place = parse_place(args.place)
        asked = _asked(args, site.entry_settings(site.run(place.job, place.run)))
        height_mm = site.post(place).height_mm
        sensor = inclinometer_of(site, None if args.listen == "sensor" else args.listen)
        if sensor is None:
            raise UsageError("the settings name no sensor: `shimfit settings sensor PORT`, or --listen PORT")
        with opened(sensor):
            last = watch_until(sensor, is_over, args.seconds or HELD_S, io, io.talk)
        if last.taken is None:
            raise InstrumentError(f"no reading was held, nothing is logged: {sensor_line(last)}")
        if last.zero_words and last.zero_found:
            io.talk(last.zero_words)
        logged = log_sensor_reading(site, place, reading_of(last.taken, height_mm), asked, sure=args.sure)
        return _report_reading(site, logged, last.taken.text, f"inclinometer, {last.taken.text}", io)


def _read_table(args: Args, io: Io) -> int:
    """Log a table of readings, all of it or nothing."""
    from shimfit.workflow.tables import log_readings

    text, called = io.text_of(args.table)
    with open_site(args, io) as site:
        job, run = parse_run(args.place)
        logged = log_readings(site, job, run, text, called, sure=args.sure)
    rows = [{"post": one.place.post, "state": str(one.post.state), "message": one.message} for one in logged]
    lines = [f"{one.place}: {one.message}" for one in logged] or [f"{called} holds no reading"]
    planned = (one.place for one in logged if one.post.answer and one.post.answer.why == PLANNED)
    if given := len(set(planned)):  # a post may stand in several lines
        lines.append(f"{shown.counted(given, 'post')} of these get packs; one plan shares the box out")
    io.tell(lines, {"readings": rows, "shared_out": given})
    return Exit.OVER if any(map(_is_over, logged)) else Exit.DONE


def _is_over(logged: Logged) -> bool:
    """A verifying reading is over tolerance, or no pack can do it."""
    return logged.post.decision == "out" or logged.post.is_stuck


def run_pack(args: Args, io: Io) -> int:
    """Log what went in."""

    def packed(site: Site, place: Place) -> str:
        if not args.packs:
            return log_packs(site, place)
        post = site.post(place)
        lean = post.reading.lean if post.reading else None
        run = site.run(place.job, place.run)
        names, lots = dict(run.face_names), site.box().lots
        packs = parse_packs(args.packs, post.foot, lean, lots, run.units, faces=names)
        before, logged = counted_wrong(site, run.units), log_packs(site, place, packs)
        for caution in counted_wrong(site, run.units):
            if caution not in before:
                io.talk(caution)
        answered_again(site, io)  # other posts may have waited for these pieces
        return logged

    return _at_post(args, io, packed)


def run_tighten(args: Args, io: Io) -> int:
    """Log that the nut was tightened."""
    torque_nm = None
    if args.torque is not None:
        torque_nm = to_torque_nm(args.torque)

    def tightened(site: Site, place: Place) -> str:
        if torque_nm is not None and torque_nm > MOST_TORQUE_NM:
            size = shown.torque(torque_nm, site.run(place.job, place.run).units)
            io.talk(f"caution: {size} is more than a post's rod takes: a wrong unit?")
        return log_tightened(site, place, torque_nm)

    return _at_post(args, io, tightened)


def at_post(args: Args, io: Io) -> int:
    """The step that the page of commands names behind this: a function of `workflow`."""
    room, _, function = args.command.run.split()[1].partition(".")
    step: Callable[..., str] = getattr(import_module(f"shimfit.workflow.{room}"), function)
    options = [name for name in signature(step).parameters if name not in ("site", "place")]
    return _at_post(args, io, lambda site, place: step(site, place, *(getattr(args, one) for one in options)))


def _at_post(args: Args, io: Io, step: Callable[[Site, Place], str]) -> int:
    with open_site(args, io) as site:
        place = parse_place(args.place)
        return _done(site, place, step(site, place), io)


def run_photo(args: Args, io: Io) -> int:
    """Name a photo's file at a post."""
    if not Path(args.text).exists():
        io.talk(f"caution: there is no file {args.text} here; its name is kept all the same")
    return _at_post(args, io, lambda site, place: log_photo(site, place, args.text))


def undo_or_redo(args: Args, io: Io) -> int:
    """Take back the last step, or bring back what was taken back; said with how its post stands."""
    with open_site(args, io) as site:
        if args.job is not None:
            job = None if args.job == "box" else args.job
        elif here := site.last_place():
            job = here.job
        else:
            raise UsageError("there is no job yet")
        try:
            words = getattr(site, args.command.name)(job)
        except UsageError:
            # Only then the name may be wrong: a new job that was taken back can be brought back.
            if job is not None:
                site.journal.job(job)
            raise
        last = site.journal.last(job, "undone")
        if last is None or last.job is None or last.run is None or last.post is None:
            answered_again(site, io, job)
            return _done(site, None, words, io)
        place = Place(last.job, last.run, last.post)
        if site.run(place.job, place.run).post(place.post) is not None:
            answer_now(site, place)
        answered_again(site, io)  # others may have waited for what is in the box again, or is not
        return _done(site, place, words, io)


def _done(site: Site, place: Place | None, words: str, io: Io) -> int:
    """Say what was logged; under --json with how the post stands after it (null where no post is meant)."""
    data: dict[str, Any] = {"message": words, "place": None, "post": None, "state": None}
    if place is not None:
        post = site.run(place.job, place.run).post(place.post)
        data |= {"place": str(place), "post": place.post} | (standing_json(post) if post else {})
    return io.tell(words, data)

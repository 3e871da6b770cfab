"""What is done at a post: read, packed, tightened, trimmed, skipped, noted. Each is an event on disk.

The reading is logged first, by itself: a crash while the answer is worked out loses nothing, and `answer_now`
works it out again. A reading after a prescription says by itself that the packs went in as prescribed and
that the nut was tightened; the pieces leave the box in the same step as the reading is logged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from shimfit.codec import prescription_to_json, to_json
from shimfit.core.cautions import cautions_of
from shimfit.core.lean import bow_words
from shimfit.core.uncertainty.decision import ZERO_NOT_FOUND
from shimfit.entry import Understood, parse_reading
from shimfit.errors import EntryError, UsageError
from shimfit.model import TURNED, Face, Pack, PostState, Prescription, Reading, Seat, Stage
from shimfit.quantities import shown
from shimfit.standing import PostRecord, one_lean
from shimfit.store.events import Draft
from shimfit.store.post import completed
from shimfit.text.phrases import sentence
from shimfit.values import dataclass
from shimfit.workflow.packs import (
    asks_again,
    here,
    implied_packing,
    moving,
    observation,
    over_promised,
    wants_any,
    what_was_done,
)
from shimfit.workflow.site import Place, Site, in_one_turn


@dataclass(frozen=True, slots=True)
class Asked:
    """What may be said beside a reading; the plain case says nothing."""

    bed: bool = False
    """The level lay on the bed at the mark: its fall is the lean that a square-cut post will have."""
    after: bool = False
    """Say that this is a verifying reading although nothing was prescribed (the post stood plumb at once)."""
    rails_on: bool = False
    again: bool = False
    """The packs that were asked for are not in yet: read once more as it stands, and the mean counts."""
    mid: bool = False
    """Read at half height, to see whether the post is bowed; never packed for."""
    rocks: tuple[tuple[Seat, float], ...] = ()
    """Corners that do not touch, with the feeler thickness in mm."""
    instrument: str | None = None
    by: str | None = None
    face: str | None = None
    answer_later: bool = False
    """Log only: the answer is asked for afterwards, with `answer_now`."""

    @property
    def is_of_its_own(self) -> bool:
        """Said to be another reading than the one before: not held against that, and no repeat of it."""
        return self.bed or self.mid or self.after or self.rails_on


PLAIN = Asked()

# ---------------------------------------------------------------- is it so?

FAR: Final = 0.004
"""A change of slope (4 mm per m) that tightening alone does not make. Common practice, no source."""
FAR_SHARE: Final = 0.5
"""… or half of the last reading when that is more."""
WORSE: Final = 0.002
"""After packing the lean gets smaller; a direction that grew by more than this is looked at again."""
FLIP: Final = 0.001
"""A lean under 1 mm per m has no side to speak of."""
AS_BEFORE: Final = "it stands as it did before the packs"
"""Packs were worked out, nobody said that they went in, and the top is where it was."""
UNLIKE: Final = "that is not what the packs would do"
"""The same, and it is neither where it was nor where they would bring it."""
_SIDES: Final = {"along": (Face.NEXT, Face.PREV), "across": (Face.OUT, Face.HOUSE)}
"""The side that a positive slope leans to, and the other."""


@dataclass(frozen=True, slots=True)
class Logged:
    """A reading that is on disk, and what follows from it."""

    place: Place
    reading: Reading
    post: PostRecord
    """The post as it stands now."""
    message: str
    """What was logged and what to do, in a sentence."""


def second_look(
    site: Site, place: Place, post: PostRecord, understood: Understood, asked: Asked = PLAIN
) -> str | None:
    """Why an entry wants a second Enter at this post: inboard, far from the last reading, sense flipped.

    `AS_BEFORE` or `UNLIKE` where it does not read as if the packs that were asked for had gone in.
    """
    if understood.second_look is not None or asked.bed:  # no post leans there: nothing to hold it against
        return understood.second_look
    of_the_top = (one for one in reversed(post.readings) if one.stage != "mid" and one.zero_found)
    last = next(of_the_top, None)
    now, repeat = typed_reading(site, place, post, understood, asked), None
    not_followed = packs_question(site, place, post, now, asked)
    if not_followed == AS_BEFORE:
        return AS_BEFORE
    undone = asked.again if post.implied else post.verdict is not None and post.counts is not None
    if last is not None and undone:
        same_instrument = now.instrument == last.instrument and last.method == "typed"
        # Where two contradict each other already, the third was asked for.
        repeat = now if same_instrument and not post.is_contradicted else None
    tightened = not post.packs_in_place and post.state is PostState.TIGHTEN
    return held_against(last, understood, post.height_mm, tightened=tightened, repeat=repeat) or not_followed


def held_against(
    last: Reading | None,
    understood: Understood,
    height_mm: float,
    *,
    tightened: bool,
    repeat: Reading | None = None,
) -> str | None:
    """Why an entry can hardly follow a post's last reading, in a sentence; None when it can, or is the first.

    tightened: since then only the nut was turned, no pack was moved. repeat: the entry as it would be logged,
    where nothing at all was done: then the two can differ by their own uncertainty and by no more. Slopes are
    compared, so the length that they were read over may differ.
    """
    now = understood.slopes(height_mm)
    before = (None, None) if last is None else (last.slope_along, last.slope_across)
    for old, new, way in zip(before, now, _SIDES, strict=True):
        if last is None or old is None or new is None:
            continue
        flipped = new * old < 0 and min(abs(new), abs(old)) > FLIP
        if repeat is not None:
            if one_lean(last, repeat, (way,)):
                continue
            meanwhile = ", nothing was done since, and now"
        elif tightened and (flipped or abs(new - old) > max(FAR, FAR_SHARE * abs(old))):
            meanwhile = ", only the nut was turned, and now"
        elif not tightened and abs(new) > abs(old) + max(WORSE, FAR_SHARE * abs(old)):
            meanwhile = " before packing and now"
        else:
            continue
        leaned, leans = (
            f"{shown.fine(slope * height_mm, understood.settings.units)} towards "
            + understood.settings.name(_SIDES[way][slope < 0])
            for slope in (old, new)
        )
        return f"it leaned {leaned}{meanwhile} {leans}? Enter again if so"
    return None


def packs_question(
    site: Site, place: Place, post: PostRecord, now: Reading, asked: Asked = PLAIN
) -> str | None:
    """What to ask where a reading, with the half that it completes, does not say that the packs went in.

    They are asked for, and nobody logged what was done: see `what_was_done`.
    """
    whole = None if asked.again or asked.is_of_its_own else completed(post.half, now)
    return None if whole is None else _QUESTIONS[what_was_done(site, place, post, whole)]


_QUESTIONS = {"as prescribed": None, "not packed": AS_BEFORE, "something else": UNLIKE}


def looks_like_a_slip(question: str, *, again: str = "--again") -> EntryError:
    """The refusal where nobody can press Enter twice: the same question, and how to say that it is so.

    again: what says that it is read once more, no pack in yet.
    """
    if question in (AS_BEFORE, UNLIKE):
        how = f"{again} where they are not in yet, --sure where they are in and the nut is tight"
        return EntryError(f"{question}: add {how}", at=0)
    if "Enter again" in question:
        return EntryError(question.replace("Enter again", "add --sure"), at=0)
    return EntryError(f"{question}: add --sure if it is so", at=0)


def check_again(post: PostRecord, now: Reading, asked: Asked, *, in_turn: bool = False) -> None:
    """Raise EntryError where the post can't be read once more as it stood.

    in_turn: another reading is logged before this one, and it is held against that then.
    """
    if asked.again and completed(post.half, now) is None:
        raise EntryError("read both ways where it is read once more", at=0)
    if in_turn or not asked.again:
        return
    # Packs that are still asked for: it was moved, and no more; it is read alone there, and they are not in.
    done = None if post.implied else post.changed
    why = f"{done} since it was read" if done else post.conflict
    if asked.is_of_its_own:
        why = "this one is said to be of the bed, at half height, after packing or with the rails on"
    elif post.stood is None:
        why = why or "nothing was read there yet"
    if why:
        raise EntryError(f"it can't be read once more as it stood: {why}", at=0)


def log_reading(site: Site, place: Place, text: str, asked: Asked = PLAIN, *, sure: bool = False) -> Logged:
    """Log what was typed, then answer it.

    EntryError (with the spot), nothing logged: when it is refused, or wants a second look and is not `sure`.
    """
    with site.journal.exclusively():  # what the reading says follows from how the post stands
        post = site.post(place)
        parsed = parse_reading(text, site.entry_settings(site.run(place.job, place.run)))
        if parsed.is_gauge_only:
            return _log_gauge(site, place, parsed)
        if question := None if sure or asked.mid else second_look(site, place, post, parsed, asked):
            raise looks_like_a_slip(question)
        reading = typed_reading(site, place, post, parsed, asked)
        _log(site, place, reading, asked, sure=True)
    return _answered(site, place, reading, asked)


def log_all(site: Site, readings: Sequence[tuple[Place, str, Asked]]) -> tuple[Logged, ...]:
    """Log readings that were understood, all of them before any is answered; they share the box out.

    EntryError, nothing logged, for one that `log_reading` refuses when it is sure; a program that is killed
    while they are logged leaves none of them behind.
    """
    later: list[Logged] = []
    with site.journal.all_or_none():
        for place, text, asked in readings:
            if not asked.again and any(one.place == place for one in later):
                answer_now(site, place)  # the packs that went in since are its answer's
            later.append(log_reading(site, place, text, replace(asked, answer_later=True), sure=True))
    answer_all(site, (place for place, *_ in readings))
    is_gauge = [one.reading.slope_along is None and one.reading.slope_across is None for one in later]
    return tuple(
        one if alone else _as_it_stands(site, one.place, one.reading)
        for one, alone in zip(later, is_gauge, strict=True)
    )


def log_sensor_reading(
    site: Site, place: Place, reading: Reading, asked: Asked = PLAIN, *, sure: bool = False
) -> Logged:
    """Log a reading that the inclinometer has taken (in the post's directions), then answer it.

    EntryError, nothing logged, when it does not read as if the packs had gone in and is not `sure`.
    """
    from shimfit.workflow.sensor import record_of

    with site.journal.exclusively():
        post, known = site.post(place), record_of(site)
        taken = replace(
            reading,
            stage=stage_of(post, asked),
            height_mm=post.height_mm,
            rocks=asked.rocks,
            instrument=asked.instrument or (None if known is None else known.name),
        )
        _log(site, place, taken, asked, sure=sure)
    return _answered(site, place, taken, asked)


def log_turned(
    site: Site, place: Place, first_text: str, second_text: str, asked: Asked, *, sure: bool = False
) -> Logged:
    """Log one reading from two faces: its lean is free of the instrument's zero, which is kept beside it.

    EntryError, nothing logged, when it does not read as if the packs had gone in and is not `sure`.
    """
    from shimfit.workflow.instruments import counted, keep_zero_of, named, reversal_of, with_zero

    with site.journal.exclusively():
        post = site.post(place)
        name = asked.instrument or site.settings.instrument
        if not name:
            raise UsageError(
                "name the instrument that was turned: --instrument NAME, or the setting instrument"
            )
        instrument = named(site, name)
        entry = site.entry_settings(site.run(place.job, place.run))
        first, second = (parse_reading(text, entry) for text in (first_text, second_text))
        found = reversal_of(instrument, first, second, post.height_mm)
        if found.suspicion == "not-turned":
            raise UsageError(f"{found.words} Nothing was logged.")
        one = counted(first, post.height_mm, with_zero(instrument, found.zero))
        reading = Reading(
            text=f"{first_text.strip()}{TURNED}{second_text.strip()}",
            slope_along=found.lean.slope_along,
            slope_across=found.lean.slope_across,
            height_mm=post.height_mm,
            stage=stage_of(post, asked),
            u_along=found.u_along,
            u_across=found.u_across,
            step_along=_half(one.step_along),
            step_across=_half(one.step_across),
            largest_term=one.largest_term,
            gauge_mm=first.over_mm,
            instrument=name,
            face=asked.face,
            rocks=asked.rocks,
        )
        _log(site, place, reading, asked, sure=sure)
        keep_zero_of(site, instrument, found.zero)
    return _answered(site, place, reading, asked)


def _half(step: float | None) -> float | None:
    """The mean of two readings falls on marks half as far apart."""
    return None if step is None else step / 2.0


def answer_now(site: Site, place: Place) -> Prescription | None:
    """Answer for how the post stands by its latest full reading; worked out and logged if it is missing.

    May run in a thread: where the post or the box has changed meanwhile, the answer is dropped and the post
    answered as it stands now.
    """

    def asked_of(post: PostRecord) -> tuple[object, ...]:
        """All of a post that its answer is worked out from."""
        made = (post.making, post.rule, post.tolerance, post.foot, post.height_mm)
        return (post.readings, post.packs_in_place, post.prescription, *made)

    while True:
        post, asks = site.post(place), here(site)
        if not asks_again(site, post):
            return post.answer
        from shimfit.workflow.solving import prescription_for

        answer = prescription_for(site, place, post)
        if answer is None or site.journal.read_only:
            return answer
        assert post.reading is not None
        with site.journal.exclusively():
            if asked_of(site.post(place)) == asked_of(post) and here(site) == asks:
                asked = asks.asked(post.making, post.rule, asks.own)
                data = {"answer": prescription_to_json(answer, entry=post.reading.text), "asked": asked}
                site.append(site.draft(place, "prescribed", data))
                return answer


SETTLED = (PostState.PLUMB, PostState.TOO_CLOSE, PostState.SKIPPED)
"""No answer is wanted there."""


def missing_answers(site: Site, job: str | None = None) -> list[Place]:
    """Posts in walking order whose answer is missing, or not one any more: what it rests on changed."""
    now, over = here(site), over_promised(site)
    return [
        place
        for place, post in site.every_post(job)
        if (post.state not in SETTLED and post.asks_again(now)) or wants_any(post, over)
    ]


def answer_all(site: Site, places: Iterable[Place], stop: Callable[[], bool] = bool) -> None:
    """Answer posts: those of a run that stand bare share the box out, the others one after the other."""
    from shimfit.workflow.plan import share_out

    runs: dict[tuple[str, str], dict[str, Place]] = {}
    for place in places:
        runs.setdefault((place.job, place.run), {})[place.post] = place
    for (job, run), posts in runs.items():
        if len(posts) > 1:
            share_out(site, job, run, posts)
        for place in posts.values():
            if stop():
                return
            answer_now(site, place)


def answer_missing(site: Site, job: str | None = None) -> tuple[list[Place], list[Place]]:
    """Answer every post that `missing_answers` names, at once.

    Returns those that can be worked on now, and those that could before and can't any more.
    """
    asked = [] if site.journal.read_only else missing_answers(site, job)
    before = {place: site.post(place) for place in asked}
    answer_all(site, asked)
    now = {place: site.post(place) for place in asked}
    anew = [place for place in asked if now[place].prescription_event != before[place].prescription_event]
    lost = [place for place in anew if now[place].is_stuck and before[place].awaited]
    return [place for place in anew if not now[place].is_stuck], lost


def stage_of(post: PostRecord, asked: Asked) -> Stage:
    """Stage of a reading that is taken now: as said, or as the post's state implies."""
    if asked.mid:
        return "mid"
    if asked.bed or asked.rails_on:
        return "bed" if asked.bed else "rails-on"
    if asked.again and (repeated := post.half or post.reading):  # of the bed, a post never repeats it
        return "stood" if repeated.stage == "bed" else repeated.stage
    # "No pack can do it" asks for nothing: the next reading is again of a post that stands bare.
    answered = post.prescription is not None and post.prescription.status in ("proven", "found")
    return "verify" if asked.after or answered or post.tightened or post.packs_in_place else "stood"


def typed_reading(site: Site, place: Place, post: PostRecord, parsed: Understood, asked: Asked) -> Reading:
    """The reading that an entry would be logged as."""
    from shimfit.workflow.instruments import counted, hand_of

    run = site.run(place.job, place.run)
    name = asked.instrument or site.settings.instrument or None
    # At half height the offset is that of the post's middle, read over half the height.
    reach_mm = post.height_mm / 2 if asked.mid else post.height_mm
    instrument = site.box().instrument(name) if name else None
    return replace(
        counted(parsed, reach_mm, instrument, hand_of(run, site.entry_settings(run))),
        stage=stage_of(post, asked),
        instrument=name,
        face=asked.face,
        rocks=asked.rocks,
    )


def _log(site: Site, place: Place, reading: Reading, asked: Asked, *, sure: bool) -> None:
    """Log a reading with what it says was done before it.

    EntryError, nothing logged, as `check_again`, and where it is not `sure`: for the question that it raises.
    """
    post = site.post(place)
    check_again(post, reading, asked)
    if not sure and (question := packs_question(site, place, post, reading, asked)):
        slip = looks_like_a_slip(question)
        if reading.method == "sensor":  # held for so long, and nobody has it written down
            slip = EntryError(f"{slip.message} (it read {reading.text})", at=0)
        raise slip
    by = asked.by or site.settings.by or None
    # Whether it says that the answer was followed is written down: later programs need not work it out.
    again = {"again": True} if asked.again else {}
    data = to_json(reading) | {"follows": post.implied is not None and not asked.again} | again
    drafts = [Draft("reading", data, place.job, place.run, place.post, by)]
    whole = completed(post.half, reading)
    if reading.stage == "bed":  # no post stands there: what was under it is back in the box
        drafts = [*moving(site, place, post.packs_in_place, ()), *drafts]
    elif reading.stage != "mid" and whole is not None and not asked.again:
        drafts = [*implied_packing(site, place, post), *observation(site, place, post, whole), *drafts]
    site.append(*drafts)


def _answered(site: Site, place: Place, reading: Reading, asked: Asked) -> Logged:
    if not (asked.answer_later or reading.stage == "mid"):
        answer_now(site, place)
    return _as_it_stands(site, place, site.post(place).readings[-1])


def _as_it_stands(site: Site, place: Place, reading: Reading) -> Logged:
    """What follows from a reading by now."""
    post, run = site.post(place), site.run(place.job, place.run)
    message = sentence(_message(reading, post, run.faces), run.faces, run.units)
    if not reading.zero_found and ZERO_NOT_FOUND not in message:
        message = f"{message}; {ZERO_NOT_FOUND}"
    return Logged(place, reading, post, message)


def _log_gauge(site: Site, place: Place, parsed: Understood) -> Logged:
    """`@4'` alone: offsets are read over that length from now on, in this run."""
    site.change_run(place.job, place.run, gauge_mm=parsed.gauge_mm)
    post, units = site.post(place), site.run(place.job, place.run).units
    over = "the reading height" if parsed.gauge_mm is None else shown.lean(parsed.gauge_mm, units)
    nothing = Reading(parsed.text.strip(), None, None, post.height_mm)
    return Logged(place, nothing, post, f"offsets are read over {over} from now on")


def _message(reading: Reading, post: PostRecord, faces: Mapping[Face, str]) -> str:
    """What was logged, and how the post stands by it."""
    if reading.stage == "mid":
        bow = post.bow
        return "logged at half height" + ("" if bow is None else f": {bow_words(bow, faces)}")
    if post.half is not None:
        missing = (Face.OUT, Face.HOUSE) if post.half.slope_across is None else (Face.NEXT, Face.PREV)
        return f"logged as half: {'/'.join(faces[face] for face in missing)} is still to be read"
    answer = post.answer
    if answer is not None and answer.status == "impossible":
        said = f"logged, no pack can do it: {post.why}"
    elif post.next_step == "tighten":
        said = "logged, within tolerance as it stands: tighten and read again"
    else:
        said = f"logged, {post.state}"
    if post.next_step == "turn level" and post.why:
        said = f"{said}: {post.why}"
    return "; ".join((said.rstrip(".") if post.said_of_readings else said, *post.said_of_readings))


# ---------------------------------------------------------------- what happens at a post besides


def log_packs(site: Site, place: Place, packs: Sequence[Pack] | None = None) -> str:
    """Log what went in: as prescribed (None), or these packs. Returns what was logged, in words."""
    if packs is None:
        answer_now(site, place)  # worked out by itself where it is missing: others may log meanwhile
    return _pack(site, place, packs)


@in_one_turn
def _pack(site: Site, place: Place, packs: Sequence[Pack] | None) -> str:
    post = site.post(place)
    as_prescribed = packs is None
    if packs is None:
        answer = post.answer
        if answer is None or answer.status == "impossible":
            why = "it stands plumb" if post.state is PostState.PLUMB else "read it first"
            if answer is not None and answer.why:
                run = site.run(place.job, place.run)
                why = f"{sentence(answer.why, run.faces, run.units).rstrip('.')}. Get more"
            raise UsageError(f"there is no prescription for post {place.post}: {why}, or say what went in")
        packs = answer.packs
    data = {
        "packs": [to_json(pack) for pack in packs],
        "as_prescribed": as_prescribed,
        "before": [to_json(pack) for pack in post.packs_in_place],
    }
    site.append(*moving(site, place, post.packs_in_place, packs), site.draft(place, "packed", data))
    many = shown.counted(len(packs), "pack")
    return "packed as prescribed" if as_prescribed else f"packed with {many} of your own"


def _log_done(site: Site, place: Place, kind: str, data: dict[str, Any]) -> None:
    """Log what was done at a post; if a prescription was open, it was packed as prescribed before."""
    post = site.post(place)
    draft = site.draft(place, kind, data | {"follows": post.implied is not None})
    site.append(*implied_packing(site, place, post), draft)


@in_one_turn
def log_tightened(site: Site, place: Place, torque_nm: float | None = None) -> str:
    """Log that the nut was tightened."""
    _log_done(site, place, "tightened", {"torque_nm": torque_nm})
    if torque_nm is None:
        return "tightened"
    return f"tightened to {shown.torque(torque_nm, site.run(place.job, place.run).units)}"


@in_one_turn
def log_trimmed(site: Site, place: Place) -> str:
    """Log that the packs were cut flush, as far as there are any; the verifying reading comes after it."""
    post = site.post(place)
    if not (post.packs_in_place or post.implied):
        raise UsageError(
            f"no packs are under post {place.post}, so none to cut flush: log what went in first "
            f"(shimfit pack {place})"
        )
    _log_done(site, place, "trimmed", {})
    return f"trimmed: read again, trimming can move a pack. {cautions_of('trim')[0]}"


@in_one_turn
def log_skipped(site: Site, place: Place, text: str) -> str:
    """Leave a post for later, and say why: the record must be able to."""
    if not text.strip():
        raise UsageError('why is it skipped? like: shimfit skip lakeside/boardwalk/3 "no rod yet"')
    site.post(place)
    site.append(site.draft(place, "skipped", {"why": text}))
    return "skipped"


@in_one_turn
def log_note(site: Site, place: Place, text: str) -> str:
    """Leave a sentence at a post."""
    if not text.strip():
        raise UsageError('what is to be noted? like: shimfit note lakeside/boardwalk/7 "knot in it"')
    site.post(place)
    site.append(site.draft(place, "noted", {"text": text}))
    return "noted"


@in_one_turn
def log_photo(site: Site, place: Place, file: str) -> str:
    """Name a photo's file at a post; the file itself stays where it is."""
    if not file.strip():
        raise UsageError("which photo? like: shimfit photo lakeside/boardwalk/4 post4.jpg")
    site.post(place)
    site.append(site.draft(place, "photo", {"file": file}))
    return f"photo {file}"

"""Line by line: prompt, echo, answer in sentences. For screen readers, dumb terminals, logs and pipes.

The same session as behind the screens, so the same job can be done to its end. No terminal library, no
escape codes, no pictures unless asked for; arrows are said in words.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from shimfit.core.cautions import cautions_of
from shimfit.entry.result import Understood
from shimfit.errors import Exit, ShimfitError
from shimfit.settings.actions import ACTIONS
from shimfit.text.glyphs import ASCII, glyphs_for
from shimfit.text.pictures import foot_plan
from shimfit.tui.handover import export, suggested_name
from shimfit.tui.sensing import Listening, hold, lasting_fault, look, sensor_of, take
from shimfit.tui.session import Outcome, Session, refused
from shimfit.tui.setting_up import add_run, check_answer, lot_hint, run_steps

if TYPE_CHECKING:
    from shimfit.settings.commands import Runs
    from shimfit.workflow.site import Site

PLAN_SIZE = (52, 13)
Does = Callable[[str], "str | Outcome | None"]
"""Takes what stands after the word; returns what to say, an outcome that the post follows, None to leave."""


def run_plain(
    site: Site,
    *,
    stdin: TextIO | None = None,
    stdout: TextIO | None = None,
    ascii: bool = False,  # noqa: A002 - named as the option that it comes from
    commands: Runs | None = None,
) -> int:
    """Work on a data file line by line until `q` or the end of the input; returns the exit code.

    The inclinometer that is set up is listened to meanwhile. commands: runs a command, so that a line of
    the command line can be typed here too.
    """
    session = Session(site, glyphs_for(ascii_only=ascii), words_only=True)
    listening = Listening(site, sensor_of(site))
    talk = _Conversation(session, stdin or sys.stdin, stdout or sys.stdout, listening, commands)
    try:
        listening.start()
        return talk.work()
    except KeyboardInterrupt:
        talk.say("\nstopped; everything that was logged is on disk")
        return 130
    finally:
        listening.stop()


class _Conversation:
    """One conversation."""

    def __init__(
        self,
        session: Session,
        stdin: TextIO,
        stdout: TextIO,
        listening: Listening,
        commands: Runs | None,
    ) -> None:
        self.session, self.stdin, self.stdout = session, stdin, stdout
        self.listening, self.was_lost = listening, False
        self._asked_about, self._sure = "", False
        """The line that was asked about: Enter alone says yes to it."""
        own: dict[str, Does] = {
            "hand_over": self._write,
            "new_run": lambda _: self._new(),
            "stock_add": session.add_lots,
            "stock_import": self._load,
            "stock_out": session.site.out_of,
            "help": lambda _: self._help(),
            "quit": lambda _: None,
            "undo": lambda text: session.undo(box=text == "box"),
            "redo": lambda text: session.redo(box=text == "box"),
            "next_post": lambda _: self._walk(+1),
            "previous_post": lambda _: self._walk(-1),
            "find": lambda text: self._unless_refused(session.do("find", text), shows_post=True),
            "survey": lambda _: session.do("survey").message,
            "kind": lambda text: self._unless_refused(session.do("kind", text)),
            "turn": self._turn,
        }
        self.words: dict[str, tuple[str, str, Does]] = {}
        """How each is typed, what it does, and what does it: the table's actions, then what is only here."""
        rows: list[tuple[str, str, Does]] = [
            (action.plain, action.says, own.get(action.name, partial(session.do, action.name)))
            for action in ACTIONS
            if action.plain
        ]
        rows += [
            ("go 7", "go to a post by its name", own["find"]),
            ("again", "say once more how this post stands", lambda _: self._post()),
            ("plan", "draw the foot with its packs", lambda _: self._plan()),
            ("run", "every post as it stands", lambda _: self._run(left=False)),
            ("left", "the posts that are left to do", lambda _: self._run(left=True)),
            ("stock", "what is in the box", lambda _: self._stock()),
            ("open job/run", "work on another run", self._open),
            (
                "level level-A",
                "read with that level from now on",
                lambda name: self._unless_refused(session.use_level(name)),
            ),
            ("sample", "write the sample job and open it", lambda _: self._sample()),
            ("set units inch", "change a setting", self._set),
        ]
        if commands is not None:
            run = partial(self._run_command, commands)
            rows.append(("shimfit due JOB/RUN", "any command, as at a shell; shimfit help lists them", run))
        for row in rows:
            self.words[row[0].partition(" ")[0]] = row

    def work(self) -> int:
        """Ask, do, say, until there is no more."""
        self.say("shimfit, line by line. Type help for all words, q to leave.")
        if self.session.site.journal.read_only:
            self.say("READ ONLY, nothing can be logged: this file can't be written")
        if self.session.open_last():
            self.say(self._post())
        else:
            self.say("No job in this data file yet. Type sample for a made-up one, or new for your own.")
            for caution in cautions_of("first start"):
                self.say(caution)
        if self.listening.sensor is not None:
            self.say("An inclinometer is set up: Enter alone holds its reading; type next to walk on.")
        while True:
            self._news_of_the_sensor()
            typed = self._ask(f"post {self.session.place.post}> " if self.session.place else "> ")
            if typed is None:
                return Exit.DONE
            typed = typed.strip()
            if self._asked_about and typed.lower() in ("", "yes"):
                typed = self._asked_about
            self._sure = typed == self._asked_about
            try:
                came = self._do(typed)
            except ShimfitError as error:
                if error.kind == "internal":
                    raise
                came = f"refused: {error.message}"
            if came is None:
                return Exit.DONE
            self._asked_about = typed if isinstance(came, Outcome) and came.asks else ""
            if isinstance(came, Outcome):
                came = f"{came.message}\n{self._post()}" if came.done else self._unless_refused(came)
            self.say(came)

    def say(self, text: str) -> None:
        """Print what is said; an output that can't carry a sign gets a question mark for it."""
        encoding = getattr(self.stdout, "encoding", None) or "utf-8"
        text = self.session.glyphs.spell(text)
        self.stdout.write(text.encode(encoding, "replace").decode(encoding) + "\n")
        self.stdout.flush()

    def _ask(self, prompt: str) -> str | None:
        self.stdout.write(prompt)
        self.stdout.flush()
        line = self.stdin.readline()
        if not line or not self.stdin.isatty():
            self.say(line.rstrip("\n"))  # what nobody typed at a terminal is seen in the log all the same
        return line.rstrip("\n") if line else None

    def _do(self, typed: str) -> str | Outcome | None:
        """Do what was typed: a reading, a word; nothing walks on, or takes what the sensor holds."""
        if not typed:
            return (
                self._take() if self.listening.sensor is not None and self.session.place else self._walk(+1)
            )
        parsed = self.session.echo(typed)
        word, _, rest = typed.partition(" ")
        word = {"?": "help", "q": "quit"}.get(word, word.lower())
        if not isinstance(parsed, Understood) and word in self.words:
            form, _, does = self.words[word]
            rest = rest.strip()
            if rest and " " not in form and (word, rest) not in (("undo", "box"), ("redo", "box")):
                return f"refused: {word} stands alone, without {rest!r}: nothing was done"
            return does(rest)
        if self.session.place is None:
            return "refused: no run is open; type sample, new or open JOB/RUN"
        outcome = self.session.enter(typed)
        if not outcome.done:
            at = outcome.at or 0
            spot = f" (after {typed[:at]!r})" if 0 < at < len(typed) else ""
            return replace(outcome, message=f"{outcome.message}{spot}")
        assert isinstance(parsed, Understood)
        return f"understood: {self.session.aim(typed)}{parsed.words}\n{outcome.message}\n{self._post()}"

    # ------------------------------------------------------------ what is said

    def _post(self) -> str:
        run, record, view = self.session.run, self.session.record, self.session.view
        if run is None or record is None or view is None:
            return "no run is open"
        at = f"{self.session.index + 1} of {len(run.posts)}"
        texts = (
            f"{run.job}/{run.name}, post {record.name}, {at}: {view.word}",
            view.lean,
            view.result,
            view.do,
        )
        rows = [text if text[-1] in ".?!" else f"{text}." for text in texts if text]
        for pack in view.packs:
            kind = "pack" if pack.lifts else "filler"
            changed = f" ({pack.changed})" if pack.changed else ""
            rows.append(f"  {pack.number}. {pack.where}, {kind}: {pack.what}{changed}")
        return "\n".join([*rows, *(f"  {remark}" for remark in view.remarks)])

    def _plan(self) -> str:
        record, words = self.session.record, self.session.words
        if record is None or words is None:
            return "no run is open"
        width, height = PLAN_SIZE
        return foot_plan(
            record.foot,
            record.packs_in_place if record.going_in is None else record.going_in.packs,
            record.reading.lean if record.reading else None,
            record.height_mm,
            names=words.names,
            glyphs=ASCII,
            width=width,
            height=height,
        ).text()

    def _run(self, *, left: bool) -> str:
        run, words = self.session.run, self.session.words
        if run is None or words is None:
            return "no run is open"
        rows = [f"{run.job}/{run.name}: {len(run.left_to_do)} of {len(run.posts)} posts left to do."]
        for post in run.left_to_do if left else run.posts:
            lean, was = post.reading.lean if post.reading else None, "was " if post.changed else ""
            off = f", {was}{words.off(lean, post)}" if lean else ""
            rows.append(
                f"  post {post.name}: {post.state}{off}" + "".join(f"; {note}" for note in post.notes)
            )
        return "\n".join(rows)

    def _stock(self) -> str:
        lots, units = self.session.site.box().lots, self.session.settings.units
        if not lots:
            return f"The box is empty. Type lot {lot_hint(units).partition('  /')[0]}, or load FILE.csv."
        from shimfit.text.phrases import lot_row

        return "\n".join(["In the box:", *(lot_row(lot, 40, units) for lot in lots)])

    def _help(self) -> str:
        like = self.session.example()
        rows = [
            f"Type how far the TOP leans and which way: {self.session.directions}.",
            f"  {like}, plumb; {self.session.example(half=True)} alone is half a reading.",
            f"  ={like} corrects the last reading, 4:{like} reads post 4,",
            f"  +{like} reads once more before packing: both count.",
            "  After packing and tightening type the lean again: the same line is the re-read.",
        ]
        if self.listening.sensor is not None:
            rows.append("  Enter alone holds the inclinometer's reading, once the post stands still.")
        rows += [f"  {form:<28} {says}" for form, says, _ in self.words.values()]
        return "\n".join([*rows, "Cautions:", *(f"  {text}" for text in cautions_of("help"))])

    # ------------------------------------------------------------ the inclinometer

    def _take(self) -> str | Outcome:
        """Wait for the post to stand still, then log what the inclinometer holds."""
        assert self.listening.sensor is not None
        self.say("Hold the post still.")
        live = hold(self.listening.sensor)
        outcome = take(self.session, self.listening.sensor)
        if not outcome.done:
            self.was_lost = bool(live.fault)
            return outcome
        held = f"understood: inclinometer, {live.taken.text}\n" if live.taken is not None else ""
        return f"{held}{outcome.message}\n{self._post()}"

    def _news_of_the_sensor(self) -> None:
        """Say once that the inclinometer is lost, and once that it is back."""
        if self.listening.sensor is None:
            return
        fault = look(self.listening.sensor).fault if self.was_lost else lasting_fault(self.listening.sensor)
        if bool(fault) != self.was_lost:
            self.was_lost = bool(fault)
            self.say(f"{fault}." if fault else "SENSOR: it is there again; Enter alone holds its reading.")

    # ------------------------------------------------------------ what is done

    def _unless_refused(self, outcome: Outcome, *, shows_post: bool = False) -> str:
        """What came of a move that the post is not told anew after; or the post, where one went to it."""
        if not outcome.done:
            return outcome.message if outcome.asks else f"refused: {outcome.message}"
        return self._post() if shows_post else outcome.message

    def _walk(self, by: int) -> str:
        outcome = self.session.step(by)
        return self._post() if outcome.done else outcome.message

    def _turn(self, text: str) -> Outcome:
        """Two readings with a stroke between them; where they have fractions, with blanks around it."""
        if not self.session.settings.instrument:
            return refused("which level was turned? Type level and a name for it first, like level level-A")
        first, _, second = text.partition(" / " if " / " in text else "/")
        return self.session.turned(first.strip(), second.strip())

    def _load(self, text: str) -> str:
        from shimfit.workflow.tables import load_lots

        loaded = load_lots(self.session.site, Path(text).expanduser())
        self.session.answer_missing()
        return loaded

    def _write(self, name: str) -> str | Outcome:
        """Write the record; over what is there where the same was asked for, and asked about, just before."""
        run = self.session.run
        if run is None:
            return "refused: no run is open"
        self.session.refresh()
        name = name or suggested_name(run, "record")
        outcome = export(self.session.site, run, "record", name, overwrite=self._sure)
        return outcome.message if outcome.done else outcome

    def _open(self, text: str) -> str:
        job, _, run = text.partition("/")
        if not run:
            known = [f"{one.name}/{name}" for one in self.session.site.jobs() for name in one.runs]
            return "Runs: " + (", ".join(known) or "none yet")
        return self._unless_refused(self.session.go_run(job.strip(), run.strip()), shows_post=True)

    def _sample(self) -> str:
        from shimfit.workflow.sample import write_sample

        write_sample(self.session.site)
        self.session.open_last()
        return f"The sample job is open: nothing in it is real.\n{self._post()}"

    def _new(self) -> str:
        answers: dict[str, str] = {}
        while left := [step for step in run_steps(self.session.site, answers) if step[0] not in answers]:
            key, hint = left[0]
            typed = self._ask(f"{key} ({hint})> ")
            if typed is None:
                return "no run was made"
            try:
                check_answer(self.session.site, key, typed, answers)
            except ShimfitError as error:
                self.say(f"refused: {error.message}")
            else:
                answers[key] = typed
        run = add_run(self.session.site, answers)
        self.session.go_run(run.job, run.name)
        return self._post()

    def _run_command(self, run: Runs, text: str) -> str:
        """A line of the command line, on the file that is open."""
        try:
            words = shlex.split(text)
        except ValueError:
            return "refused: a quotation mark is not closed"
        from shimfit.settings.commands import page

        if why := next((one.elsewhere for one in page().commands if [one.name] == words[:1]), ""):
            return f"refused: {words[0]} is not for here: {why}"
        said: list[str] = []
        if words[:1] == ["listen"] or "--listen" in words:
            self.listening.lend()
        run(words or ["help"], said.append, bool)
        if self.listening.is_lent:
            self.listening.anew()
        self.session.look_anew()
        return "".join(said).rstrip()

    def _set(self, text: str) -> str:
        key, _, value = text.partition(" ")
        self.session.site.set(key, value.strip())
        self.session.answer_missing()
        return f"{key}: {value.strip()}"

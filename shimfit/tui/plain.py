"""Line by line: prompt, echo, answer in sentences. For screen readers, dumb terminals, logs and pipes.

The same session as behind the screens, so the same job can be done to its end. No terminal library, no
escape codes, no pictures unless asked for; arrows are said in words.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from shimfit.core.cautions import cautions_of
from shimfit.entry.result import Understood
from shimfit.errors import Exit, FileError, ShimfitError
from shimfit.settings.actions import ACTIONS
from shimfit.text.glyphs import ASCII, glyphs_for
from shimfit.text.pictures import foot_plan
from shimfit.tui.commands import ELSEWHERE
from shimfit.tui.handover import export_record, suggested_name
from shimfit.tui.sensing import hold, lasting_fault, look, sensor_of, take
from shimfit.tui.session import Outcome, Session
from shimfit.tui.setting_up import add_run, check_answer, lot_hint, run_steps

if TYPE_CHECKING:
    from shimfit.settings.actions import Action
    from shimfit.standing import PostRecord
    from shimfit.tui.commands import Commands
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.workflow.site import Site

PLAN_SIZE = (52, 13)


@dataclass(frozen=True, slots=True)
class _Command:
    form: str
    says: str
    do: Callable[[str], str | None]
    """Takes what stands after the word; returns what to say, None to leave."""


def run_plain(
    site: Site,
    *,
    stdin: TextIO | None = None,
    stdout: TextIO | None = None,
    ascii: bool = False,  # noqa: A002 - named as the option that it comes from
    sensor: Inclinometer | None = None,
    commands: Commands | None = None,
) -> int:
    """Work on a data file line by line until `q` or the end of the input; returns the exit code.

    sensor: an inclinometer, started here and stopped on the way out; None takes the one that is set up.
    commands: the command line, so that a line of it can be typed here too.
    """
    sensor = sensor or sensor_of(site)
    talk = _Conversation(site, stdin or sys.stdin, stdout or sys.stdout, commands, ascii=ascii, sensor=sensor)
    try:
        if sensor is not None:
            sensor.start()
        return talk.work()
    except KeyboardInterrupt:
        talk.say("\nstopped; everything that was logged is on disk")
        return 130
    finally:
        if talk.sensor is not None:
            talk.sensor.stop()


class _Conversation:
    """One conversation."""

    def __init__(
        self,
        site: Site,
        stdin: TextIO,
        stdout: TextIO,
        commands: Commands | None = None,
        *,
        ascii: bool,  # noqa: A002 - named as the option that it comes from
        sensor: Inclinometer | None,
    ) -> None:
        self.sensor = sensor
        self.was_lost = False
        self.session = Session(site, glyphs_for(ascii_only=ascii), words_only=True)
        self.stdin = stdin
        self.stdout = stdout
        self.shows_typed = not stdin.isatty()
        own: tuple[_Command, ...] = (
            _Command("go 7", "go to a post by its name", self._find),
            _Command("again", "say once more how this post stands", lambda _: self._post()),
            _Command("plan", "draw the foot with its packs", lambda _: self._plan()),
            _Command("run", "every post as it stands", lambda _: self._run(left=False)),
            _Command("left", "the posts that are left to do", lambda _: self._run(left=True)),
            _Command("stock", "what is in the box", lambda _: self._stock()),
            _Command("open job/run", "work on another run", self._open),
            _Command("sample", "write the sample job and open it", lambda _: self._sample()),
            _Command("set units inch", "change a setting", self._set),
        )
        if commands is not None:
            run = partial(self._run_command, commands)
            own += (
                _Command("shimfit due JOB/RUN", "any command, as at a shell; shimfit help lists them", run),
            )
        of_the_table = (
            _Command(action.plain, action.says, self._doer(action)) for action in ACTIONS if action.plain
        )
        self.commands = {command.form.partition(" ")[0]: command for command in (*of_the_table, *own)}
        self.short = {"?": "help", "q": "quit"}

    def _doer(self, action: Action) -> Callable[[str], str | None]:
        """What does an action of the table here: a method of this conversation, else the session's move."""
        own: dict[str, Callable[[str], str | None]] = {
            "hand_over": self._write,
            "new_run": lambda _: self._new(),
            "stock_add": self.session.add_lots,
            "stock_import": self._load,
            "stock_out": self.session.site.out_of,
            "help": lambda _: self._help(),
            "quit": lambda _: None,
            "undo": lambda text: self._move(self.session.undo(box=text == "box")),
            "redo": lambda text: self._move(self.session.redo(box=text == "box")),
            "next_post": lambda _: self._walk(+1),
            "previous_post": lambda _: self._walk(-1),
            "find": self._find,
            "survey": lambda _: self.session.survey().message,
            "kind": self._kind,
            "turn": self._turn,
            "retighten": lambda text: self._move(self.session.retighten(text)),
        }
        if action.name in own:
            return own[action.name]
        move = getattr(self.session, action.move)
        return lambda text: self._move(move(text) if action.label else move())

    def _kind(self, text: str) -> str:
        outcome = self.session.kind_of_next(text)
        return outcome.message if outcome.done else f"refused: {outcome.message}"

    def _turn(self, text: str) -> str:
        first, _, second = text.partition("/")
        return self._move(self.session.turned(first.strip(), second.strip()))

    def work(self) -> int:
        """Ask, do, say, until there is no more."""
        self.say("shimfit, line by line. Type help for all words, q to leave.")
        if self.session.site.read_only:
            self.say("READ ONLY, nothing can be logged: this file can't be written")
        if self.session.open_last():
            self.say(self._post())
        else:
            self.say("No job in this data file yet. Type sample for a made-up one, or new for your own.")
            for caution in cautions_of("first start"):
                self.say(caution)
        if self.sensor is not None:
            self.say("An inclinometer is set up: Enter alone holds its reading; type next to walk on.")
        while True:
            self._news_of_the_sensor()
            typed = self._ask(f"post {self.session.place.post}> " if self.session.place else "> ")
            if typed is None:
                return Exit.DONE
            try:
                said = self._parse(typed.strip())
            except ShimfitError as error:
                if error.kind == "internal":
                    raise
                said = f"refused: {error.message}"
            if said is None:
                return Exit.DONE
            self.say(said)

    def say(self, text: str) -> None:
        """Print what is said; an output that can't carry a sign gets a question mark for it."""
        encoding = getattr(self.stdout, "encoding", None) or "utf-8"
        text = self.session.glyphs.spell(text)
        self.stdout.write(text.encode(encoding, "replace").decode(encoding) + "\n")
        self.stdout.flush()

    # ------------------------------------------------------------ hearing

    def _ask(self, prompt: str) -> str | None:
        self.stdout.write(prompt)
        self.stdout.flush()
        line = self.stdin.readline()
        if not line:
            self.say("")
            return None
        if self.shows_typed:
            self.say(line.rstrip("\n"))
        return line.rstrip("\n")

    def _parse(self, typed: str) -> str | None:
        if not typed:
            if self.sensor is None or self.session.place is None:
                return self._walk(+1)
            return self._take(self.sensor)
        parsed = self.session.echo(typed)
        word, _, rest = typed.partition(" ")
        word = self.short.get(word, word.lower())
        if not isinstance(parsed, Understood) and word in self.commands:
            return self.commands[word].do(rest.strip())
        if self.session.place is None:
            return "refused: no run is open; type sample, new or open JOB/RUN"
        outcome = self.session.enter(typed)
        if not outcome.done:
            at = outcome.at or 0
            spot = f" (after {typed[:at]!r})" if 0 < at < len(typed) else ""
            return f"refused: {outcome.message}{spot}"
        assert isinstance(parsed, Understood)
        return f"understood: {parsed.words}\n{outcome.message}\n{self._post()}"

    # ------------------------------------------------------------ saying

    def _post(self) -> str:
        run, record, view = self.session.run, self.session.record, self.session.view
        if run is None or record is None or view is None:
            return "no run is open"
        where = f"{run.job}/{run.name}, post {record.name}, {self.session.index + 1} of {len(run.posts)}"
        rows = [f"{where}: {view.word}."]
        rows += [
            text if text[-1] in ".?!" else f"{text}." for text in (view.lean, view.result, view.do) if text
        ]
        for pack in view.packs:
            kind = "pack" if pack.lifts else "filler"
            changed = f" ({pack.changed})" if pack.changed else ""
            rows.append(f"  {pack.number}. {pack.where}, {kind}: {pack.what}{changed}")
        rows += [f"  {remark}" for remark in view.remarks]
        return "\n".join(rows)

    def _plan(self) -> str:
        record, words = self.session.record, self.session.words
        if record is None or words is None:
            return "no run is open"
        packs = record.packs_in_place if record.going_in is None else record.going_in.packs
        width, height = PLAN_SIZE
        canvas = foot_plan(
            record.foot,
            packs,
            record.reading.lean if record.reading else None,
            record.height_mm,
            names=words.names,
            glyphs=ASCII,
            width=width,
            height=height,
        )
        return canvas.text()

    def _run(self, *, left: bool) -> str:
        run = self.session.run
        if run is None:
            return "no run is open"
        posts = run.left_to_do if left else run.posts
        rows = [f"{run.job}/{run.name}: {len(run.left_to_do)} of {len(run.posts)} posts left to do."]
        return "\n".join([*rows, *(self._row(post) for post in posts)])

    def _row(self, post: PostRecord) -> str:
        words = self.session.words
        assert words is not None
        lean = post.reading.lean if post.reading else None
        was = "was " if post.changed else ""
        off = f", {was}{words.off(lean, post)}" if lean else ""
        notes = "".join(f"; {note.text}" for note in post.notes)
        return f"  post {post.name}: {post.state}{off}{notes}"

    def _stock(self) -> str:
        lots = self.session.box().lots
        if not lots:
            hint = lot_hint(self.session.settings.units).partition("  /")[0]
            return f"The box is empty. Type lot {hint}, or load FILE.csv."
        from shimfit.text.phrases import lot_row

        return "\n".join(["In the box:", *(lot_row(lot, 40, self.session.settings.units) for lot in lots)])

    def _help(self) -> str:
        like = self.session.example()
        rows = [
            f"Type how far the TOP leans and which way: {self.session.directions}.",
            f"  {like}, plumb; {self.session.example(half=True)} alone is half a reading.",
            f"  ={like} corrects the last reading, 4:{like} reads post 4.",
            "  After packing and tightening type the lean again: the same line is the re-read.",
        ]
        if self.sensor is not None:
            rows.append("  Enter alone holds the inclinometer's reading, once the post stands still.")
        rows += [f"  {command.form:<28} {command.says}" for command in self.commands.values()]
        rows += ["Cautions:", *(f"  {text}" for text in cautions_of("help"))]
        return "\n".join(rows)

    # ------------------------------------------------------------ the inclinometer

    def _take(self, sensor: Inclinometer) -> str:
        """Wait for the post to stand still, then log what the inclinometer holds."""
        self.say("Hold the post still.")
        live = hold(sensor)
        outcome = take(self.session, sensor)
        if not outcome.done:
            self.was_lost = bool(live.fault)
            return f"refused: {outcome.message}"
        held = f"understood: inclinometer, {live.taken.text}\n" if live.taken is not None else ""
        return f"{held}{outcome.message}\n{self._post()}"

    def _news_of_the_sensor(self) -> None:
        """Say once that the inclinometer is lost, and once that it is back."""
        if self.sensor is None:
            return
        fault = look(self.sensor).fault if self.was_lost else lasting_fault(self.sensor)
        if bool(fault) != self.was_lost:
            self.was_lost = bool(fault)
            self.say(f"{fault}." if fault else "SENSOR: it is there again; Enter alone holds its reading.")

    # ------------------------------------------------------------ doing

    def _move(self, outcome: Outcome, *, says_what: bool = True) -> str:
        """What came of a move, then how the post stands."""
        if not outcome.done:
            return f"refused: {outcome.message}"
        return f"{outcome.message}\n{self._post()}" if says_what else self._post()

    def _walk(self, by: int) -> str:
        outcome = self.session.step(by)
        return self._post() if outcome.done else outcome.message

    def _find(self, text: str) -> str:
        return self._move(self.session.find(text), says_what=False)

    def _load(self, text: str) -> str:
        from shimfit.workflow.tables import load_lots

        reported = load_lots(self.session.site, Path(text).expanduser())
        self.session.answer_missing()
        return reported

    def _write(self, name: str) -> str:
        if self.session.run is None:
            return "refused: no run is open"
        self.session.refresh()
        name = name or suggested_name(self.session.run)
        try:
            return f"written: {export_record(self.session.site, self.session.run, name)}"
        except FileError as error:
            if not error.message.endswith("exists already"):
                raise
            if self._ask(f"{error.message}. Write over it? yes or no> ") != "yes":
                return "not written"
            return f"written: {export_record(self.session.site, self.session.run, name, overwrite=True)}"

    def _open(self, text: str) -> str:
        job, _, run = text.partition("/")
        if not run:
            known = [f"{one.name}/{name}" for one in self.session.jobs() for name in one.runs]
            return "Runs: " + (", ".join(known) or "none yet")
        return self._move(self.session.go_run(job.strip(), run.strip()), says_what=False)

    def _sample(self) -> str:
        from shimfit.workflow.sample import write_sample

        write_sample(self.session.site)
        self.session.open_last()
        return f"The sample job is open: nothing in it is real.\n{self._post()}"

    def _new(self) -> str:
        answers: dict[str, str] = {}
        while left := [step for step in run_steps(self.session.site, answers) if step[0] not in answers]:
            (key, hint), *_ = left
            while key not in answers:
                typed = self._ask(f"{key} ({hint})> ")
                if typed is None:
                    return "no run was made"
                try:
                    check_answer(self.session.site, key, typed, answers)
                except ShimfitError as error:
                    self.say(f"refused: {error.message}")
                    continue
                answers[key] = typed
        run = add_run(self.session.site, answers)
        self.session.go_run(run.job, run.name)
        return self._post()

    def _run_command(self, commands: Commands, text: str) -> str:
        """A line of the command line, on the file that is open."""
        try:
            words = shlex.split(text)
        except ValueError:
            return "refused: a quotation mark is not closed"
        known = {one.name for one in commands.listed}
        name = " ".join(words[:2]) if " ".join(words[:2]) in known else words[0] if words else "help"
        if name in ELSEWHERE:
            return f"refused: {name} is not for here: {ELSEWHERE[name]}"
        said: list[str] = []
        lends = self.sensor is not None and (name == "listen" or "--listen" in words)
        if lends and self.sensor is not None:  # two listeners at one port steal bytes from each other
            self.sensor.stop()
        commands.run(words or ["help"], said.append, bool)
        if lends:
            self.sensor = sensor_of(self.session.site)
            if self.sensor is not None:
                self.sensor.start()
        self.session.others_logged()
        if self.session.place is None:
            self.session.open_last()
        self.session.answer_missing()
        return "".join(said).rstrip()

    def _set(self, text: str) -> str:
        key, _, value = text.partition(" ")
        self.session.site.set(key, value.strip())
        self.session.answer_missing()
        return f"{key}: {value.strip()}"

"""What all pages share: tabs, headline, banner, echo, the line, the keys at the foot; a list, a table."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, ClassVar, Protocol, cast

from textual.containers import Horizontal
from textual.widgets import Label

from shimfit.settings.actions import ACTIONS, BY_NAME, SCREENS, key_word
from shimfit.text.canvas import Canvas, written
from shimfit.text.phrases import clipped, wrapped
from shimfit.tui.background import Running
from shimfit.tui.session import NO_RUN, Outcome, refused
from shimfit.tui.widgets import EntryLine, Picture, RoleScreen, Rows, Tap, Taps
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from textual import events
    from textual.app import ComposeResult
    from textual.geometry import Size
    from textual.widget import Widget

    from shimfit.settings import Settings
    from shimfit.text.canvas import Run
    from shimfit.tui.session import Session
    from shimfit.tui.sound import Sound

LEAST_COLUMNS, LEAST_ROWS = 30, 8
KEYS_ON_TABS_FROM = 64
"""Columns from which on a page's tab shows its key too."""
ECHO_ROWS, SQUAT_ECHO_ROWS = 3, 2
"""Most rows that a long refusal may take."""
STARTS_A_READING = "0123456789.="
"""Signs that begin a reading and are no letter of any page."""
LIST_KEYS = ("up", "down", "pageup", "pagedown", "home", "end", "enter", "escape", "ctrl+c")
AT_ONCE_S = 0.1
"""What is over by then needs no word of working."""
WORK_LOOK_S = 0.2
TOO_SMALL = "Make the window larger: 30 x 8 at least"


class _Program(Protocol):
    """The part of the program (tui.app) that a page needs."""

    sound: Sound

    def do(self, name: str) -> None: ...
    def go_to_post(self, name: str) -> None: ...
    def take_settings(self, before: Settings) -> None: ...
    def lend_sensor(self) -> None: ...
    def command_ran(self, before: Settings) -> None: ...


@dataclass(frozen=True, slots=True)
class Question:
    """Something else than a reading that the line asks for."""

    label: str
    """Stands before the line: `note`."""
    hint: str
    """Stands on the echo row while nothing is typed."""
    answer: Callable[[str], Outcome]
    """What Enter does with it; a refused outcome keeps the question open."""
    value: str = ""
    echo: Callable[[str], str] | None = None
    """Says, on every key, what would come of it."""
    back: Callable[[], None] | None = None
    """Esc asks what was asked before; None: it leaves."""
    does: str = "keep"
    """What Enter does with it."""
    doing: str = ""
    """`writing`: the answer may take its time, and is worked out beside the screen."""


TWO_BLANKS_FROM = 48
"""Columns from which on two blanks stand between a table's columns."""
LEAST_LAST = 22
"""Columns that a table's last column takes at least, if it wants so many; with fewer it is left out."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table, as wide as what stands in it."""

    head: str
    cells: Sequence[Run]
    right: bool = False
    """Figures: they end below one another."""
    gives: bool = False
    """It is cut where there is no room for all."""


def laid_out(columns: Sequence[Column], width: int, more: str, least: int) -> list[list[Run]]:
    """Headings, then the rows; of more than `least` columns the last ones are left out for want of room."""
    if not columns:
        return [[]]
    kept, gap = list(columns), 2 if width >= TWO_BLANKS_FROM else 1
    wide = [max(len(each.head), *(len(text) for text, _ in each.cells), 0) for each in kept]

    def left() -> int:
        return width - sum(wide[: len(kept) - 1]) - gap * (len(kept) - 1)

    while len(kept) > least and left() < min(wide[len(kept) - 1], LEAST_LAST):
        kept.pop()
    short = wide[len(kept) - 1] - left()
    if short > 0:
        giving = next((number for number, each in enumerate(kept) if each.gives), len(kept) - 1)
        giving = len(kept) - 1 if len(kept) > least else giving
        wide[giving] = max(1, wide[giving] - short)

    def cell(number: int, text: str, role: str) -> list[Run]:
        text = clipped(text, wide[number], more)
        before = wide[number] - len(text) if kept[number].right else 0
        return [(" " * before, ""), (text, role), (" " * (wide[number] - before - len(text) + gap), "")]

    table = [[(each.head, "label") for each in kept], *zip(*(each.cells for each in kept), strict=True)]
    return [
        [run for number, (text, role) in enumerate(row) for run in cell(number, text, role) if run[0]]
        for row in table
    ]


class Page(RoleScreen):
    """One of the pages. What each has of its own follows first: name, widgets, texts and keys."""

    NAME: ClassVar[str] = ""
    ALWAYS_ASKS: ClassVar[bool] = False
    """True: the line is a reading's and always open."""
    KEYS: ClassVar[Sequence[tuple[str, str]]] = ()
    """What its foot offers, and the action of each."""

    def _body(self) -> Iterable[Widget]:
        """The page's own widgets."""
        return ()

    def _fill(self) -> None:
        """Bring them up to date with the session."""

    def _headline(self, width: int) -> str:  # noqa: ARG002 - pages that have more to say go by it
        """Where one stands, in a row of that width."""
        return ""

    def _hint(self) -> str:
        """What the echo row says when there is nothing else to say."""
        return ""

    def _own_keys(self) -> Sequence[Tap]:
        """What the foot offers while nothing is asked."""
        return [Tap(label.replace("⏎", self.session.glyphs.enter), action) for label, action in self.KEYS]

    def focus_home(self) -> None:
        """Put the cursor where typing goes when nothing special is asked."""
        self.set_focus(self.line)

    def entered(self, text: str) -> None:
        """Enter on the line while nothing special is asked."""

    def pasted(self, lines: list[str]) -> None:
        """Several lines were pasted where a reading is typed."""

    def marked_post(self) -> str:
        """The post that an action on a post means here."""
        return self.session.place.post if self.session.place is not None else ""

    def open_marked(self) -> None:
        """Open what is marked in the list."""

    def step_back(self) -> bool:
        """Esc: take a step back on the page itself; False when there is none to take."""
        return self.interrupt()

    # ------------------------------------------------------------ the shared rows

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.question: Question | None = None
        self.outcome: Outcome | None = None
        self.banner_text = ""
        self._fault = ""
        self.standing_banner = ""
        """What the banner says while there is no other trouble."""
        self._hushed = False
        self._is_mounted_whole = False
        self._astray = False
        """A letter that does nothing here was typed last."""
        self._asked: str | None = None
        """The action that Enter does, asked about after such a letter."""
        self._work: Running | None = None
        self._doing = ""
        """What is being worked on, with its seconds."""

    @property
    def is_up(self) -> bool:
        """Its parts are there, and stay: until then what is said and asked is kept."""
        return self._is_mounted_whole and self.display

    @property
    def window(self) -> Size:
        """The size of the page; before its first layout that of the terminal, which it is going to fill."""
        return self.size if self.size.width else self.app.size

    @property
    def program(self) -> _Program:
        """The program, as far as a page needs it."""
        return cast("_Program", self.app)

    @property
    def line(self) -> EntryLine:
        """The line that is typed on."""
        return self.query_one(EntryLine)

    def compose(self) -> ComposeResult:
        """Put the shared rows around the page's own body."""
        yield Taps(self.tapped, id="tabs")
        yield Picture(self._draw_headline, id="headline")
        yield from self._body()
        yield Picture(partial(self._draw_text, lambda: (TOO_SMALL, "strong")), id="small")
        yield Picture(partial(self._draw_text, lambda: (self.banner_text, "refused")), id="banner")
        yield Picture(partial(self._draw_text, lambda: self._echo(self.line.value)), id="echo")
        with Horizontal(id="line"):
            yield Label(self.session.glyphs.prompt + " ", id="prompt")
            yield EntryLine(self.program.do, self.submit, self.pasted, id="entry")
        yield Taps(self.tapped, id="keys")

    def on_mount(self) -> None:
        """Offer the names of the screens and put the cursor where typing goes."""
        self._offer_tabs()
        line = self.line
        line.cursor_blink = False
        line.lends = self.ALWAYS_ASKS
        self.watch(line, "value", self._changed, init=False)
        self.query_one("#line").display = self.ALWAYS_ASKS
        self._is_mounted_whole = True
        self.focus_home()
        self.show()
        if self.question is not None:
            self.ask(self.question)

    def _offer_tabs(self) -> None:
        """The names of the pages, each with its key where there is room for it."""
        roomy = self.window.width >= KEYS_ON_TABS_FROM
        tabs = []
        for tab in (BY_NAME[f"go_{name}"] for name in SCREENS):
            label = f"{self.session.keys.of(tab) if roomy else ''} {tab.title}".strip()
            tabs.append(Tap(label, tab.name, "here" if tab.name == f"go_{self.NAME}" else "band"))
        self.query_one("#tabs", Taps).offer([tabs])

    def on_screen_resume(self) -> None:
        """Come back to the page: the session may have moved."""
        self.show()

    def on_resize(self, event: events.Resize) -> None:
        """Below the least size one sentence stands above the line."""
        self.set_class(event.size.width < LEAST_COLUMNS or event.size.height < LEAST_ROWS, "-tiny")
        self._offer_tabs()
        self.call_after_refresh(self.show)

    def show(self) -> None:
        """Bring everything on the page up to date with the session, as soon as it is there."""
        if not self.is_up:
            return
        self._fill()
        before = self.banner_rows
        self.warn(self._fault)  # a run that two crews laid out differently has a banner too
        if self.banner_rows != before:
            self.call_after_refresh(self.show)  # its rows come off the rest
        self.show_echo()
        for picture in self.query(Picture):
            picture.redraw()
        self.show_keys()

    def show_keys(self) -> None:
        """Offer the keys of the moment."""
        taps = [replace(tap, label=self.session.keys.spell(tap.label)) for tap in self.keys()]
        self.query_one("#keys", Taps).offer([taps])

    def keys(self) -> Sequence[Tap]:
        """What the foot offers now."""
        if self.question is None:
            return self._own_keys()
        leave = "leave" if self.question.back is None else "back"
        enter = f"{self.session.glyphs.enter} {self.question.does}"
        return (Tap(f"Esc {leave}", "leave"), Tap(enter, "enter"))

    def say(self, outcome: Outcome) -> None:
        """Show what came of a move, and ring for it."""
        self.outcome = outcome
        if self.is_up:
            self.program.sound.ring(outcome.bell)
            self.show_echo()

    def tell(self, outcome: Outcome) -> None:
        """Bring everything up to date and say what came of a move."""
        self.show()
        self.say(outcome)

    def warn(self, text: str) -> None:
        """Show a banner for as long as the trouble lasts; empty text takes it away."""
        self._fault = text
        if not self.is_up:
            return
        run = self.session.run
        text = text or self.standing_banner or (run.warning if run is not None else None) or ""
        if text != self.banner_text:
            self.banner_text = text
            banner = self.query_one("#banner", Picture)
            banner.styles.height = self.banner_rows
            banner.set_class(bool(text), "-shown")
            banner.redraw()

    def show_echo(self) -> None:
        """Say on the echo row what there is to say; a long sentence takes more rows."""
        echo, rows = self.query_one("#echo", Picture), self.echo_rows
        if echo.styles.height is None or echo.styles.height.value != rows:
            echo.styles.height = rows
        echo.redraw()

    @property
    def echo_rows(self) -> int:
        """Rows that the echo takes now."""
        most = SQUAT_ECHO_ROWS if self.has_class("-squat") else ECHO_ROWS
        return min(most, len(wrapped(self._echo(self.line.value)[0], self.window.width)))

    @property
    def banner_rows(self) -> int:
        """Rows that the banner takes now."""
        most = 0 if not self.banner_text else 1 if self.has_class("-squat") else 2
        return min(most, len(wrapped(self.banner_text, self.window.width)))

    def _draw_headline(self, width: int, height: int) -> Canvas:
        text = clipped(self._headline(width), width, self.session.glyphs.more)
        return written([(text, "strong")], width, height)

    def _draw_text(self, what: Callable[[], tuple[str, str]], width: int, height: int) -> Canvas:
        """Text broken between words; what does not fit the rows ends in a sign."""
        text, role = what()
        rows = wrapped(text, width)
        if len(rows) > height > 0:
            rows[height - 1] = clipped(" ".join(rows[height - 1 :]), width, self.session.glyphs.more)
        return written(((row, role) for row in rows), width, height)

    def _echo(self, typed: str) -> tuple[str, str]:
        """What the echo row says, and in which role."""
        signs, outcome, question = self.session.glyphs, self.outcome, self.question
        if self._doing and question is None:
            return self._doing, "strong"
        if outcome is not None and not outcome.done:
            sign = "?" if outcome.asks else signs.refused  # what is asked is not refused
            return f"{sign} {outcome.message}", "refused"
        if outcome is not None and outcome.message:
            return f"{signs.understood} {outcome.message}", "strong"
        if question is None:
            return self._hint(), ""
        return question.echo(typed) if typed and question.echo is not None else question.hint, ""

    # ------------------------------------------------------------ asking

    def ask(self, question: Question) -> None:
        """Ask on the line; Enter answers, Esc leaves it."""
        self.question = question
        self.outcome = None
        if not self.is_up:
            return
        self._open_line(question.label, question.value, lends=False)
        self.line.offered = question.value
        self.set_focus(self.line)  # now: the keys behind this one are meant for it
        self.show_keys()
        self.show_echo()

    def stop_asking(self) -> None:
        """Back to what the page does by itself."""
        self.question = None
        if self.outcome is not None and not self.outcome.done:
            self.outcome = None
        if not self.is_up:
            return
        self._open_line("", "", lends=self.ALWAYS_ASKS)
        self.focus_home()
        self.show()

    def _open_line(self, label: str, value: str, *, lends: bool) -> None:
        self.query_one("#line").display = self.ALWAYS_ASKS or self.question is not None
        self.query_one("#prompt", Label).update(f"{label}{self.session.glyphs.prompt} ")
        line = self.line
        line.lends = lends
        line.value = value
        line.cursor_position = len(value)

    def clear_line(self) -> None:
        """Begin the line anew."""
        self.outcome = None
        self.line.value = ""
        self.show_echo()

    def take_off_line(self, text: str) -> None:
        """Take away what was entered; keys that came meanwhile stay. Does not count as typing."""
        line = self.line
        self._hushed = True
        line.value = line.value.removeprefix(text)
        self._hushed = False
        line.cursor_position = len(line.value)

    def _changed(self, text: str) -> None:
        """At every key, before the line itself is drawn: sign and echo come in one frame, not in two."""
        if self._hushed:
            return
        if self.question is not None or text or not (self.outcome is not None and self.outcome.done):
            self.outcome = None  # also a refusal whose line was emptied by hand
        self.typed()

    def typed(self) -> None:
        """Something changed on the line."""
        self.show_echo()
        self.show_keys()

    def submit(self, text: str) -> None:
        """Enter on the line; done before the next key is taken."""
        question = self.question
        if question is None:
            self.entered(text)
            return
        if question.doing:
            self._work_out(question, text)
            return
        outcome = question.answer(text)
        if self.question is not question:
            return  # the answer asked something else
        if outcome.done:
            self.stop_asking()
        else:
            self.line.offered = text
        self.say(outcome)
        self.show_keys()

    def ask_for_reading(self, first: str) -> None:
        """A reading typed on a page that is not the post's: the line opens and names the post it is for."""
        name, session = self.marked_post(), self.session

        def echo(text: str) -> str:
            from shimfit.tui.screens.post_pictures import echo_words

            return echo_words(session.echo(text), session.aim(text), session.glyphs, self.window.width)[0]

        log = partial(session.enter, post=name)
        self.ask(
            Question(f"post {name}", "how far the top leans; Esc leaves it", log, first, echo, does="log")
        )
        self.line.offered = None  # the figure that was typed begins the reading

    def ask_for_file(self, what: str, hint: str) -> None:
        """Ask where to write what is made of the run: its record, its cut sheet (see tui.handover)."""
        from shimfit.tui.handover import export, suggested_name

        session, run = self.session, self.session.run
        if run is None:
            self.say(NO_RUN)
            return

        there = ""  # the file that was asked about last

        def write(name: str) -> Outcome:
            nonlocal there
            over, there = name == there, ""
            outcome = export(session.site, run, what, name, overwrite=over, is_stopped=self.is_stopped)
            there = name if outcome.asks else ""
            return outcome

        name = suggested_name(run, what)
        self.ask(Question("file", hint, write, name, does="write", doing="writing"))

    # ------------------------------------------------------------ what takes its time

    def work(self, running: Running, over: Callable[[], None]) -> None:
        """Begin what takes its time; once it is done, which may be at once, `over` is called.

        It is looked at by the clock, never at every word from it; it stops when the page goes.
        """
        self._work = running
        running.start()
        running.join(AT_ONCE_S)

        def look() -> None:
            if running.is_alive():
                self.show_work(running)
                self.set_timer(WORK_LOOK_S, look)
            else:
                self._work = None
                over()

        look()

    def show_work(self, running: Running) -> None:
        """Show how far it is: here, on the echo row, what is answered beside the screen, and its seconds."""
        question, text = self._answers
        how = "stopping, " if running.stopping else f"{question.doing} "
        ways_out = "" if running.stopping else "; Esc stops it"
        self._doing = f"{how}{text}{self.session.glyphs.more} {running.seconds:.0f} s{ways_out}"
        if self.question is question:
            self.stop_asking()
        self.show_echo()

    def interrupt(self) -> bool:
        """Ctrl+C: stop what is being worked out here; False when nothing is."""
        if self._work is None:
            return False
        self._work.stop()
        self.show_work(self._work)
        return True

    def is_stopped(self) -> bool:
        """True once somebody has stopped what is being worked out: nothing of it is kept."""
        return self._work is not None and self._work.stopping

    def on_unmount(self) -> None:
        """The way out does not wait for what runs."""
        if self._work is not None:
            self._work.stop()

    def _work_out(self, question: Question, text: str) -> None:
        """Work an answer out; what takes longer gives the line back, and asks again where it is refused."""
        if self._work is not None:
            self.say(Outcome(f"{self._doing}: one after the other", done=False))
            return
        found: list[Outcome] = []

        def answer(_said: object, _stop: object) -> int:
            found.append(question.answer(text))
            return 0

        def over() -> None:
            self._doing = ""
            fault = running.fault()
            outcome = refused(fault) if fault else found[0]
            if outcome.done and self.question is question:
                self.stop_asking()
            elif not outcome.done and self.question is None and not running.stopping:
                self.ask(replace(question, value=text))
            self.session.answer_missing()  # what was done may have changed the box
            self.tell(outcome)
            self.show_keys()

        self.session.refresh()
        running, self._answers = Running(answer), (question, text)
        self.work(running, over)

    # ------------------------------------------------------------ keys and taps

    def press(self, event: events.Key) -> bool:
        """Take a key while the list has the keys: a letter of this page, or the first figure of a reading.

        False: it is not for here (the list moves its mark by it). What does nothing says so.
        """
        if self.question is not None or self.ALWAYS_ASKS:
            return False
        asked, self._asked = self._asked, None
        astray, self._astray = self._astray, False
        name = asked if event.key == "enter" else self.letters().get(event.key)
        if name is None and event.key in LIST_KEYS:
            return False
        sign = event.character or ""
        if name is not None and astray and sign.isalpha():
            # A word is being typed where no line is open: nothing of it may begin something by accident.
            self._asked = name
            self.say(Outcome(f"{sign} here: {BY_NAME[name].title}? Enter does it", done=False, asks=True))
        elif name is not None:
            self.program.do(name)
        elif sign and sign in STARTS_A_READING and self.session.run is not None:
            self.ask_for_reading(sign)
        else:
            self._astray = sign.isalpha()
            key = sign if event.is_printable and sign.strip() else key_word(event.key)
            self.say(Outcome(f"{key} does nothing on this page; ? shows its keys", done=False))
        return True

    def letters(self) -> Mapping[str, str]:
        """Single keys of this page, each with its action."""
        own = {action.letter: action.name for action in ACTIONS if action.page == self.NAME and action.letter}
        lent = {action.on_run: action.name for action in ACTIONS if self.NAME == "run" and action.on_run}
        return {"question_mark": "help", "q": "quit", **own, **lent}

    def tapped(self, action: str) -> None:
        """Do what was tapped: an action, or something that is typed."""
        if action.startswith("type:"):
            self.line.insert_text_at_cursor(action.removeprefix("type:"))
        elif action == "erase":
            self.line.action_delete_left()
        elif action == "enter":
            self.submit(self.line.value)
        else:
            self.program.do(action)


class RowsPage(Page):
    """A page whose list takes the keys."""

    def _body(self) -> Iterable[Widget]:
        yield Rows(self._chosen, self._moved, id="list")

    def _moved(self) -> None:
        """Another row is marked."""

    def _chosen(self, index: int) -> None:
        """A row was chosen by Enter or a tap."""

    @property
    def list(self) -> Rows:
        """The list."""
        return self.query_one("#list", Rows)

    def focus_home(self) -> None:
        """The list takes the keys."""
        self.set_focus(self.list)

    def open_marked(self) -> None:
        """Choose the marked row."""
        self.list.action_choose()


@dataclass(frozen=True, slots=True)
class Entry:
    """A row of a form."""

    row: str
    hint: str
    do: Callable[[], object]
    role: str = ""


class FormPage(RowsPage):
    """A page of rows that each do something: set, change, open, run."""

    def entries(self) -> Iterable[Entry]:
        """The rows as they stand now."""
        raise NotImplementedError

    def _fill(self) -> None:
        self._entries = [*self.entries()]
        self.list.fill([[(entry.row, entry.role)] for entry in self._entries])

    def _hint(self) -> str:
        return self._entries[min(self.list.index, len(self._entries) - 1)].hint

    def _moved(self) -> None:
        self.outcome = None
        self.show_echo()

    def _chosen(self, index: int) -> None:
        self._entries[index].do()


def after(now: str, choices: Sequence[str]) -> str:
    """The choice after the one that stands."""
    return choices[(choices.index(now) + 1) % len(choices)]

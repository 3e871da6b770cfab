"""The live inclinometer: one daemon thread that opens, reads, logs, parses and reconnects for ever.

The thread shares a ring of samples and a published snapshot, both behind one lock that is held for
microseconds. It never calls anybody: whoever draws asks for a snapshot when it suits. Only the thread
touches the port; `stop` sets an event and waits a second at most.
"""

from __future__ import annotations

import atexit
import math
import threading
import time
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from shimfit.core.lean import to_degrees
from shimfit.core.sensing.hold import decimals
from shimfit.core.sensing.statistics import SampleRing
from shimfit.core.sensing.watch import WatchState
from shimfit.errors import FileError, InstrumentError, ShimfitError
from shimfit.model import Face
from shimfit.wire import link as links
from shimfit.wire.capture import ASKED, CaptureWriter
from shimfit.wire.formats import Modbus
from shimfit.wire.stream import UNREAD_S, ListenOptions, Stream

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from shimfit.core.sensing.hold import Held
    from shimfit.core.sensing.mounting import AxisMap
    from shimfit.model import Lean
    from shimfit.wire.capture import Happening
    from shimfit.wire.samples import Sample, Tally

    Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading that was taken by the sensor, in the post's directions."""

    lean: Lean
    u_along: float
    """Standard uncertainty of the slope along."""
    u_across: float
    largest_term: str | None
    """The largest part of the uncertainty, in words."""
    text: str
    """How it is worded, with U = 2u."""
    held: Held
    """The same in the sensor's own directions, with all that is known of it."""
    zero_found: bool = True
    """False: nobody has found the sensor's zero, so this may be decided out of plumb, never plumb."""
    u_own: tuple[float, float] | None = None
    """Parts of u along and across that are new at each hold, so average away; None = not known."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that a screen needs, as of one moment."""

    state: WatchState
    words: str
    lean: Lean | None = None
    """Lean now, in the post's directions; None when nothing good is fresh."""
    age_s: float | None = None
    """Age of the newest good sample; None when none ever came."""
    good_per_s: float = 0.0
    bytes_per_s: float = 0.0
    taken: Taken | None = None
    """Only while TAKEN."""
    banner: str | None = None
    """What is wrong with the link or the stream, for a line across the screen; None when all is well."""
    held_s: float = 0.0
    format: str | None = None
    baud: int | None = None
    is_open: bool = False
    description_wanted: str | None = None
    """A description to complete, when text was found whose columns a person must name."""
    zero_words: str | None = None
    """What has to be done about the sensor's zero; None while it is known and fresh."""
    zero_found: bool = True
    """False: nobody has found the zero, or it fell: the lean shown is the sensor's, not the post's."""
    knocked: bool = False
    """A moment ago it was knocked, and has come to rest where it was."""
    gave_up: bool = False
    """Bytes come, and none of them can be read at any speed or in any format that is known."""
    fell: bool = False
    """It was in free fall since the link was opened: the zero that was kept counts no more."""


def taken_of(held: Held, axis_map: AxisMap) -> Taken:
    """A held reading in the post's directions."""
    lean = axis_map.to_post(math.tan(math.radians(held.x_deg)), math.tan(math.radians(held.y_deg)))
    u_along, u_across = axis_map.u_to_post(held.budgets[0].u, held.budgets[1].u)
    along = _in_words(lean.slope_along, u_along, Face.NEXT)
    across = _in_words(lean.slope_across, u_across, Face.OUT)
    own = axis_map.u_to_post(*(one.only("hold").u for one in held.budgets))
    text = f"{along}, {across} (k = 2)"
    return Taken(lean, u_along, u_across, held.largest, text, held, held.zero_found, own)


def _in_words(slope: float, u_slope: float, positive: Face) -> str:
    """`0.41 ± 0.02° next`."""
    angle_deg = to_degrees(slope)
    expanded_deg = 2 * math.degrees(u_slope) * math.cos(math.radians(angle_deg)) ** 2
    digits = decimals(expanded_deg)
    face = positive if slope >= 0 else positive.opposite
    return f"{abs(angle_deg):.{digits}f} ± {expanded_deg:.{digits}f}° {face}"


BACK_OFF_S = (0.25, 0.5, 1.0, 2.0)
"""Waits between attempts to open; the last one goes on for ever."""
SILENT_S = 10.0
"""An open link that brings nothing for this long is closed and opened again."""
HUNT_S = 3.0
"""How long each speed is listened to; longer than the longest packet."""
SETTLE_S = 0.2
"""After a change of speed; 0.1 s was too short for some USB adapters (gpsd's speed hunt)."""
STOPPED_S = 1.5
"""An open link's reader that published nothing for this long has stopped: it does so 30 times a second."""
_PUBLISH_S = 0.03
_GATHER_S = 0.02
_FAULTY = (WatchState.NO_DATA, WatchState.LISTENING, WatchState.STALE, WatchState.FROZEN)
_NOW_S = 0.25
"""The lean shown as now is the mean over this long."""


class Inclinometer:
    """One inclinometer on one link. Start it, look at snapshots, take readings, stop it."""

    def __init__(
        self,
        url: str,
        settings: ListenOptions | None = None,
        capture_path: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        on_sample: Callable[[Sample, Sample], None] | None = None,
    ) -> None:
        """Raises FileError when the capture can't be written. `on_sample` runs in the reading thread."""
        self._url = url
        self._options = settings or ListenOptions()
        self._clock = clock
        self._start_s = clock()
        self._stream = Stream(self._options, on_sample=self._keep)
        self._on_sample = on_sample
        self._capture = self._open_capture(capture_path)
        self._last_error: str | None = None
        self._lock = threading.Lock()
        self._ring = SampleRing(self._options.ring_s)
        self._published = Snapshot(WatchState.NO_DATA, "not started")
        self._last_good_s: float | None = None
        self._tally = self._stream.tally.copy()
        self._messages: tuple[str, ...] = ()
        self._published_s = -math.inf
        self._again = threading.Event()
        self._stopping = threading.Event()
        self._fault: ShimfitError | None = None
        self._port: links.Port | None = None
        self._baud: int | None = None
        self._speeds: list[int] = []
        self._tried: list[int] = []
        """Speeds that brought nothing, since the link was opened."""
        self._is_open = False
        self.opened = threading.Event()
        """Set once the link was open for the first time."""
        self.failed = threading.Event()
        """Set once an attempt to open failed."""
        self._thread = threading.Thread(target=self._run, name=f"inclinometer {url}", daemon=True)

    # ---------------------------------------------------------------- for the screen's thread

    def start(self) -> None:
        """Begin to open and read; returns at once."""
        atexit.register(self._at_exit)
        self._thread.start()

    def stop(self) -> None:
        """Let go of the port and close the capture; waits a second at most."""
        self._stopping.set()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(1.0)
        atexit.unregister(self._at_exit)

    def snapshot(self) -> Snapshot:
        """Where things stand now. Costs microseconds and never waits for the port."""
        now_s = self._clock()
        with self._lock:
            snapshot, last_good_s, said_s = self._published, self._last_good_s, self._published_s
        if last_good_s is not None:
            snapshot = replace(snapshot, age_s=max(0.0, now_s - last_good_s))
        quiet_s = now_s - said_s
        if not snapshot.is_open or quiet_s <= STOPPED_S:
            return snapshot
        words = f"the reader has stopped, {quiet_s:.0f} s ago: unplug the sensor and plug it in again"
        return replace(snapshot, state=WatchState.STALE, words=words, lean=None, taken=None, banner=words)

    def take(self) -> Taken | str:
        """The reading that was taken, or why there is none, in words."""
        snapshot = self.snapshot()
        if snapshot.taken is not None:
            return snapshot.taken
        return f"{snapshot.state}: {snapshot.words}"

    def again(self) -> None:
        """Forget the reading and hold anew from now on."""
        self._again.set()

    def history(self, seconds: float) -> tuple[Values, Values, Values]:
        """Times (s, newest last), x and y in degrees in the sensor's directions, over the last seconds."""
        with self._lock:
            return self._ring.since(self._clock() - seconds)

    def tally(self) -> Tally:
        """The counts so far."""
        with self._lock:
            return self._tally.copy()

    def messages(self) -> tuple[str, ...]:
        """Sentences for the person, oldest first."""
        with self._lock:
            return self._messages

    @property
    def fault(self) -> ShimfitError | None:
        """Why the link is not open just now, or why the thread ended; None when all is well."""
        with self._lock:
            return self._fault

    # ---------------------------------------------------------------- the reading thread

    def _run(self) -> None:
        try:
            self._run_for_ever()
        except FileError as error:  # the capture can't be written: say so, rather than lose bytes unsaid
            with self._lock:
                self._fault = error
            self._is_open = False
            self._stream.lost(error.message)
            self._stream.say(error.message)
        finally:
            self._publish(self._clock(), force=True)
            self._close_capture()

    def _run_for_ever(self) -> None:
        attempt = 0
        while not self._stopping.is_set():
            if self._listen_once():
                attempt = 0
                continue
            self._stopping.wait(BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)])
            attempt += 1

    def _listen_once(self) -> bool:
        """Open, read until the link is lost; True when something came and nothing of ours went wrong."""
        link = None
        try:
            link = self._open()
            return link is not None and self._listen(link)
        except FileError:
            raise
        except Exception as error:  # noqa: BLE001 - whatever it is: a reader that ends unsaid looks alive
            what = f"{type(error).__name__}: {error}".rstrip(": ")
            self._log_loss(InstrumentError(f"reading failed ({what}); the link is opened again"))
            return False
        finally:
            if link is not None:
                link.close()
            self._is_open = False

    def _open(self) -> links.Link | None:
        """The open link, or None; a device may have come back under another name."""
        options = self._options
        description = options.description
        url = self._url
        try:
            if self._port is not None:
                url = links.find_again(self._port, links.ports()) or url
            given = options.baud or (description.baud if description else None)
            last_good = self._baud if self._stream.found else options.last_good_baud
            speeds = (given,) if given else links.speeds_to_try(url, last_good)
            self._baud = speeds[0]
            framing = description.framing if isinstance(description, Modbus) else "8N1"
            link = links.open_link(url, baud=speeds[0], framing=framing, dtr=options.dtr, read_s=self._read_s)
        except ShimfitError as error:
            self._fail(error)
            return None
        self._speeds, self._tried = list(speeds), []
        self._opened(link)
        return link

    @property
    def _read_s(self) -> float:
        """How long a read may wait: a polled format has to ask in time."""
        description = self._options.description
        if isinstance(description, Modbus):
            return max(0.005, min(links.READ_S, description.poll_s / 4, description.timeout_s / 4))
        return links.READ_S

    def _fail(self, error: ShimfitError) -> None:
        now_s = self._clock()
        with self._lock:
            self._fault = error
        self._stream.lost(error.message)
        self._stream.say(error.message)
        self._log("error", error.message)
        self._publish(now_s, force=True)
        self.failed.set()

    def _opened(self, link: links.Link) -> None:
        now_s = self._clock()
        with self._lock:
            self._fault = None
        self._is_open = True
        if self._port is None and "://" not in link.url:
            self._port = next((port for port in links.ports() if port.url == link.url), None)
        self._stream.opened(now_s)
        self._log("opened", f"{link.url} at {self._baud} baud")
        self._publish(now_s, force=True)
        self.opened.set()

    def _listen(self, link: links.Link) -> bool:
        """Read until the link is lost or fell silent; True when something came."""
        start_s = received_s = speed_s = self._clock()
        has_received = False
        try:
            while not self._stopping.is_set():
                self._ask(link)
                data = link.read()
                now_s = self._clock()
                if data:
                    received_s, has_received = now_s, True
                    if self._capture is not None:
                        self._capture.data(now_s, data)
                    self._stream.feed(now_s, data)
                    self._let_more_come()
                else:
                    self._stream.tick(now_s)
                if self._again.is_set():
                    self._again.clear()
                    self._stream.watch.again(now_s)
                self._publish(now_s)
                if len(self._speeds) > 1 and (now_s - speed_s > HUNT_S or self._stream.is_garbage):
                    speed_s = self._next_speed(link, now_s)
                    received_s = max(received_s, speed_s)
                if now_s - max(received_s, start_s) > SILENT_S:
                    self._log("mark", f"silent for {SILENT_S:.0f} s: closed to be opened again")
                    self._log("closed")
                    self._stream.say(f"nothing came for {SILENT_S:.0f} s; the link was opened again")
                    return has_received
            self._log("closed")
        except InstrumentError as error:
            self._log_loss(error)
        return has_received

    def _let_more_come(self) -> None:
        """Read fifty times a second at most: a sensor that sends letter by letter keeps a core busy."""
        if not isinstance(self._options.description, Modbus):
            time.sleep(_GATHER_S)

    def _ask(self, link: links.Link) -> None:
        """Send what a polled format wants sent; nothing is ever sent otherwise."""
        now_s = self._clock()
        request = self._stream.due(now_s)
        if request is not None:
            link.empty()
            self._log("mark", f"{ASKED} {request.hex(' ')}")
            link.write(request)

    def _next_speed(self, link: links.Link, now_s: float) -> float:
        """Keep a speed that brings something good, else go on to the next one."""
        if self._stream.found:
            self._speeds = [self._baud or self._speeds[0]]
            return now_s
        self._tried.append(self._speeds[0])
        self._speeds = [*self._speeds[1:], self._speeds[0]]
        self._baud = self._speeds[0]
        link.set_speed(self._baud)
        link.empty()
        self._stopping.wait(SETTLE_S)
        link.empty()
        self._stream.new_speed()
        self._log("mark", f"speed {self._baud}")
        return self._clock()

    def _log_loss(self, error: InstrumentError) -> None:
        now_s = self._clock()
        with self._lock:
            self._fault = error
        self._is_open = False
        self._stream.lost(error.message)
        self._stream.say(error.message)
        self._log("error", error.message)
        self._log("closed")
        self._publish(now_s, force=True)

    # ---------------------------------------------------------------- what is shared

    def _keep(self, sample: Sample, level: Sample) -> None:
        with self._lock:
            self._last_good_s = level.time_s
            self._ring.add(level.time_s, level.x_deg, level.y_deg, counts=not level.moving)
        if self._on_sample is not None:
            self._on_sample(sample, level)

    def _publish(self, now_s: float, *, force: bool = False) -> None:
        """Work the snapshot out, a few ten times a second, and put it where the screen finds it."""
        if not force and now_s - self._published_s < _PUBLISH_S:
            return
        snapshot = self._work_out(now_s)
        tally, messages = self._stream.tally.copy(), tuple(self._stream.messages)
        with self._lock:
            self._published, self._tally, self._messages = snapshot, tally, messages
            self._published_s = now_s

    def _work_out(self, now_s: float) -> Snapshot:
        stream = self._stream
        view = stream.view(now_s)
        taken = None if view.taken is None else taken_of(view.taken, self._options.axis_map)
        good_per_s, bytes_per_s = stream.rates()
        tried = f"; tried {', '.join(map(str, self._tried[-9:]))}" if self._tried and not stream.found else ""
        gave_up = stream.unread_s(now_s) > UNREAD_S and len(self._tried) + 1 >= len(self._speeds)
        return Snapshot(
            state=view.state,
            words=view.words + tried,
            lean=self._lean_now(),
            age_s=stream.age_s(now_s),
            good_per_s=good_per_s,
            bytes_per_s=bytes_per_s,
            taken=taken,
            banner=f"{view.state}: {view.words}" if view.state in _FAULTY else None,
            held_s=view.held_s,
            format=stream.format,
            baud=self._baud,
            is_open=self._is_open,
            description_wanted=stream.needs_description,
            zero_words=stream.zero_words,
            zero_found=stream.zero is not None,
            knocked=view.knocked,
            gave_up=gave_up,
            fell=stream.fell,
        )

    def _lean_now(self) -> Lean | None:
        """Mean of the last moment; the newest sample alone where the sensor is slow."""
        last = self._stream.last
        if last is None:
            return None
        x, y = self._ring.mean_since(last.time_s - _NOW_S) or (last.x_deg, last.y_deg)
        return self._options.axis_map.to_post(math.tan(math.radians(x)), math.tan(math.radians(y)))

    # ---------------------------------------------------------------- the capture

    def _open_capture(self, path: str | None) -> CaptureWriter | None:
        if path is None:
            return None
        description = self._options.description
        form = "auto" if description is None else type(description).__name__.lower()
        header = {
            "device": self._url,
            "speed": str(self._options.baud or "as found"),
            "format": form,
            "wall time at start": datetime.now().astimezone().isoformat(timespec="milliseconds"),
        }
        return CaptureWriter(path, header, self._start_s)

    def _log(self, kind: Happening, text: str = "") -> None:
        """Into the capture; an error that goes on (no device, every 2 s) stands there once."""
        if self._capture is None or (kind == "error" and text == self._last_error):
            return
        self._last_error = text if kind == "error" else None
        self._capture.event(self._clock(), kind, text)

    def _close_capture(self) -> None:
        if self._capture is None:
            return
        try:
            self._capture.close()
        except FileError as error:
            with self._lock:
                self._fault = error

    def _at_exit(self) -> None:
        self.stop()

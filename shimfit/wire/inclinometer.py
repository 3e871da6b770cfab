"""The live inclinometer: one daemon thread that opens, reads, logs, parses and reconnects for ever.

The thread shares a ring of samples, behind a lock that is held for microseconds, and values that never change
once they are published. It never calls anybody: whoever draws asks for a snapshot when it suits. Only the
thread touches the port; `stop` sets an event and waits a second at most.
"""

from __future__ import annotations

import atexit
import math
import threading
import time
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from shimfit.core.sensing.statistics import SampleRing
from shimfit.core.sensing.watch import WatchState
from shimfit.errors import FileError, InstrumentError, ShimfitError
from shimfit.wire import link as links
from shimfit.wire.capture import ASKED, CaptureWriter
from shimfit.wire.formats import Modbus
from shimfit.wire.samples import Tally
from shimfit.wire.stream import UNREAD_S, ListenOptions, Snapshot, Stream

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.core.sensing.statistics import Values
    from shimfit.wire.capture import Happening
    from shimfit.wire.samples import Sample

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
"""Fifty reads a second at most: a sensor that sends letter by letter would keep a core busy."""
_RING_S = 120.0
"""How much of the past is kept to be drawn."""
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
        self._options = options = settings or ListenOptions()
        self._polled = options.description if isinstance(options.description, Modbus) else None
        self._clock = clock
        self._stream = Stream(options, on_sample=self._keep)
        self._on_sample = on_sample
        self._capture: CaptureWriter | None = None
        if capture_path is not None:
            form = "auto" if options.description is None else type(options.description).__name__.lower()
            header = {
                "device": url,
                "speed": str(options.baud or "as found"),
                "format": form,
                "wall time at start": datetime.now().astimezone().isoformat(timespec="milliseconds"),
            }
            self._capture = CaptureWriter(capture_path, header, clock())
        self._last_error: str | None = None
        self._lock = threading.Lock()
        self._ring = SampleRing(_RING_S)
        waiting = Snapshot(WatchState.NO_DATA, "not started")
        self._published: tuple[float, Snapshot, Tally, tuple[str, ...]] = (-math.inf, waiting, Tally(), ())
        """When, what there is to see, the counts, and sentences for the user."""
        self._last_good_s: float | None = None
        self.fault: ShimfitError | None = None
        """Why the link is not open just now, or why the thread ended; None when all is well."""
        self._again = threading.Event()
        self._stopping = threading.Event()
        self._port: links.Port | None = None
        self._speeds: list[int] = []
        """To be listened to, the one in use first."""
        self._tried: list[int] = []
        """Speeds that brought nothing, since the link was opened."""
        self._is_open = False
        self._received = False
        self.opened = threading.Event()
        """Set once the link was open for the first time."""
        self.failed = threading.Event()
        """Set once an attempt to open failed."""
        self._thread = threading.Thread(target=self._run, name=f"inclinometer {url}", daemon=True)

    # ---------------------------------------------------------------- for the screen's thread

    def start(self) -> None:
        """Begin to open and read; returns at once."""
        atexit.register(self.stop)
        self._thread.start()

    def stop(self) -> None:
        """Let go of the port and close the capture; waits a second at most."""
        self._stopping.set()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(1.0)
        atexit.unregister(self.stop)

    def snapshot(self) -> Snapshot:
        """Where things stand now. Costs microseconds and never waits for the port."""
        now_s = self._clock()
        published_s, snapshot, _, _ = self._published
        if self._last_good_s is not None:
            snapshot = replace(snapshot, age_s=max(0.0, now_s - self._last_good_s))
        quiet_s = now_s - published_s
        if not snapshot.is_open or quiet_s <= STOPPED_S:
            return snapshot
        words = f"the reader has stopped, {quiet_s:.0f} s ago: unplug the sensor and plug it in again"
        return replace(snapshot, state=WatchState.STALE, words=words, lean=None, taken=None, banner=words)

    def again(self) -> None:
        """Forget the reading and hold anew from now on."""
        self._again.set()

    def history(self, seconds: float) -> tuple[Values, Values, Values]:
        """Times (s, newest last), x and y in degrees in the sensor's directions, over the last seconds."""
        with self._lock:
            return self._ring.since(self._clock() - seconds)

    def tally(self) -> Tally:
        """The counts so far."""
        return self._published[2]

    def messages(self) -> tuple[str, ...]:
        """Sentences for the user, oldest first."""
        return self._published[3]

    # ---------------------------------------------------------------- the reading thread

    def _run(self) -> None:
        attempt = 0
        try:
            while not self._stopping.is_set():
                self._listen_once()
                if self._received:
                    attempt = 0
                    continue
                self._stopping.wait(BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)])
                attempt += 1
        except FileError as error:  # the capture can't be written: say so, rather than lose bytes unsaid
            self._is_open = False
            self._lost(error)
        finally:
            self._publish(self._clock(), force=True)
            try:
                if self._capture is not None:
                    self._capture.close()
            except FileError as error:
                self.fault = error

    def _listen_once(self) -> None:
        """Open and read until the link is lost or fell silent. Raises FileError for the capture."""
        link = None
        self._received = False
        try:
            link = self._open()
            self._listen(link)
        except FileError:
            raise
        except Exception as error:  # noqa: BLE001 - whatever it is: a reader that ends unsaid looks alive
            if not isinstance(error, ShimfitError):
                self._received = False  # what is wrong is ours, and may come again at once
                what = f"{type(error).__name__}: {error}".rstrip(": ")
                error = InstrumentError(f"reading failed ({what}); the link is opened again")
            self._lost(error)
            self._log("error", error.message)
            if self._is_open:
                self._log("closed")
            else:
                self.failed.set()
            self._is_open = False
            self._publish(self._clock(), force=True)
        finally:
            if link is not None:
                link.close()
            self._is_open = False

    def _lost(self, error: ShimfitError) -> None:
        self.fault = error
        self._stream.lost(error.message)
        self._stream.say(error.message)

    def _open(self) -> links.Link:
        """The open link; a device may have come back under another name. Raises ShimfitError."""
        options, url = self._options, self._url
        if self._port is not None:
            url = links.find_again(self._port, links.ports()) or url
        given = options.baud or (options.description.baud if options.description else None)
        last_good = self._speeds[0] if self._stream.found and self._speeds else None
        self._speeds = [given] if given else list(links.speeds_to_try(url, last_good))
        self._tried = []
        framing, read_s = "8N1", links.READ_S
        if self._polled is not None:  # it has to be asked in time
            framing = self._polled.framing
            read_s = max(0.005, min(read_s, self._polled.poll_s / 4, self._polled.timeout_s / 4))
        link = links.open_link(url, baud=self._speeds[0], framing=framing, dtr=options.dtr, read_s=read_s)
        now_s = self._clock()
        self.fault = None
        self._is_open = True
        if self._port is None and "://" not in link.url:
            self._port = next((port for port in links.ports() if port.url == link.url), None)
        self._stream.opened(now_s)
        self._log("opened", f"{link.url} at {self._speeds[0]} baud")
        self._publish(now_s, force=True)
        self.opened.set()
        return link

    def _listen(self, link: links.Link) -> None:
        """Read until asked to stop, or until nothing came for long. InstrumentError: the link is lost."""
        received_s = speed_s = self._clock()
        while not self._stopping.is_set():
            request = self._stream.input.due(self._clock())
            if request is not None:  # nothing is ever sent to a sensor that is not polled
                link.empty()
                self._log("mark", f"{ASKED} {request.hex(' ')}")
                link.write(request)
            data = link.read()
            now_s = self._clock()
            if data:
                received_s, self._received = now_s, True
                if self._capture is not None:
                    self._capture.data(now_s, data)
                self._stream.feed(now_s, data)
                if self._polled is None:
                    time.sleep(_GATHER_S)
            else:
                self._stream.tick(now_s)
            if self._again.is_set():
                self._again.clear()
                self._stream.watch.lose_hold(now_s, "holding anew")
            self._publish(now_s)
            if len(self._speeds) > 1 and (now_s - speed_s > HUNT_S or self._stream.is_garbage):
                speed_s = self._next_speed(link, now_s)
                received_s = max(received_s, speed_s)
            if now_s - received_s > SILENT_S:
                self._log("mark", f"silent for {SILENT_S:.0f} s: closed to be opened again")
                self._stream.say(f"nothing came for {SILENT_S:.0f} s; the link was opened again")
                break
        self._log("closed")

    def _next_speed(self, link: links.Link, now_s: float) -> float:
        """Keep a speed that brings something good, else try the next; returns since when that is."""
        if self._stream.found:
            self._speeds = self._speeds[:1]
            return now_s
        tried, *others = self._speeds
        self._tried.append(tried)
        self._speeds = [*others, tried]
        link.set_speed(self._speeds[0])
        link.empty()
        self._stopping.wait(SETTLE_S)
        link.empty()
        self._stream.new_speed()
        self._log("mark", f"speed {self._speeds[0]}")
        return self._clock()

    def _log(self, kind: Happening, text: str = "") -> None:
        """Into the capture; an error that goes on (no device, every 2 s) stands there once."""
        if self._capture is None or (kind == "error" and text == self._last_error):
            return
        self._last_error = text if kind == "error" else None
        self._capture.event(self._clock(), kind, text)

    # ---------------------------------------------------------------- what is shared

    def _keep(self, sample: Sample, level: Sample) -> None:
        self._last_good_s = level.time_s
        with self._lock:
            self._ring.add(level.time_s, level.x_deg, level.y_deg, counts=not level.moving)
        if self._on_sample is not None:
            self._on_sample(sample, level)

    def _publish(self, now_s: float, *, force: bool = False) -> None:
        """Work the snapshot out, a few ten times a second, and put it where the screen finds it."""
        if not force and now_s - self._published[0] < _PUBLISH_S:
            return
        stream = self._stream
        seen, last = stream.snapshot(now_s), stream.last
        tried = f"; tried {', '.join(map(str, self._tried[-9:]))}" if self._tried and not stream.found else ""
        lean = None
        if last is not None:  # the newest sample alone where the sensor is slow
            _, x_deg, y_deg = self._ring.since(last.time_s - _NOW_S)
            degs = (x_deg.mean(), y_deg.mean()) if len(x_deg) else (last.x_deg, last.y_deg)
            lean = self._options.axis_map.to_post(*(math.tan(math.radians(deg)) for deg in degs))
        snapshot = replace(
            seen,
            words=seen.words + tried,
            lean=lean,
            baud=self._speeds[0] if self._speeds else None,
            is_open=self._is_open,
            gave_up=stream.unread_s(now_s) > UNREAD_S and len(self._tried) + 1 >= len(self._speeds),
        )
        self._published = (now_s, snapshot, stream.tally.copy(), tuple(stream.messages))

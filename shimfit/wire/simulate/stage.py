"""The simulated post with its voice: carries out orders, plays on a stream of bytes or into a capture."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.wire.simulate.voice import ModbusVoice, Voice, damage

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.wire.capture import CaptureWriter
    from shimfit.wire.simulate.orders import Order, Script
    from shimfit.wire.simulate.post import SimulatedPost


class Stage:
    """The post, its voice and the link's state; carries out orders. Knows no port and no clock."""

    def __init__(self, post: SimulatedPost, voice: Voice, *, seed: int = 1) -> None:
        self.post = post
        self.voice = voice
        self.modbus = ModbusVoice()
        self.plugged = True
        self.quitting = False
        self._back_s: float | None = None
        self._damage = 0.0
        self._random = np.random.default_rng(seed + 1)
        self._sample = (0.0, 0.0)

    def obey(self, order: Order, now_s: float) -> None:
        """Do to the post what the order says. Raises EntryError when it can't be done."""
        post, numbers = self.post, order.numbers
        match order.word:
            case "insert":
                assert order.seat is not None
                post.insert(order.seat, numbers[0])
            case "pull":
                assert order.seat is not None
                post.pull(order.seat)
            case "knock":
                post.knock(*(numbers or (1.5,)))
            case "push":
                post.push(*numbers)
            case "tip":
                post.tip(*numbers)
            case "shake":
                post.shake(*numbers)
            case "turn":
                post.turned = not post.turned
            case "noise":
                post.nature = replace(post.nature, noise_deg=numbers[0])
            case "drift":
                post.nature = replace(post.nature, drift_deg_per_min=numbers[0])
            case "zero":
                post.nature = replace(post.nature, zero_x_deg=numbers[0], zero_y_deg=numbers[1])
            case "freeze" | "thaw":
                post.frozen = order.word == "freeze"
            case "damage":
                self._damage = numbers[0]
            case "unplug":
                self.plugged = False
                self._back_s = now_s + numbers[0] if numbers else None
            case "plug":
                self.plugged = True
            case "quit":
                self.quitting = True

    def step(self, now_s: float, seconds: float) -> bytes:
        """Let time pass up to now; what the sensor sends then."""
        if self._back_s is not None and now_s >= self._back_s:
            self._back_s, self.plugged = None, True
        self._sample = self.post.advance(seconds)
        if self.voice.say is None or not self.plugged:
            return b""
        return damage(self.voice.say(now_s, *self._sample), self._damage, self._random)

    def answer(self, data: bytes) -> bytes:
        """What the sensor answers to bytes from the link, where it speaks only when asked."""
        return damage(self.modbus.hear(data, *self._sample), self._damage, self._random)


def record(stage: Stage, seconds: float, rate_hz: float, script: Script, capture: CaptureWriter) -> None:
    """Play into a capture, as fast as the computer can. Raises EntryError for an order that can't be done."""
    capture.event(0.0, "opened", "simulated")
    was_plugged = True
    orders = list(script)
    for count in range(1, math.floor(seconds * rate_hz + 1e-9) + 1):
        now_s = count / rate_hz
        while orders and orders[0][0] <= now_s:
            stage.obey(orders.pop(0)[1], now_s)
        data = stage.step(now_s, 1 / rate_hz)
        if stage.plugged != was_plugged:
            was_plugged = stage.plugged
            capture.event(now_s, *(("opened", "plugged in again") if was_plugged else ("error", "unplugged")))
        if data:
            capture.data(now_s, data)
        if stage.quitting:
            break
    capture.event(seconds, "closed")


def emit(
    stage: Stage,
    rate_hz: float,
    script: Script,
    write: Callable[[bytes], None],
    *,
    seconds: float,
    real_time: bool,
) -> None:
    """Play onto a stream of bytes; `real_time` False: as fast as it takes them."""
    orders = list(script)
    start_s = time.monotonic()
    count = 0
    while count < seconds * rate_hz - 1e-9 and not stage.quitting:
        count += 1
        now_s = count / rate_hz
        while orders and orders[0][0] <= now_s:
            stage.obey(orders.pop(0)[1], now_s)
        write(stage.step(now_s, 1 / rate_hz))
        if real_time:
            time.sleep(max(0.0, start_s + now_s - time.monotonic()))

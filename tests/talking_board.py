"""A receiver that prints its channel values, with a handset and an operator: in virtual time, or on a pty.

`TalkingBoard` stands for a serial line: `read` lets time pass. It hears what the operator is told, and does it.
What it knows of itself (`holds_s`) is the truth that the tool's uncertainty must hold. `PtyBoard` prints the same
in real time from a thread.
"""

from __future__ import annotations

import contextlib
import math
import os
import random
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Protocol

NS = 1_000_000_000


def tabs(at_s: float, codes: list[int]) -> str:
    return "\t".join(map(str, codes))


@dataclass
class TalkingBoard:
    """One board.

    Attributes
    ----------
    hold_s : float or None
        From the last packet to the failsafe; None holds for ever.
    lines_hz, packet_s : float
    late_s : float
        Each line reaches the host up to this much late.
    gather_s : float
        The port hands over what it has so often only; 0 at once.
    ceases : bool
        No line is printed any more once the handset is off.
    moves, obeys : bool
        What the operator does.
    pause_s : float
        How long the operator pauses once, after being told to switch off.
    failsafe : list of int
        Codes of roll, pitch, throttle, yaw.
    """

    hold_s: float | None = 0.5
    lines_hz: float = 50.0
    packet_s: float = 0.01
    late_s: float = 0.001
    gather_s: float = 0.0
    ceases: bool = False
    moves: bool = True
    obeys: bool = True
    pause_s: float = 0.0
    throttle: int = 180
    failsafe: list[int] = field(default_factory=lambda: [127, 127, 0, 127])
    text: Callable[[float, list[int]], str] = tabs
    seed: int = 1
    port: str = "virtual"
    baud: int = 250_000

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)
        self._now_s = 1.0
        self._line_s = 1.0 + self._random.random() / self.lines_hz
        self._phase_s = self._random.random() * self.packet_s
        self._queue: deque[tuple[float, bytes]] = deque()
        self._off: list[tuple[float, float]] = []  # from, until
        self._pause_from_s = math.inf
        self.holds_s: list[float] = []
        self.told: list[str] = []

    def clock_ns(self) -> int:
        return round(self._now_s * NS)

    def hear(self, text: str) -> None:
        """Take what the operator is told."""
        self.told.append(text)
        if text.startswith("NOW") and self.obeys:
            wait_s = 0.4 + self._random.random()
            self._pause_from_s = self._now_s + 0.1
            off_s = self._now_s + wait_s + self.pause_s * 2
            self._off.append((off_s, math.inf))
            if self.hold_s is not None:
                self.holds_s.append(self._last_packet_s(off_s) + self.hold_s - off_s)
        if text.startswith("Switch the handset on"):
            self._off[-1] = (self._off[-1][0], self._now_s + 0.2)

    def _last_packet_s(self, before_s: float) -> float:
        return math.floor((before_s - self._phase_s) / self.packet_s) * self.packet_s + self._phase_s

    def _codes(self, at_s: float) -> list[int]:
        off_s = next((begin for begin, end in self._off if begin <= at_s < end), math.inf)
        if self.hold_s is not None and at_s >= self._last_packet_s(min(off_s, 1e9)) + self.hold_s:
            return self.failsafe
        packet_s = self._last_packet_s(min(at_s, off_s))
        if self._pause_from_s <= packet_s < self._pause_from_s + self.pause_s:
            packet_s = self._pause_from_s
        turn = 2 * math.pi * packet_s * 0.9 if self.moves else 0.0
        return [round(127 + 100 * math.sin(turn)), round(127 + 100 * math.cos(turn)), self.throttle, 127]

    def now_prints(self, at_s: float) -> bytes:
        """Return the line of an instant, nothing when the board has ceased to print."""
        self._now_s = at_s
        return self._text(at_s)

    def _text(self, at_s: float) -> bytes:
        if self.ceases and any(begin <= at_s < end for begin, end in self._off):
            return b""
        return (self.text(at_s, self._codes(at_s)) + "\r\n").encode()

    def _print(self) -> None:
        at_s, self._line_s = self._line_s, self._line_s + 1 / self.lines_hz
        data = self._text(at_s)
        if not data:
            return
        there_s = at_s + len(data) * 10 / self.baud + 0.0005 + self._random.random() * self.late_s
        if self.gather_s:
            there_s = math.ceil(there_s / self.gather_s) * self.gather_s
        if self._queue:
            there_s = max(there_s, self._queue[-1][0])
        self._queue.append((there_s, data))

    def read(self, timeout_s: float) -> list[tuple[int, bytes]]:
        until_s = self._now_s + timeout_s
        while self._line_s <= until_s + 0.1:
            self._print()
        if not self._queue or self._queue[0][0] > until_s:
            self._now_s = until_s
            return []
        self._now_s = max(self._now_s, self._queue[0][0])
        data = b""
        while self._queue and self._queue[0][0] <= self._now_s:
            data += self._queue.popleft()[1]
        return [(self.clock_ns(), data)]

    def close(self) -> None:
        pass


class Prints(Protocol):
    """What a `PtyBoard` prints."""

    lines_hz: float

    def now_prints(self, at_s: float) -> bytes: ...


class PtyBoard:
    """A board that prints on a pty.

    Attributes
    ----------
    board : Prints
        What it prints, and the operator; its clock is the real one.
    port : str
    printed : int
        Lines so far.
    """

    def __init__(self, board: Prints) -> None:
        import pty
        import tty

        self.board = board
        self._master, self._slave = pty.openpty()
        tty.setraw(self._master)
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self.printed = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> PtyBoard:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()

    def unplug(self) -> None:
        """Take the board away."""
        self._stop.set()
        self._thread.join()
        for descriptor in (self._slave, self._master):
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._stop.wait(max(0.0, due_s - time.monotonic())):
            due_s = max(due_s + 1 / self.board.lines_hz, time.monotonic() - 0.1)
            data = self.board.now_prints(time.monotonic())
            self._write(data)
            self.printed += bool(data)

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody reads: the line is full
            os.write(self._master, data)

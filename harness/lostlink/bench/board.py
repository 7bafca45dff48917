"""A board that speaks the bench protocol: handshake, commands, reports, and both clocks."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from lostlink.bench import codec
from lostlink.bench.clocks import Alignment
from lostlink.bench.line import PortError, SerialLine
from lostlink.verdicts import counted

HANDSHAKE_S: Final = 3.0
ANSWER_S: Final = 1.0
_WAITS: Final = 100
PINGS_AT_START: Final = 20
_PING_EVERY_NS: Final = 100_000_000
_ROOM_FOR_PING_NS: Final = 2_000_000
"""No ping is sent this shortly before another message is due, because it would delay that message."""
_KEEP_ALIVE_NS: Final = 200_000_000
"""Longest time without a message while a run waits; without messages the board takes the host for lost."""
_SILENT_NS: Final = 3_000_000_000
_MOST_REPORTS: Final = 200_000
_HALF: Final = 1 << 31


class EndlessCounter:
    """Unwraps a 32-bit counter, from the first timestamp or a given one on."""

    def __init__(self, start_us: int | None = None) -> None:
        self._last = start_us

    def __call__(self, stamp_us: int) -> int:
        if self._last is None:
            self._last = stamp_us
        ahead = (stamp_us - self._last) & 0xFFFF_FFFF
        unwrapped_us = self._last + (ahead if ahead < _HALF else ahead - 2 * _HALF)
        self._last = max(self._last, unwrapped_us)
        return unwrapped_us


@dataclass(slots=True)
class Reports:
    """The reports of a board; times are microseconds of its own counter, unwrapped.

    Attributes
    ----------
    taken : list of (int, int)
        Number of a packet, and arrival of its last byte.
    frames : list of (int, int, tuple of int)
        Start, separator and widths.
    channels : list of (int, tuple of int)
    failsafe : list of (int, int)
    boots : list of (int, int)
        Time and cause.
    done : list of (int, int, int)
        Number of a packet or order with an instant, when it was carried out, and the result.
    left : list of (int, bytes)
        Of a handset: when a payload was handed to the radio, and the payload.
    """

    taken: list[tuple[int, int]] = field(default_factory=list)
    frames: list[tuple[int, int, tuple[int, ...]]] = field(default_factory=list)
    channels: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)
    failsafe: list[tuple[int, int]] = field(default_factory=list)
    boots: list[tuple[int, int]] = field(default_factory=list)
    done: list[tuple[int, int, int]] = field(default_factory=list)
    left: list[tuple[int, bytes]] = field(default_factory=list)

    def add(self, message: codec.Message, us: Callable[[int], int]) -> None:
        """Add a message, if it is a report; `us` unwraps its timestamps."""
        match message:
            case codec.Taken():
                self.taken.append((message.number, us(message.at_us)))
            case codec.Frame():
                self.frames.append((us(message.start_us), message.separator_us, message.widths_us))
            case codec.Channels():
                self.channels.append((us(message.at_us), message.widths_us))
            case codec.Failsafe():
                self.failsafe.append((us(message.at_us), int(bool(message.is_on))))
            case codec.Boot():
                self.boots.append((us(message.at_us), message.cause))
            case codec.Done():
                self.done.append((message.number, us(message.at_us), message.result))
            case codec.Left():
                self.left.append((us(message.at_us), message.payload))
            case _:
                pass

    def __len__(self) -> int:
        taken_and_frames = len(self.taken) + len(self.frames) + len(self.done)
        return taken_and_frames + len(self.channels) + len(self.failsafe) + len(self.boots) + len(self.left)


class BenchBoard:
    """A board behind an open line.

    Parameters
    ----------
    line : SerialLine
    handshake_s : float
        Longest wait for the identity.

    Raises
    ------
    PortError
        If it does not answer, or speaks another version of the protocol.

    Attributes
    ----------
    identity : codec.Identity
    alignment : Alignment
    reports : Reports
    guard : codec.Guard or None
        Protection of the board when the host is lost; None without one.
    queue : codec.Queue or None
        The board's queue, as it was last reported; None without one.
    heard_ns : int
        Arrival of the last whole frame.
    """

    def __init__(self, line: SerialLine, handshake_s: float = HANDSHAKE_S) -> None:
        self.line = line
        self._handshake_s = handshake_s
        self._decoder = codec.Decoder()
        self._number = 0
        self._raw = bytearray()  # the first bytes, for error messages
        self._counter = EndlessCounter()
        self._pings: dict[int, int] = {}
        self._token = 0
        self._pong_token = -1
        self._pinged_ns = 0
        self._identity: codec.Identity | None = None
        self.counters: codec.Counters | None = None
        self.guard: codec.Guard | None = None
        self.queue: codec.Queue | None = None
        self._sent_ns = 0
        self.reports = Reports()
        self.heard_ns = time.monotonic_ns()
        self.identity = self._handshake()
        self.alignment = Alignment(self.identity.tick_us)
        self.align(PINGS_AT_START)

    # --- out ------------------------------------------------------------------------------------------------

    def send(self, message: codec.Message) -> tuple[int, int]:
        """Send a message; return the host's monotonic nanoseconds before and after."""
        self._number += 1
        before_ns, self._sent_ns = self.line.write(codec.encode(message, self._number))
        return before_ns, self._sent_ns

    def ping(self) -> int:
        """Send a ping; return its token."""
        self._token = (self._token + 1) & 0xFFFF
        self._pings[self._token], _ = self.send(codec.Ping(self._token))
        self._pinged_ns = self._pings[self._token]
        return self._token

    # --- in -------------------------------------------------------------------------------------------------

    def pump(self, timeout_s: float) -> None:
        """Process the data that arrive within the timeout; return after the first.

        Raises
        ------
        PortError
            If the connection is lost, or the board floods it.
        """
        for stamp_ns, data in self.line.read(timeout_s):
            if len(self._raw) < 64:
                self._raw += data[:64]
            for message in self._decoder.feed(data):
                # Not earlier by the time of the bytes after it: a USB port or a pseudo-terminal has no baud rate.
                self.heard_ns = stamp_ns
                self._process(message, stamp_ns)
        if len(self.reports) > _MOST_REPORTS:
            raise PortError(self.line.port, f"the board floods the line with reports ({len(self.reports)} waiting)")

    def wait(self, free_ns: int) -> None:
        """Use free time: read, and ping at intervals.

        Raises
        ------
        PortError
            If the connection is lost or the board does not respond.
        """
        if time.monotonic_ns() - self.heard_ns > _SILENT_NS:
            self.answered(self.ping())
        now_ns = time.monotonic_ns()
        is_room = free_ns > _ROOM_FOR_PING_NS and now_ns - self._pinged_ns > _PING_EVERY_NS
        if is_room or now_ns - self._sent_ns > _KEEP_ALIVE_NS:
            self.ping()
        self.pump(min(free_ns, _ROOM_FOR_PING_NS) / 1e9 if free_ns > _ROOM_FOR_PING_NS else free_ns / 1e9)

    def _process(self, message: codec.Message, stamp_ns: int) -> None:
        if isinstance(message, codec.Boot) and message.cause == codec.POWER_ON and self._identity is not None:
            self._counter = EndlessCounter()
            self._pings.clear()
            self.align_anew()
        us = self._counter
        self.reports.add(message, us)
        match message:
            case codec.Pong():
                self._pong_token = message.token
                sent_ns = self._pings.pop(message.token, None)
                if sent_ns is not None and self._identity is not None:
                    received, answered = us(message.received_us), us(message.sent_us)
                    self.alignment.add(sent_ns / 1000, received, answered, stamp_ns / 1000)
            case codec.Identity():
                self._identity = message
            case codec.Counters():
                self.counters = message
            case codec.Guard():
                self.guard = message
            case codec.Queue():
                self.queue = message
            case _:
                pass

    def frame_errors(self) -> tuple[int, int]:
        """Return the numbers of damaged and of missing frames."""
        errors = self._decoder.errors
        return errors.damaged + errors.too_long, errors.missing

    # --- exchanges --------------------------------------------------------------------------------------------

    def _handshake(self) -> codec.Identity:
        until_s = time.monotonic() + self._handshake_s
        while (identity := self._identity) is None and time.monotonic() < until_s:
            self.send(codec.Identify())
            asked_s = time.monotonic()
            while self._identity is None and time.monotonic() - asked_s < 0.1:
                self.pump(0.05)
        if identity is None:
            raise self._unidentified()
        if identity.version != codec.VERSION:
            raise PortError(
                self.line.port,
                f"the board speaks version {identity.version} of the bench protocol, this tool speaks "
                f"{codec.VERSION}; build its firmware with the bench.c of this version",
            )
        return identity

    def _unidentified(self) -> PortError:
        """Return an error that describes what arrived in place of an identity."""
        port, waited = self.line.port, f"in {self._handshake_s:g} s"
        if not self._raw:
            hint = "is it the right port, is the board powered, does its firmware contain bench.c?"
            return PortError(port, f"no answer {waited}", hint)
        printable = sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in self._raw)
        if printable > 0.9 * len(self._raw):
            text = bytes(self._raw[:40]).decode("ascii", "replace").split("\n")[0].strip()
            hint = "listen with `lostlink watch`"
            return PortError(port, f"the board prints text ({text!r}) and does not speak the bench protocol", hint)
        shown, hint = bytes(self._raw[:16]).hex(" "), f"is {self.line.baud} baud right?"
        return PortError(port, f"no frame of the bench protocol {waited}, but bytes such as {shown}", hint)

    @property
    def keeps_time(self) -> bool:
        """Whether packets and orders can be sent ahead, with instants of the board's clock."""
        return bool(self.identity.abilities & codec.KEEPS_TIME) and self.queue is not None

    def clear_queue(self) -> codec.Queue | None:
        """Discard what waits for its instant; return the state of the queue, None for a board without one."""
        if self.keeps_time:
            self.send(codec.Clear())
            self.answered(self.ping())
        return self.queue

    def align_anew(self) -> None:
        """Discard all exchanges, after a jump of the board's clock."""
        if self._identity is not None:
            self.alignment = Alignment(self._identity.tick_us)

    def align(self, pings: int) -> None:
        """Exchange some pings, at uneven intervals so that they do not lock to an adapter's timer.

        Raises
        ------
        PortError
            If the board does not answer.
        """
        for number in range(pings):
            self.answered(self.ping())
            self.pump(0.000_5 * (1 + (number * 7) % 5))

    def answered(self, token: int) -> None:
        """Wait for the answer to a ping; all earlier reports have then arrived too.

        Raises
        ------
        PortError
            If it does not arrive.
        """
        # Waits are counted as well as timed, so that a stall of the host does not count as one of the board.
        until_s, waits = time.monotonic() + ANSWER_S, 0
        while waits < _WAITS or time.monotonic() < until_s:
            self.pump(ANSWER_S / _WAITS)
            if not (token - self._pong_token) & 0xFFFF:
                return
            waits += 1
            if waits % (_WAITS // 5) == 0:  # the ping or its answer may have been lost
                token = self.ping()
        damaged, _ = self.frame_errors()
        why = f"; {counted(damaged, 'frame')} damaged" if damaged else ""
        raise PortError(self.line.port, f"the board is not responding (no answer to pings in {ANSWER_S:g} s{why})")

    def take_reports(self) -> Reports:
        """Return the reports since the last call."""
        reports, self.reports = self.reports, Reports()
        return reports

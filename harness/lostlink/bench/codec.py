"""Messages of the bench protocol, to bytes and back. No port and no clock in here.

A frame on the line is ``00 COBS(type, number, payload, CRC) 00``. The CRC is CRC-16/IBM-3740 over type, number and
payload, low byte first. Numbers count frames modulo 256, each side its own. All integers are little-endian. The
protocol is told for authors of firmware in ``fixtures/board/PROTOCOL.md``.

COBS is Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7:159, 1999.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from dataclasses import dataclass
from typing import ClassVar, Final

VERSION: Final = 1
LONGEST_FRAME: Final = 64
"""Most bytes of type, number, payload and CRC together."""
STAY_DOWN: Final = 0xFFFF_FFFF
"""Length of a reset that only the next reset ends."""
DELIMITER: Final = b"\0"
_CRC_START: Final = 0xFFFF


class CobsError(ValueError):
    """A block that cannot be COBS."""


def cobs_encode(data: bytes) -> bytes:
    """Return `data` without zero bytes, one byte longer for every 254 or part of them."""
    out = bytearray()
    parts = data.split(DELIMITER)
    for place, part in enumerate(parts):
        full = False
        while len(part) >= 254:
            out += b"\xff" + part[:254]
            part, full = part[254:], True
        if part or not full or place < len(parts) - 1:
            out += bytes([len(part) + 1]) + part
    return bytes(out)


def cobs_decode(block: bytes) -> bytes:
    """Return what `cobs_encode` was given.

    Raises
    ------
    CobsError
        If the block holds a zero, is empty, or ends too early.
    """
    out = bytearray()
    place, end = 0, len(block)
    if not end:
        raise CobsError("empty block")
    while place < end:
        code = block[place]
        part = block[place + 1 : place + code]
        if not code or 0 in part:
            raise CobsError("zero byte inside a block")
        if len(part) != code - 1:
            raise CobsError("block ends too early")
        out += part
        place += code
        if code < 0xFF and place < end:
            out.append(0)
    return bytes(out)


# --- messages -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Identify:
    """Host asks who is there; `version` is the host's."""

    TYPE: ClassVar[int] = 0x01
    LAYOUT: ClassVar[str] = "<B"
    version: int = VERSION


@dataclass(frozen=True, slots=True)
class Ping:
    """Host asks for the board's clock."""

    TYPE: ClassVar[int] = 0x02
    LAYOUT: ClassVar[str] = "<H"
    token: int


@dataclass(frozen=True, slots=True)
class Packet:
    """A payload that the radio would have handed over."""

    TYPE: ClassVar[int] = 0x03
    LAYOUT: ClassVar[str] = "<B*"
    number: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Reset:
    """The program stops at once and begins anew after `down_us`; `STAY_DOWN` waits for the next reset."""

    TYPE: ClassVar[int] = 0x04
    LAYOUT: ClassVar[str] = "<I"
    down_us: int = 0


@dataclass(frozen=True, slots=True)
class SetClock:
    """What the program's own clock shows when it next begins."""

    TYPE: ClassVar[int] = 0x05
    LAYOUT: ClassVar[str] = "<I"
    clock_us: int


@dataclass(frozen=True, slots=True)
class Hang:
    """The main loop hangs for a time; interrupts go on."""

    TYPE: ClassVar[int] = 0x06
    LAYOUT: ClassVar[str] = "<I"
    for_us: int


CAN_RESET: Final = 1
CAN_SET_CLOCK: Final = 2
CAN_HANG: Final = 4
REPORTS_FRAMES: Final = 8
"""What a board can do, as bits of `Identity.abilities`."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Board says who it is."""

    TYPE: ClassVar[int] = 0x81
    LAYOUT: ClassVar[str] = "<BBBB*"
    version: int
    abilities: int
    channels: int
    tick_us: int
    """The board's stamps are multiples of this."""
    name: bytes


@dataclass(frozen=True, slots=True)
class Pong:
    """Board's clock when the ping was complete and when this answer was begun."""

    TYPE: ClassVar[int] = 0x82
    LAYOUT: ClassVar[str] = "<HII"
    token: int
    received_us: int
    sent_us: int


@dataclass(frozen=True, slots=True)
class Taken:
    """A packet was complete at `at_us`."""

    TYPE: ClassVar[int] = 0x83
    LAYOUT: ClassVar[str] = "<BI"
    number: int
    at_us: int


@dataclass(frozen=True, slots=True)
class Channels:
    """New channel values."""

    TYPE: ClassVar[int] = 0x84
    LAYOUT: ClassVar[str] = "<I+"
    at_us: int
    widths_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole pulse frame went out; it began at `start_us`."""

    TYPE: ClassVar[int] = 0x85
    LAYOUT: ClassVar[str] = "<IH+"
    start_us: int
    separator_us: int
    widths_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Failsafe:
    """The program entered or left failsafe; the last packet before that, and when it was complete."""

    TYPE: ClassVar[int] = 0x86
    LAYOUT: ClassVar[str] = "<IBBI"
    at_us: int
    is_on: int
    last_number: int
    last_at_us: int


POWER_ON: Final = 1
COMMANDED: Final = 2
WATCHDOG: Final = 3
CAUSES: Final = {POWER_ON: "power-on", COMMANDED: "commanded reset", WATCHDOG: "watchdog"}


@dataclass(frozen=True, slots=True)
class Boot:
    """The program began."""

    TYPE: ClassVar[int] = 0x87
    LAYOUT: ClassVar[str] = "<IB"
    at_us: int
    cause: int


@dataclass(frozen=True, slots=True)
class Counters:
    """Frames that the board received whole, frames that were damaged, bytes for which it had no room."""

    TYPE: ClassVar[int] = 0x88
    LAYOUT: ClassVar[str] = "<III"
    received: int
    damaged: int
    overrun: int


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges of the pulse train, over a port of their own.

    The first was at `at_us` and left the line at `level`; the others followed after `steps_us`, up and down in turn.
    """

    TYPE: ClassVar[int] = 0x89
    LAYOUT: ClassVar[str] = "<IB+"
    at_us: int
    level: int
    steps_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Guard:
    """The board stops its outputs after `silence_us` without a message from the host; it did so `losses` times."""

    TYPE: ClassVar[int] = 0x8A
    LAYOUT: ClassVar[str] = "<IB"
    silence_us: int
    losses: int


Message = (
    Identify | Ping | Packet | Reset | SetClock | Hang
    | Identity | Pong | Taken | Channels | Frame | Failsafe | Boot | Counters | Edges | Guard
)  # fmt: skip
_KINDS: Final = {
    kind.TYPE: kind
    for kind in (
        Identify, Ping, Packet, Reset, SetClock, Hang,
        Identity, Pong, Taken, Channels, Frame, Failsafe, Boot, Counters, Edges, Guard,
    )
}  # fmt: skip
_FIXED: Final = {number: struct.Struct(kind.LAYOUT.rstrip("*+")) for number, kind in _KINDS.items()}
_REST: Final = {number: kind.LAYOUT[-1] for number, kind in _KINDS.items()}


def encode(message: Message, number: int) -> bytes:
    """Return a message as a frame, with a delimiter before and after.

    The one before lets a reader find its feet after noise: without it, a flipped bit that makes a delimiter
    would spoil the whole frame that follows.

    Raises
    ------
    ValueError
        If it is too long for a frame.
    struct.error
        If a field is out of range.
    """
    kind = message.TYPE
    fields = [getattr(message, name) for name in message.__slots__]
    rest = b""
    if _REST[kind] in "*+":
        last = fields.pop()
        rest = last if isinstance(last, bytes) else struct.pack(f"<{len(last)}H", *last)
    body = bytes([kind, number & 0xFF]) + _FIXED[kind].pack(*fields) + rest
    if len(body) + 2 > LONGEST_FRAME:
        raise ValueError(f"a frame holds at most {LONGEST_FRAME} bytes, this one has {len(body) + 2}")
    return DELIMITER + cobs_encode(body + crc_hqx(body, _CRC_START).to_bytes(2, "little")) + DELIMITER


def _parse(body: bytes) -> Message | None:
    """Return the message in a frame whose CRC is right; None for a type or length that nobody knows."""
    kind = _KINDS.get(body[0])
    if kind is None:
        return None
    fixed, rest, payload = _FIXED[body[0]], _REST[body[0]], body[2:-2]
    left = len(payload) - fixed.size
    if left < 0 or (rest == "+" and left % 2) or (rest not in "*+" and left):
        return None
    fields = list(fixed.unpack_from(payload))
    if rest == "*":
        fields.append(payload[fixed.size :])
    elif rest == "+":
        fields.append(struct.unpack_from(f"<{left // 2}H", payload, fixed.size))
    return kind(*fields)


@dataclass(slots=True)
class Spoiled:
    """What a decoder could not use.

    Attributes
    ----------
    damaged : int
        Blocks that were no COBS, too short, or had a wrong CRC.
    too_long : int
        Blocks longer than any frame.
    unknown : int
        Whole frames of a type or length that this version does not know.
    missing : int
        Frames that must have been lost, by their numbers.
    """

    damaged: int = 0
    too_long: int = 0
    unknown: int = 0
    missing: int = 0


class Decoder:
    """Finds messages in bytes that come in pieces of any size; after noise it begins anew at the next delimiter.

    Attributes
    ----------
    spoiled : Spoiled
    good : int
        Whole frames so far.
    """

    def __init__(self) -> None:
        self.spoiled = Spoiled()
        self.good = 0
        self._rest = b""
        self._skip = False  # inside a block that is too long already
        self._number: int | None = None

    def feed(self, data: bytes) -> list[Message]:
        """Take more bytes; return the messages that they complete."""
        return [message for message, _ in self.feed_placed(data)]

    def feed_placed(self, data: bytes) -> list[tuple[Message, int]]:
        """Take more bytes; return messages, each with the number of bytes that came after it in `data`."""
        *blocks, rest = data.split(DELIMITER)
        found, after = [], len(data)
        for block in blocks:
            after -= len(block) + 1
            whole, self._rest = self._rest + block, b""
            if self._skip:
                self._skip = False
                self.spoiled.too_long += 1
            elif whole and (message := self._block(whole)) is not None:
                found.append((message, after))
        self._keep(self._rest + rest)
        return found

    def _keep(self, rest: bytes) -> None:
        if len(rest) > LONGEST_FRAME + 1:
            self._skip, rest = True, b""
        self._rest = rest

    def _block(self, block: bytes) -> Message | None:
        if len(block) > LONGEST_FRAME + 1:
            self.spoiled.too_long += 1
            return None
        try:
            body = cobs_decode(block)
        except CobsError:
            self.spoiled.damaged += 1
            return None
        if len(body) < 4 or crc_hqx(body[:-2], _CRC_START) != int.from_bytes(body[-2:], "little"):
            self.spoiled.damaged += 1
            return None
        self.good += 1
        if self._number is not None:
            self.spoiled.missing += (body[1] - self._number - 1) & 0xFF
        self._number = body[1]
        message = _parse(body)
        if message is None:
            self.spoiled.unknown += 1
        return message

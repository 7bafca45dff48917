"""Encodes and decodes the messages of the bench protocol. Pure: no port, no clock.

A frame on the line is ``00 COBS(type, number, payload, CRC) 00``. The CRC is CRC-16/IBM-3740 over type, number and
payload, low byte first. Each side numbers its frames modulo 256. All integers are little-endian. For authors of
firmware the protocol is described in ``fixtures/board/PROTOCOL.md``.

COBS is Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7:159, 1999.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

VERSION: Final = 1
LONGEST_FRAME: Final = 64
"""Maximum length of type, number, payload and CRC together, in bytes."""
STAY_DOWN: Final = 0xFFFF_FFFF
"""Duration of a reset that lasts until the next reset."""
DELIMITER: Final = b"\0"
_CRC_START: Final = 0xFFFF


class CobsError(ValueError):
    """A block that is not valid COBS."""


def cobs_encode(data: bytes) -> bytes:
    """Return `data` without zero bytes, longer by one byte for every 254 bytes or part of them."""
    out = bytearray()
    parts = data.split(DELIMITER)
    for index, part in enumerate(parts):
        full = False
        while len(part) >= 254:
            out += b"\xff" + part[:254]
            part, full = part[254:], True
        if part or not full or index < len(parts) - 1:
            out += bytes([len(part) + 1]) + part
    return bytes(out)


def cobs_decode(block: bytes) -> bytes:
    """Return the data of a COBS block.

    Raises
    ------
    CobsError
        If the block contains a zero, is empty, or ends too early.
    """
    out = bytearray()
    index, end = 0, len(block)
    if not end:
        raise CobsError("empty block")
    while index < end:
        code = block[index]
        part = block[index + 1 : index + code]
        if not code or 0 in part:
            raise CobsError("zero byte inside a block")
        if len(part) != code - 1:
            raise CobsError("block ends too early")
        out += part
        index += code
        if code < 0xFF and index < end:
            out.append(0)
    return bytes(out)


# --- messages -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Identify:
    """Host asks for the board's identity; `version` is the host's."""

    version: int = VERSION


@dataclass(frozen=True, slots=True)
class Ping:
    """Host asks for the board's clock."""

    token: int


@dataclass(frozen=True, slots=True)
class Packet:
    """A payload, as the radio would deliver it; for a handset, what its inputs show (`inputs_payload`)."""

    number: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Reset:
    """The program stops at once and restarts after `down_us`; `STAY_DOWN` waits for the next reset."""

    down_us: int = 0


@dataclass(frozen=True, slots=True)
class SetClock:
    """Value of the program's own clock at its next start."""

    clock_us: int


@dataclass(frozen=True, slots=True)
class Hang:
    """The main loop hangs for a time; interrupts continue."""

    for_us: int


@dataclass(frozen=True, slots=True)
class PacketAt:
    """A payload that the radio delivers at an instant of the board's clock; `number` counts these and `OrderAt`."""

    number: int
    at_us: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class OrderAt:
    """A `Reset`, `SetClock` or `Hang` at an instant of the board's clock: its type and its value."""

    number: int
    at_us: int
    order: int
    value_us: int


@dataclass(frozen=True, slots=True)
class Clear:
    """Host discards all that waits for its instant; the board answers with `Queue`."""


CAN_RESET: Final = 1
CAN_SET_CLOCK: Final = 2
CAN_HANG: Final = 4
REPORTS_FRAMES: Final = 8
KEEPS_TIME: Final = 16
IS_HANDSET: Final = 32
"""Abilities of a board, as bits of `Identity.abilities`."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Identity of the board."""

    version: int
    abilities: int
    channels: int
    tick_us: int
    """Resolution of the board's time stamps."""
    name: bytes


@dataclass(frozen=True, slots=True)
class Pong:
    """Board's clock when the ping was complete and when this answer began."""

    token: int
    received_us: int
    sent_us: int


@dataclass(frozen=True, slots=True)
class Taken:
    """A packet was complete at `at_us`."""

    number: int
    at_us: int


@dataclass(frozen=True, slots=True)
class Channels:
    """New channel values."""

    at_us: int
    widths_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Frame:
    """A complete pulse frame was output; it began at `start_us`."""

    start_us: int
    separator_us: int
    widths_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Failsafe:
    """The program entered or left failsafe; the last packet before that, and when it was complete."""

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
    """The program started."""

    at_us: int
    cause: int


@dataclass(frozen=True, slots=True)
class Counters:
    """Frames that the board received whole, damaged frames, and bytes lost because its buffer was full."""

    received: int
    damaged: int
    overrun: int


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges of the pulse train, over a separate port.

    The first was at `at_us`, to `level`; the others followed after `steps_us`, in alternating directions.
    """

    at_us: int
    level: int
    steps_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Guard:
    """The board stops its outputs after `silence_us` without a message from the host; this happened `losses` times."""

    silence_us: int
    losses: int


AS_ORDERED: Final = 0
RESULTS: Final = {
    AS_ORDERED: "carried out", 1: "too late", 2: "no room in the board's queue", 3: "not read by the board's program",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Done:
    """What became of a `PacketAt` or `OrderAt`, and when; `result` is one of `RESULTS`."""

    number: int
    at_us: int
    result: int


@dataclass(frozen=True, slots=True)
class Queue:
    """Size of the board's queue in bytes, how many wait in it, and what became of all since power-on."""

    room_bytes: int
    queued: int
    accepted: int
    done: int
    refused: int
    cleared: int


@dataclass(frozen=True, slots=True)
class Left:
    """A handset's program handed a payload to its radio."""

    at_us: int
    payload: bytes


Message = (
    Identify | Ping | Packet | Reset | SetClock | Hang | PacketAt | OrderAt | Clear
    | Identity | Pong | Taken | Channels | Frame | Failsafe | Boot | Counters | Edges | Guard | Done | Queue
    | Left
)  # fmt: skip
_LAYOUTS: Final[dict[int, tuple[type[Message], str]]] = {
    0x01: (Identify, "<B"),
    0x02: (Ping, "<H"),
    0x03: (Packet, "<B*"),
    0x04: (Reset, "<I"),
    0x05: (SetClock, "<I"),
    0x06: (Hang, "<I"),
    0x07: (PacketAt, "<BI*"),
    0x08: (OrderAt, "<BIBI"),
    0x09: (Clear, "<"),
    0x81: (Identity, "<BBBB*"),
    0x82: (Pong, "<HII"),
    0x83: (Taken, "<BI"),
    0x84: (Channels, "<I+"),
    0x85: (Frame, "<IH+"),
    0x86: (Failsafe, "<IBBI"),
    0x87: (Boot, "<IB"),
    0x88: (Counters, "<III"),
    0x89: (Edges, "<IB+"),
    0x8A: (Guard, "<IB"),
    0x8B: (Done, "<BIB"),
    0x8C: (Queue, "<HHIIII"),
    0x8D: (Left, "<I*"),
}
"""Class and layout of each type: a `struct` format; at its end ``*`` for bytes and ``+`` for 16-bit values."""
TYPES: Final[dict[type[Message], int]] = {kind: number for number, (kind, _) in _LAYOUTS.items()}
_FIXED: Final = {number: struct.Struct(layout.rstrip("*+")) for number, (_, layout) in _LAYOUTS.items()}
_REST: Final = {number: layout[-1] for number, (_, layout) in _LAYOUTS.items()}


def inputs_payload(readings: Sequence[int], switches: Sequence[int]) -> bytes:
    """Return what the ADC and the switches of a handset show, as a `Packet` carries it."""
    return struct.pack(f"<{len(readings)}H", *readings) + bytes(switches)


def encode(message: Message, number: int) -> bytes:
    """Return a message as a frame, with a delimiter before and after.

    The first delimiter resynchronises the reader after noise, so that noise does not damage the following frame.

    Raises
    ------
    ValueError
        If it is too long for a frame.
    struct.error
        If a field is out of range.
    """
    kind = TYPES[type(message)]
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
    """Return the message in a frame with a correct CRC; None for an unknown type or length."""
    if body[0] not in _LAYOUTS:
        return None
    kind, _ = _LAYOUTS[body[0]]
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
class DecodeErrors:
    """Counts of what a decoder could not use.

    Attributes
    ----------
    damaged : int
        Blocks that were not COBS, too short, or had a wrong CRC.
    too_long : int
        Blocks longer than a frame can be.
    unknown : int
        Whole frames of unknown type or length.
    missing : int
        Lost frames, according to the frame numbers.
    """

    damaged: int = 0
    too_long: int = 0
    unknown: int = 0
    missing: int = 0


class Decoder:
    """Incremental decoder for pieces of any size; after noise it resynchronises at the next delimiter.

    Attributes
    ----------
    errors : DecodeErrors
    good : int
        Whole frames so far.
    """

    def __init__(self) -> None:
        self.errors = DecodeErrors()
        self.good = 0
        self._rest = b""
        self._skip = False  # inside a block that is already too long
        self._number: int | None = None

    def feed(self, data: bytes) -> list[Message]:
        """Decode more bytes; return the messages that they complete."""
        *blocks, rest = data.split(DELIMITER)
        messages = []
        for block in blocks:
            whole, self._rest = self._rest + block, b""
            if self._skip:
                self._skip = False
                self.errors.too_long += 1
            elif whole and (message := self._block(whole)) is not None:
                messages.append(message)
        self._rest += rest
        if len(self._rest) > LONGEST_FRAME + 1:
            self._skip, self._rest = True, b""
        return messages

    def _block(self, block: bytes) -> Message | None:
        if len(block) > LONGEST_FRAME + 1:
            self.errors.too_long += 1
            return None
        try:
            body = cobs_decode(block)
        except CobsError:
            self.errors.damaged += 1
            return None
        if len(body) < 4 or crc_hqx(body[:-2], _CRC_START) != int.from_bytes(body[-2:], "little"):
            self.errors.damaged += 1
            return None
        self.good += 1
        if self._number is not None:
            self.errors.missing += (body[1] - self._number - 1) & 0xFF
        self._number = body[1]
        message = _parse(body)
        if message is None:
            self.errors.unknown += 1
        return message

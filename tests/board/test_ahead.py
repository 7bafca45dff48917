"""Packets and orders that are sent ahead: the board's queue in virtual time, against a model of its own.

The model keeps a list and shares nothing with bench.c but PROTOCOL.md.
"""

from __future__ import annotations

import ctypes
import random
import subprocess
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from lostlink.bench import codec
from lostlink.bench.codec import Clear, Decoder, Done, Guard, Hang, OrderAt, Packet, PacketAt, Ping, Pong, Queue, Reset

FIXTURES = Path(__file__).parents[2] / "fixtures" / "board"
ROOM = 256
RESET, SET_CLOCK, HANG = 4, 5, 6
WORD = 0xFFFF_FFFF


class Board:
    """The board's side: driver.c around bench.c."""

    def __init__(self, path: Path) -> None:
        self._library = ctypes.CDLL(str(path))
        self._library.driver_packet.restype = ctypes.c_uint8
        self._library.driver_sent.restype = self._library.driver_orders.restype = ctypes.c_uint32
        self._library.driver_next.restype = self._library.driver_host_lost.restype = ctypes.c_bool
        self._out = ctypes.create_string_buffer(65_536)
        self.begin()

    def begin(self, abilities: int = 31) -> None:
        self._library.driver_begin(b"board", 8, abilities)
        self.number = 0

    def feed(self, data: bytes, now_us: int) -> list[codec.Message]:
        self._library.driver_feed(data, len(data), ctypes.c_uint32(now_us & WORD))
        return self.said()

    def say(self, message: codec.Message, now_us: int) -> list[codec.Message]:
        self.number += 1
        return self.feed(codec.encode(message, self.number), now_us)

    def due(self, now_us: int) -> list[codec.Message]:
        self._library.driver_due(ctypes.c_uint32(now_us & WORD))
        return self.said()

    def next(self) -> int | None:
        at_us = ctypes.c_uint32()
        return at_us.value if self._library.driver_next(ctypes.byref(at_us)) else None

    def host_lost(self, now_us: int) -> bool:
        return bool(self._library.driver_host_lost(ctypes.c_uint32(now_us & WORD)))

    def said(self) -> list[codec.Message]:
        length = self._library.driver_sent(self._out)
        return Decoder().feed(self._out.raw[:length])

    def packets(self) -> list[bytes]:
        """Return the packets that wait for the program."""
        payload, found = ctypes.create_string_buffer(32), []
        while length := self._library.driver_packet(payload):
            found.append(payload.raw[:length])
        return found

    def orders(self) -> list[tuple[int, int]]:
        pairs = (ctypes.c_uint32 * 1024)()
        count = self._library.driver_orders(pairs)
        return [(pairs[2 * i], pairs[2 * i + 1]) for i in range(count)]


@pytest.fixture(scope="module")
def driver(compile_c: Callable[..., Path]) -> Path:
    source = Path(__file__).with_name("driver.c")
    return compile_c("ahead.so", "-O2", "-shared", "-fPIC", source, FIXTURES / "bench.c")


@pytest.fixture
def board(driver: Path) -> Board:
    return Board(driver)


def queue_of(board: Board, now_us: int = 0) -> Queue:
    """Return what the board says of its queue, and empty it."""
    (told,) = board.say(Clear(), now_us)
    assert isinstance(told, Queue)
    return told


# --- one by one -----------------------------------------------------------------------------------------------------


def test_each_at_its_instant(board: Board) -> None:
    """Nothing happens before; the answer holds a packet's own instant, however late the program asks."""
    assert board.say(PacketAt(0, 1_000, b"one"), 10) == []
    assert board.say(OrderAt(1, 2_000, HANG, 77), 20) == []
    assert board.say(PacketAt(2, 3_000, b"two"), 30) == []
    assert board.next() == 1_000
    assert (board.due(999), board.packets()) == ([], [])
    assert (board.due(1_000), board.packets()) == ([Done(0, 1_000, 0)], [b"one"])
    assert board.next() == 2_000
    assert (board.due(2_003), board.orders()) == ([Done(1, 2_003, 0)], [(HANG, 77)])
    assert (board.due(9_000), board.packets()) == ([Done(2, 3_000, 0)], [b"two"])
    assert (board.next(), board.due(10_000)) == (None, [])
    assert queue_of(board) == Queue(ROOM, 0, 3, 3, 0, 0)


def test_ties_keep_their_order(board: Board) -> None:
    """A reset between two packets of the same instant discards the one before it, and not the one behind it."""
    for message in (PacketAt(0, 500, b"a"), OrderAt(1, 500, RESET, 9), PacketAt(2, 500, b"b")):
        assert board.say(message, 3) == []
    assert board.due(500) == [Done(0, 500, 0), Done(1, 500, 0), Done(2, 500, 0)]
    assert (board.packets(), board.orders()) == ([b"b"], [(RESET, 9)])


@pytest.mark.parametrize(
    ("at_us", "now_us", "result"),
    [
        (100, 100, None),
        (100, 101, 1),
        (0, WORD, None),
        (WORD, 0, 1),
        (0x7FFF_FFFF, 0, None),
        (0x8000_0001, 0, 1),
    ],
)
def test_what_is_too_late(board: Board, at_us: int, now_us: int, result: int | None) -> None:
    """At the very instant it is in time; the counter may wrap; half of its range is the past."""
    expected = [] if result is None else [Done(5, now_us, result)]
    assert board.say(PacketAt(5, at_us, b"x"), now_us) == expected
    assert board.due(at_us) == ([Done(5, at_us, 0)] if result is None else [])
    assert board.packets() == ([b"x"] if result is None else [])
    assert queue_of(board).refused == (0 if result is None else 1)


def test_an_order_before_the_last_one_is_too_late(board: Board) -> None:
    assert board.say(PacketAt(0, 1_000, b"x"), 0) == []
    assert board.say(PacketAt(1, 999, b"y"), 0) == [Done(1, 0, 1)]
    assert board.say(PacketAt(2, 1_000, b"z"), 0) == []
    board.due(1_000)
    assert board.packets() == [b"x", b"z"]


def test_a_full_queue_refuses(board: Board) -> None:
    """Six bytes and the payload each; what was refused leaves the rest as it was."""
    fits = ROOM // (6 + 9)
    for number in range(fits):
        assert board.say(PacketAt(number, 1_000 * (number + 1), bytes([number + 1] * 9)), 0) == []
    assert board.say(PacketAt(fits, 90_000, bytes(9)), 7) == [Done(fits, 7, 2)]
    assert board.say(OrderAt(fits, 90_000, RESET, 0), 8) == ([] if ROOM % 15 >= 10 else [Done(fits, 8, 2)])
    assert board.due(1_000) == [Done(0, 1_000, 0)]
    assert board.packets() == [bytes([1] * 9)]
    assert board.say(PacketAt(fits, 90_000, b"123456789"), 1_500) == []
    for number in range(1, fits):
        assert board.due(1_000 * (number + 1)) == [Done(number, 1_000 * (number + 1), 0)]
        assert board.packets() == [bytes([number + 1] * 9)]
    board.due(90_000)
    assert board.packets() == [b"123456789"]


def test_a_program_that_does_not_read_loses_the_fifth(board: Board) -> None:
    """As from a radio: four wait, the others are lost and told."""
    for number in range(6):
        board.say(PacketAt(number, 100 + number, bytes([number])), 0)
    assert board.due(1_000) == [Done(n, 100 + n, 0 if n < 4 else 3) for n in range(6)]
    assert board.packets() == [bytes([n]) for n in range(4)]


@pytest.mark.parametrize("end", ["clear", "reset", "host lost"])
def test_nothing_starts_a_board_that_was_stopped(board: Board, end: str) -> None:
    """`Clear`, an immediate `Reset` and the loss of the host empty the queue."""
    for number in range(3):
        board.say(PacketAt(number, 2_000_000 + number, b"full throttle"), 0)
    if end == "clear":
        assert board.say(Clear(), 5) == [Queue(ROOM, 0, 3, 0, 0, 3)]
    elif end == "reset":
        assert board.say(Reset(codec.STAY_DOWN), 5) == []
    else:
        assert not board.host_lost(999_999)
        assert board.host_lost(1_000_000), "orders with an instant open a session too"
        assert board.said() == [Guard(1_000_000, 1)]
    assert (board.next(), board.due(3_000_000), board.packets()) == (None, [], [])
    told = queue_of(board)
    assert (told.queued, told.cleared) == (0, 3)


def test_a_reset_in_the_queue_keeps_what_is_behind_it(board: Board) -> None:
    board.say(OrderAt(0, 100, RESET, 0), 0)
    board.say(PacketAt(1, 200, b"later"), 0)
    board.due(100)
    assert board.due(200) == [Done(1, 200, 0)]
    assert board.packets() == [b"later"]


def test_immediate_messages_are_obeyed_meanwhile(board: Board) -> None:
    board.say(PacketAt(0, 100, b"later"), 0)
    assert board.say(Packet(9, b"now"), 50) == [codec.Taken(9, 50)]
    assert board.packets() == [b"now"]
    assert board.say(Ping(3), 60) == [Pong(3, 60, 60)]
    board.due(100)
    assert board.packets() == [b"later"]


@pytest.mark.parametrize(
    "body",
    [b"\x07\0" + bytes(5), b"\x07\0" + bytes(38), b"\x08\0" + bytes(9), b"\x08\0" + bytes(11), b"\x09\0\0",
     b"\x08\0\0\xff\0\0\0\3\0\0\0\0", b"\x08\0\0\xff\0\0\0\7\0\0\0\0"],
    ids=bytes.hex,
)  # fmt: skip
def test_wrong_lengths_and_orders_are_dropped(board: Board, body: bytes) -> None:
    from binascii import crc_hqx

    whole = body + crc_hqx(body, 0xFFFF).to_bytes(2, "little")
    assert board.feed(b"\0" + codec.cobs_encode(whole) + b"\0", 0) == []
    assert (board.next(), queue_of(board)) == (None, Queue(ROOM, 0, 0, 0, 0, 0))


def test_a_repeated_frame_is_carried_out_and_told_twice(board: Board) -> None:
    """The board keeps no history; the host, which counts the answers, discards the run."""
    frame = codec.encode(PacketAt(0, 100, b"x"), 1)
    assert board.feed(frame + frame, 0) == []
    assert board.due(100) == [Done(0, 100, 0), Done(0, 100, 0)]


def test_without_the_ability_nothing_is_kept(board: Board) -> None:
    """A firmware that does not call `bench_due` does not declare it: its orders would never be carried out."""
    board.begin(abilities=15)
    assert [type(message).__name__ for message in board.say(codec.Identify(), 0)] == ["Identity", "Counters", "Guard"]
    for message in (PacketAt(0, 100, b"x"), OrderAt(1, 100, RESET, 0), Clear()):
        assert board.say(message, 0) == []
    assert (board.next(), board.due(100), board.packets()) == (None, [], [])


def test_a_board_without_room_says_so(compile_c: Callable[..., Path]) -> None:
    """Built with no queue, the ability is not there, whatever the firmware declares."""
    source = Path(__file__).with_name("driver.c")
    words = ("-O2", "-pedantic", "-Wconversion", "-Wshadow", "-DBENCH_QUEUE_BYTES=0", "-shared", "-fPIC")
    board = Board(compile_c("none.so", *words, source, FIXTURES / "bench.c"))
    identity, *others = board.say(codec.Identify(), 0)
    assert isinstance(identity, codec.Identity)
    assert identity.abilities == 15
    assert [type(message).__name__ for message in others] == ["Counters", "Guard"]
    assert board.say(PacketAt(0, 100, b"x"), 0) == board.say(Clear(), 0) == []
    assert (board.next(), board.due(100), board.packets()) == (None, [], [])


# --- against the model --------------------------------------------------------------------------------------------


@dataclass
class Model:
    """What PROTOCOL.md says of the queue."""

    waiting: deque[tuple[int, codec.Message]] = field(default_factory=deque)  # unwrapped instants
    radio: list[bytes] = field(default_factory=list)
    orders: list[tuple[int, int]] = field(default_factory=list)
    accepted: int = 0
    done: int = 0
    refused: int = 0
    cleared: int = 0

    def used(self) -> int:
        return sum(6 + (len(one.payload) if isinstance(one, PacketAt) else 4) for _, one in self.waiting)

    def put(self, at_us: int, one: PacketAt | OrderAt, now_us: int) -> list[codec.Message]:
        needed = 6 + (len(one.payload) if isinstance(one, PacketAt) else 4)
        late = at_us < now_us or (bool(self.waiting) and at_us < self.waiting[-1][0])
        if late or self.used() + needed > ROOM:
            self.refused += 1
            return [Done(one.number, now_us & WORD, 1 if late else 2)]
        self.accepted += 1
        self.waiting.append((at_us, one))
        return []

    def clear(self) -> None:
        self.cleared += len(self.waiting)
        self.waiting.clear()

    def run(self, now_us: int) -> list[codec.Message]:
        told: list[codec.Message] = []
        while self.waiting and self.waiting[0][0] <= now_us:
            at_us, one = self.waiting.popleft()
            self.done += 1
            if isinstance(one, PacketAt):
                told.append(Done(one.number, at_us & WORD, 0 if len(self.radio) < 4 else 3))
                self.radio += [one.payload] if len(self.radio) < 4 else []
            else:
                assert isinstance(one, OrderAt)
                self.radio = [] if one.order == RESET else self.radio
                self.orders.append((one.order, one.value_us))
                told.append(Done(one.number, now_us & WORD, 0))
        return told

    def queue(self) -> Queue:
        return Queue(ROOM, len(self.waiting), self.accepted, self.done, self.refused, self.cleared)


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(2, 20))])
def test_the_queue_against_a_model(board: Board, seed: int) -> None:
    """Twenty thousand steps; the 32-bit clock wraps on the way, frames are damaged, and the queue overflows."""
    rng, model, now_us, number = random.Random(seed), Model(), 0xFF00_0000, 0
    newest_us = now_us
    for _ in range(20_000):
        now_us += rng.choice((0, 1, 50, 900, 4_000))
        match rng.randrange(12):
            case 0:
                model.clear()
                expected: list[codec.Message] = [model.queue()]
                assert board.say(Clear(), now_us) == expected
            case 1:
                model.clear()
                model.radio = []
                model.orders.append((RESET, 3))
                assert board.say(Reset(3), now_us) == []
            case 2 | 3:
                assert board.packets() == model.radio
                model.radio = []
            case 4 | 5 | 6:
                assert board.due(now_us) == model.run(now_us)
                assert board.orders() == model.orders
                model.orders = []
            case 7:
                spoiled = bytearray(codec.encode(PacketAt(number & 0xFF, now_us & WORD, b"spoiled"), 0))
                spoiled[rng.randrange(1, len(spoiled) - 1)] ^= 1 << rng.randrange(8)
                assert board.feed(bytes(spoiled), now_us) == []
            case _:
                at_us = rng.choice((newest_us, newest_us + rng.randrange(4_000), now_us + rng.randrange(-9, 9_000)))
                at_us = max(at_us, now_us - 2**31 + 1)
                one: PacketAt | OrderAt = PacketAt(number & 0xFF, at_us & WORD, rng.randbytes(rng.randrange(1, 33)))
                if not rng.randrange(5):
                    one = OrderAt(
                        number & 0xFF, at_us & WORD, rng.choice((RESET, SET_CLOCK, HANG)), rng.getrandbits(32)
                    )
                number += 1
                assert board.say(one, now_us) == model.put(at_us, one, now_us)
                newest_us = model.waiting[-1][0] if model.waiting else now_us
        assert board.next() == (model.waiting[0][0] & WORD if model.waiting else None)
    assert now_us > 0xFFFF_FFFF
    assert min(model.done, model.refused, model.cleared) > 500


@pytest.fixture(scope="module")
def traffic() -> bytes:
    """Return half a million bytes of frames for the queue around the instants at which they come, some damaged."""
    rng, out, number = random.Random(7), bytearray(), 0
    while len(out) < 500_000:
        at_us = (0xFFF0_0000 + 40 * len(out) + rng.choice((-500, 0, 900, 5_000, 60_000))) & WORD
        message: codec.Message = rng.choice(
            (PacketAt(number & 0xFF, at_us, rng.randbytes(rng.randrange(1, 33))), OrderAt(number & 0xFF, at_us, 4, 0),
             OrderAt(number & 0xFF, at_us, 6, 900), Packet(1, b"x"), Hang(10), Clear(), Reset(0))
        )  # fmt: skip
        frame, number = bytearray(codec.encode(message, number)), number + 1
        if not rng.randrange(6):
            frame[rng.randrange(len(frame))] = rng.randrange(256)
        out += frame[: rng.choice((None, None, None, 5))]
    return bytes(out)


def test_the_queue_under_sanitizers(compile_c: Callable[..., Path], traffic: bytes) -> None:
    """Through the bench and a whole board with little room, built to stop at any wrong step."""
    sources = [FIXTURES / name for name in ("bench.c", "board.c", "ppm.c", "receiver.c")]
    words = ["-g", "-O1", "-DAS_PROGRAM", "-DBENCH_QUEUE_BYTES=100", Path(__file__).with_name("driver.c"), *sources]
    try:
        program = compile_c("queue", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", *words)
    except AssertionError:
        program = compile_c("queue", *words)
    done = subprocess.run([program], input=traffic, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode(errors="replace")[:4000]
    accepted, carried_out, refused, cleared, waiting = map(int, done.stdout.split()[4:])
    assert accepted == carried_out + cleared + waiting
    assert min(carried_out, refused, cleared) > 100

"""The bench protocol's codec in Python and in C, against vectors, against each other, and against noise."""

from __future__ import annotations

import copy
import ctypes
import itertools
import random
import struct
import subprocess
from binascii import crc_hqx
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from lostlink.bench import codec
from lostlink.bench.codec import (
    Boot,
    Channels,
    Clear,
    CobsError,
    Counters,
    Decoder,
    Done,
    Edges,
    Failsafe,
    Frame,
    Guard,
    Hang,
    Identify,
    Identity,
    Left,
    Message,
    OrderAt,
    Packet,
    PacketAt,
    Ping,
    Pong,
    Queue,
    Reset,
    SetClock,
    Taken,
    cobs_decode,
    cobs_encode,
    encode,
)

FIXTURES = Path(__file__).parents[2] / "fixtures" / "board"
WIDTHS = (1500, 1500, 1000, 1500, 1000, 1000, 1000, 1000)
MESSAGES: tuple[Message, ...] = (
    Identify(), Ping(0x1234), Packet(7, bytes.fromhex("80408000ffff2a07d5")), Reset(200_000), SetClock(0xFFF0_BDC0),
    Hang(1_000_000), Identity(1, 15, 8, 1, b"my board"), Pong(0x1234, 1_000_000, 1_000_040), Taken(7, 1_005_000),
    Channels(1_010_000, WIDTHS), Frame(1_010_000, 300, WIDTHS), Failsafe(1_505_000, 1, 7, 1_005_000), Boot(50_000, 2),
    Counters(1000, 2, 0), Edges(1_010_000, 1, (300, 1200, 300, 1200)),
    Guard(1_000_000, 0), PacketAt(7, 1_005_000, bytes.fromhex("80408000ffff2a07d5")),
    OrderAt(8, 1_200_000, 4, 50_000), Clear(), Done(7, 1_005_000, 0), Queue(256, 3, 1000, 990, 0, 7),
    Left(1_005_400, bytes.fromhex("80408000ffff2a07d5")),
)  # fmt: skip
SEED = 20_250
LONG = pytest.mark.long
PARTS = pytest.mark.parametrize("part", [0, *(pytest.param(part, marks=LONG) for part in range(1, 4))])
"""Generated examples: a quarter of them is for the gate; ``--long``: all four."""


def unhex(text: str) -> bytes:
    return b"" if text == "-" else bytes.fromhex(text)


def read_vectors() -> list[tuple[str, str, bytes, bytes]]:
    """Return kind, name, decoded and encoded of every line of the vectors."""
    lines = (FIXTURES / "vectors.txt").read_text(encoding="ascii").splitlines()
    rows = [line.split(" ") for line in lines if line and not line.startswith("#")]
    return [(kind, name, unhex(decoded), unhex(encoded)) for kind, name, decoded, encoded in rows]


VECTORS = read_vectors()


def vectors(*kinds: str) -> pytest.MarkDecorator:
    """Return the parameters for a test of vectors of some kinds."""
    rows = [row for row in VECTORS if row[0] in kinds]
    return pytest.mark.parametrize(("kind", "name", "decoded", "encoded"), rows, ids=[f"{r[0]}-{r[1]}" for r in rows])


def framed(body: bytes) -> bytes:
    """Return any type, number and payload as a frame, also such as no message has."""
    return b"\0" + cobs_encode(body + crc_hqx(body, 0xFFFF).to_bytes(2, "little")) + b"\0"


# --- vectors --------------------------------------------------------------------------------------------------


def test_vectors_are_all_there() -> None:
    """13 COBS vectors, three CRC values, and a frame of each message."""
    kinds = [row[0] for row in VECTORS]
    assert kinds.count("cobs") == 13
    assert kinds.count("crc") == 3
    assert [row[1] for row in VECTORS if row[0] == "frame"] == [type(message).__name__ for message in MESSAGES]


# Source of `cobs`: Cheshire and Baker, IEEE/ACM Transactions on Networking 7:159, 1999, and its rules worked by hand.
@vectors("cobs")
def test_cobs_in_python(kind: str, name: str, decoded: bytes, encoded: bytes) -> None:
    assert cobs_encode(decoded) == encoded
    assert cobs_decode(encoded) == decoded


@vectors("accept")
def test_cobs_of_others_in_python(kind: str, name: str, decoded: bytes, encoded: bytes) -> None:
    assert cobs_decode(encoded) == decoded


@vectors("reject")
def test_no_cobs_in_python(kind: str, name: str, decoded: bytes, encoded: bytes) -> None:
    with pytest.raises(CobsError):
        cobs_decode(encoded)


# Source of `crc`: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740.
@vectors("crc")
def test_crc_in_python(kind: str, name: str, decoded: bytes, encoded: bytes) -> None:
    assert crc_hqx(decoded, 0xFFFF) == int.from_bytes(encoded, "big")


def test_crc_of_a_message_with_its_crc_is_nothing() -> None:
    """The residue is 0 with the CRC's high byte first."""
    body = b"123456789"
    assert crc_hqx(body + crc_hqx(body, 0xFFFF).to_bytes(2, "big"), 0xFFFF) == 0


@pytest.mark.parametrize(("message", "number"), [(message, n) for n, message in enumerate(MESSAGES)])
def test_frames_in_python(message: Message, number: int) -> None:
    row = next(row for row in VECTORS if row[1] == type(message).__name__)
    assert encode(message, number) == row[3]
    assert cobs_decode(row[3][1:-1]) == row[2]
    assert Decoder().feed(row[3]) == [message]


# Overhead: one byte for every 254 or part of them. Source: the same paper.
@pytest.mark.parametrize(("length", "more"), [(0, 1), (1, 1), (254, 1), (255, 2), (508, 2), (509, 3), (1000, 4)])
def test_overhead(length: int, more: int) -> None:
    assert len(cobs_encode(b"\x55" * length)) == length + more


# --- the C codec ------------------------------------------------------------------------------------------------


class CCodec:
    """COBS and CRC of bench.c."""

    def __init__(self, path: Path) -> None:
        self._library = ctypes.CDLL(str(path))
        for name in ("bench_crc16", "bench_cobs_encode", "bench_cobs_decode"):
            function = getattr(self._library, name)
            function.restype = ctypes.c_uint16
            function.argtypes = [ctypes.c_char_p, ctypes.c_uint16, ctypes.c_char_p][: 2 if "crc" in name else 3]

    def crc(self, data: bytes) -> int:
        return int(self._library.bench_crc16(data, len(data)))

    def encode(self, data: bytes) -> bytes:
        out = ctypes.create_string_buffer(2 * len(data) + 8)
        length = self._library.bench_cobs_encode(data, len(data), out)
        return out.raw[:length]

    def decode(self, block: bytes) -> bytes:
        """Return what a block holds; nothing also for a block that is no COBS."""
        out = ctypes.create_string_buffer(len(block) + 8)
        length = self._library.bench_cobs_decode(block, len(block), out)
        return out.raw[:length]


class Board:
    """The board's side: driver.c around bench.c."""

    def __init__(self, path: Path) -> None:
        self._library = library = ctypes.CDLL(str(path))
        library.driver_packet.restype = ctypes.c_uint8
        library.driver_sent.restype = library.driver_orders.restype = ctypes.c_uint32
        self._out = ctypes.create_string_buffer(65_536)
        self.begin()

    def begin(self, name: bytes = b"my board", channels: int = 8, abilities: int = 15) -> None:
        self._name = name  # the board keeps a pointer to it
        self._library.driver_begin(self._name, channels, abilities)

    def feed(self, data: bytes, now_us: int = 0) -> bytes:
        """Hand over bytes; return what the board sends."""
        self._library.driver_feed(data, len(data), ctypes.c_uint32(now_us))
        return self.sent()

    def sent(self) -> bytes:
        length = self._library.driver_sent(self._out)
        return self._out.raw[:length]

    def packet(self) -> bytes:
        payload = ctypes.create_string_buffer(32)
        length = self._library.driver_packet(payload)
        return payload.raw[:length]

    def orders(self) -> list[tuple[int, int]]:
        pairs = (ctypes.c_uint32 * 1024)()
        count = self._library.driver_orders(pairs)
        return [(pairs[2 * i], pairs[2 * i + 1]) for i in range(count)]

    def report(self, now_us: int, widths_us: tuple[int, ...], failsafe: bool) -> bytes:
        self._library.driver_report(
            ctypes.c_uint32(now_us), _words(widths_us), ctypes.c_uint8(len(widths_us)), ctypes.c_bool(failsafe)
        )
        return self.sent()

    def frame(self, start_us: int, separator_us: int, widths_us: tuple[int, ...]) -> bytes:
        self._library.driver_frame(
            ctypes.c_uint32(start_us), ctypes.c_uint16(separator_us), _words(widths_us), ctypes.c_uint8(len(widths_us))
        )
        return self.sent()

    def edges(self, level: bool, at_us: tuple[int, ...]) -> bytes:
        stamps = (ctypes.c_uint32 * len(at_us))(*at_us)
        self._library.driver_edges(ctypes.c_bool(level), stamps, ctypes.c_uint8(len(at_us)))
        return self.sent()

    def boot(self, now_us: int, cause: int) -> bytes:
        self._library.driver_boot(ctypes.c_uint32(now_us), ctypes.c_uint8(cause))
        return self.sent()

    def counters(self) -> Counters:
        three = (ctypes.c_uint32 * 3)()
        self._library.driver_counters(three)
        return Counters(*three)


def _words(values: tuple[int, ...]) -> Any:
    return (ctypes.c_uint16 * max(1, len(values)))(*values)


@pytest.fixture(scope="module")
def c_codec(make: Callable[..., Path]) -> CCodec:
    return CCodec(make("codec.so"))


@pytest.fixture(scope="module")
def shared_board(compile_c: Callable[..., Path]) -> Board:
    driver = Path(__file__).with_name("driver.c")
    return Board(compile_c("driver.so", "-O2", "-shared", "-fPIC", driver, FIXTURES / "bench.c"))


@pytest.fixture
def board(shared_board: Board) -> Board:
    shared_board.begin()
    return shared_board


@vectors("cobs")
def test_cobs_in_c(c_codec: CCodec, kind: str, name: str, decoded: bytes, encoded: bytes) -> None:
    assert c_codec.encode(decoded) == encoded
    assert c_codec.decode(encoded) == decoded


@vectors("accept", "reject")
def test_other_cobs_in_c(c_codec: CCodec, kind: str, name: str, decoded: bytes, encoded: bytes) -> None:
    assert c_codec.decode(encoded) == decoded


@vectors("crc")
def test_crc_in_c(c_codec: CCodec, kind: str, name: str, decoded: bytes, encoded: bytes) -> None:
    assert c_codec.crc(decoded) == int.from_bytes(encoded, "big")


ANY_BYTES = st.binary(max_size=600) | st.lists(st.sampled_from(b"\0\1\xff"), max_size=600).map(bytes)


@PARTS
@settings(max_examples=125, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=ANY_BYTES)
@example(data=bytes(range(1, 255)) * 2)
@example(data=bytes(range(1, 255)) + b"\0")
def test_both_codecs_agree(part: int, c_codec: CCodec, data: bytes) -> None:
    """What one encodes the other decodes; and both make the same bytes."""
    encoded = cobs_encode(data)
    assert 0 not in encoded
    assert len(encoded) == len(data) + max(1, -(-len(data) // 254)) or b"\0" in data
    assert c_codec.encode(data) == encoded
    assert cobs_decode(c_codec.encode(data)) == data
    assert c_codec.decode(encoded) == data
    assert c_codec.crc(data) == crc_hqx(data, 0xFFFF)


@PARTS
@settings(max_examples=125, deadline=None)
@given(block=ANY_BYTES | st.binary(max_size=12))
def test_both_codecs_reject_the_same(part: int, c_codec: CCodec, block: bytes) -> None:
    try:
        expected = cobs_decode(block)
    except CobsError:
        expected = b""
    assert c_codec.decode(block) == expected


def u(bits: int) -> st.SearchStrategy[int]:
    return st.integers(0, 2**bits - 1)


def widths(most: int = 16) -> st.SearchStrategy[tuple[int, ...]]:
    return st.lists(u(16), max_size=most).map(tuple)


FROM_HOST = st.one_of(
    st.builds(Identify, u(8)), st.builds(Ping, u(16)), st.builds(Packet, u(8), st.binary(max_size=32)),
    st.builds(Reset, u(32)), st.builds(SetClock, u(32)), st.builds(Hang, u(32)),
)  # fmt: skip
AHEAD = st.one_of(
    st.builds(PacketAt, u(8), u(32), st.binary(max_size=32)), st.builds(OrderAt, u(8), u(32), u(8), u(32)),
    st.just(Clear()), st.builds(Done, u(8), u(32), u(8)), st.builds(Queue, u(16), u(16), u(32), u(32), u(32), u(32)),
)  # fmt: skip
FROM_BOARD = st.one_of(
    st.builds(Identity, u(8), u(8), u(8), u(8), st.binary(max_size=40)), st.builds(Pong, u(16), u(32), u(32)),
    st.builds(Taken, u(8), u(32)), st.builds(Channels, u(32), widths()), st.builds(Frame, u(32), u(16), widths()),
    st.builds(Failsafe, u(32), u(8), u(8), u(32)), st.builds(Boot, u(32), u(8)),
    st.builds(Counters, u(32), u(32), u(32)), st.builds(Edges, u(32), u(8), widths(26)),
    st.builds(Left, u(32), st.binary(max_size=32)),
)  # fmt: skip


@PARTS
@settings(max_examples=125, deadline=None)
@given(message=FROM_HOST | FROM_BOARD | AHEAD, number=u(8))
def test_python_round_trip(part: int, message: Message, number: int) -> None:
    frame = encode(message, number)
    assert frame[0] == frame[-1] == 0
    assert 0 not in frame[1:-1]
    assert len(frame) <= codec.LONGEST_FRAME + 3
    assert Decoder().feed(frame) == [message]


@PARTS
@settings(max_examples=125, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(message=FROM_HOST, number=u(8), now_us=u(32))
def test_from_python_to_c(part: int, board: Board, message: Message, number: int, now_us: int) -> None:
    """The board understands what the host says, and the host its answer."""
    board.begin()
    answer = Decoder().feed(board.feed(encode(message, number), now_us))
    assert board.counters() == Counters(1, 0, 0)
    match message:
        case Identify():
            assert answer == [Identity(1, 15, 8, 1, b"my board"), Counters(1, 0, 0), Guard(1_000_000, 0)]
        case Ping(token):
            assert answer == [Pong(token, now_us, now_us)]
        case Packet(its_number, payload):
            assert answer == ([Taken(its_number, now_us)] if payload else [])
            assert board.packet() == payload
        case Reset(value) | SetClock(value) | Hang(value):
            assert board.orders() == [(codec.TYPES[type(message)], value)]
            assert answer == []


@PARTS
@settings(max_examples=75, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at_us=u(32), level=st.booleans(), steps=widths(26))
def test_edges_from_c_to_python(part: int, board: Board, at_us: int, level: bool, steps: tuple[int, ...]) -> None:
    """The board reports instants, the host reads distances; the counter may wrap in between."""
    board.begin()
    stamps = tuple(instant & 0xFFFF_FFFF for instant in itertools.accumulate(steps, initial=at_us))
    assert Decoder().feed(board.edges(level, stamps)) == [Edges(at_us, int(level), steps)]


@PARTS
@settings(max_examples=75, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at_us=u(32), separator_us=u(16), shown=widths(), cause=u(8), name=st.binary(max_size=60), numbers=u(8))
def test_from_c_to_python(
    part: int,
    board: Board,
    at_us: int,
    separator_us: int,
    shown: tuple[int, ...],
    cause: int,
    name: bytes,
    numbers: int,
) -> None:
    """The host understands all that the board says."""
    board.begin(name)
    decoder = Decoder()
    told = name.split(b"\0")[0][:40]
    assert decoder.feed(board.feed(encode(Identify(), 0)))[0] == Identity(1, 15, 8, 1, told)
    assert decoder.feed(board.frame(at_us, separator_us, shown)) == [Frame(at_us, separator_us, shown)]
    assert decoder.feed(board.boot(at_us, cause)) == [Boot(at_us, cause)]
    taken = decoder.feed(board.feed(encode(Packet(numbers, b"\1"), 0), at_us))
    assert taken == [Taken(numbers, at_us)]
    assert board.packet() == b"\1"
    values = [Channels(at_us, shown)] if shown else []
    assert decoder.feed(board.report(at_us, shown, False)) == [Failsafe(at_us, 0, numbers, at_us), *values]
    assert board.report(at_us, shown, False) == b""
    assert decoder.feed(board.report(at_us, shown, True)) == [Failsafe(at_us, 1, numbers, at_us)]
    assert decoder.errors == codec.DecodeErrors()


def test_orders_and_packets_in_a_row(board: Board) -> None:
    """Four packets wait; the fifth finds no room and is counted; a reset throws away those that wait."""
    frames = [encode(Packet(n, bytes([n + 1, 0, 9])), n) for n in range(5)]
    assert Decoder().feed(board.feed(b"".join(frames), 7)) == [Taken(n, 7) for n in range(4)]
    assert board.counters() == Counters(5, 0, 3)
    assert [board.packet() for _ in range(5)] == [*(bytes([n + 1, 0, 9]) for n in range(4)), b""]
    board.feed(encode(Packet(9, b"late"), 5))
    board.feed(encode(Reset(0), 6))
    assert board.packet() == b""
    assert board.orders() == [(codec.TYPES[Reset], 0)]


def test_board_drops_what_it_does_not_know(board: Board) -> None:
    """Other types, other lengths, the board's own messages: counted as received, and that is all."""
    bodies = [
        b"\x07\0",
        b"\x7f\0abc",
        b"\x02\0\1",
        b"\x04\0\1\2\3",
        b"\x04\0\1\2\3\4\5",
        b"\x03\0\1",
        b"\x81\0\1\1\1\1",
    ]
    bodies.append(b"\x03\0" + bytes(34))
    assert board.feed(b"".join(map(framed, bodies))) == b""
    assert board.counters() == Counters(len(bodies), 0, 0)
    assert board.orders() == []
    assert board.packet() == b""


# --- noise --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def noise(long: bool) -> bytes:
    """Return many bytes, seeded: random ones, long runs without a delimiter, and half frames in between."""
    rng = random.Random(SEED)
    out = bytearray()
    size = 1_000_000 if long else 250_000
    while len(out) < size:
        match rng.randrange(4):
            case 0:
                out += rng.randbytes(rng.randrange(400))
            case 1:
                out += bytes(rng.randrange(1, 256) for _ in range(rng.randrange(200)))
            case 2:
                out += encode(rng.choice(MESSAGES), rng.randrange(256))[: rng.randrange(40)]
            case _:
                out += framed(rng.randbytes(rng.randrange(2, 40)))
    return bytes(out[:size])


@pytest.fixture(scope="module")
def heard(noise: bytes) -> tuple[Decoder, list[Message]]:
    """Return a decoder that was given the noise, and what it found."""
    decoder = Decoder()
    return decoder, decoder.feed(noise)


def test_noise_and_then_a_good_frame(noise: bytes, heard: tuple[Decoder, list[Message]]) -> None:
    """A quarter of a million bytes of noise raise nothing, and the frame behind the next delimiter is read.

    Any pieces will do. ``--long``: a million bytes.
    """
    whole, messages = copy.deepcopy(heard)
    assert whole.feed(encode(Ping(0xBEEF), 3))[-1] == Ping(0xBEEF)
    assert min(whole.errors.damaged, whole.errors.too_long, whole.errors.unknown, whole.errors.missing) > 0
    rng = random.Random(SEED)
    for most in (1, 7, 100, 5000):
        pieces, place = Decoder(), 0
        found: list[Message] = []
        while place < len(noise):
            step = rng.randrange(1, most + 1)
            found += pieces.feed(noise[place : place + step])
            place += step
        pieces.feed(encode(Ping(0xBEEF), 3))
        assert found == messages
        assert (pieces.errors, pieces.good) == (whole.errors, whole.good)


@PARTS
@settings(max_examples=75, deadline=None)
@given(junk=st.binary(max_size=200), message=FROM_HOST | FROM_BOARD, cuts=st.lists(st.integers(0, 300), max_size=8))
def test_a_frame_behind_junk(part: int, junk: bytes, message: Message, cuts: list[int]) -> None:
    """Its own delimiter in front is enough; how the bytes are cut changes nothing."""
    data = junk + encode(message, 0)
    whole, pieces = Decoder(), Decoder()
    expected = whole.feed(data)
    assert expected[-1] == message
    places = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    found = [m for start, end in itertools.pairwise(places) for m in pieces.feed(data[start:end])]
    assert found == expected
    assert pieces.errors == whole.errors


def test_noise_against_the_board(board: Board, noise: bytes, heard: tuple[Decoder, list[Message]]) -> None:
    """The board's decoder keeps the same good frames out of the same noise, and reads the next one."""
    decoder, _ = heard
    for start in range(0, len(noise), 4096):
        board.feed(noise[start : start + 4096])
        board.packet()
        board.orders()
    received = board.counters().received
    assert received == decoder.good
    answer = Decoder().feed(board.feed(encode(Ping(0xBEEF), 3), 99))
    assert answer[-1] == Pong(0xBEEF, 99, 99)


def test_noise_under_sanitizers(
    compile_c: Callable[..., Path], noise: bytes, heard: tuple[Decoder, list[Message]]
) -> None:
    """The same noise through the codec and through a whole board, built to stop at any wrong step."""
    sources = ("bench.c", "board.c", "ppm.c", "receiver.c")
    driver = Path(__file__).with_name("driver.c")
    words = ["-g", "-O1", "-DAS_PROGRAM", driver, *(FIXTURES / name for name in sources)]
    flags = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
    try:
        program = compile_c("fuzzed", *flags, *words)
    except AssertionError:
        program = compile_c("fuzzed", *words)
    decoder, _ = heard
    done = subprocess.run([program], input=noise, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode(errors="replace")[:4000]
    received, damaged, overrun, packets, *queue = map(int, done.stdout.split())
    assert received == decoder.good
    assert min(damaged, overrun, packets) > 0
    accepted, carried_out, _, cleared, waiting = queue
    assert accepted == carried_out + cleared + waiting


@pytest.mark.parametrize("message", MESSAGES, ids=lambda message: type(message).__name__)
def test_every_flipped_bit_is_noticed(board: Board, message: Message) -> None:
    """One wrong bit anywhere: the frame is rejected, on both sides, and the next one is read."""
    frame, behind = encode(message, 1), Ping(0x5A5A)
    for bit in range(8 * len(frame)):
        spoiled = bytearray(frame)
        spoiled[bit // 8] ^= 1 << bit % 8
        data = encode(Ping(1), 0) + bytes(spoiled) + encode(behind, 2)
        decoder = Decoder()
        assert decoder.feed(data) == [Ping(1), behind], f"bit {bit}"
        assert decoder.errors.damaged >= 1
        assert decoder.errors.missing == 1
        board.begin()
        assert Decoder().feed(board.feed(data)) == [Pong(1, 0, 0), Pong(0x5A5A, 0, 0)], f"bit {bit}"
        assert (board.packet(), board.orders()) == (b"", [])


# --- what is counted -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "body",
    [
        b"\x00\0", b"\x07\0", b"\x80\0", b"\x89\0", b"\xff\0abc",  # types
        b"\x01\0", b"\x01\0\1\1", b"\x02\0\1", b"\x04\0\1\2\3", b"\x03\0", b"\x81\0\1\1\1", b"\x84\0\1\2\3\4\5",
        b"\x85\0\1\2\3\4\5\6\7", b"\x86\0" + bytes(9), b"\x87\0" + bytes(6), b"\x88\0" + bytes(13),
    ],
    ids=bytes.hex,
)  # fmt: skip
def test_unknown_types_and_lengths_are_counted(body: bytes) -> None:
    decoder = Decoder()
    assert decoder.feed(framed(body) + encode(Ping(5), 1)) == [Ping(5)]
    assert decoder.errors == codec.DecodeErrors(unknown=1)
    assert decoder.good == 2


@pytest.mark.parametrize(
    ("numbers", "missing"),
    [((0, 1, 2), 0), ((254, 255, 0, 1), 0), ((0, 2), 1), ((250, 4), 9), ((7,), 0), ((3, 3), 255), ((0, 5, 6, 9), 6)],
)
def test_gaps_in_the_numbers_are_counted(numbers: tuple[int, ...], missing: int) -> None:
    """Modulo 256; a decoder takes the first number as it comes."""
    decoder = Decoder()
    decoder.feed(b"".join(encode(Ping(n), n) for n in numbers))
    assert decoder.errors == codec.DecodeErrors(missing=missing)


def test_a_frame_has_room_for_what_it_must_hold() -> None:
    """16 channels and 32 payload bytes fit; one byte more than 64 is an error, not half a message."""
    assert len(cobs_decode(encode(Frame(1, 2, (3,) * 16), 0)[1:-1])) == 42
    assert len(encode(Identity(1, 1, 1, 1, b"x" * 56), 0)) == codec.LONGEST_FRAME + 3
    with pytest.raises(ValueError, match="at most 64 bytes, this one has 65"):
        encode(Identity(1, 1, 1, 1, b"x" * 57), 0)
    with pytest.raises(struct.error):
        encode(Taken(256, 0), 0)


def test_too_long_blocks_are_counted_once() -> None:
    decoder = Decoder()
    for piece in (b"\1" * 50, b"\1" * 50, b"\1" * 500, b"\1\0", encode(Ping(1), 0)):
        messages = decoder.feed(piece)
    assert messages == [Ping(1)]
    assert decoder.errors == codec.DecodeErrors(too_long=1)


# --- PROTOCOL.md ------------------------------------------------------------------------------------------------------


def test_protocol_shows_the_bytes_of_every_message() -> None:
    """Each message has a section with its type and an example, byte for byte what the codec makes."""
    text = (FIXTURES / "PROTOCOL.md").read_text(encoding="utf-8")
    for number, message in enumerate(MESSAGES):
        name = type(message).__name__
        assert f"`{codec.TYPES[type(message)]:#04x}` {name}" in text
        assert f"`{encode(message, number).hex(' ')}`" in text, name


def test_example_of_the_protocol_compiles(compile_c: Callable[..., Path], tmp_path: Path) -> None:
    """The firmware in PROTOCOL.md is C99 without a warning, given declarations of its own functions."""
    text = (FIXTURES / "PROTOCOL.md").read_text(encoding="utf-8")
    example = next(part for part in text.split("```c\n") if part.startswith('#include "bench.h"')).split("```")[0]
    theirs = """
        void set_up_hardware(void); void program_begin(void); void pulses_off(void); void port_write(uint8_t byte);
        bool port_has_byte(void); uint8_t port_read(uint32_t *at_us); uint32_t counter_us(void);
        void take_packet(const uint8_t *payload, uint8_t length); void check_timeout(uint32_t clock_us);
        void set_pulses(const uint16_t *widths_us, uint8_t count); extern uint16_t widths_us[8];
        extern bool in_failsafe;
    """
    source = tmp_path / "firmware.c"
    head, rest = example.split("\n", 1)
    source.write_text(f"{head}\n{theirs}\n{rest}", encoding="ascii")
    compile_c("firmware.o", "-pedantic", "-Wconversion", "-Wshadow", "-c", source)


def test_memory_of_the_protocol_is_what_it_says(compile_c: Callable[..., Path]) -> None:
    """The table of PROTOCOL.md, where pointers have 64 bits."""
    if ctypes.sizeof(ctypes.c_void_p) != 8:
        pytest.skip("the table is for 64-bit computers")
    program = compile_c("sizes_told", Path(__file__).with_name("sizes.c"))
    rows = subprocess.run([program], capture_output=True, text=True, check=True).stdout.split()
    sizes = dict(zip(rows[::2], rows[1::2], strict=True))
    text = (FIXTURES / "PROTOCOL.md").read_text(encoding="utf-8")
    assert f"| `struct bench` | {sizes['bench']} |" in text
    assert f"program's 256 bytes | {sizes['board']} |" in text

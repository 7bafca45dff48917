"""Text columns to rows: any way to write them, any way to cut them, anything in between."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lostlink.watch.columns import LONGEST_LINE, ColumnReader, PrintedRow, ValueKind, parse_line

BYTE_NS = 40_000  # 10 bits at 250 000 baud


def rows_of(data: bytes, piece: int | None = None, baud: int = 250_000) -> tuple[list[PrintedRow], ColumnReader]:
    """Feed data in pieces, one a millisecond."""
    columns, rows = ColumnReader(baud), []
    piece = piece or max(1, len(data))
    for number, start in enumerate(range(0, len(data), piece)):
        rows += columns.feed(number * 1_000_000, data[start : start + piece])
    return rows, columns


def values(data: bytes, piece: int | None = None) -> list[tuple[float, ...]]:
    return [row.values for row in rows_of(b"\n" + data, piece)[0]]


@pytest.mark.parametrize(
    "text",
    [
        "1500\t1000\t1750",
        "1500,1000,1750",
        "1500, 1000, 1750,",
        "1500;1000;1750",
        "1500 1000   1750",
        "  1500 | 1000 | 1750 |",
        "[1500, 1000, 1750]",
        "ch1: 1500 ch2: 1000 ch3: 1750",
        "ch1:1500\tch2:1000\tch3:1750",
        "CH1=1500;CH2=1000;CH3=1750",
        "Channel 1: 1500, Channel 2: 1000, Channel 3: 1750",
        "ch[1]=1500 ch[2]=1000 ch[3]=1750",
        "R 1500 P 1000 T 1750",
        "roll=1500us pitch=1000us thr=1750us",
        "roll 1500 µs, pitch 1000 µs, throttle 1750 µs",
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r", "\r\n", "\n\r"])
def test_any_separator_and_any_end(text: str, end: str) -> None:
    data = (text + end).encode() * 4
    assert values(data) == [(1500, 1000, 1750)] * 4
    assert values(data, 1) == [(1500, 1000, 1750)] * 4


@pytest.mark.parametrize(
    ("line", "numbers"),
    [
        (b"T=127", (127,)),
        (b"-67 11.4", (-67, 11.4)),
        (b"t 4294967295", (4294967295,)),
        (b"roll\tpitch", ()),
        (b"15-16", None),
        (b"12x", None),
        (b"\xff\xfe", None),
        (b"1.2.3", None),
        (b"9999999999999", None),
        (b",,;", None),
        (b"", None),
    ],
)
def test_what_is_a_number(line: bytes, numbers: tuple[float, ...] | None) -> None:
    parsed = parse_line(line)
    assert (None if parsed is None else parsed[0]) == numbers


def test_half_line_header_and_garbage_are_survived() -> None:
    data = b"00\t1500\r\nroll\tpitch\r\n" + b"1500\t1000\r\n" * 5
    data += b"\xf0\x9f~\r\n15\r\n" + b"7" * 1000 + b"\r\n1500\t1000\t1000\r\n\r\n" + b"1501\t1000\r\n15"
    rows, columns = rows_of(data)
    assert [row.values for row in rows] == [(1500, 1000)] * 5 + [(1501, 1000)]
    counts = columns.counts
    assert (counts.rows, counts.headers, counts.garbage, counts.broken) == (6, 1, 2, 2)
    layout = columns.layout()
    assert layout is not None
    assert layout.names == ("roll", "pitch")
    assert layout.kind is ValueKind.WIDTHS


def test_another_number_of_columns_is_taken_up_when_it_stays() -> None:
    """A banner of numbers at power-on, then the columns."""
    rows, columns = rows_of(b"\n" + b"1 2\n" * 3 + b"127 127 127\n" * 30)
    layout = columns.layout()
    assert layout is not None
    assert layout.width == 3
    assert sum(len(row.values) == 3 for row in rows) == 20


def line(*numbers: float) -> bytes:
    return ("\t".join(f"{number:g}" if number < 1e5 else f"{number:.0f}" for number in numbers) + "\n").encode()


@pytest.mark.parametrize(
    ("first", "clock"),
    [
        (lambda n: n * 20 + 123456, True),  # milliseconds
        (lambda n: n % 256, True),  # a counter of eight bits
        (lambda n: (4_294_900_000 + n * 20_000) % 2**32, True),  # microseconds that wrap
        (lambda n: n * 0.02, True),  # seconds
        (lambda n: 127 + (n % 80 if n % 80 < 40 else 80 - n % 80), False),  # a stick to and fro
        (lambda n: min(n * 8, 255), False),  # a stick that is raised once
        (lambda n: 127, False),
        (lambda n: -70, False),
        (lambda n: 0, False),
    ],
)
def test_leading_time_or_counter_is_no_channel(first: object, clock: bool) -> None:
    assert callable(first)
    data = b"".join(line(first(n), 127, 0, 255) for n in range(400))
    _, columns = rows_of(b"\n" + data)
    layout = columns.layout()
    assert layout is not None
    assert layout.clocks == ((0,) if clock else ())
    assert layout.channels[-3:] == (1, 2, 3)
    assert layout.kind is ValueKind.CODES


@pytest.mark.parametrize(
    ("lines", "kind", "channels"),
    [
        ([(127, 127, 0, 255)], ValueKind.CODES, (0, 1, 2, 3)),
        ([(512, 511, 0, 1023)], ValueKind.COUNTS, (0, 1, 2, 3)),
        ([(0, 0, 0, 0), (1023, 1023, 0, 0), (500, 500, 0, 0)], ValueKind.COUNTS, (0, 1, 2, 3)),
        ([(1500, 1500, 1000, 2000)], ValueKind.WIDTHS, (0, 1, 2, 3)),
        ([(988, 2012, 1000, 1000)], ValueKind.WIDTHS, (0, 1, 2, 3)),
        ([(1000, 1000, 1000, 1000)], ValueKind.WIDTHS, (0, 1, 2, 3)),
        ([(1500, 1500, 1000, 1)], ValueKind.WIDTHS, (0, 1, 2)),  # and a flag
        ([(127, 127, 0, -67)], ValueKind.CODES, (0, 1, 2)),  # and a signal strength
        ([(127, 127, 0, 11400)], ValueKind.CODES, (0, 1, 2)),  # and a voltage
    ],
)
def test_kind_is_told_from_what_was_seen(
    lines: list[tuple[int, ...]], kind: ValueKind, channels: tuple[int, ...]
) -> None:
    data = b"".join(line(*numbers) for numbers in lines * 20)
    layout = rows_of(b"\n" + data)[1].layout()
    assert layout is not None
    assert (layout.kind, layout.channels) == (kind, channels)


def test_a_spoiled_line_does_not_change_the_kind() -> None:
    good = b"1500 1500 1000\n" * 30
    layout = rows_of(b"\n" + good + b"150 1500 1000\n" + good + b"15001500 1500 1000\n" + good)[1].layout()
    assert layout is not None
    assert (layout.kind, layout.channels) == (ValueKind.WIDTHS, (0, 1, 2))


def test_counts_are_told_from_codes_as_soon_as_a_stick_moves() -> None:
    _, columns = rows_of(b"\n" + b"200 0 100\n" * 1000 + b"400 0 100\n" * 5)
    layout = columns.layout()
    assert layout is not None
    assert layout.kind is ValueKind.COUNTS


def test_profile_says_how_many_channels_there_are() -> None:
    """Failsafe values that no width can have do not shift the channels."""
    _, columns = rows_of(b"\n" + b"1500 1500 1000\n" * 3 + b"0 1500 1000\n" * 50)
    layout = columns.layout(channels=3)
    assert layout is not None
    assert layout.channels == (0, 1, 2)


def test_instant_is_that_of_the_last_byte() -> None:
    columns = ColumnReader(250_000)
    columns.feed(0, b"\n")
    rows = columns.feed(10_000_000, b"1 2\n3 4\n5 6\n7")
    assert [row.at_ns for row in rows] == [10_000_000 - 9 * BYTE_NS, 10_000_000 - 5 * BYTE_NS, 10_000_000 - BYTE_NS]
    assert {row.since_ns for row in rows} == {0}


def test_instant_is_never_before_the_piece_before() -> None:
    columns = ColumnReader(9600)  # a byte takes more than a millisecond, and a backlog came at once
    columns.feed(10_000_000, b"\n")
    rows = columns.feed(11_000_000, b"1 2\n" * 10)
    assert all(10_000_000 <= row.at_ns <= 11_000_000 for row in rows)
    assert rows == sorted(rows, key=lambda row: row.at_ns)


def test_zero_bytes_are_counted() -> None:
    assert rows_of(b"\x00\x05\x01\x02\x00\n")[1].counts.zeros == 2


SOME_TEXT = st.lists(
    st.one_of(
        st.binary(max_size=20),
        st.text("0123456789.-+,;:=[] \t\r\nabCH", max_size=40).map(str.encode),
        st.integers(1, LONGEST_LINE * 2).map(lambda n: b"1" * n),
        st.just(b"1500\t1500\r\n" * 4),
    ),
    max_size=20,
).map(b"".join)


@given(SOME_TEXT, st.integers(1, 40))
def test_no_bytes_and_no_cutting_upset_it(data: bytes, piece: int) -> None:
    whole, columns = rows_of(data)
    pieces, other = rows_of(data, piece)
    assert [row.values for row in whole] == [row.values for row in pieces]
    assert columns.counts == other.counts
    assert columns.layout() == other.layout()
    assert all(a.at_ns <= b.at_ns for a, b in itertools.pairwise(pieces))
    assert all(row.since_ns <= row.at_ns for row in pieces)


@given(st.binary(max_size=300))
def test_any_line_is_parsed_or_refused(data: bytes) -> None:
    parsed = parse_line(data)
    assert parsed is None or parsed[0] or parsed[1]


def test_a_flood_without_ends_of_lines_needs_no_memory() -> None:
    columns = ColumnReader(250_000)
    for number in range(1000):
        columns.feed(number, b"1" * 4096)
    assert len(columns._rest) <= LONGEST_LINE

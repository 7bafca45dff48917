"""Captures are read in blocks: as whole blocks or line by line, the result is the same; memory does not grow."""

from __future__ import annotations

import csv
import dataclasses
import io
import itertools
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink.captures import blocks, csv_reader, signals, vcd_reader
from lostlink.captures.files import parse_capture
from lostlink.errors import CaptureError

CAPTURES = Path(__file__).parents[2] / "fixtures" / "captures"
HEAD = "$timescale 1 us $end $var wire 1 ! ppm $end $enddefinitions $end\n"
MODULES = (vcd_reader, csv_reader)
TAKES = ((vcd_reader._VcdReader, "_take"), (csv_reader._CsvReader, "_take_block"))


def all_of(value: Any) -> Any:
    """Return everything that a capture holds, in a form that can be compared."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if dataclasses.is_dataclass(value):
        return tuple(all_of(getattr(value, field.name)) for field in dataclasses.fields(value))
    return tuple(map(all_of, value)) if isinstance(value, tuple) else (type(value), value)


def outcome(text: bytes, unit: str | None) -> Any:
    """Return the capture, or the message."""
    try:
        return all_of(parse_capture(text, "t.any", unit=unit))
    except CaptureError as error:
        return str(error)


@contextmanager
def blocks_of(size: int) -> Iterator[None]:
    """Read in blocks of this size."""
    with pytest.MonkeyPatch.context() as patch:
        for module in MODULES:
            patch.setattr(module, "BLOCK", size)
        patch.setattr(vcd_reader, "_HEAD", min(size, vcd_reader._HEAD))
        yield


def by_lines(text: bytes, unit: str | None = None) -> Any:
    """Return the outcome where no block is taken as a whole."""

    def refuse(*_: object) -> None:
        raise blocks.OddBlockError

    with pytest.MonkeyPatch.context() as patch:
        for reader, name in TAKES:
            patch.setattr(reader, name, refuse)
        return outcome(text, unit)


def refused(text: bytes, size: int) -> list[object]:
    """Return the blocks after the first row or time stamp that were not taken as a whole."""
    odd: list[object] = []

    def watched(is_taken: Callable[..., bool]) -> Callable[..., bool]:
        def watch(reader: Any, block: object) -> bool:
            taken = is_taken(reader, block)
            if not taken and (reader._first if hasattr(reader, "_first") else reader._table) is not None:
                odd.append(block)
            return taken

        return watch

    with blocks_of(size), pytest.MonkeyPatch.context() as patch:
        for reader, _ in TAKES:
            patch.setattr(reader, "_is_taken", watched(reader._is_taken))
        parse_capture(text, "t.any")
    return odd


# --- whole blocks or lines: the same outcome ----------------------------------------------------------------------


def csv_text(time: str, row: str = "{t},{v}", step: float = 337e-6, start: float = 0.0) -> bytes:
    times = [time.format(start + step * n) for n in range(400)]
    rows = [row.format(t=at, v=n // 3 % 2, w=("Low", "HIGH")[n // 5 % 2]) for n, at in enumerate(times)]
    return "\n".join([row.replace("{t}", "Time [s]"), *rows, ""]).encode()


def vcd_text(changes: str, more: str = "", scale: str = "1 us") -> bytes:
    head = HEAD.replace("1 us", scale).replace("$enddef", more + "$enddef") + "#0 0!\n"
    return (head + "".join(changes.format(t=n * 337, v=n // 3 % 2, x="01xZ"[n % 4]) for n in range(400))).encode()


USUAL = [
    csv_text("{:.6f}"), csv_text("{:.9e}"), csv_text("{:.3E}"), csv_text("{!r}"), csv_text("{:g}"), csv_text("{:.15f}"),
    csv_text("{:.0f}", step=1.0), csv_text("{:+.6f}", start=-0.05), csv_text("{:.6f}", "{t}"), csv_text("{:.6f}")[:-1],
    csv_text("{:.6f}").replace(b"\n", b"\r\n"), csv_text("{:.6f}").replace(b"\n", b"\r"),
    csv_text("{:.6f}").decode().encode("utf-16"), csv_text("{:.6f}", "{v}\t{t}\t{w}\t0"),
    csv_text("{:.6f}", "{t}, {v}"), csv_text("{:12.6f}", "{t} ,  {v} "), csv_text("{:.6f}", "{t};{w};{v}.0"),
    csv_text("{:.6f}", '"{t}","{w}",{v}'), csv_text("{:.6f}", '"{t}",{v}'), csv_text("{:12.6f}"),
    csv_text("{:.6f}", "{t};1;{v}").replace(b".", b","), csv_text("{:.6f}", "{t},3.5e1,{w},volts,{v}"),
    vcd_text("#{t}\n{v}!\n"), vcd_text("#{t} {v}! "), vcd_text("#{t}\r\n{x}!\r\n"), vcd_text("\t#{t}\t{v}!\f\v\n"),
    vcd_text("#{t}\n{v}!\nb1{x} #\n{v}$a\n", "$var wire 8 # bus $end $var wire 1 $a other $end "),
    vcd_text("#{t} b{v} ! r1.5e3 b1 b b1 s s\n", "$var real 64 b1 x $end $var wire 1 b y $end $var wire 9 s z $end "),
    vcd_text("#{t} $dumpall {v}! $end\n"), vcd_text("#{t}\n{v}!\n", scale="100fs"),
    vcd_text("#00{t}00000000 {v}!\n", scale="1 ns"),
]  # fmt: skip


@pytest.mark.parametrize("text", USUAL)
def test_usual_files_are_taken_in_blocks(text: bytes) -> None:
    """In every dialect that analysers write no block is left to the slow parser, and the capture is the same."""
    assert not refused(text, 600)
    expected = by_lines(text)
    assert not isinstance(expected, str), expected
    for size in (600, 1000, blocks.BLOCK):
        with blocks_of(size):
            assert outcome(text, None) == expected


ODD = [
    HEAD + "$dumpvars x! $end\n#7\n1! #9 0! $comment 1! #3 $end 1! #9 #10\n0!\nb1\n!\n"
    "$dumpoff x! $end #12 bx ! #13 1!\n#1",
    HEAD.replace("1 us", "1 fs") + "#999999999999999999 0! #1000000000000000000 1!\n1! "
    "#86400000000000000000 0!\n0! x! 1!\n#9 0!",
    HEAD.replace("$enddef", "$var wire 1 longer_than_8 a $end $enddef") + "#1 0! 1longer_than_8\n"
    "#2 1! #3 0longer_than_8\n#4 0lo",
    "# mid\nTime [s],a\n-0.5,0\n\n-2e-1,1\n# x,1\n'1',1\n",
    'time_us,a,"b\n"\n0,1,0\n1,0,"1"\n"2",1,"0"\n3,"1\n",1\n4.0,0,0,9\n5,1,x\n6,0,1\n',
    "t us;a\n0;1\n00,5;0\n1.50;1\n1,5;0\n1.25;1\n7;0\n",
    "Time [s],a\n1e-5,0\n.5,1\n2.,0\n+3,1\n4e0,0\n5e+1,1\n9999999999.999999999999,0\n",
    "time_us,a\n0,0\n1\n1,2,0\n",
    "time_us,a\n0,0\n1,1,2\n2\n",
    'time_us,a,b\n0,0,x\n1,1,"x\n2,0,y\n3,1,"z\n4,0,q\n',
    'time_us,a,b,c\n0,0,x,y\n1,0,",a"b\n2,1,x,y\n',
    'time_us,a,b\n0,0,x\n1,0,"x""y"\n2,1,""\n3,0,"\n4,1,"\n',
    'time_us,a\n0,0\n"1" ,1\n 2,"0" \n" 3","1"\n "4",0\n',
    *(f"time_us,a\n-1,0\n{time},1\n9,0\n" for time in [".", "+", "-.", "", "1e+001", "e1", "1e", "1e+", "1.e1", "1 2"]),
    "time_us,a\n0,0\n1,\x111\n2,\x110\n3,\x1f0\n4,\x1d\x0b1\n5,\x11\n".encode("utf-16"),
    "time_us,a\n0,0\n" + "1" + " " * 40 + ",  1" + " " * 40 + "\n2," + " " * 40 + "0\n",
    "time_us,a\n-2e12,0\n86399e6,1\n",
    "Time [s],a\n-3e6,0\n3e6,1\n",
    "Time [s],a\n0.5,0\n86400.5,1\n86400.5000000000001,0\n",
    "Time [s],a\n0.0000000000000000000000001,0\n1.00000000000049999,1\n1.0000000000005000000000000009,0\n",
    "time_us,a\n0,0\n999999999999999999,1\n",
    "time_us\n5\n4\n6\n",
    "time_us,a,b\n0,0,0\n1\n0,1\n2,0,0\n",
    "Time [s],a\n0.0000000000004999999999999999,0\n86399.000000000001,1\n",
    "time_us,a\n0,0\n18446744073710,1\n",
    "time_us,a\n18446744073710,0\n18446744073711,1\n",
    "Time [s],a\n0,0\n1.0000000000005,0\n1.000000000000,1\n",
    HEAD + "#0 0!\n#86400000000 1!\n#86400000001 0!\n",
    HEAD.replace("!", "longer_than_8") + "#0 0longer_than_8\n#1 1longer_than_8\n1!\n",
    HEAD.replace("$enddef", "$var wire 1 #9 a $end $enddef") + "#0 0! b# #9\n#10 1!\n",
    HEAD + "#0 0! 1!\nppm\n#10 1!\n",
    HEAD + "#0 0! #1 1!\n$dumpports\n#10 0!\n",
    "Time [s],a\n0,0\n1.0000000000005,0\n1.0000000000003,1\n",
    "time_us,a\n0,0\n5,0\n 6 ,1\n'7',0\n",
]  # fmt: skip


@pytest.mark.parametrize("text", [*ODD, *(text[:220] for text in USUAL[:3] + USUAL[-5:])])
def test_a_block_may_end_anywhere(text: str | bytes) -> None:
    """Odd files and errors, with every size of a block, and cut off everywhere."""
    data = text.encode() if isinstance(text, str) else text
    for cut in {*range(len(data) // 2, len(data), 5), len(data)}:
        expected = by_lines(data[:cut])
        for size in range(1, 200, 1 if cut == len(data) else 37):
            with blocks_of(size):
                assert outcome(data[:cut], None) == expected


def same_in_blocks(text: bytes, size: int, unit: str | None = None) -> None:
    expected = by_lines(text, unit)
    for most in (size, blocks.BLOCK):
        with blocks_of(most):
            assert outcome(text, unit) == expected


_CODES = ["#1", "b0", "$a", "~~~~~~~~", "longer_than_8"]
_STAMPS = [0, 0, 0, 1, 1, 2, 1000, 10**6]
_TOKENS = [
    *("{v}!", "{v}#1", "{v}b0", "{v}~~~~~~~~", "x!", "Z!", "b{v} !", "b0{v} b0", "B #1", "bx $a", "r1.5 #1", "s$ b0"),
    *("$dumpvars", "$end", "$dumpoff", "0longer_than_8", "$comment 1! #3\n$end"),
    *("1?", "#", "#-5", "#1_0", "b2 !", "b1", "ppm", "$dump", "1", "$comment", "#{n}", "#0{n}"),
]  # fmt: skip


def test_any_vcd(long: bool) -> None:
    """Time stamps, changes, vectors, and now and then an error, with any white space between (``--long``: 4000)."""
    settings(max_examples=4000 if long else 400, deadline=None, derandomize=True)(any_vcd)()


@given(
    st.sampled_from(["1 us", "100 fs", "1 fs", "1 ms"]),
    st.sampled_from([0, 0, 7, 10**18 - 2000]),
    st.lists(
        st.tuples(st.sampled_from(_STAMPS), st.integers(0, 1000), st.sampled_from("\n\n \t\r\v")),
        max_size=40,
    ),
    st.integers(1, 120),
    st.integers(0, 3),
)
def any_vcd(scale: str, now: int, words: list[tuple[int, int, str]], size: int, cut: int) -> None:
    head = HEAD.replace("1 us", scale) + "".join(f"$var wire 1 {code} n $end " for code in _CODES)
    text = ""
    for step, kind, space in words:
        now += step
        token = f"#{now}" if step else _TOKENS[kind if kind < len(_TOKENS) else kind % 17]
        text += token.format(v=kind % 2, n=now) + space
    data = (head.replace("$enddefinitions $end", "") + "$enddefinitions $end\n" + text).encode()
    same_in_blocks(data[: len(data) - cut], size)


_FORMS = ["{:.0f}", "{:.6f}", "{:.12f}", "{:.16f}", "{!r}", "{:g}", "{:.4e}", "{:+.3f}", "{:8.2f} ", "{:.18e}"]
_WORDS = ["0 1", "0 1", "Low HIGH", "0.0 1.0", "off On", "false TRUE"]
_LINES = [
    "",
    "# a,b",
    "//;",
    "%\t1",
    "  ",
    "five,1",
    "1,",
    ",1",
    '"9e9",1',
    '"',
    "1e99,1",
    "1e-99;1",
    "0x5,0",
    "1.2.3,0",
    "-,1",
    "1e,1",
]


_DIALECT = [(",", ", ", ";", "\t"), _FORMS, _WORDS, ("\n", "\r\n", "\r"), ("utf-8-sig", "latin-1", "utf-16")]
_TABLE = [range(4), (False, True), ("s", "ms", "us", "ns"), (-3.5, 0, 1e6)]
_STEPS = [0, 1e-12, 1e-6, 0.337, 12.25]


def test_any_csv(long: bool) -> None:
    """Rows in many forms, and now and then another line, in any encoding (``--long``: 4000)."""
    settings(max_examples=4000 if long else 400, deadline=None, derandomize=True)(any_csv)()


@given(
    st.tuples(*map(st.sampled_from, _DIALECT)),
    st.tuples(*map(st.sampled_from, _TABLE)),
    st.lists(st.tuples(st.sampled_from(_STEPS), st.integers(0, 7), st.integers(0, 500)), min_size=2, max_size=30),
    st.integers(1, 120),
    st.integers(0, 3),
)  # fmt: skip
def any_csv(form: Any, table: Any, rows: list[tuple[float, int, int]], size: int, cut: int) -> None:
    (separator, number, words, end, encoding), (columns, comma, unit, now) = form, table
    lines = [separator.join([f"Time [{unit}] \u00b5", *"abc"[:columns]])]
    for step, levels, other in rows:
        now += step
        cells = [number.format(now), *(words.split(" ")[levels >> place & 1] for place in range(columns))]
        line = separator.join(cells)
        lines.append(_LINES[other] if other < len(_LINES) else line.replace(".", ",") if comma else line)
    data = end.join([*lines, ""]).encode(encoding)
    same_in_blocks(data[: len(data) - cut], size)


# --- numbers, encodings, limits ------------------------------------------------------------------------------------


@given(st.integers(-(10**15), 10**15), st.lists(st.integers(1, 10**17), min_size=1, max_size=20), st.integers(12, 23))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_times_are_rounded_exactly(first: int, steps: list[int], decimals: int) -> None:
    """Whole picoseconds from the first row, ties to even, as Python's `round` of the exact fraction."""
    times = list(
        itertools.accumulate([first, *(2 * 10 ** (decimals - 12) + step % 10 ** (decimals - 9) for step in steps)])
    )
    rows = "".join(f"{Decimal(time).scaleb(-decimals):f}\n" for time in times)
    (signal,) = parse_capture(("Time [s]\n" + rows).encode(), "t.csv").signals
    assert signal.at_ps.tolist() == [round(Fraction(time - first, 10 ** (decimals - 12))) for time in times]


@pytest.mark.parametrize(
    ("end", "encoding"), [(b"", "utf-8"), ("# µ".encode(), "utf-8"), (b"# \xb5\n", "latin-1"), (b"# \xc2", "latin-1")]
)
def test_the_last_byte_decides_the_encoding(end: bytes, encoding: str) -> None:
    """A file is UTF-8 or Latin-1 as a whole, as Python decodes it."""
    text = "time_us,Kanal µ\n".encode() + b"".join(b"%d,%d\n" % (at, at % 2) for at in range(500)) + end
    with blocks_of(100):
        (signal,) = parse_capture(text, "t.csv").signals
    assert signal.name == text.decode(encoding).splitlines()[0].partition(",")[2]


class Generated(io.RawIOBase):
    """A file of a head and rows of equal length, which is made while it is read."""

    def __init__(self, head: bytes, row: Callable[[int], bytes], rows: int) -> None:
        self._head, self._row, self._rows = head, row, rows
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        assert whence == io.SEEK_SET
        self._at = offset
        return offset

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: Any) -> int:
        length = len(self._row(0))
        first = max(0, self._at - len(self._head)) // length
        last = min(self._rows, first + len(buffer) // length + 2)
        begin = len(self._head) + first * length if first else 0
        text = (b"" if first else self._head) + b"".join(map(self._row, range(first, last)))
        piece = text[self._at - begin :][: len(buffer)]
        buffer[: len(piece)] = piece
        self._at += len(piece)
        return len(piece)


LARGE = {
    "vcd": (HEAD.encode() + b"#0 0!\n", lambda n: b"#%08d %d!\n" % (n, n // 1000 % 2)),
    "vcd in one line": (HEAD.encode() + b"#0 0! ", lambda n: b"#%08d %d! " % (n, n // 1000 % 2)),
    "csv": (b"Time [s],a,b\n", lambda n: b"%d.%06d,%d,0\n" % (100 + n // 10**6, n % 10**6, n // 1000 % 2)),
    "csv with odd rows": (
        b"time_us,a\n",
        lambda n: b"%08d,%d\n" % (n, n // 1000 % 2) if n % 1000 != 500 else b"# a remark\n",
    ),
    "csv in quotes": (b"time_us,a\n", lambda n: b'"%08d",%d\n' % (n, n // 1000 % 2)),
}


def peak_bytes(form: str, rows: int) -> int:
    """Return the most memory while a file is read."""
    head, row = LARGE[form]
    read = csv_reader.read if form.startswith("csv") else vcd_reader.read
    tracemalloc.start()
    try:
        capture = read(io.BufferedReader(Generated(head, row, rows)), "t")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert capture.end_ps == (rows - 1) * signals.PS_PER_US
    assert len(capture.signals[0].at_ps) == (rows - 1) // 1000
    return peak


@pytest.mark.parametrize("form", LARGE)
def test_memory_does_not_grow_with_the_file(form: str) -> None:
    """Samples without edges take none: a file six times as long needs as much, some blocks."""
    with blocks_of(1 << 12):
        short, long = peak_bytes(form, 4_000), peak_bytes(form, 24_000)
    assert long < 1.5 * short
    assert long < 60 * (1 << 12)


@pytest.mark.parametrize(
    ("text", "limit", "says"),
    [
        (HEAD + "#0 0!\n#1 1!\n" + "x" * 40_000, "LONGEST", "line 4: a word of more than"),
        (HEAD + "x" * 40_000 + "\n", "LONGEST", "line 2: a word of more than"),
        ("time_us,a\n0,0\n1,1\n2,0" + ",0" * 20_000, "LONGEST", "line 4: a line of more than"),
        ("x" * 40_000, "LONGEST", "line 1: a line of more than"),
        (
            HEAD + "#0 0!\n" + "".join(f"#{n} {n % 2}!\n" for n in range(9999)),
            "MOST_EDGES",
            "more than 0 million edges",
        ),
        ("time_us,a\n" + "".join(f"{n},{n % 2}\n" for n in range(9999)), "MOST_EDGES", "more than 0 million edges"),
        ("time_us\n" + "".join(f"{n}\n" for n in range(9999)), "MOST_EDGES", "more than 0 million edges"),
    ],
)
def test_what_does_not_fit_into_memory(text: str, limit: str, says: str) -> None:
    """Words and lines without end, and too many edges, are refused before they are all in memory."""
    file = io.BytesIO(text.encode())
    with pytest.MonkeyPatch.context() as patch, blocks_of(64):
        for module in (vcd_reader, csv_reader, signals):
            patch.setattr(module, limit, 900, raising=False)
        with pytest.raises(CaptureError) as caught:
            (csv_reader.read if text[0] != "$" else vcd_reader.read)(file, "t.any")
    assert says in str(caught.value)
    assert file.tell() < len(text) / 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"time_us,a\n" + b"5,0\n" * 1100 + b"6,\x11\n", "'?' is not a level"),
        (b"time_us,a\n" + b"5,0\n" * 1100 + b"6,1\x1f\n", None),
        (HEAD.encode() + b"#1 0!\n" * 900 + b"#2 1\x11\n", "a change of '?'"),
        (HEAD.encode() + b"#1 0!\n" * 900 + b"#2\x1f1!\n", "time stamp '#2?1!'"),
        (
            b"$comment "
            + b"x" * 5000
            + b" $end "
            + HEAD.encode().replace(b"$enddef", b"$var wire 1 !\0 b $end $enddef")
            + b"#1 0!\n#2 1!\n#3 0!\n#4 1!\n",
            None,
        ),
        (b" " * 9000, "is empty"),
        (b" " * 9000 + b"time_us,a\n0,0\n", None),
    ],
)
def test_far_in_the_file(text: bytes, says: str | None) -> None:
    """Control characters beyond the part that decides what a file is, and content beyond it."""
    expected = by_lines(text)
    assert says is None if isinstance(expected, tuple) else says is not None and says in expected
    assert outcome(text, None) == expected


@pytest.mark.parametrize("head", [b"time_us,a,b\n0,0,\n", HEAD.encode() + b"#0 0!\n"])
def test_long_fields(head: bytes) -> None:
    """The limit of the csv module holds in blocks too; a VCD may have longer words."""
    for length in (csv.field_size_limit(), csv.field_size_limit() + 1):
        text = head + (b"1,1,%s\n2,0,\n" if b"," in head else b"#1 1! b%s !\n#2 0!\n") % (b"1" * length)
        expected = by_lines(text)
        assert isinstance(expected, str) == (b"," in head and length > csv.field_size_limit())
        assert outcome(text, None) == expected

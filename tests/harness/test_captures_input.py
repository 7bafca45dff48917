"""Captures as they come: forms of CSV and VCD, bad input of every kind, the command, and chance."""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lostlink.captures import frames_csv, strips, wording
from lostlink.captures import resolution as ticks
from lostlink.captures.files import parse_capture
from lostlink.captures.judging import findings
from lostlink.captures.recognise import choose
from lostlink.captures.signals import PS_PER_US
from lostlink.captures.to_trace import to_trace
from lostlink.cli import main
from lostlink.errors import CaptureError
from lostlink_sims import Profile

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT / "fixtures" / "captures"
FAILSAFE = (CAPTURES / "failsafe.vcd").read_bytes()
GAP = (CAPTURES / "gap_negative.csv").read_bytes()
HERON = str(ROOT / "fixtures" / "profiles" / "heron.toml")

WIDTHS = (1501, 1203, 1707, 1399)
EDGES = [
    (5_000 + 20_000 * n + sum(WIDTHS[:place]) + 300 * (not level), level)
    for n in range(20)
    for place in range(len(WIDTHS) + 1)
    for level in (1, 0)
]


def table(form: str, head: str = "", rest: str = "0", scale: float = 1.0, digits: int = 0) -> bytes:
    rows = [head] if head else []
    rows += [form.format(t=f"{at * scale:.{digits}f}", v=level, d=f"{at * scale:.{digits}f}".replace(".", ","))
             for at, level in [(0, int(rest)), *EDGES]]  # fmt: skip
    return "\n".join([*rows, ""]).encode()


def sampled() -> bytes:
    """Return a row every 20 µs."""
    rows, level, place = ["Time[us], a, b"], 0, 0
    for at in range(0, EDGES[-1][0] + 100, 20):
        while place < len(EDGES) and EDGES[place][0] <= at:
            level = EDGES[place][1]
            place += 1
        rows.append(f"{at}, {level}, 0")
    return "\r\n".join(rows).encode()


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        (table("{t},{v}", "time_us,level"), None),
        (table("{t},{v}", "Time [s],Channel 0", scale=1e-6, digits=9), None),
        (table("{t}, {v}", "Time (ms), pulses", scale=1e-3, digits=3), None),
        (table("{d};{v}", "Zeit; Pegel", scale=1e-3, digits=3), "ms"),
        (table("{d}\t{v}", "Time[ms]\tpulses", scale=1e-3, digits=3), None),
        (table("{t};{v}"), "us"),
        (table("{t},{v}", scale=1000), "ns"),
        (table("{t}", "edge at µs"), None),
        (table("{t}", "edge at µs").decode().encode("latin-1"), None),
        (table('"{t}","{v}"', '"time us","level"'), None),
        (table("{t},{v}", "# a remark\n\nSample rate: 1 MHz\ntime/us,level\n// another"), None),
        (table("{v},{t},7.5", "level,time_us,volts"), None),
        (table("{t},{v},low,3", "time_us,level,button,count"), None),
        ("\ufeff".encode() + table("{t},{v}", "time_us,level").replace(b"\n", b"\r\n"), None),
        (table("{t},{v}", "time_us,level").decode().encode("utf-16"), None),
        (table("{t},{v}", "time_us,level").replace(b",1\n", b",High\n").replace(b",0\n", b",Low\n"), None),
        (table("{t},{v}", "time_us,level").replace(b"\n", b"\r"), None),
        (table("{t},{v}", scale=1e-6, digits=6).replace(b"0.005000", b"5e-3"), "s"),
    ],
)  # fmt: skip
def test_forms_of_csv(text: bytes, unit: str | None) -> None:
    """Separators, units, headers, remarks, quotes, orders of columns, encodings."""
    train = choose(parse_capture(text, "t.csv", unit=unit))
    assert {tuple(row) for row in (train.widths_ps // PS_PER_US).tolist()} == {WIDTHS}
    assert len(train.widths_ps) >= 18
    assert train.sample_period_ps == PS_PER_US


def test_decoded_frames_as_csv() -> None:
    """Every frame of the train, on the time axis of the file; a cell without a channel is empty."""
    shown = [edge for place, edge in enumerate(EDGES) if place not in (38, 39)]  # the last pulse of frame 3
    text = "time_us,level\n-30000.25,0\n" + "".join(f"{at - 30_000.25},{level}\n" for at, level in shown)
    capture = parse_capture(text.encode(), "t.csv")
    rows = list(csv.DictReader(io.StringIO(frames_csv.csv_text(capture, choose(capture)))))
    wanted = [
        {
            "start_us": f"{20_000 * n - 25_000.25:.3f}",
            "period_us": "20000.000" if n < 19 else "",
            "whole": str(int(n < 19)),  # the capture ends with the last pulse
            "channels": str(4 - (n == 3)),
            **{f"ch{k + 1}_us": "" if (n, k) == (3, 3) else f"{width}.000" for k, width in enumerate(WIDTHS)},
        }
        for n in range(20)
    ]
    assert rows == wanted


def test_instants_alone_have_no_polarity() -> None:
    """Of alternating edges nobody knows which is up."""
    train = choose(parse_capture(table("{t}", "t/us"), "t.csv"))
    assert train.polarity is None
    assert "polarity =" not in wording.proposal(train)


def test_samples() -> None:
    """A row every 20 µs, repeated levels: the tick is the row's distance, widths lie within it."""
    capture = parse_capture(sampled(), "t.csv")
    assert [len(signal.at_ps) for signal in capture.signals] == [len(EDGES), 0]
    train = choose(capture)
    assert train.sample_period_ps == 20 * PS_PER_US
    assert (abs(train.widths_ps // PS_PER_US - list(WIDTHS)) <= 20).all()


def test_six_digits_are_no_microsecond() -> None:
    """Seconds with six significant digits are 10 µs coarse beyond ten seconds, however fine they begin."""
    rows = "time_s,level\n0,0\n" + "".join(f"{at / 1e6 + (10 if at > 200_000 else 0):.6g},{v}\n" for at, v in EDGES)
    assert parse_capture(rows.encode(), "t.csv").unit_ps == 100 * PS_PER_US


def test_dump_of_several_wires() -> None:
    """The wire that looks like a train is chosen; with two the names are told."""
    head = "$timescale 1us $end $var wire 1 ! a $end $var wire 1 # b $end $enddefinitions $end #0 0! 0#\n"
    one = head + "".join(f"#{at} {v}!\n" + (f"{v}#\n" if at < 9_000 else "") for at, v in EDGES)
    assert choose(parse_capture(one.encode(), "t.vcd")).signal.name == "a"
    two = (head + "".join(f"#{at} {v}! {v}#\n" for at, v in EDGES)).encode()
    with pytest.raises(CaptureError, match=r"--signal: 'a' \(200 edges\), 'b' \(200 edges\)"):
        choose(parse_capture(two, "t.vcd"))
    assert choose(parse_capture(two, "t.vcd"), "b").signal.name == "b"
    with pytest.raises(CaptureError, match="'c': no one-bit signal has this name"):
        choose(parse_capture(two, "t.vcd"), "c")


# --- bad input ------------------------------------------------------------------------------------------------------

HEAD = "$timescale 1 us $end $var wire 1 ! ppm $end $enddefinitions $end\n"


def serial() -> str:
    """Return a serial line at 9600 bits a second, bytes in bursts."""
    lines, level = [], 1
    for burst in range(40):
        for byte in range(8):
            bits = [0, *((burst * 31 + byte * 57) >> n & 1 for n in range(8)), 1]
            for place, bit in enumerate(bits):
                if bit != level:
                    level = bit
                    lines.append(f"#{burst * 25_000 + (byte * 10 + place) * 104} {bit}!")
    return HEAD + "#0 1!\n" + "\n".join(lines) + "\n#1000000\n"


def wave(high_us: int, period_us: int, count: int = 60) -> str:
    edges = "".join(f"#{9_000 + n * period_us} 1!\n#{9_000 + n * period_us + high_us} 0!\n" for n in range(count))
    return f"{HEAD}#0 0!\n{edges}#9999999\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        (" \n\n", "is empty"),
        ("hello world\nthis is text\n", "no line begins with a time"),
        (b"\x7fELF\x02\x01\x00\x00", "is binary"),
        (bytes(range(256)), "is binary"),
        (gzip.compress(FAILSAFE), "compressed with gzip; unpack it"),
        (b"PK\x03\x04....", "compressed with zip"),
        ("$timescale 1 us $end $var wire 1 ! ppm $end #0 0!", "line 1: '#0' where a declaration is expected"),
        ("$timescale 1 us $end\n$var wire 1 ! ppm $end\n", "line 2: the file ends without $enddefinitions"),
        ("$timescale 1 us $end\n$var wire 1 ! ppm", "line 2: $var has no $end; the file is cut off"),
        (HEAD.replace("$timescale 1 us $end", "") + "#0 0!", "no $timescale"),
        (HEAD.replace("1 us", "0.5 ns") + "#0 0!", "$timescale '0.5 ns'; allowed: 1, 10 or 100"),
        (HEAD.replace("1 us", "2 us") + "#0 0!", "$timescale '2 us'"),
        ("$timescale 1 us $end " + HEAD, "a second $timescale"),
        (HEAD.replace("wire 1", "wire 8") + "#0 b0 !", "no wire of one bit"),
        (HEAD.replace("wire 1 ! ppm", "wire 1 !") + "#0", "$var 'wire 1 !'"),
        (HEAD + "#0 0!\n#5 1?\n#6 0!\n", "line 3: a change of '?', which no $var declares"),
        (HEAD + "#0 0!\n#5 1!\n#4 0!\n#9 1!", "line 4: time runs backwards, from #5 to #4"),
        (HEAD + "#0 0!\n#500 1!\n#5", "line 4: the file is cut off"),
        (HEAD + "#0 0!\n#500 1!\n#", "line 4: the file is cut off"),
        (HEAD + "#0 0!\n#5 b1", "line 3: the file is cut off"),
        (HEAD + "#0 0!\n#-5 1!", "line 3: time stamp '#-5'"),
        (HEAD + "#0 0!\n#" + "9" * 5000 + " 1!\n", "line 3: time stamp"),
        (HEAD + "#0 0!\n#99999999999999999999 1!\n", "more than a day"),
        (HEAD + "#0 0!\n#5 ppm=1\n", "line 3: 'ppm=1' is not a change"),
        (HEAD + "#0 0!\n#5 b2 !\n", "line 3: 'b2' is not a value"),
        (HEAD + "#0 0!\n$comment for ever", "line 3: $comment has no $end"),
        (HEAD + "#0 0!\n#5 1!\n#9\n", "only 1 edge"),
        (HEAD + "#0 0!\n#5 0!\n#9\n", "no edge"),
        (HEAD, "no edge"),
        (wave(300, 1500), "no sync gap longer than 2.3 ms"),
        (wave(1500, 20_000), "single servo pulses"),
        (wave(300, 20_000), "single servo pulses"),
        (wave(5, 30_000), "60 pulses shorter than 10 µs"),
        (serial(), "it looks like a serial signal"),
        ("0,0\n5,1\n", "add one such as 'Time [s]', or give --unit s, ms, us or ns"),
        ("time,level\n0,0\n5,1\n", "the header 'time' has no unit"),
        ("time_us,level\n0,0\n5,1\n4,0\n9,1\n", "line 4: time runs backwards (4)"),
        ("time_us,level\n0,0\n500,1\n5,0\n", "line 4: the file is cut off"),
        ("time_us,level\n0,0\n500,1\n600", "line 4: the file is cut off: 1 of 2 columns"),
        ("time_us,level\n0,0\nfive,1\n", "line 3: 'five' where a time is expected"),
        ("time_us,level\n0,0\nnan,1\n", "line 3: 'nan' where a time is expected"),
        ("time_us,level\n0,0\n5,2\n", "line 3: '2' is not a level"),
        ("time_us,volts\n0,0.01\n5,3.28\n", "no column holds levels"),
        ("time_us,level\n0,0\n1e99,1\n", "line 3: more than a day"),
        ("time_us,level\n0,0\n1e15,1\n", "line 3: more than a day"),
        ("time_us\n0\n5\n5\n", "edge 3 is at the same time as edge 2"),
        ("time_us,level\n0,0\n5,1\n", "only 1 edge"),
        ('time_us,level\n0,"' + "x" * 200_000, "line 2"),
    ],
)  # fmt: skip
def test_bad_input_is_told(text: str | bytes, says: str) -> None:
    """Each in one message: the file, the line where there is one, what is wrong and what is allowed."""
    data = text.encode() if isinstance(text, str) else text
    with pytest.raises(CaptureError) as caught:
        choose(parse_capture(data, "t.any"))
    assert says in str(caught.value)
    assert str(caught.value).startswith("t.any")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 500


def test_terminal_is_safe() -> None:
    """Names out of a file cannot send control characters to the terminal."""
    head = b"$comment " + b"x" * 5000 + b" $end " + HEAD.replace("ppm", "p\x1b[31mq").encode()
    with pytest.raises(CaptureError) as caught:
        choose(parse_capture(head + b"#0 0!\n", "t.vcd"), "q")
    assert "\x1b" not in str(caught.value)
    text = head + b"#0 0!\n" + b"".join(b"#%d %d!\n" % edge for edge in EDGES)
    assert choose(parse_capture(text, "t.vcd")).signal.name == "p?[31mq"


def test_a_last_stamp_without_an_end() -> None:
    """It may be a part of a longer number: it is left out, and that is said."""
    text = (HEAD + "#0 0!\n#500 1!\n#700 0!\n#9").encode()
    for end, end_us, notes in ((b"00", 700, 1), (b"00\n", 900, 0), (b"00\r", 900, 0), (b"00 1!", 900, 0)):
        capture = parse_capture(text + end, "t.vcd")
        assert (capture.end_ps // PS_PER_US, len(capture.notes)) == (end_us, notes)


@pytest.mark.parametrize("text", ["5", "5 minutes", "0 ns", "2 ms", "-1 us", "1e3 ns"])
def test_bad_ticks(text: str) -> None:
    """No unit, or out of range."""
    with pytest.raises(CaptureError, match="--tick"):
        ticks.parse_tick(text)
    assert ticks.parse_tick("33.3 ns") == pytest.approx(33_300)
    assert ticks.parse_tick("1 µs") == 10**6


# --- the command ----------------------------------------------------------------------------------------------------


def run(*words: Any) -> Result:
    return CliRunner().invoke(main, ["read", *(str(word) for word in words)])


@pytest.mark.parametrize(
    ("name", "code"),
    [("failsafe.vcd", 0), ("short_gap.csv", 1), ("gap_negative.csv", 1), ("reset_two_wires.vcd", 4)],
)
def test_exit_codes(name: str, code: int) -> None:
    """As `prove`: 0, 1 and 4; without a profile nothing is judged."""
    shown = run(CAPTURES / name, HERON)
    assert shown.exit_code == code, shown.output
    assert "propellers off" in shown.output.lower()
    assert "does not show when, or whether, the link was lost" in shown.output
    assert run(CAPTURES / name).exit_code == 0
    quiet = run(CAPTURES / name, HERON, "--quiet")
    assert len(quiet.output.splitlines()) == 1
    assert shown.output.splitlines()[-1].endswith(quiet.output.strip())


def test_a_mistyped_waiver_is_refused(tmp_path: Path) -> None:
    profile = tmp_path / "link.toml"
    profile.write_text('[requirements]\nwaived = ["FS-CTU"]\n', encoding="utf-8")
    shown = run(CAPTURES / "failsafe_24mhz.vcd", profile, "--out", tmp_path / "evidence")
    assert shown.exit_code == 2
    assert "no requirement 'FS-CTU'; did you mean 'FS-CUT'?" in shown.output
    assert not (tmp_path / "evidence").exists()


def test_a_doubt_is_four() -> None:
    """A coarse tick leaves the separator open."""
    shown = run(CAPTURES / "failsafe.vcd", HERON, "--tick", "50 us")
    assert shown.exit_code == 4
    assert "inconclusive" in shown.output


@pytest.mark.parametrize("name", ["c\u00a0x.vcd", "c\u202fx.vcd", "c\nx.vcd"])
def test_any_name_of_a_file(name: str, tmp_path: Path) -> None:
    """Spaces that do not break, and the end of a line."""
    (tmp_path / name).write_bytes(FAILSAFE)
    usual = CliRunner().invoke(main, ["read", str(CAPTURES / "failsafe.vcd"), HERON])
    words = ["read", str(tmp_path / name), HERON, "--out", str(tmp_path / "ev")]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == usual.exit_code, done.output
    assert (tmp_path / "ev" / "report.html").exists()


def test_content_decides_not_the_name(tmp_path: Path) -> None:
    """A dump that is called .csv."""
    (tmp_path / "wrong.csv").write_bytes(FAILSAFE)
    assert run(tmp_path / "wrong.csv", HERON).exit_code == 0
    shown = run(tmp_path / "wrong.csv", "--unit", "us")
    assert (shown.exit_code, "contains its unit; leave out --unit" in shown.output) == (2, True)


def test_what_is_no_file(tmp_path: Path) -> None:
    """A folder, a pipe that nobody writes, nothing, a name that is none, a profile that is none."""
    os.mkfifo(tmp_path / "pipe")
    for path, says in (
        (tmp_path, "is a folder"),
        (tmp_path / "pipe", "not a regular file"),
        (tmp_path / "none.vcd", "No such file"),
        ("a\0b", "not a file name"),
    ):
        shown = run(path)
        assert (shown.exit_code, says in shown.output) == (2, True), shown.output
        assert len(shown.output.splitlines()) == 1
    assert run(CAPTURES / "failsafe.vcd", tmp_path / "none.toml").exit_code == 2


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_unreadable_file(tmp_path: Path) -> None:
    """Permission denied, in words."""
    (tmp_path / "shut.vcd").write_bytes(FAILSAFE)
    (tmp_path / "shut.vcd").chmod(0)
    shown = run(tmp_path / "shut.vcd")
    assert (shown.exit_code, "Permission denied" in shown.output) == (2, True)


def test_a_file_larger_than_memory(tmp_path: Path) -> None:
    """It is read in blocks, until an error."""
    (tmp_path / "large.vcd").write_bytes(FAILSAFE)
    os.truncate(tmp_path / "large.vcd", 1 << 38)
    shown = run(tmp_path / "large.vcd")
    assert (shown.exit_code, "a word of more than 16 MB" in shown.output) == (2, True)


def test_nothing_is_written_over(tmp_path: Path) -> None:
    """Decoded frames go to a new file, or over an old one by --force, never over the capture."""
    capture, out = tmp_path / "c.vcd", tmp_path / "frames.csv"
    capture.write_bytes(FAILSAFE)
    assert run(capture, "--csv", out).exit_code == 0
    assert len(out.read_text(encoding="utf-8").splitlines()) == 141
    out.write_text("mine", encoding="utf-8")
    shown = run(capture, "--csv", out)
    assert (shown.exit_code, "exists already" in shown.output, out.read_text(encoding="utf-8")) == (2, True, "mine")
    assert run(capture, "--csv", out, "--force").exit_code == 0
    assert out.read_text(encoding="utf-8").startswith("start_us,")
    shown = run(capture, "--csv", capture, "--force")
    assert (shown.exit_code, "is an input of this command" in shown.output) == (2, True)
    assert capture.read_bytes() == FAILSAFE
    assert run(capture, "--csv", tmp_path / "no" / "folder.csv").exit_code == 2


# --- chance ---------------------------------------------------------------------------------------------------------


def everything(text: bytes, unit: str | None = None) -> None:
    """Do all that the command does with a file's content; only a CaptureError may stop it."""
    with contextlib.suppress(CaptureError):
        look_at(text, unit)


def look_at(text: bytes, unit: str | None) -> None:
    capture = parse_capture(text, "t", unit=unit)
    train = choose(capture)
    for profile in (None, Profile()):
        found = findings(train, profile)
        assert found.conclusion
        trace = None if profile is None else to_trace(train, capture, profile)
        wording.events(found, trace)
        strips.legend(strips.picture(capture, found, profile))
    wording.proposal(train)
    frames_csv.csv_text(capture, train)


@given(st.binary(max_size=400), st.sampled_from([None, "us"]))
@settings(max_examples=400, deadline=None)
@example(b"\xff\xfe\x00", None)
@example(b"$", None)
@example(b"0", "us")
@example(b'"', "us")
def test_any_bytes(text: bytes, unit: str | None) -> None:
    """Bytes by chance."""
    everything(text, unit)


def of_many(example: Callable[..., None], most: int, long: bool) -> None:
    """Try a third of the examples, with ``--long`` all."""
    settings(max_examples=most if long else most // 3, deadline=None)(example)()


_WORDS = [b"#", b"$end", b"$dumpvars", b"0!", b"1!", b"x!", b"\n", b" ", b"$timescale", b"1", b"us", b"b1", b"$var",
          b"wire", b"!", b"$enddefinitions", b"#5", b"#77777", b",", b";", b"-", b".", b"e9", b"time_us"]  # fmt: skip


def test_any_words(long: bool) -> None:
    """Words of the formats in any order (``--long``: 400 times)."""
    of_many(any_words, 400, long)


@given(st.lists(st.sampled_from(_WORDS), max_size=60), st.sampled_from([b"", HEAD.encode(), b"time_us,level\n0,0\n"]))
def any_words(words: list[bytes], head: bytes) -> None:
    everything(head + b" ".join(words))
    everything(head + b"".join(words))


def test_mutated_captures(long: bool) -> None:
    """Good captures with bytes changed, cut out, doubled, or cut off (``--long``: 300 times)."""
    of_many(mutated_capture, 300, long)


@given(st.sampled_from([FAILSAFE[:9_000], GAP[:6_000], table("{t}", "t/us")]), st.data())
def mutated_capture(text: bytes, data: st.DataObject) -> None:
    for _ in range(data.draw(st.integers(1, 4))):
        at, length = data.draw(st.integers(0, len(text))), data.draw(st.integers(0, 300))
        new = data.draw(st.one_of(st.binary(max_size=6), st.just(text[at : at + length] * 2), st.sampled_from(_WORDS)))
        text = text[:at] + new + text[at + length :]
    everything(text)


def test_any_edges(long: bool) -> None:
    """Any edges, also with values that are not known; half of them built of usual lengths (``--long``: 200 times)."""
    of_many(any_edges, 200, long)


@given(st.lists(st.tuples(st.integers(1, 40_000), st.integers(0, 3)), min_size=6, max_size=150), st.booleans())
def any_edges(steps: list[tuple[int, int]], usual: bool) -> None:
    lengths = [300, 1200, 700, 9_000, 30_000, 2]
    at, lines = 0, []
    for step, value in steps:
        at += lengths[step % len(lengths)] if usual else step
        lines.append(f"#{at} {'01xz'[value]}!")
    everything((HEAD + "#0 0!\n" + "\n".join(lines) + f"\n#{at + 9_000}\n").encode())


def test_any_train(long: bool) -> None:
    """Trains whose frames now and then miss, break, stand, jump, run together or hold another number of channels.

    ``--long``: 200 of them.
    """
    of_many(any_train, 200, long)


@given(st.integers(1, 5), st.lists(st.integers(0, 6), min_size=4, max_size=60), st.data())
def any_train(channels: int, rows: list[int], data: st.DataObject) -> None:
    at, lines = 3_000, []
    for row in rows:
        count = channels + (row == 5) - (row == 6)
        width = data.draw(st.sampled_from([1000, 1500, 1502, 2000]))
        leads = [at + width * place for place in range(count + 1)]
        lines += [line for lead in leads if row != 4 for line in (f"#{lead} 1!", f"#{lead + 300} 0!")]
        at = leads[-1] + (50_000 if row == 3 else 400 if row == 2 else 7_000)
    everything((HEAD + "#0 0!\n" + "\n".join(lines) + f"\n#{at}\n").encode())

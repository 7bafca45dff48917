"""The pulse train: arithmetic of PPM frames (common practice, no formal standard), and VCD (IEEE 1364-2005, 18)."""

from __future__ import annotations

import dataclasses
import io
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from lostlink.evidence.exports import csv_text, vcd_text
from lostlink.watch.columns import ColumnReader
from lostlink_sims import Move, Profile, Scenario, simulate
from lostlink_sims.codes import crc8, crc8_rows
from lostlink_sims.frames import NEVER, Decoded, Frames, joined
from lostlink_sims.ppm import PulseDecoder, edges, leading_edges
from lostlink_sims.scenario import LinkCut

WIDTHS = [1000, 1500, 2000, 1500, 1100, 1900, 1500, 1500]


def frames(*rows: list[int], period_us: int = 22_500) -> Frames:
    return Frames(
        np.arange(len(rows)) * period_us,
        np.array([len(row) for row in rows]),
        np.array([width for row in rows for width in row]),
        np.full(len(rows), NEVER),
    )


def test_edges_of_a_frame() -> None:
    """Eight channels make nine separators and 18 edges; the last lies at 12000 and 12300 µs (arithmetic)."""
    at_us, level = edges(frames(WIDTHS), 300, "positive")
    assert len(at_us) == 18
    assert at_us[-2:].tolist() == [12_000, 12_300]
    assert at_us[::2].tolist() == [0, 1000, 2500, 4500, 6000, 7100, 9000, 10_500, 12_000]
    assert level.tolist() == [1, 0] * 9
    assert edges(frames(WIDTHS), 300, "negative")[1].tolist() == [0, 1] * 9


@pytest.mark.parametrize(("width", "gap_us"), [(2000, 6_500), (1500, 10_500), (1000, 14_500)])
def test_sync_gap(width: int, gap_us: int) -> None:
    """Eight channels in 22.5 ms leave 6.5, 10.5 or 14.5 ms (common practice, no source)."""
    leads = leading_edges(frames([width] * 8, [width] * 8))
    assert np.diff(leads).max() == gap_us


def test_minimal_train_of_the_standard_text() -> None:
    """Rising edges 0, 1000, 2500 are the channels 1000 and 1500 µs."""
    decoder = PulseDecoder(3_000, from_rest=True)
    decoder.feed(np.array([0, 1000, 2500]))
    seen = decoder.flush(10_000)
    assert (seen.widths_us.tolist(), seen.done_us.tolist()) == ([1000, 1500], [5_500])


rows = st.lists(st.lists(st.integers(800, 2200), min_size=1, max_size=8), min_size=1, max_size=6)


@given(rows, st.data())
@settings(max_examples=150, deadline=None)
def test_every_split_gives_the_same_frames(widths: list[list[int]], data: st.DataObject) -> None:
    """What goes in comes out, however the edges are cut in pieces."""
    leads = leading_edges(frames(*widths))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(leads)), max_size=8)))
    decoder = PulseDecoder(3_000, from_rest=True)
    pieces = [decoder.feed(piece) for piece in np.split(leads, cuts)]
    pieces.append(decoder.flush(int(leads[-1]) + 50_000))
    seen = joined(pieces)
    assert seen.widths_us.tolist() == [width for row in widths for width in row]
    assert seen.count.tolist() == [len(row) for row in widths]
    assert seen.start_us.tolist() == [22_500 * number for number in range(len(widths))]


def test_half_a_frame_at_the_start_is_dropped() -> None:
    """A decoder that begins to look in the middle of a frame waits for the first gap."""
    leads = leading_edges(frames(WIDTHS, WIDTHS, WIDTHS))[3:]
    decoder = PulseDecoder(3_000)
    seen: Decoded = joined([decoder.feed(leads), decoder.flush(10**6)])
    assert seen.start_us.tolist() == [22_500, 45_000]


def flown() -> tuple[Profile, Scenario]:
    moves = (Move(at_us=100_000, channel="switch 1", position=1), Move(at_us=300_000, channel="throttle", position=0.8))
    return Profile(), Scenario(duration_us=1_500_000, moves=moves, faults=(LinkCut(at_us=600_000),))


def test_vcd_is_read_by_another_reader() -> None:
    """A failing run's VCD: header, timescale, non-decreasing times, and the same pulse edges, read by pyvcd."""
    trace = simulate(*flown())
    tokens = list(tokenize(io.BytesIO(vcd_text(trace).encode("ascii"))))
    kinds = [token.kind for token in tokens]
    assert TokenKind.TIMESCALE in kinds
    assert TokenKind.ENDDEFINITIONS in kinds
    names = {token.var.id_code: token.var.reference for token in tokens if token.kind is TokenKind.VAR}
    assert {"ppm", "packet_received", "packet_lost", "failsafe", "throttle_us", "motor_command"} == set(names.values())
    now, times, found = 0, [], []
    for token in tokens[kinds.index(TokenKind.ENDDEFINITIONS) :]:
        if token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
            times.append(now)
        elif token.kind is TokenKind.CHANGE_SCALAR and names[token.scalar_change.id_code] == "ppm":
            found.append((now, int(token.scalar_change.value)))
    assert times == sorted(times)
    at_us, level = trace.edges
    assert [event for event in found if event != (0, 0)] == list(zip(at_us.tolist(), level.tolist(), strict=True))


def test_csv_holds_every_packet() -> None:
    """One row a packet that left, one a packet that arrived, in order of time."""
    trace = simulate(*flown())
    rows = [row.split(",") for row in csv_text(trace).splitlines()]
    assert rows[0] == ["at_us", "event", "value", "detail"]
    times = [int(row[0]) for row in rows[1:]]
    assert times == sorted(times)
    events = [row[1] for row in rows[1:]]
    assert events.count("packet left") == trace.summary.packets
    assert events.count("packet arrived") == trace.summary.received
    assert events.count("frame") == trace.summary.frames


# --- further: other frames, both polarities, and the whole way from the receiver to the decoder ----------------------


@pytest.mark.parametrize(
    ("channels", "period_us", "gaps_us"),
    [
        (8, 20_000, (12_000, 8_000, 4_000)),
        (8, 22_500, (14_500, 10_500, 6_500)),
        (6, 20_000, (14_000, 11_000, 8_000)),
        (6, 22_500, (16_500, 13_500, 10_500)),
        (4, 20_000, (16_000, 14_000, 12_000)),
    ],
)
def test_sync_gaps_of_usual_frames(channels: int, period_us: int, gaps_us: tuple[int, ...]) -> None:
    """All channels at 1000, 1500, 2000 µs: gap = period - sum, and as a level 300 µs less (common practice)."""
    for width, gap_us in zip((1000, 1500, 2000), gaps_us, strict=True):
        pair = frames([width] * channels, [width] * channels, period_us=period_us)
        assert np.diff(leading_edges(pair))[channels] == gap_us
        at_us, level = edges(pair, 300, "positive")
        assert len(at_us) == 4 * (channels + 1), "n channels have n + 1 separators"
        rests = np.diff(at_us)[level[:-1] == 0]
        assert rests.max() == gap_us - 300


@pytest.mark.parametrize(("channels", "period_us", "told_apart"), [
    (8, 20_000, True), (9, 20_000, False), (9, 22_500, True), (10, 22_500, False),
])  # fmt: skip
def test_most_channels_of_a_frame(channels: int, period_us: int, told_apart: bool) -> None:
    """With a sync of 3 ms at least: 8 channels of 2 ms in 20 ms, 9 in 22.5 ms; one more and frames run together.

    Common practice, no source; the arithmetic is period - 2 ms * channels.
    """
    assert (period_us - 2000 * channels >= 3000) is told_apart
    rows = [[2000] * channels] * 3
    decoder = PulseDecoder(3_000, from_rest=True)
    seen = joined([decoder.feed(leading_edges(frames(*rows, period_us=period_us))), decoder.flush(10**6)])
    assert (seen.count.tolist() == [channels] * 3) is told_apart


@given(rows, st.integers(50, 600), st.sampled_from(["positive", "negative"]), st.data())
@settings(max_examples=80, deadline=None, derandomize=True)
def test_both_polarities_and_every_split(
    widths: list[list[int]], separator_us: int, polarity: str, data: st.DataObject
) -> None:
    """Levels alternate, separators have their length, the line rests in between; pieces give the same frames."""
    at_us, level = edges(frames(*widths), separator_us, polarity)
    active = 1 if polarity == "positive" else 0
    assert level.tolist() == [active, 1 - active] * (len(level) // 2)
    assert (np.diff(at_us) > 0).all()
    assert set((at_us[1::2] - at_us[0::2]).tolist()) == {separator_us}
    leads = at_us[level == active]
    cuts = sorted(data.draw(st.lists(st.integers(0, len(leads)), max_size=5)))
    decoder = PulseDecoder(3_000, from_rest=True)
    pieces = [decoder.feed(piece) for piece in np.split(leads, cuts)]
    seen = joined([*pieces, decoder.flush(int(leads[-1]) + 3_000)])
    assert seen.widths_us.tolist() == [width for row in widths for width in row]
    assert seen.count.tolist() == [len(row) for row in widths]


def read_back(at_us: list[int], level: list[int], active: int) -> list[tuple[int, tuple[int, ...]]]:
    """Return (start, widths) of each frame by a decoder of our own: a plain walk over the edges."""
    found: list[list[int]] = []
    last = None
    for instant, value in zip(at_us, level, strict=True):
        if value != active:
            continue
        if last is None or instant - last >= 3_000:
            found.append([instant])
        else:
            found[-1].append(instant)
        last = instant
    return [(leads[0], tuple(b - a for a, b in itertools.pairwise(leads))) for leads in found]


@pytest.mark.parametrize("polarity", ["positive", "negative"])
@pytest.mark.parametrize("style", ["fixed period", "fixed gap"])
@pytest.mark.parametrize("latch", ["frame", "live"])
def test_what_the_receiver_put_out_is_what_is_seen(polarity: str, style: str, latch: str) -> None:
    """Frames of a whole run: put out, as edges, read back by a decoder of our own, and as the flight controller saw."""
    profile, scenario = flown()
    profile = dataclasses.replace(
        profile, output=dataclasses.replace(profile.output, polarity=polarity, style=style, latch=latch)
    )
    trace = simulate(profile, scenario)
    put = trace.frames
    ends = np.cumsum(put.count)
    rows_us = [
        (start, tuple(put.widths_us[end - count : end].tolist()))
        for start, count, end in zip(put.start_us.tolist(), put.count.tolist(), ends.tolist(), strict=True)
    ]
    at_us, level = trace.edges
    read = read_back(at_us.tolist(), level.tolist(), 1 if polarity == "positive" else 0)
    seen = trace.seen
    ends = np.cumsum(seen.count)
    seen_us = [
        (start, tuple(seen.widths_us[end - count : end].tolist()))
        for start, count, end in zip(seen.start_us.tolist(), seen.count.tolist(), ends.tolist(), strict=True)
    ]
    # The run's end may cut the last frame, or come before the gap after it is long enough.
    assert len(rows_us) - len(seen_us) in (0, 1)
    assert seen_us == rows_us[: len(seen_us)] == read[: len(seen_us)]
    assert len({widths for _, widths in rows_us}) >= 3, "failsafe, idle, throttle up"
    gaps = np.diff(put.start_us)
    if style == "fixed period":
        assert set(gaps.tolist()) == {22_500}
        assert 1e6 / gaps[0] == pytest.approx(44.444, abs=1e-3)
    else:
        sums = np.array([sum(widths) for _, widths in rows_us])
        assert set((gaps - sums[:-1]).tolist()) == {6_500}


def test_frames_are_the_payloads_that_arrived() -> None:
    """Each frame while linked: the newest payload in the receiver's hands, mapped by 1000 + c 1000 // 255 here."""
    profile, scenario = flown()
    trace = simulate(profile, scenario)
    widths = trace.frames.table(8)
    for start_us, row in zip(trace.frames.start_us.tolist(), widths.tolist(), strict=True):
        if trace.failsafe.at(start_us, before=1):
            assert row == [1500, 1500, 1000, 1500, 1000, 1000, 1000, 1000]
            continue
        newest = np.flatnonzero((trace.packets.arrived_us >= 0) & (trace.packets.arrived_us <= start_us))[-1]
        assert row == [1000 + int(code) * 1000 // 255 for code in trace.packets.payload[newest]] + [1000, 1000]


def test_check_byte_on_the_air() -> None:
    """CRC-8/SMBUS, check value F4 and residue 00 (catalogue): every payload with its check byte leaves nothing."""
    assert crc8(b"123456789") == 0xF4
    assert crc8(b"123456789\xf4") == 0x00
    profile, scenario = flown()
    handset = dataclasses.replace(profile.handset, check_byte=True, packet_counter=True, link_id=0x2A)
    payload = simulate(dataclasses.replace(profile, handset=handset), scenario).packets.payload
    assert payload.shape[1] == 9
    assert len(np.unique(payload[:, -1])) > 50
    assert all(crc8(row.tobytes()) == 0 for row in payload)


def test_random_corruption_slips_through_one_in_256() -> None:
    """An even remainder: 2^-8 of random payloads pass (arithmetic), four standard deviations of 200000 (seed 8)."""
    n = 200_000
    noise = np.random.default_rng(8).integers(0, 256, (n, 9), np.uint8)
    passed = int((crc8_rows(noise) == 0).sum())
    assert abs(passed - n / 256) < 4 * (n / 256) ** 0.5


@pytest.mark.parametrize(
    ("baud", "line_us"),
    [(9600, 33_333.3), (57_600, 5555.6), (115_200, 2777.8), (921_600, 347.2), (1_000_000, 320.0), (2_000_000, 160.0)],
)
def test_time_of_bytes_on_a_line(baud: int, line_us: float) -> None:
    """32 bytes, one start, eight data and one stop bit each (asynchronous framing, arithmetic): 32 * 10 / baud.

    Two lines that arrive together: the first was complete 32 bytes before the second.
    """
    reader, lines = ColumnReader(baud), [b"%06d 1500 1500 1500 1500 1500\n" % number for number in range(40)]
    assert {len(line) for line in lines} == {32}
    rows = [
        row for number in range(0, 40, 2) for row in reader.feed((number + 1) * 10**9, b"".join(lines[number:][:2]))
    ]
    first, second = rows[-2:]
    assert second.at_ns == 39 * 10**9
    assert (second.at_ns - first.at_ns) / 1000 == pytest.approx(line_us, abs=0.06)

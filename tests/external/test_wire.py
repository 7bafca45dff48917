"""The pulse train: arithmetic of PPM frames (common practice, no formal standard), and VCD (IEEE 1364-2005, 18)."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lostlink.exports import csv_text, vcd_text
from lostlink_sims import Move, Profile, Scenario, simulate
from lostlink_sims.ppm import NEVER, Decoded, Frames, PulseDecoder, edges, joined, leading_edges
from lostlink_sims.scenario import LinkCut
from vcd.reader import TokenKind, tokenize

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

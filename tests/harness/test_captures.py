"""A recorded pulse train is read, recognised, measured and judged; its failsafe is found and bounded."""

from __future__ import annotations

import dataclasses
import re
import runpy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink.captures import failsafe_end, frames_csv, strips, wording
from lostlink.captures.events import Onset, SteadyKind
from lostlink.captures.files import parse_capture, read_capture
from lostlink.captures.judging import Findings, findings
from lostlink.captures.recognise import choose
from lostlink.captures.signals import PS_PER_US, Capture
from lostlink.captures.to_trace import to_trace
from lostlink.captures.train import PulseTrain
from lostlink.errors import CaptureError
from lostlink.evidence.exports import vcd_text
from lostlink.measure import failsafe, frames
from lostlink.profiles import parse_profile
from lostlink.requirements import of_sides
from lostlink.results import CAPTURE_SHOWS, CAUTIONS
from lostlink.verdicts import Outcome, Side, by_severity
from lostlink_sims import Move, Profile, Scenario, Trace, simulate
from lostlink_sims.scenario import LinkCut, OutputStops

FOLDER = Path(__file__).parents[2] / "fixtures" / "captures"
Edges = list[tuple[int, int]]


def frame(start_us: int, widths: list[int], separator_us: int = 300, active: int = 1) -> Edges:
    leads = start_us + np.concatenate([[0], np.cumsum(np.array(widths, np.int64))])
    return [edge for at in leads.tolist() for edge in ((at, active), (at + separator_us, 1 - active))]


def vcd(edges: Edges, end_us: int, rest: int = 0) -> bytes:
    lines = ["$timescale 1 us $end $var wire 1 ! ppm $end $enddefinitions $end", f"#0 {rest}!"]
    lines += [f"#{at} {level}!" for at, level in edges]
    return "\n".join([*lines, f"#{end_us}", ""]).encode("ascii")


#: Widths that share no divisor, so that the tick is the file's microsecond.
FLYING = [1501, 1490, 1703, 1499, 2000, 1000, 1000, 1000]
CENTRE = [1500, 1500, 1000, 1500, 1000, 1000, 1000, 1000]


def flight(rows: list[list[int]], period_us: int = 22_500, start_us: int = 5_000, **frames: Any) -> bytes:
    edges = [edge for n, row in enumerate(rows) for edge in frame(start_us + n * period_us, row, **frames)]
    return vcd(edges, start_us + len(rows) * period_us - 1, rest=1 - frames.get("active", 1))


def moving(number: int) -> list[int]:
    return [1500 + number * 37 % 200, 1490, 1703, 1499 + number * 53 % 90, 2000, 1000, 1000, 1000]


def found_in(text: bytes, profile: Profile | None = None, tick: float | None = None) -> Findings:
    return findings(choose(parse_capture(text, "t.vcd"), tick=tick), profile)


def verdict(found: Findings, requirement_id: str) -> Outcome:
    (one,) = (verdict for verdict in found.verdicts if verdict.requirement.id == requirement_id)
    return one.outcome


# --- recognition ----------------------------------------------------------------------------------------------------


@given(
    channels=st.integers(1, 12), separator_us=st.integers(100, 500), active=st.integers(0, 1),
    gap_us=st.one_of(st.none(), st.integers(3_000, 9_000)), seed=st.integers(0, 2**32 - 1),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_what_goes_in_comes_out(channels: int, separator_us: int, active: int, gap_us: int | None, seed: int) -> None:
    """Any polarity, style, number of channels and separator is recognised, and every width is read."""
    rows = np.random.default_rng(seed).integers(900, 2101, (30, channels)).tolist()
    edges, at = [], 4_000
    for row in rows:
        edges += frame(at, row, separator_us, active)
        at += sum(row) + gap_us if gap_us else channels * 2_100 + 3_000
    train = choose(parse_capture(vcd(edges, at, rest=1 - active), "t.vcd"), tick=PS_PER_US)
    assert train.polarity == ("positive" if active else "negative")
    assert train.style == ("fixed gap" if gap_us else "fixed period")
    assert (train.widths_ps // PS_PER_US).tolist() == rows
    assert set(train.separator_ps.tolist()) == {separator_us * PS_PER_US}


def output(**values: Any) -> Profile:
    plain = Profile()
    return dataclasses.replace(plain, output=dataclasses.replace(plain.output, **values))


def flown(profile: Profile, *faults: Any, duration_us: int = 4_000_000) -> Trace:
    """Return a flight whose roll stick never stands still for more than 40 ms."""
    moves = [
        Move(at_us=250_000, channel="switch 1", position=1.0), Move(at_us=350_000, channel="throttle", position=0.8),
    ] + [Move(at_us=at, channel="roll", position=0.4 + at // 40_000 % 5 * 0.05)
         for at in range(400_000, duration_us, 40_000)]  # fmt: skip
    return simulate(profile, Scenario(duration_us=duration_us, moves=tuple(moves), faults=faults))


CUT = LinkCut(at_us=1_500_000, for_us=1_500_000)
PROFILES = {
    "positive": output(), "negative": output(polarity="negative"),
    "fixed gap": output(style="fixed gap", frame_gap_us=6_500), "live": output(latch="live"),
}  # fmt: skip


@pytest.mark.parametrize("name", PROFILES)
def test_a_simulated_run_is_read_back(name: str) -> None:
    """The wires of a run give the frames and the motor command that the simulated flight controller saw."""
    trace = flown(PROFILES[name], CUT)
    capture = parse_capture(vcd_text(trace).encode("ascii"), "t.vcd")
    train = choose(capture)
    assert train.signal.name == "link.ppm"
    assert train.polarity == trace.profile.output.polarity
    assert train.style == trace.profile.output.style
    assert (train.widths_ps // PS_PER_US).tolist() == trace.widths_us.tolist()
    measured = to_trace(train, capture, trace.profile)
    assert measured.seen.start_us.tolist() == trace.seen.start_us.tolist()
    instants = range(400_000, trace.scenario.duration_us, 7_777)
    assert [measured.motor.at(at) for at in instants] == [trace.motor.at(at) for at in instants]
    found = findings(train, trace.profile)
    assert {v.requirement.id: v.outcome for v in found.verdicts} == dict.fromkeys(
        ("FS-VALUE", "FS-PRESET", "FR-PERIOD", "FR-SYNC", "FR-SEPARATOR", "FR-COUNT"), Outcome.MET
    )
    assert found.exit_code == 0
    shape = frames.period_error(measured) if train.style == "fixed period" else frames.gap_error(measured)
    assert shape.value == 0


def test_thirty_megahertz_and_jitter() -> None:
    """Stamps in nanoseconds on a 30 MHz grid: the tick is found, each width lies within one of the truth."""
    draw = np.random.default_rng(5)
    at_us, level = flown(output(), CUT).edges
    at_ns = at_us * 1000 + draw.integers(-800, 801, len(at_us))
    stamps = -(-at_ns * 30 // 1000) * 1000 // 30
    lines = ["$timescale 1ns $end $var wire 1 ! pulses $end $enddefinitions $end #0 0!"]
    lines += [f"#{stamp} {value}!" for stamp, value in zip(stamps.tolist(), level.tolist(), strict=True)]
    found = found_in("\n".join([*lines, "#4000000000\n"]).encode("ascii"), output())
    assert found.train.sample_period_ps == pytest.approx(1e12 / 30e6)
    error = np.diff(found.train.leads_ps) / 1000 - np.diff(at_ns[::2])
    assert np.abs(error).max() <= 1e9 / 30e6 + 1
    (steady,) = found.failsafes
    assert steady.onset is Onset.JUMP


def test_glitches_are_counted_and_left_out() -> None:
    """A spike in a rest, a dip in a separator, a contact that bounces; the count of channels is in doubt."""
    edges = sorted(
        [edge for n in range(20) for edge in frame(5_000 + n * 22_500, FLYING)]
        + [(60_700, 1), (60_703, 0)] + [(95_100, 0), (95_101, 1)] + [(117_502, 0), (117_504, 1)]
    )  # fmt: skip
    found = found_in(vcd(edges, 455_000), output())
    assert len(found.train.glitches_ps) == 3
    assert (found.train.widths_ps == np.array(FLYING) * PS_PER_US).all()
    assert verdict(found, "FR-COUNT") is Outcome.INCONCLUSIVE
    assert found.exit_code == 4
    assert "3 glitches left out." in found.conclusion


def test_style_that_cannot_be_told() -> None:
    """Sticks that never move show no difference, and the proposal says so."""
    found = found_in(flight([FLYING] * 20))
    assert found.train.style is None
    assert "or fixed gap" in wording.proposal(found.train)


@pytest.mark.parametrize("name", ["failsafe.vcd", "gap_negative.csv", "reset_two_wires.vcd"])
def test_proposal_is_a_profile(name: str) -> None:
    """The lines that are proposed are read as a profile that the capture then fits."""
    train = choose(read_capture(str(FOLDER / name)))
    head = 'schema = 1\nname = "found"\n[[channels]]\nname = "throttle"\nfailsafe = "1000 us"\n[flight_controller]\n'
    limits = '[requirements]\nsync_at_least = "2.4 ms"\ncut_within = "600 ms"\nmotor_cut_within = "700 ms"\n'
    text = f'{head}arm_channel = "none"\nleast_sync = "2.4 ms"\n{wording.proposal(train)}\n{limits}'
    profile = parse_profile(text, source="found.toml")
    judged = {v.requirement.id: v.outcome for v in findings(train, profile).verdicts}
    assert judged["FR-SEPARATOR"] is Outcome.MET
    assert judged["FR-PERIOD"] is (Outcome.INCONCLUSIVE if "reset" in name else Outcome.MET)
    assert judged["FR-COUNT"] is (Outcome.INCONCLUSIVE if "gap_negative" in name else Outcome.MET)


def test_captures_can_be_made_again(tmp_path: Path) -> None:
    """The shipped captures are what their script writes, and small."""
    make = runpy.run_path(str(FOLDER / "make.py"))
    for name, text in make["CAPTURES"].items():
        assert (FOLDER / name).read_text(encoding="ascii") == text()
        assert (FOLDER / name).stat().st_size < 60_000


# --- several signals ------------------------------------------------------------------------------------------------


def test_aliases_and_short_names() -> None:
    """A wire may be named by its path, its last part or its other name."""
    text = flight([FLYING] * 20).replace(
        b"$enddefinitions", b"$scope module x $end $var wire 1 ! b $end $enddefinitions"
    )
    capture = parse_capture(text, "t.vcd")
    for name in ("ppm", "x.b", "b"):
        assert choose(capture, name).signal.name == "ppm"


# --- silence, failsafe ----------------------------------------------------------------------------------------------


def test_pulses_that_cease() -> None:
    """In the middle of a frame: it is cut short, no wrong count; why they ceased nobody knows."""
    trace = flown(output(), OutputStops(at_us=1_500_000, for_us=700_000), duration_us=3_000_000)
    found = found_in(vcd_text(trace).encode("ascii"), trace.profile)
    begin, silence = found.silences
    assert begin.at_begin
    assert begin.until_ps // PS_PER_US == trace.frames.start_us[0]
    assert 1_470_000 < silence.from_ps // PS_PER_US < 1_500_000
    assert silence.until_ps // PS_PER_US == trace.frames.start_us[np.searchsorted(trace.frames.start_us, 2_200_000)]
    assert not silence.stuck
    assert verdict(found, "FR-COUNT") is Outcome.MET
    assert verdict(found, "FR-PERIOD") is Outcome.INCONCLUSIVE


def test_a_frame_that_is_missing() -> None:
    """One frame left out is a silence of one frame, never a period that is kept."""
    edges = [edge for n in range(40) if n != 17 for edge in frame(5_000 + n * 22_500, moving(n))]
    found = found_in(vcd(edges, 905_000), output())
    (silence,) = (one for one in found.silences if not one.at_begin)
    assert 22_500 < (silence.until_ps - silence.from_ps) // PS_PER_US < 45_000
    assert verdict(found, "FR-PERIOD") is Outcome.INCONCLUSIVE


@pytest.mark.parametrize("stuck", [False, True])
def test_line_that_stands(stuck: bool) -> None:
    """At rest or at the separators' level; a line that is stuck is no long separator."""
    edges = [edge for n in range(20) for edge in frame(5_000 + n * 22_500, FLYING)]
    later = [edge for n in range(20) for edge in frame(1_005_000 + n * 22_500, FLYING)]
    if stuck:
        edges, later = edges[:-1], [(1_004_900, 0), *later]
    found = found_in(vcd([*edges, *later], 1_455_000), output())
    (silence,) = (one for one in found.silences if not one.at_begin)
    assert silence.stuck is stuck
    assert verdict(found, "FR-SEPARATOR") is Outcome.MET


def test_a_stuck_line_does_not_turn_the_polarity() -> None:
    """Channels that all stand low make rests of one length too; the long gaps tell which is which."""
    edges = [edge for n in range(40) for edge in frame(5_000 + n * 22_500, [1000] * 8)]
    later = [edge for n in range(40) for edge in frame(1_905_000 + n * 22_500, [1000] * 8)]
    train = found_in(vcd([*edges[:-1], (1_904_300, 0), *later], 2_805_000), tick=PS_PER_US).train
    assert (train.polarity, train.channels) == ("positive", 8)


def test_a_capture_that_begins_in_a_frame() -> None:
    """What was not recorded from its beginning is no wrong count."""
    edges = [edge for n in range(20) for edge in frame(5_000 + n * 22_500, moving(n))][7:]
    text = vcd(edges, 455_000, rest=1).replace(b"#0 ", f"#{edges[0][0] - 100} ".encode())
    found = found_in(text, output())
    assert not found.train.frames.whole[0]
    assert verdict(found, "FR-COUNT") is Outcome.MET


def test_frames_of_every_length_are_no_train() -> None:
    """Bursts of one to seven pulses, none of them most often."""
    rows = [[1000] * (1 + n * 5 % 7) for n in range(28)]
    with pytest.raises(CaptureError, match="frames hold from 1 to 7 channels"):
        found_in(flight(rows))


def test_hold_time_lies_within_what_is_said() -> None:
    """With a stick that moves all the time, the true hold time is between the stand's bounds."""
    for timeout_us in (200_000, 500_000):
        plain = output()
        profile = dataclasses.replace(plain, receiver=dataclasses.replace(plain.receiver, timeout_us=timeout_us))
        trace = flown(profile, CUT)
        (steady,) = found_in(vcd_text(trace).encode("ascii"), profile).failsafes
        held_us, frame_us = (steady.held_ps or 0) / PS_PER_US, 22_500
        heard_us = failsafe.last_good_packet_us(trace, CUT.at_us + 5_000)
        assert heard_us is not None
        true_us = steady.from_ps / PS_PER_US - heard_us
        assert held_us - 40_000 - frame_us <= true_us <= held_us + frame_us
        assert steady.until_ps > steady.from_ps + 10**12
        assert not steady.held_from_begin


def test_sticks_at_rest_look_like_failsafe() -> None:
    """From the beginning, or reached by moving, failsafe values are no failsafe that was seen."""
    found = found_in(flight([CENTRE] * 20 + [moving(n) for n in range(20)] + [CENTRE] * 20), output())
    assert [(steady.kind, steady.onset) for steady in found.steady_states] == [
        (SteadyKind.PRESET, Onset.BEGIN),
        (SteadyKind.PRESET, Onset.MOVES),
    ]
    assert not found.failsafes
    outcomes = {v.requirement.id: v.outcome for v in found.verdicts}
    assert {name for name, outcome in outcomes.items() if outcome is Outcome.NOT_TESTED} == {"FS-VALUE", "FS-PRESET"}
    assert {name for name, outcome in outcomes.items() if outcome is Outcome.MET} == {
        "FR-PERIOD", "FR-SYNC", "FR-SEPARATOR", "FR-COUNT",
    }  # fmt: skip
    assert found.exit_code == 4
    assert found.conclusion == (
        "This pulse train meets the 4 requirements that it shows, but FS-VALUE, FS-PRESET are not tested: the channels "
        "did not jump to the failsafe values together, and sticks at rest there look the same. Not tested by a "
        f"capture: {len(of_sides(Side.RECEIVER)) - 6} other requirements."
    )


HELD = [*[moving(n) for n in range(20)], *[moving(20)] * 24]


@pytest.mark.parametrize(
    ("place", "width", "fails"),
    [(2, 1300, {"FS-VALUE", "FS-PRESET"}), (0, 1700, {"FS-PRESET"}), (2, 1005, {"FS-PRESET"})],
)
def test_one_wrong_failsafe_value(place: int, width: int, fails: set[str]) -> None:
    """All channels but one at their values: the one is wrong."""
    wrong = [*CENTRE[:place], width, *CENTRE[place + 1 :]]
    found = found_in(flight([*HELD, *[wrong] * 30]), output())
    assert {v.requirement.id for v in by_severity(found.verdicts, Outcome.NOT_MET)} == fails
    assert found.exit_code == 1
    assert found.conclusion.startswith("Do not fly this link") == ("FS-VALUE" in fails)


def test_a_late_edge_hides_no_wrong_value() -> None:
    """A throttle of 1300 us in failsafe, 0.2 s after the last packet; one edge of it is 18 us late."""
    wrong, late = [*CENTRE[:2], 1300, *CENTRE[3:]], [*CENTRE[:2], 1300, 1518, 982, *CENTRE[5:]]
    rows = [*map(moving, range(20)), *[moving(20)] * 9, *[wrong] * 6, late, *[wrong] * 15, *[CENTRE] * 20]
    found = found_in(flight(rows), output(), tick=PS_PER_US)
    assert verdict(found, "FS-VALUE") is Outcome.NOT_MET


def test_late_edges_in_two_frames_are_not_the_end_of_a_failsafe() -> None:
    """The throttle then goes up for three frames, which is judged."""
    late = [[1500, 1518, 982, *CENTRE[3:]], [1500, 1517, 983, *CENTRE[3:]]]
    rows = [*HELD, *[CENTRE] * 9, *late, *[CENTRE] * 2, *[RAISED] * 3, *[CENTRE] * 9, *map(moving, range(20))]
    assert verdict(found_in(flight(rows), output(), tick=PS_PER_US), "FS-VALUE") is Outcome.NOT_MET


def test_frames_cut_short_in_a_row_are_no_right_count() -> None:
    """With a fixed gap their gaps may look like stops of the pulses; one frame may be cut short."""
    profile = output(style="fixed gap", frame_gap_us=5_000)
    for cut, outcome in (({17}, Outcome.MET), ({17, 18, 19}, Outcome.INCONCLUSIVE)):
        text = faulty(lambda number, edges, cut=cut: edges[:8] if number in cut else edges, frames=900, gap_us=5_000)  # type: ignore[misc]
        assert verdict(found_in(text, profile), "FR-COUNT") is outcome


def test_other_values_than_failsafe_are_a_doubt() -> None:
    """Channels that jump together to anywhere else: nobody knows why, so no "met"."""
    found = found_in(flight([*HELD, *[[1600, 1600, 1600, 1600, 1000, 1000, 1000, 1000]] * 30]), output())
    assert [steady.kind for steady in found.steady_states] == [SteadyKind.OTHER]
    assert verdict(found, "FS-VALUE") is Outcome.INCONCLUSIVE
    assert found.exit_code == 4


ELSEWHERE = [1600, 1600, 1600, 1600, 1000, 1000, 1000, 1000]


def test_a_short_stand_is_no_hold() -> None:
    """A pilot may hold still for a tenth of a second; a profile that waits half a second does not jump then."""
    rows = [*map(moving, range(20)), *[moving(20)] * 5, *[ELSEWHERE] * 10, *map(moving, range(20))]
    found = found_in(flight(rows), output())
    assert not found.steady_states
    assert not by_severity(found.verdicts, Outcome.INCONCLUSIVE)
    assert found.exit_code == 4
    assert "no failsafe is shown, so whether link loss cuts the throttle stays open" in found.conclusion


def test_the_way_back_is_no_failsafe() -> None:
    """From failsafe to sticks that stand, also through a frame that mixes both: no doubt."""
    for between in ([], [[*CENTRE[:4], *ELSEWHERE[4:]]], [[*CENTRE[:2], *ELSEWHERE[2:]]]):
        found = found_in(flight([*HELD, *[CENTRE] * 30, *between, *[ELSEWHERE] * 20]), output())
        assert [steady.kind for steady in found.steady_states] == [SteadyKind.PRESET]
        assert found.exit_code == 0


RAISED = [1500, 1500, 1650, 1500, 1000, 1000, 1000, 1000]
JITTER = [[1504, 1497, 1650, 1500, 1000, 1000, 1000, 1000], [1501, 1503, 1654, 1496, 1000, 1000, 1000, 1000]]


@pytest.mark.parametrize(
    ("after", "outcome"),
    [
        ([RAISED] * 3 + [CENTRE] * 20, Outcome.NOT_MET),
        ([moving(20)] * 3 + [CENTRE] * 20, Outcome.NOT_MET),
        (([RAISED] * 3 + [CENTRE] * 8) * 3, Outcome.NOT_MET),
        ([RAISED] * 30, Outcome.INCONCLUSIVE),
        ([[*CENTRE[:2], 1000 + 30 * n, *CENTRE[3:]] for n in range(20)], Outcome.INCONCLUSIVE),
        ([moving(n) for n in range(30)], Outcome.MET),
        (JITTER * 10, Outcome.MET),
        ([*[moving(n) for n in range(10)], *[moving(10)] * 24, *[CENTRE] * 20], Outcome.MET),
        ([[*CENTRE[:4], 2000, *CENTRE[5:]]] * 5 + [CENTRE] * 20, Outcome.MET),
    ],
    ids=[
        "throttle for three frames", "all channels for three frames", "throttle three times", "throttle to the end",
        "throttle rises slowly", "sticks are back", "centred sticks of a hand", "another failsafe", "a switch moves",
    ],
)  # fmt: skip
def test_a_failsafe_is_judged_until_the_sticks_are_back(after: list[list[int]], outcome: Outcome) -> None:
    """What the throttle does until another channel shows that the link is back; a real return lasts for the timeout."""
    found = found_in(flight([*HELD, *[CENTRE] * 11, *after]), output())
    assert verdict(found, "FS-VALUE") is outcome
    assert found.exit_code == {Outcome.MET: 0, Outcome.NOT_MET: 1, Outcome.INCONCLUSIVE: 4}[outcome]
    assert ("puts the throttle to idle" in found.conclusion) == (outcome is Outcome.MET)


NEAR = [1504, 1497, 1000, 1503, 1000, 1000, 1000, 1000]
"""Sticks at rest near the failsafe values, as a handset on a bench."""


@pytest.mark.parametrize(
    ("rows", "value", "preset", "reason"),
    [
        ([*HELD, *[CENTRE] * 30, *[NEAR] * 30], Outcome.MET, Outcome.MET, ""),
        ([*HELD, *[CENTRE] * 30, *[NEAR] * 30, *map(moving, range(20))], Outcome.MET, Outcome.MET, ""),
        (
            [*map(moving, range(20)), *[[1504, 1497, 1650, 1503, 2000, 1000, 1000, 1000]] * 30, *[NEAR] * 40],
            Outcome.MET, Outcome.INCONCLUSIVE, "roll did not change when the failsafe began",
        ),
        (
            [*HELD, *[CENTRE] * 30, *[moving(20)] * 30], Outcome.INCONCLUSIVE, Outcome.INCONCLUSIVE,
            "all channels only took the values again that they had before it",
        ),
        ([*HELD, *[CENTRE] * 30, *[moving(20)] * 9, *map(moving, range(9))], Outcome.MET, Outcome.MET, ""),
        ([*HELD, *[[1504, *CENTRE[1:]]] * 30], Outcome.MET, Outcome.NOT_MET, ""),
    ],
    ids=["rest near it", "rest, then move", "a kill switch", "as before", "as before, then move", "a wrong value"],
)  # fmt: skip
def test_sticks_at_rest_are_no_fault_and_no_proof(
    rows: list[list[int]], value: Outcome, preset: Outcome, reason: str
) -> None:
    """Sticks that rest near the failsafe values when the link is back, or that two switches put there; a receiver
    that takes its held values again, with which the link need not be back.
    """
    found = found_in(flight(rows), output(), tick=PS_PER_US)
    assert (verdict(found, "FS-VALUE"), verdict(found, "FS-PRESET")) == (value, preset)
    (one,) = (one for one in found.verdicts if one.requirement.id == "FS-PRESET")
    assert reason in one.reason


@pytest.mark.parametrize("reach", [1, 7, 10**9])
def test_the_end_of_a_failsafe_is_the_same_however_many_rows_are_looked_at(
    reach: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A long capture is looked at in parts. Here the failsafes end in every way, one after the other."""
    flown, failed = [*map(moving, range(40)), *[moving(40)] * 24], [CENTRE] * 30
    again = [*failed, *[RAISED] * 3, *failed, *[moving(40)] * 5, *failed]
    rows = [*flown, *failed, *flown, *again, *flown, *failed, *[RAISED] * 40, *failed]
    rows += [*flown, *failed, *[moving(40)] * 90, *failed]
    profile = output()
    train = found_in(flight(rows), profile, tick=PS_PER_US).train
    monkeypatch.setattr(failsafe_end, "_LEAST_REACH", reach)
    spans = [failsafe_end.judged_rows(train, profile, steady) for steady in findings(train, profile).failsafes]
    assert [(int(span.rows[0]), int(span.rows[-1]) + 1, span.doubt) for span in spans] == [
        (64, 94, ""), (158, 256, ""), (226, 256, ""), (320, 350, failsafe_end.ALONE),
        (484, 514, failsafe_end.AS_BEFORE), (604, 634, ""),
    ]  # fmt: skip


def test_held_since_the_beginning() -> None:
    """Sticks that never moved say nothing of the hold time."""
    capture = parse_capture(flight([*[moving(20)] * 24, *[CENTRE] * 30]), "t.vcd")
    found = findings(choose(capture), output())
    (steady,) = found.failsafes
    assert steady.held_from_begin
    assert "the hold time is unknown" in dict(wording.events(found, None))[steady.from_ps]


def test_a_stand_ends_where_pulses_are_missing() -> None:
    """Nobody knows what the channels did in between, so they are held from the first pulse after it only."""
    before = [edge for n in range(40) for edge in frame(5_000 + n * 22_500, moving(min(n, 20)))]
    after = [*[moving(20)] * 14, *[CENTRE] * 30]
    later = [edge for n, row in enumerate(after) for edge in frame(1_205_000 + n * 22_500, row)]
    found = found_in(vcd([*before, *later], 2_195_000), output())
    (steady,) = found.failsafes
    assert (steady.held_ps, steady.held_from_begin) == (14 * 22_500 * PS_PER_US, True)


def test_without_a_profile_it_stays_a_guess() -> None:
    """A jump and the way back are told apart; nothing is judged."""
    found = found_in(flight([*HELD, *[CENTRE] * 30, *[moving(20)] * 10]))
    assert [(steady.kind, steady.back) for steady in found.steady_states] == [
        (SteadyKind.POSSIBLE, False),
        (SteadyKind.POSSIBLE, True),
    ]
    assert found.steady_states[0].held_ps == 24 * 22_500 * PS_PER_US
    assert (found.verdicts, found.exit_code) == ((), 0)


def test_motors_of_the_profile() -> None:
    """Taken as armed from the beginning: a capture that begins in flight has turning motors until its failsafe."""
    capture = parse_capture(flight([*HELD, *[CENTRE] * 30]), "t.vcd")
    train = choose(capture)
    trace = to_trace(train, capture, output())
    (steady,) = findings(train, output()).failsafes
    assert trace.motor.at(steady.from_ps // PS_PER_US) == 703
    told = dict(wording.events(findings(train, output()), trace))
    assert "Motors at rest after" in told[steady.from_ps]
    assert "the hold time was at most 562.5 ms" in told[steady.from_ps]


# --- the shape of the train -----------------------------------------------------------------------------------------


def moved(period_us: int = 22_500, channels: int = 8, **frames: Any) -> bytes:
    return flight([moving(n)[:channels] for n in range(30)], period_us, **frames)


@pytest.mark.parametrize(
    ("text", "requirement_id", "outcome"),
    [
        (moved(22_400), "FR-PERIOD", Outcome.INCONCLUSIVE),
        (moved(22_399), "FR-PERIOD", Outcome.NOT_MET),
        (moved(22_401), "FR-PERIOD", Outcome.MET),
        (moved(separator_us=320), "FR-SEPARATOR", Outcome.INCONCLUSIVE),
        (moved(separator_us=321), "FR-SEPARATOR", Outcome.NOT_MET),
        (moved(separator_us=319), "FR-SEPARATOR", Outcome.MET),
        (moved(channels=7), "FR-COUNT", Outcome.NOT_MET),
        (flight([*map(moving, range(20)), FLYING[:6], *map(moving, range(9))]), "FR-COUNT", Outcome.NOT_MET),
        (moved(14_000), "FR-SYNC", Outcome.NOT_MET),
        (moved(16_900), "FR-SYNC", Outcome.INCONCLUSIVE),
        (moved(22_500), "FR-SYNC", Outcome.MET),
        (moved()[:4_000].rpartition(b"\n")[0] + b"\n", "FR-PERIOD", Outcome.MET),
        (flight([moving(n) for n in range(5)]), "FR-PERIOD", Outcome.INCONCLUSIVE),
        (flight([moving(n) for n in range(5)]), "FR-COUNT", Outcome.INCONCLUSIVE),
    ],
)  # fmt: skip
def test_limits_are_guarded(text: bytes, requirement_id: str, outcome: Outcome) -> None:
    """At a limit to within the tick nothing is known; few frames show little; high sticks would shorten the gap."""
    assert verdict(found_in(text, output(), tick=PS_PER_US), requirement_id) is outcome


def test_a_coarse_tick_meets_nothing() -> None:
    """Samples of 50 µs cannot show a separator to within 20."""
    found = found_in(moved(), output(), tick=50 * PS_PER_US)
    assert verdict(found, "FR-SEPARATOR") is Outcome.INCONCLUSIVE
    rounded = [(at // 50 * 50, level) for n in range(30) for at, level in frame(5_000 + n * 22_500, moving(n))]
    assert found_in(vcd(rounded, 680_000)).train.sample_period_ps == 50 * PS_PER_US


def test_another_polarity_or_style_is_a_doubt() -> None:
    """No requirement covers it, so it is said, and the result is no clean "met"."""
    found = found_in(moved(active=0), output())
    assert not by_severity(found.verdicts, Outcome.NOT_MET)
    assert found.exit_code == 4
    assert "polarity is negative" in found.conclusion


def test_waived_is_waived() -> None:
    """What the owner gave up is shown, and is no failure."""
    profile = output()
    waived = dataclasses.replace(profile.requirements, waived=("FR-SEPARATOR", "FS-VALUE", "FS-PRESET"))
    found = found_in(moved(separator_us=400), dataclasses.replace(profile, requirements=waived))
    for name in ("FR-SEPARATOR", "FS-VALUE", "FS-PRESET"):
        assert verdict(found, name) is Outcome.WAIVED
    assert found.exit_code == 0


def test_waivers_alone_prove_nothing() -> None:
    profile = Profile()
    ids = tuple(verdict.requirement.id for verdict in found_in(moved(), profile).verdicts)
    waived = dataclasses.replace(profile.requirements, waived=ids)
    found = found_in(moved(), dataclasses.replace(profile, requirements=waived))
    assert found.conclusion.startswith("Every requirement was waived by the owner; nothing is proven.")
    assert found.exit_code == 4


def test_what_a_capture_cannot_show_is_not_tested() -> None:
    """A failsafe without pulses, and a train without a throttle: the verdicts name the reason, and the code is 4."""
    plain = output()
    quiet = dataclasses.replace(plain, receiver=dataclasses.replace(plain.receiver, failsafe_output="no pulses"))
    found = found_in(moved(), quiet)
    reasons = {v.requirement.id: v.reason for v in found.verdicts if v.outcome is Outcome.NOT_TESTED}
    assert set(reasons) == {"FS-VALUE", "FS-PRESET"}
    assert "does not show why pulses stop" in reasons["FS-VALUE"]
    assert found.exit_code == 4
    short = found_in(flight([row[:2] for row in [*HELD, *[CENTRE] * 30]]), output(channels=2))
    assert verdict(short, "FS-VALUE") is Outcome.NOT_TESTED
    assert short.exit_code == 4


def test_holes_are_not_silence() -> None:
    """A level that is not known (dump off) is no lost pulse, and frames beside it are not judged."""
    text = moved().decode("ascii").splitlines()
    cut = [n for n, line in enumerate(text) if line.startswith("#")]
    text[cut[200] : cut[260]] = [f"{text[cut[200]].split()[0]} $dumpoff x! $end"]
    text[cut[200] + 1] = f"{text[cut[200] + 1].split()[0]} $dumpon {text[cut[200] + 1].split()[1]} $end"
    found = found_in("\n".join([*text, ""]).encode("ascii"), output())
    (hole,) = (one for one in found.silences if not one.at_begin)
    assert not hole.recorded
    assert not by_severity(found.verdicts, Outcome.NOT_MET)


# --- missing and additional pulses ------------------------------------------------------------------------------------


def faulty(fault: Callable[[int, Edges], Edges], frames: int = 40, channels: int = 8, **shape: Any) -> bytes:
    """Return a train of moving sticks; the edges of each frame pass through a function of its number, from 1."""
    gap_us = shape.pop("gap_us", None)
    edges, at = [], 5_000
    for number in range(1, frames + 1):
        row = moving(number)[:channels]
        edges += fault(number, frame(at, row, **shape))
        at += sum(row) + gap_us if gap_us else 22_500
    return vcd(edges, at - 1)


def without(*pulses: int, frame: int = 17) -> Callable[[int, Edges], Edges]:
    gone = {edge for pulse in pulses for edge in (2 * pulse, 2 * pulse + 1)}
    return lambda number, edges: [one for place, one in enumerate(edges) if number != frame or place not in gone]


def told(text: bytes, profile: Profile | None = None) -> list[str]:
    capture = parse_capture(text, "t.vcd")
    found = findings(choose(capture), profile)
    return [what for _, what in wording.events(found, None) if "pulses begin" not in what]


@pytest.mark.parametrize("gap_us", [None, 6_500])
@pytest.mark.parametrize(
    ("pulses", "what"),
    [
        ((0,), "a pulse is missing in frame 17, the first one"),
        ((2,), "a pulse is missing in frame 17, between channels 2 and 3"),  # 1490 + 1703: longer than a least gap
        ((7,), "a pulse is missing in frame 17, between channels 7 and 8"),  # 1000 + 1000: shorter
        ((8,), "a pulse is missing in frame 17, the last one"),
        ((2, 3), "two pulses are missing in frame 17"),
        ((1, 7), "two pulses are missing in frame 17"),
    ],
)
def test_a_missing_pulse_is_an_event(pulses: tuple[int, ...], what: str, gap_us: int | None) -> None:
    """One frame with its number; nothing is said of the period or the sync gap, which are kept."""
    text = faulty(without(*pulses), gap_us=gap_us)
    profile = output(style="fixed gap", frame_gap_us=6_500) if gap_us else output()
    (said,) = told(text, profile)
    assert said.startswith(what)
    found = found_in(text, profile)
    assert verdict(found, "FR-COUNT") is Outcome.NOT_MET
    (count,) = (one for one in found.verdicts if one.requirement.id == "FR-COUNT")
    assert count.reason == said
    assert "frames with wrong channel count: 1" in count.measured
    assert {verdict(found, name) for name in ("FR-PERIOD", "FR-SYNC", "FR-SEPARATOR")} == {Outcome.MET}
    assert len(found.train.frames.start_ps) == 40
    assert not [one for one in found.silences if not one.at_begin]


@pytest.mark.parametrize(
    ("after_us", "what"),
    [
        (600, "an additional pulse in frame 17"),
        (11_000 + 5_000, "an additional pulse in frame 17, in the gap after it"),
    ],
)
def test_an_additional_pulse_is_an_event(after_us: int, what: str) -> None:
    def more(number: int, edges: Edges) -> Edges:
        at = edges[0][0] + after_us
        return sorted([*edges, (at, 1), (at + 300, 0)]) if number == 17 else edges

    assert told(faulty(more)) == [what]
    found = found_in(faulty(more), output())
    assert verdict(found, "FR-COUNT") is Outcome.NOT_MET
    assert verdict(found, "FR-PERIOD") is Outcome.MET


def test_fewer_channels_are_no_missing_pulses() -> None:
    """Than the profile has, in all frames; or for a time, as in one of the receiver's states: one event, not many."""
    assert told(faulty(lambda _, edges: edges, channels=6), output()) == []
    assert verdict(found_in(faulty(lambda _, edges: edges, channels=6), output()), "FR-COUNT") is Outcome.NOT_MET
    state = faulty(lambda number, edges: edges[:14] if 15 <= number < 23 else edges)
    assert told(state, output()) == ["frames 15 to 22 have 6 channels in place of 8"]


@pytest.mark.parametrize("in_a_frame", [False, True])
def test_pulses_that_stop_are_no_missing_pulses(in_a_frame: bool) -> None:
    """A failsafe without pulses, also one that begins within a frame or ends in one."""

    def stop(number: int, edges: Edges) -> Edges:
        if number in (16, 30) and in_a_frame:
            return edges[:10] if number == 16 else edges[8:]
        return [] if 17 <= number < 30 else edges

    profile = output()
    quiet = dataclasses.replace(profile, receiver=dataclasses.replace(profile.receiver, failsafe_output="no pulses"))
    for link in (None, profile, quiet):
        said = told(faulty(stop), link)
        assert not [what for what in said if "missing" in what or "additional" in what]
        assert sum("pulses stop for" in what for what in said) == 1


# --- what a person sees ---------------------------------------------------------------------------------------------


def rows_of(capture: Capture, train: PulseTrain) -> list[list[str]]:
    return [line.split(",") for line in frames_csv.csv_text(capture, train).splitlines()]


def test_frames_as_csv() -> None:
    """A row a frame, on the capture's own time axis."""
    rows = b"Time [s],PPM\n-0.010000,0\n" + b"".join(
        f"{at / 1e6 - 0.01:.6f},{level}\n".encode()
        for n in range(12)
        for at, level in frame(5_000 + n * 22_500, FLYING)
    )
    capture = parse_capture(rows, "t.csv")
    head, first, *_, last = rows_of(capture, choose(capture))
    assert head[:5] == ["start_us", "period_us", "whole", "channels", "ch1_us"]
    assert first[:5] == ["-5000.000", "22500.000", "1", "8", "1501.000"]
    assert last[1:3] == ["", "0"]


def test_picture() -> None:
    """Strips of one length; failsafe, silence and levels stand where they were."""
    capture = read_capture(str(FOLDER / "failsafe.vcd"))
    found = findings(choose(capture), Profile())
    rows = strips.picture(capture, found, Profile())
    assert len({len(row) for row in rows[:-1]}) == 1
    marks, throttle = (next(row for row in rows if row.startswith(name))[-60:] for name in ("marks", "throttle"))
    assert (marks.index("F"), marks.rindex("F")) == (22, 44)  # 1.197 to 2.367 s of 3.16 s
    assert set(throttle[23:44]) == {"▁"}
    assert "▁" not in throttle[:23] + throttle[44:]


def test_read_leaves_evidence_with_a_report(tmp_path: Path) -> None:
    """``--out``: verdicts by the schema, frames, and a page that shows the train as the flight controller saw it."""
    import json

    import jsonschema
    from click.testing import CliRunner

    from lostlink.cli import main
    from lostlink.evidence.schemas import VERDICTS_SCHEMA

    capture, profile = "fixtures/captures/failsafe.vcd", "fixtures/profiles/heron.toml"
    done = CliRunner().invoke(main, ["read", capture, profile, "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    told = json.loads((tmp_path / "out" / "verdicts.json").read_text(encoding="utf-8"))
    jsonschema.validate(told, VERDICTS_SCHEMA)
    assert told["tested"]["rig"] == "capture"
    assert "failsafe.vcd" in told["tested"]["bench"]["capture"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert told["conclusion"] in page
    assert "measured on the wire" in page
    assert "It does not show when, or whether, the link was lost." in page
    assert f"{len(of_sides(Side.RECEIVER)) - 6} other requirements: pulses alone do not show them." in page
    assert (tmp_path / "out" / "runs" / "FS-VALUE.json").is_file()
    assert (tmp_path / "out" / "frames.csv").read_text(encoding="utf-8").count("\n") > 50
    without = CliRunner().invoke(main, ["read", capture, "--out", str(tmp_path / "none")])
    assert (without.exit_code, "--out needs a PROFILE" in without.output) == (2, True)
    other = tmp_path / "mine"
    other.mkdir()
    (other / "letter.txt").write_text("dear", encoding="utf-8")
    assert CliRunner().invoke(main, ["read", capture, profile, "--out", str(other)]).exit_code == 2


def read_into(folder: Path, capture: str = "failsafe.vcd") -> tuple[str, str]:
    """Return what the command shows of a capture, and the page in its evidence."""
    from click.testing import CliRunner

    from lostlink.cli import main

    words = ["read", f"fixtures/captures/{capture}", "fixtures/profiles/heron.toml", "--out", str(folder)]
    done = CliRunner().invoke(main, words)
    return done.output, (folder / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("capture", ["failsafe.vcd", "gap_negative.csv", "reset_two_wires.vcd"])
def test_the_page_shows_what_the_terminal_shows(capture: str, tmp_path: Path) -> None:
    """Strips, events with the hold time, sampling, the caution; and how many requirements are not tested."""
    import html

    output, page = read_into(tmp_path, capture)
    said = html.unescape(page)
    strips = [line for line in output.splitlines() if line and line.rstrip()[-1] in "▁▂▃▄▅▆▇█·F"]
    assert len(strips) >= 8
    assert all(line.rstrip() in said for line in strips)
    events = [match[1] for line in output.splitlines() if (match := re.fullmatch(r" *[0-9.]+ s  (.+)", line))]
    assert len(events) >= 1
    assert all(event in said for event in events)
    for words in ("sample period", "uncertainty", CAPTURE_SHOWS, *CAUTIONS, "other requirements: pulses alone"):
        assert words in said
    if capture == "failsafe.vcd":
        assert "the hold time was at most 540 ms" in said


def test_the_page_has_nothing_that_a_capture_does_not_have(tmp_path: Path) -> None:
    """No seed, trial or run, no lanes of packets and of the receiver's state, nothing drawn of what is not tested."""
    _, page = read_into(tmp_path / "a")
    for words in ("<dt>seed</dt>", "<dt>runs</dt>", "trial 0", ">1 run,", '\\"received\\"', '\\"receiver\\"'):
        assert words not in page, words
    assert "throttle cut" in page  # the begin of the failsafe is marked
    assert "seed" not in (tmp_path / "a" / "summary.md").read_text(encoding="utf-8")
    _, page = read_into(tmp_path / "b", "reset_two_wires.vcd")
    assert not (tmp_path / "b" / "runs" / "FS-VALUE.json").exists()
    assert "the channels did not jump to the failsafe values together, and sticks at rest there look the same" in page


@pytest.mark.parametrize("change", ["{", '{"schema": 1}', '{"schema": 2}', "[]"])
def test_an_edited_capture_is_told(change: str, tmp_path: Path) -> None:
    from lostlink.report import write_report

    read_into(tmp_path)
    (tmp_path / "capture.json").write_text(change, encoding="utf-8")
    assert "It cannot be shown: " in write_report(tmp_path).read_text(encoding="utf-8")

"""Many trials at once against the event simulation: equal to the microsecond, trial by trial.

The event simulation is the second implementation here; that both follow theory is checked in ``tests/external``.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest

from lostlink.campaigns.flight import flight_trials
from lostlink.measure import failsafe
from lostlink.measure.channels import expected_at
from lostlink.profiles import read_profile
from lostlink.verdicts import Measurement
from lostlink_sims import Profile, Trace, simulate
from lostlink_sims.air import loss as losses
from lostlink_sims.batch import NEVER, NONE, bits
from lostlink_sims.batch.engine import PIECE, BatchEngine, Outcomes, unfit
from lostlink_sims.batch.frames import restarts
from lostlink_sims.batch.trials import CAUSES, FlightTrials

PROFILES = {path.stem: path for path in sorted(Path("fixtures/profiles").glob("*.toml"))}
HERON = read_profile(PROFILES["heron"])


def changed(timeout_us: int, *models: losses.LossModel, **tables: dict[str, Any]) -> Profile:
    """Return heron with a timeout, other losses, and tables changed."""
    receiver = {"timeout_us": timeout_us, **tables.pop("receiver", {})}
    cut_us = timeout_us + receiver.get("hold_us", 0) + 50_000
    limits = {
        "cut_within_us": cut_us,
        "motor_cut_within_us": max(cut_us + 30_000, 130_000),
        **tables.pop("requirements", {}),
    }
    radio = {"losses": models, **tables.pop("radio", {})}
    tables |= {"receiver": receiver, "requirements": limits, "radio": radio}
    return dataclasses.replace(
        HERON, **{name: dataclasses.replace(getattr(HERON, name), **fields) for name, fields in tables.items()}
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class EveryThird:
    """A model that nobody here knows: it loses two of three packets in the second half of each second."""

    model: ClassVar[str] = "every third"

    def sampler(self, air: losses.OnAir) -> losses.Sampler:
        def sample(tile: losses.Tile) -> losses.Fates:
            slot = tile.first + np.arange(len(tile.sent_us))
            lost: losses.Fates = ((slot % 3 != 0) & (tile.sent_us % 1_000_000 > 500_000)).astype(np.uint8)
            return lost

        return sample


BURSTS = losses.GilbertElliott(good_to_bad=0.01, bad_to_good=0.05, loss_bad=0.95)
CLOCKS_AGREE = {"handset": {"clock_error_ppm": 0}, "receiver": {"clock_error_ppm": 0}}
FIXED_GAP = {"style": "fixed gap", "frame_gap_us": 5000}
HARSH: dict[str, Profile] = {
    "bursts": changed(100_000, BURSTS),
    "bursts, one packet recovers": changed(
        103_700, BURSTS, handset={"packet_interval_us": 4000}, receiver={"recovery_packets": 1}
    ),
    "bursts that alternate": changed(
        100_000, losses.GilbertElliott(good_to_bad=0.6, bad_to_good=0.7, loss_bad=0.9, loss_good=0.3)
    ),
    "bernoulli": changed(
        60_000, losses.Bernoulli(probability=0.6), receiver={"recovery_packets": 2, "recovery_us": 30_000}
    ),
    "packets at the deadline": changed(50_000, losses.Bernoulli(probability=0.6), **CLOCKS_AGREE),
    "packets at the end of hold": changed(
        50_000, losses.Bernoulli(probability=0.5), handset={"clock_error_ppm": 0},
        receiver={"hold_us": 25_000, "clock_error_ppm": 0},
    ),
    "resonators": changed(
        80_000, BURSTS, handset={"clock_error_ppm": -5000}, receiver={"clock_error_ppm": 5000},
        requirements={"value_tolerance_us": 20},
    ),
    "jitter": changed(
        100_000, BURSTS, losses.PeriodicInterferer(period_us=102_400, burst_us=4000, loss=0.7),
        handset={"jitter_us": 2000}, radio={"latency_jitter_us": 1500},
    ),
    "late handover": changed(100_000, BURSTS, radio={"latency_jitter_us": 3000}),
    "acknowledged": changed(
        100_000, BURSTS, losses.Bernoulli(probability=0.3), losses.PeriodicInterferer(period_us=10_240, burst_us=1500),
        radio={"acknowledge": True, "retries": 3, "retry_delay_us": 900, "latency_jitter_us": 60},
    ),
    "interferer": changed(100_000, losses.PeriodicInterferer(period_us=102_400, burst_us=60_000, loss=0.97)),
    "interferer at a phase": changed(40_000, losses.PeriodicInterferer(period_us=51_200, burst_us=39_000, phase_us=7)),
    "steady link budget": changed(40_000, losses.LinkBudget(distance_m=655)),
    "fading": changed(60_000, losses.LinkBudget(distance_m=260, fading="rayleigh", speed_m_s=2)),
    "blackout": changed(100_000, losses.Blackout(at_us=1_800_000, for_us=400_000), BURSTS),
    "late start": changed(100_000, losses.Blackout(at_us=1, for_us=900_000), BURSTS),
    "same counter after a gap": changed(
        1_400_000, losses.Blackout(at_us=1_300_000, for_us=1_278_000), losses.Bernoulli(probability=0.2)
    ),
    "same counter at the return": changed(
        100_000, losses.Blackout(at_us=1_300_000, for_us=1_278_000), losses.Bernoulli(probability=0.05)
    ),
    "late handover at the end of the recovery time": changed(
        20_000, losses.Bernoulli(probability=0.4), handset={"clock_error_ppm": 0}, radio={"latency_jitter_us": 2},
        receiver={"clock_error_ppm": 0, "recovery_packets": 2, "recovery_us": 5_000},
    ),
    "unknown model": changed(12_000, EveryThird()),
    "fixed gap": changed(100_000, BURSTS, output=FIXED_GAP),
    "fixed gap, noise": changed(
        100_000, BURSTS, output=FIXED_GAP, handset={"adc_noise_counts": 1}, requirements={"value_tolerance_us": 10}
    ),
    "low throttle returns": changed(
        100_000, BURSTS, receiver={"recover_on_low_throttle": True}, handset={"adc_noise_counts": 1},
        requirements={"value_tolerance_us": 10},
    ),
    "no arming switch": changed(100_000, BURSTS, flight_controller={"arm_channel": None}),
}  # fmt: skip


def instant(measured: Measurement) -> int:
    return NONE if measured.only_at_least or measured.at_us is None else measured.at_us


def flag_changes(outcomes: Outcomes, place: int) -> list[tuple[int, int]]:
    """Return what the receiver says of itself, from its episodes."""
    changes = []
    for _, begin_us, end_us in outcomes.episodes[outcomes.episodes[:, 0] == place].tolist():
        changes.append((begin_us, 1))
        if end_us < NEVER:
            changes.append((end_us, 0))
    return changes


def expect_same_link(outcomes: Outcomes, place: int, trace: Trace) -> None:
    received = bits.unpacked(outcomes.received[:, place : place + 1])[:, 0]
    packets = len(trace.packets.lost)
    assert (received[:packets] == ~trace.packets.lost).all()
    assert not received[packets:].any()
    said = list(zip(trace.failsafe.at_us.tolist(), trace.failsafe.value.tolist(), strict=True))
    assert flag_changes(outcomes, place) == said


def expect_same_flight(lot: FlightTrials, outcomes: Outcomes, place: int, trace: Trace) -> None:
    lost_us, back_us = int(outcomes.drawn.lost_us[place]), int(outcomes.drawn.back_us[place])
    flew = trace.motor.at(lost_us) > 0
    cut_us = instant(failsafe.time_to_cut(trace, lost_us))
    before = trace.packets.left_us < lost_us
    wanted = {
        "sent": int(before.sum()),
        "missed": int(trace.packets.lost[before].sum()),
        "flew": flew,
        "false_us": instant(failsafe.time_to_cut(trace, lot.air_us, lost_us)),
        "cut_us": cut_us,
    }
    if flew:
        wanted["stop_us"] = instant(failsafe.time_to_motor_stop(trace, lost_us))
        starts = trace.motor.at_us[(trace.motor.value > 0) & (trace.motor.at_us > cut_us)]
        at_us, width_us = failsafe.throttle_pulses(trace)
        up = at_us[(at_us > cut_us) & (at_us < back_us) & (width_us > trace.profile.requirements.idle_below_us)]
        if cut_us != NONE:
            wanted["restart_us"] = int(starts[0]) if len(starts) else NONE
            wanted["rose_us"] = int(up[0]) if len(up) else NONE
    if back_us < lot.duration_us:
        wanted["control_us"] = instant(
            failsafe.recovery_time(trace, back_us, expected_at(trace, np.array([back_us]))[0])
        )
    assert {name: getattr(outcomes, name)[place] for name in wanted} == wanted


def compare(lot: FlightTrials, first: int, count: int) -> tuple[int, int]:
    """Compare trials; return how many had flights to compare, and failsafes beside that of the cut link."""
    flights = episodes = 0
    for outcomes in BatchEngine(lot).pieces(first, count):
        unsure = set(outcomes.unsure.tolist())
        episodes += len(outcomes.episodes)
        for place in range(len(outcomes.flew)):
            trial = outcomes.first + place
            trace = simulate(lot.profile, lot.scenario(trial))
            try:
                expect_same_link(outcomes, place, trace)
                if place not in unsure:
                    flights += 1
                    expect_same_flight(lot, outcomes, place, trace)
            except AssertionError as error:
                raise AssertionError(f"seed {lot.seed}, trial {trial}: {error}") from error
    return flights, episodes


@pytest.mark.parametrize("name", PROFILES)
def test_shipped_profiles(name: str, long: bool) -> None:
    """Trials of ten seconds, from a place in the middle of a block of random numbers on (``--long``: 120 of them)."""
    profile, count = read_profile(PROFILES[name]), 120 if long else 30
    flights, episodes = compare(flight_trials(profile, seed=11), first=509, count=count)
    assert flights > 0.96 * count
    assert episodes >= 2 * count  # each waits for its first packet, and each loses its link


@pytest.mark.parametrize("name", HARSH)
def test_harsh_channels(name: str, long: bool) -> None:
    """Short timeouts on channels that cause failsafes all the time (``--long``: 60 trials of each)."""
    duration_us = 4_000_000 if HARSH[name].receiver.timeout_us < 1_000_000 else 8_000_000
    compare(flight_trials(HARSH[name], seed=3, duration_us=duration_us), first=0, count=60 if long else 20)


def test_harsh_channels_are_harsh() -> None:
    """Nothing above is compared in vain: false failsafes, returns and flights occur."""
    count = 400
    found = list(BatchEngine(flight_trials(HARSH["bursts"], seed=3, duration_us=4_000_000)).pieces(0, count))
    false = sum(int((one.false_us >= 0).sum()) for one in found)
    assert 50 < false < count
    assert sum(len(one.unsure) for one in found) < count // 2
    assert sum(int((one.control_us >= 0).sum()) for one in found) > 50
    restarted = list(
        BatchEngine(flight_trials(HARSH["no arming switch"], seed=3, duration_us=4_000_000)).pieces(0, count)
    )
    assert sum(int((one.restart_us >= 0).sum()) for one in restarted) > 20
    assert restarts(HARSH["no arming switch"])
    assert not restarts(HERON)


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("receiver", {"timeout_us": 100_001}),
        ("receiver", {"recovery_us": 105_000}),
        ("receiver", {"clock_error_ppm": -10}),
        ("radio", {"latency_us": 201}),
        ("handset", {"boot_us": 20_001}),
    ],
)
def test_comparison_sees_a_microsecond(table: str, change: dict[str, int]) -> None:
    """An engine that is off by the least step is found."""
    profile = HARSH["bursts"]
    lot = flight_trials(profile, seed=3, duration_us=4_000_000)
    other = dataclasses.replace(profile, **{table: dataclasses.replace(getattr(profile, table), **change)})
    outcomes = BatchEngine(dataclasses.replace(lot, profile=other)).run(0, 16)
    differ = 0
    for place in range(16):
        trace = simulate(profile, lot.scenario(place))
        said = list(zip(trace.failsafe.at_us.tolist(), trace.failsafe.value.tolist(), strict=True))
        differ += flag_changes(outcomes, place) != said
    assert differ > 12


def test_pieces_do_not_matter() -> None:
    lot = flight_trials(HARSH["jitter"], seed=5, duration_us=4_000_000)
    whole = BatchEngine(lot).run(PIECE - 30, 75)
    parts = [BatchEngine(lot).run(PIECE - 30 + begin, 15) for begin in range(0, 75, 15)]
    pieces = list(BatchEngine(lot).pieces(PIECE - 30, 75))
    assert [len(one.flew) for one in pieces] == [30, 45]
    for name in ("flew", "false_us", "cut_us", "stop_us", "rose_us", "restart_us", "control_us"):
        for some in (parts, pieces):
            assert (np.concatenate([getattr(one, name) for one in some]) == getattr(whole, name)).all()


def test_causes_and_phases_are_drawn_evenly() -> None:
    """Shares within five standard errors (binomial; common practice, no source)."""
    lot = flight_trials(HERON, seed=2)
    drawn = lot.drawn(0, 20_000)
    for cause in range(len(CAUSES)):
        assert abs((drawn.cause == cause).mean() - 1 / len(CAUSES)) < 5 * (3 / 16 / 20_000) ** 0.5
    for values, low, high in (
        (drawn.packet_phase_us, 0, HERON.handset.packet_interval_us),
        (drawn.frame_phase_us, 0, HERON.output.frame_period_us),
        (drawn.lost_us, lot.lost_from_us, lot.lost_until_us),
    ):
        assert low <= values.min()
        assert values.max() < high
        assert abs((values - low).mean() / (high - low) - 0.5) < 5 / (12 * 20_000) ** 0.5
    assert (drawn.back_us[~np.isin(drawn.cause, [1])] < lot.duration_us).mean() > 0.3


@pytest.mark.parametrize(
    ("profile", "word"),
    [
        (changed(100_000, output={"latch": "live"}), "read while"),
        (changed(100_000, radio={"crc_bytes": 0}, handset={"check_byte": False}), "damaged"),
        (changed(100_000, handset={"adc_noise_counts": 1}), "noise"),  # a count may be a code, of 4 us
        (
            dataclasses.replace(
                HERON,
                channels=tuple(
                    dataclasses.replace(one, failsafe_us=1600) if one.name == "throttle" else one
                    for one in HERON.channels
                ),
            ),
            "not idle",
        ),
    ],
)
def test_what_it_cannot_do_is_said(profile: Profile, word: str) -> None:
    lot = flight_trials(profile, seed=1)
    assert word in unfit(lot)
    with pytest.raises(ValueError, match=word):
        BatchEngine(lot)

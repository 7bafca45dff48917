"""``lostlink plan range``: what it reckons agrees with what flies in the event simulation, and with itself."""

from __future__ import annotations

import csv
import dataclasses
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from scipy import stats

from lostlink.cli import main
from lostlink.planning import link_range
from lostlink.profiles import read_profile
from lostlink.results import CAUTIONS
from lostlink_sims import Profile, Scenario, summarise
from lostlink_sims.air.loss import LinkBudget

HERON = Path("fixtures/profiles/heron.toml")


def plan(*words: object) -> Result:
    return CliRunner().invoke(main, ["plan", "range", *map(str, words)])


def table(tmp_path: Path, *words: object) -> dict[str, dict[float, dict[str, float]]]:
    """Return what a plan writes: by path, by distance, by column."""
    done = plan(*words, "--csv", tmp_path / "range.csv", "--force")
    assert done.exit_code == 0, done.output
    found: dict[str, dict[float, dict[str, float]]] = {}
    with (tmp_path / "range.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            numbers = {key: float(value) for key, value in row.items() if key != "path" and value}
            found.setdefault(row["path"], {})[numbers["distance_m"]] = numbers
    return found


def at_distance(distance_m: float, **settings: object) -> tuple[Profile, LinkBudget]:
    budget = dataclasses.replace(LinkBudget(distance_m=distance_m), **settings)  # type: ignore[arg-type]
    profile = Profile()
    return dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, losses=(budget,))), budget


@pytest.mark.parametrize(
    ("path", "distance_m"), [("free space", 195.0), ("free space", 240.0), ("two-ray", 280.0), ("two-ray", 33.465)]
)
def test_losses_of_a_flight(path: str, distance_m: float) -> None:
    """Packets lost in the event simulation lie in the exact binomial interval, 99.99 % (Clopper and Pearson, scipy).

    The simulation's table of losses has steps of 0.05 dB: the plan is asked half a step to either side.
    """
    profile, budget = at_distance(distance_m, path=path)
    flown = summarise(profile, Scenario(seed=3, duration_us=60_000_000))
    found = stats.binomtest(flown.packets - flown.received, flown.packets).proportion_ci(0.9999)
    near, far = (
        link_range.at(profile, dataclasses.replace(budget, transmit_power_dbm=power), distance_m).loss
        for power in (0.03, -0.03)
    )
    assert found.low <= far
    assert near <= found.high
    assert 0.002 < near < 0.9999


@pytest.mark.parametrize(("kind", "distance_m"), [("rayleigh", 80.0), ("rician", 150.0)])
def test_losses_of_flights_that_fade(kind: str, distance_m: float) -> None:
    """Packets of one flight fade together, flights are independent: Student's interval over 60 of them, 99.99 %."""
    profile, budget = at_distance(distance_m, fading=kind, speed_m_s=25.0)
    shares = []
    for trial in range(60):
        flown = summarise(profile, Scenario(seed=8, trial=trial, duration_us=4_000_000))
        shares.append(1 - flown.received / flown.packets)
    low, high = stats.t.interval(0.9999, 59, stats.tmean(shares), stats.sem(shares))
    planned = link_range.at(profile, budget, distance_m).loss
    assert low <= planned <= high
    assert 0.02 < planned < 0.5
    assert high - low < 0.5 * planned


def test_six_decibels_double_the_range(tmp_path: Path) -> None:
    """Friis: 6.0206 dB more carry twice as far in free space, with the same loss and the same false failsafes."""
    usual = table(tmp_path, HERON, "--to", "1000 m", "--power", "0 dBm")["free space"]
    louder = table(tmp_path, HERON, "--to", "1000 m", "--power", "6.0206 dBm")["free space"]
    assert louder[300.0]["margin_db"] == pytest.approx(usual[150.0]["margin_db"], abs=1e-4)
    assert louder[300.0]["loss"] == pytest.approx(usual[150.0]["loss"], rel=1e-3)
    assert louder[200.0]["received_dbm"] == pytest.approx(usual[100.0]["received_dbm"], abs=1e-4)


def test_far_over_ground_twice_as_far_costs_twelve_decibels(tmp_path: Path) -> None:
    """40 log10 2 = 12.04 dB in the far form (Rappaport, two-ray model); 6.02 dB in free space."""
    found = table(tmp_path, HERON, "--to", "100 km")
    ground, free = found["two-ray"], found["free space"]
    assert ground[10_000.0]["margin_db"] - ground[20_000.0]["margin_db"] == pytest.approx(12.041, abs=0.02)
    assert free[10_000.0]["margin_db"] - free[20_000.0]["margin_db"] == pytest.approx(6.0206, abs=1e-4)


def test_no_fading_is_the_edge_of_much_direct_path() -> None:
    """A Rician channel whose direct path is all there is does not fade."""
    profile, steady = at_distance(210.0)
    still = dataclasses.replace(steady, fading="rician", rician_k_db=40.0)
    loss = link_range.at(profile, steady, 210.0).loss
    assert link_range.at(profile, still, 210.0).loss == pytest.approx(loss, rel=0.02)


def test_fading_costs_packets_where_there_is_margin(tmp_path: Path) -> None:
    losses = [
        table(tmp_path, HERON, "--fading", kind)["free space"][100.0]["loss"] for kind in ("none", "rician", "rayleigh")
    ]
    assert losses == sorted(losses)
    assert losses[0] < losses[2] / 100


def test_false_failsafes_of_independent_losses(tmp_path: Path) -> None:
    """Long-run rate of runs of r losses, p q^r a packet (renewal; Feller vol. 1, XIII.7), by hand from the table."""
    profile = read_profile(HERON)
    row = table(tmp_path, HERON, "--to", "400 m")["free space"][300.0]
    # 500 ms of silence, a packet each 5 ms: a tie, broken by drift either way, 99 or 100 packets.
    runs = {profile.receiver.timeout_us // profile.handset.packet_interval_us - shorter for shorter in (0, 1)}
    hourly = 3_600_000_000 / profile.handset.packet_interval_us
    rates = [hourly * (1 - row["loss"]) * row["loss"] ** run for run in runs]
    assert min(rates) * 0.999 <= row["false_per_hour"] <= max(rates) * 1.001


def test_the_screen_carries_units_and_cautions() -> None:
    done = plan(HERON, "--fading", "rayleigh", "--to", "400 m")
    assert done.exit_code == 0, done.output
    for said in (*CAUTIONS, "1 % of packets lost", "Hz Doppler", "ETSI EN 300 328", "does not show compliance"):
        assert said in done.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--to", "far"), "--to: 'far' is not a quantity"),
        (("--to", "10"), "--to"),
        (("--to", "101 km"), "20 m to 100 km"),
        (("--keep", "-1 dB"), "0 dB to 60 dB"),
        (("--power", "1 W"), "unknown unit 'W'"),
        (("--csv", "/nowhere/at/all.csv"), "a path that can be written"),
    ],
)
def test_bad_words(words: tuple[str, str], said: str) -> None:
    done = plan(HERON, *words)
    assert done.exit_code == 2
    assert said in done.output
    assert "Traceback" not in done.output
    assert len(done.output.strip().splitlines()) == 1

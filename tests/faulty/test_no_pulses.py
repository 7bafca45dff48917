"""A link whose pulses cease in failsafe, as its owner declares: sound receivers pass, mistakes are found."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from click.testing import CliRunner

import no_pulses  # type: ignore[import-not-found]
from lostlink.cli import main
from lostlink.errors import ProfileError
from lostlink.evidence.exports import save_run
from lostlink.invariants import judge_trace
from lostlink.profiles import read_profile
from lostlink.profiles.writer import write_profile
from lostlink.requirements import of_sides
from lostlink.rigs.sim import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.run import run_suite
from lostlink.varied import varied_flights
from lostlink.verdicts import Outcome, Side
from lostlink_sims import Profile, ReferenceReceiver, simulate
from lostlink_sims.scenario import LinkCut
from no_pulses import without_pulses

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"
GOOD = ("heron", "bittern", "lapwing", "wren", "plover")
LONG = pytest.mark.long


def link(name: str) -> Profile:
    made: Profile = without_pulses(read_profile(PROFILES / f"{name}.toml"))
    return made


@pytest.mark.parametrize("name", ["heron", *(pytest.param(name, marks=LONG) for name in GOOD[1:])])
@pytest.mark.parametrize("receiver", [ReferenceReceiver, pytest.param(no_pulses.Counted, marks=LONG)])
def test_a_sound_receiver_meets_everything(name: str, receiver: type[ReferenceReceiver], long: bool) -> None:
    """One in eight varied flights on one profile; ``--long``: all, two designs, five profiles, three seeds."""
    profile = link(name)
    for seed in range(3 if long else 1):
        rig = SimRig(profile, receiver)
        rig.varied_stride = 1 if long else 8
        result = run_suite(profile, rig, seed=seed)
        bad = [(v.requirement.id, v.outcome.value, v.reason) for v in result.verdicts if v.outcome is not Outcome.MET]
        assert bad == [], f"seed {seed}"
        assert len(result.verdicts) == len(of_sides(Side.RECEIVER))


@pytest.mark.parametrize("name", GOOD)
def test_invariants_hold(name: str, long: bool) -> None:
    """In one of sixteen varied flights; ``--long``: in all, of ten seeds."""
    profile = link(name)
    for seed in range(10 if long else 1):
        for flight in varied_flights(ScenarioBuilder(profile, seed, "varied"))[:: 1 if long else 16]:
            assert judge_trace(simulate(profile, flight.scenario)) == [], f"seed {seed}: {flight.scenario.name}"


@pytest.mark.parametrize("mistake", no_pulses.MISTAKES, ids=lambda mistake: mistake.receiver.__name__)
def test_a_mistake_is_found(mistake: no_pulses.Mistake, long: bool) -> None:
    """Under its requirement; ``--long``: beside all others."""
    profile = link("heron")
    result = run_suite(profile, SimRig(profile, mistake.receiver), only=() if long else [mistake.requirement])
    assert mistake.requirement in {verdict.requirement.id for verdict in result.with_outcome(Outcome.NOT_MET)}
    assert not result.errors
    assert not any("crashed" in verdict.measured for verdict in result.verdicts)


@pytest.mark.parametrize("mistake", no_pulses.MISTAKES, ids=lambda mistake: mistake.receiver.__name__)
def test_a_mistake_breaks_an_invariant(mistake: no_pulses.Mistake) -> None:
    """In some varied flight."""
    profile = link("heron")
    flights = varied_flights(ScenarioBuilder(profile, 1, "varied"))
    assert any(judge_trace(simulate(profile, flight.scenario, mistake.receiver)) for flight in flights)


def test_pulses_that_cease_are_not_failsafe_values() -> None:
    """On a link that declares failsafe values, a receiver without pulses in failsafe is still refused."""
    plain = read_profile(PROFILES / "heron.toml")
    silent = without_pulses(plain)
    rig = SimRig(plain, lambda _: ReferenceReceiver(silent))
    result = run_suite(plain, rig, only=["FS-PRESET"])
    assert "FS-PRESET" in {verdict.requirement.id for verdict in result.with_outcome(Outcome.NOT_MET)}


def test_limits_that_cannot_be_kept_are_refused(tmp_path: Path) -> None:
    """The flight controller's signal timeout of 100 ms adds to the last frame."""
    plain = read_profile(PROFILES / "heron.toml")
    tight = dataclasses.replace(plain.receiver, failsafe_output="no pulses")
    path = tmp_path / "tight.toml"
    path.write_text(write_profile(dataclasses.replace(plain, receiver=tight)), encoding="utf-8")
    with pytest.raises(ProfileError, match=r"the last frame, and the flight controller's signal timeout take 625\.99"):
        read_profile(path)
    path.write_text(write_profile(link("heron")), encoding="utf-8")
    assert read_profile(path) == link("heron")


def test_a_capture_is_not_judged_by_failsafe_values(tmp_path: Path) -> None:
    """On such a link frames with failsafe values are no failsafe, so a capture tests neither FS-VALUE nor FS-PRESET."""
    plain, silent = read_profile(PROFILES / "heron.toml"), link("heron")
    flight = next(ScenarioBuilder(plain, 1, "capture").flights(1))
    trace = simulate(plain, flight.into(LinkCut(at_us=flight.at_us), watch_us=2_000_000))
    save_run(trace, tmp_path, "run")
    said = {}
    for profile, exit_code in ((plain, 0), (silent, 4)):
        path = tmp_path / f"{profile.name}.toml"
        path.write_text(write_profile(profile), encoding="utf-8")
        run = CliRunner().invoke(main, ["read", str(tmp_path / "run.vcd"), str(path)])
        assert run.exit_code == exit_code, run.output
        said[profile.name] = run.output
    assert "+ met  FS-PRESET" in said[plain.name]
    assert "met         FS-" not in said[silent.name]
    assert "FS-VALUE, FS-PRESET are not tested: the failsafe of this link has no pulses" in " ".join(
        said[silent.name].split()
    )

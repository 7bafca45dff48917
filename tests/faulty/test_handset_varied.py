"""Varied uses of a handset: every pair of values occurs, sound designs pass, mistakes in two things at once show."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import pytest

import handset_sound as sound  # type: ignore[import-not-found]
import handset_zoo as zoo  # type: ignore[import-not-found]
from handset_links import LINKS  # type: ignore[import-not-found]
from lostlink.invariants import judge_trace
from lostlink.profiles import read_link
from lostlink.requirements import of_sides
from lostlink.rigs.sim import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.run import run_suite
from lostlink.varied import HANDSET, Flown, VariedHandsetFlight, variation_of, varied_handset_flights
from lostlink.verdicts import Outcome, Side
from lostlink_sims import Profile, simulate
from lostlink_sims.handset import hang_spans
from lostlink_sims.handset_program import ReferenceHandset
from lostlink_sims.scenario import HandsetHung, HandsetOff, HandsetReset, Scenario

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"
GATE = (
    ("noisy", sound.HysteresisOfCounts), ("timer", sound.AliveFlag), ("plover", sound.SilentUntilLow),
    ("margins", sound.HysteresisOfACode), ("addressed", sound.LooksAfterItsRadio),
    ("acknowledged", sound.CountsWhatLeft), ("battery", sound.WarnsForGood),
    ("slow timer with watchdog", sound.SameBufferAgain),
)  # fmt: skip
"""A link and a design each that differ most."""
EACH = 6
"""In the gate one in so many uses is flown with each design."""


def link(name: str) -> Profile:
    return read_link(PROFILES / f"{name}.toml")


@pytest.mark.parametrize("name", ["heron", "dunlin"])
def test_every_pair_of_values_is_flown(name: str) -> None:
    """Counted here once more, without the library."""
    profile = link(name)
    table = HANDSET.rows(profile, 1)
    wanted = set()
    for (one, values), (other, others) in itertools.combinations(HANDSET.of(profile).items(), 2):
        wanted |= {frozenset({(one, a), (other, b)}) for a in values for b in others}
    assert {frozenset(pair) for row in table for pair in itertools.combinations(row.items(), 2)} == wanted
    told = variation_of(profile, "HS-VALUE", Flown("HS-VARIED", table))
    assert told is not None
    assert (told.flights, told.combinations_flown, told.combinations) == (len(table), len(wanted), len(wanted))
    assert variation_of(profile, "FS-CUT", Flown("HS-VARIED", table)) is None


def test_names_of_values_are_those_of_dimensions() -> None:
    known = {(one.name, value) for one in HANDSET.dimensions for value in (*one.values, *one.long)}
    assert {named for values in HANDSET.concerns.values() for named in values} <= known
    assert set(HANDSET.concerns) <= set(of_sides(Side.HANDSET))
    assert {item for row in HANDSET.long_flights for item in row.items()} <= known


def test_each_value_changes_the_use() -> None:
    """No value of a dimension is flown as another one, beside values that make all of them show."""
    profile = link("dunlin")
    profile = dataclasses.replace(
        profile,
        radio=dataclasses.replace(profile.radio, acknowledge=True),
        battery=dataclasses.replace(profile.battery, input_range_mv=6_600),
    )
    builder = ScenarioBuilder(profile, 1, "varied")
    blank = builder.blank("one")
    shows = {**HANDSET.plain(profile), "event": "main loop hangs", "second event": "reset"}
    for dimension in HANDSET.dimensions:
        uses = []
        for value in (*dimension.values_of(profile), *dimension.long):
            use = VariedHandsetFlight(builder, {**shows, dimension.name: value}, blank).scenario
            uses.append(
                dataclasses.replace(use, name="", handset_clock_us=0) if "counter" not in dimension.name else use
            )
        assert len({repr(use) for use in uses}) == len(uses), dimension.name


@pytest.mark.parametrize(("name", "design"), GATE, ids=lambda value: getattr(value, "__name__", value))
def test_sound_designs_break_nothing(name: str, design: type, long: bool) -> None:
    """``--long``: in all uses, on several seeds."""
    for seed in range(1, 6 if long else 2):
        uses = varied_handset_flights(ScenarioBuilder(LINKS[name], seed, "varied"), 1 if long else EACH)
        for use in uses:
            trace = simulate(LINKS[name], use.scenario, handset=design)
            assert judge_trace(trace, {Side.HANDSET}) == [], use.row


@pytest.mark.parametrize("mistake", [zoo.SetsUpABusyRadio, zoo.OldThrottleAfterAHang])
def test_evidence_says_what_was_varied(mistake: type) -> None:
    """The verdicts of a handset that fails and of a sound one have the uses that were flown."""
    profile = LINKS["heron"]
    for handset, outcome in ((mistake, Outcome.NOT_MET), (ReferenceHandset, Outcome.MET)):
        result = run_suite(profile, SimRig(profile, handset=handset), only=["HS-VARIED"])
        (verdict,) = [one for one in result.verdicts if one.requirement.id == "HS-VARIED"]
        assert verdict.outcome is outcome
        assert verdict.varied is not None
        assert verdict.varied.flights == (verdict.runs if outcome is Outcome.MET else verdict.varied.flights) > 0


def test_a_hang_ends_with_a_reset_or_the_supply() -> None:
    """A program that begins anew does not hang, and without a supply nothing hangs."""
    hung = HandsetHung(at_us=100, for_us=500)
    for end in (HandsetReset(at_us=250), HandsetOff(at_us=250, for_us=100)):
        assert hang_spans(HandsetHung, Scenario(duration_us=1_000, faults=(hung, end))) == [(100, 250)]
    off = HandsetOff(at_us=50, for_us=100)
    assert hang_spans(HandsetHung, Scenario(duration_us=1_000, faults=(hung, off))) == []
    assert hang_spans(HandsetHung, Scenario(duration_us=1_000, faults=(hung,))) == [(100, 600)]

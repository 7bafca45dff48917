"""Flights of a covering array: every pair occurs, sound receivers pass, and mistakes of one dimension are found."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from faulty import flights, zoo

from lostlink.invariants import judge_trace
from lostlink.profiles import read_link
from lostlink.rigs import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.run import run_suite
from lostlink.varied import DIMENSIONS, FLIGHTS, Row, dimensions_of, pairs, rows, varied_flights
from lostlink.verdicts import Outcome
from lostlink_sims import Profile, simulate

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"
LONG = pytest.mark.long
GOOD = ("heron", "wren", "bittern", "lapwing", "plover")


def link(name: str) -> Profile:
    return read_link(PROFILES / f"{name}.toml")


@pytest.fixture(scope="module")
def tables() -> dict[tuple[str, int], list[Row]]:
    return {}


@pytest.fixture
def remembered(tables: dict[tuple[str, int], list[Row]], monkeypatch: pytest.MonkeyPatch) -> None:
    """Compute each table of flights once for these tests, because it takes as long as its flights."""

    def once(profile: Profile, seed: int) -> list[Row]:
        if (profile.name, seed) not in tables:
            tables[profile.name, seed] = rows(profile, seed)
        return tables[profile.name, seed]

    monkeypatch.setattr("lostlink.varied.rows", once)


@pytest.mark.parametrize("name", ["heron", "plover", *(pytest.param(name, marks=LONG) for name in GOOD[1:4])])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=LONG)])
def test_every_pair_of_values_is_flown(name: str, seed: int) -> None:
    """Counted here once more, without the library; further rows fill the number up.

    ``--long``: on five profiles and with two seeds.
    """
    profile = link(name)
    table = rows(profile, seed)
    assert len(table) == FLIGHTS
    wanted = set()
    for one, other in itertools.combinations(dimensions_of(profile), 2):
        wanted |= {frozenset({(one.name, a), (other.name, b)}) for a in one.values for b in other.values}
    assert {frozenset(pair) for row in table for pair in itertools.combinations(row.items(), 2)} == wanted
    assert pairs(profile, table) == (len(wanted), len(wanted))
    covered, of = pairs(profile, table[:10])
    assert covered < of


def test_flights_depend_on_the_seed_only() -> None:
    profile = link("heron")
    first, again, other = (varied_flights(ScenarioBuilder(profile, seed, "varied")) for seed in (1, 1, 2))
    assert first == again
    assert first != other
    assert len({dimension.name for dimension in DIMENSIONS}) == len(DIMENSIONS) >= 15


@pytest.mark.usefixtures("remembered")
@pytest.mark.parametrize("stride", [1, 8])
def test_a_board_flies_fewer(stride: int) -> None:
    builder = ScenarioBuilder(link("heron"), 1, "varied", phase_stride=4)
    assert len(varied_flights(builder, stride)) == FLIGHTS // stride


@pytest.mark.usefixtures("remembered")
@pytest.mark.parametrize(
    "name", ["heron", "wren", *(pytest.param(name, marks=LONG) for name in ("bittern", "lapwing"))]
)
def test_a_sound_receiver_breaks_nothing(name: str, long: bool) -> None:
    """In one of eight flights; ``--long``: in all, of 20 seeds on four profiles."""
    profile = link(name)
    for seed in range(20) if long else (1,):
        for flight in varied_flights(ScenarioBuilder(profile, seed, "varied"))[:: 1 if long else 8]:
            for receiver in (zoo.Sound, flights.LooksFiftyTimesASecond):
                assert judge_trace(simulate(profile, flight, receiver)) == [], f"seed {seed}: {flight.name}"


def test_faulty_receivers_are_many() -> None:
    assert len(flights.FAULTY) >= 20


@pytest.mark.usefixtures("remembered")
@pytest.mark.parametrize(
    "receiver",
    [*flights.FAULTY[::2], *(pytest.param(receiver, marks=LONG) for receiver in flights.FAULTY[1::2])],
    ids=lambda receiver: receiver.__name__,
)
def test_a_mistake_in_one_dimension_is_found(receiver: type[zoo.Sound]) -> None:
    """And what it breaks counts against its own requirement too."""
    result = run_suite(link("heron"), SimRig(link("heron"), receiver), only=["FS-VARIED"])
    outcomes = {verdict.requirement.id: verdict.outcome for verdict in result.verdicts}
    assert outcomes["FS-VARIED"] is Outcome.NOT_MET
    assert len(outcomes) > 1
    assert set(outcomes.values()) == {Outcome.NOT_MET}

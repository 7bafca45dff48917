"""Flights of a covering array: every pair occurs, sound receivers pass, and mistakes of one dimension are found."""

from __future__ import annotations

import dataclasses
import itertools
import json
import random
from pathlib import Path
from typing import Any

import covertable
import jsonschema
import pytest
from click.testing import CliRunner
from covertable.sorters import hash as by_hash
from faulty import flights, zoo

from lostlink.cli import main
from lostlink.evidence.schemas import VERDICTS_SCHEMA
from lostlink.invariants import judge_trace
from lostlink.profiles import read_link
from lostlink.requirements import of_sides
from lostlink.rigs import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.run import run_suite
from lostlink.varied import (
    FLIGHTS,
    LINK,
    PAIRS,
    TRIPLES,
    USUAL,
    Flown,
    Row,
    Strength,
    VariedFlight,
    covering,
    variation,
    variation_of,
    varied_flights,
)
from lostlink.varied.covering import Variety
from lostlink.varied.greedy import Greedy
from lostlink.varied.variation import VARIETIES
from lostlink.verdicts import Outcome, Side, Verdict
from lostlink_sims import Profile, simulate

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"
LONG = pytest.mark.long
GOOD = ("heron", "wren", "bittern", "lapwing", "plover")


def link(name: str) -> Profile:
    return read_link(PROFILES / f"{name}.toml")


def as_flown(table: list[Row], strength: Strength = PAIRS) -> Flown:
    return Flown(rows=table, strength=strength)


@pytest.mark.parametrize("name", ["heron", "plover", *(pytest.param(name, marks=LONG) for name in GOOD[1:4])])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=LONG)])
def test_every_pair_of_values_is_flown(name: str, seed: int) -> None:
    """Counted here once more, without the library; further rows fill the number up.

    ``--long``: on five profiles and with two seeds.
    """
    profile = link(name)
    table = LINK.rows(profile, seed)
    assert len(table) >= FLIGHTS
    wanted = set()
    for (one, values), (other, others) in itertools.combinations(LINK.of(profile).items(), 2):
        wanted |= {frozenset({(one, a), (other, b)}) for a in values for b in others}
    assert {frozenset(pair) for row in table for pair in itertools.combinations(row.items(), 2)} == wanted
    told = variation_of(profile, "FS-CUT", as_flown(table))
    assert told is not None
    assert (told.flights, told.combinations_flown, told.combinations) == (len(table), len(wanted), len(wanted))
    assert set(told.not_flown) == {"age of the flight", "length"}  # with --thorough


def test_every_triple_of_values_is_flown(long: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Strength 3, counted without the library, over six dimensions; ``--long``: over all."""
    if not long:
        shorter = dataclasses.replace(LINK, dimensions=LINK.dimensions[:6])
        monkeypatch.setattr(variation, "VARIETIES", {"FS-VARIED": shorter})
    profile, variety = link("heron"), variation.VARIETIES["FS-VARIED"]
    table = variety.rows(profile, 1, TRIPLES)
    wanted = 0
    for three in itertools.combinations(variety.of(profile).values(), 3):
        wanted += len(list(itertools.product(*three)))
    flown = {frozenset(triple) for row in table for triple in itertools.combinations(row.items(), 3)}
    told = variation_of(profile, "FS-CUT", as_flown(table, TRIPLES))
    assert told is not None
    assert (len(flown), told.combinations_flown, told.combinations) == (wanted, wanted, wanted)


def test_every_triple_that_decides_about_the_throttle_is_flown() -> None:
    """And every pair of the others; counted without the library."""
    profile = link("heron")
    table = LINK.rows(profile, 1, USUAL)
    decisive = {name: values for name, values in LINK.of(profile).items() if name in LINK.decisive}
    assert len(decisive) == len(LINK.decisive)
    triples = {
        frozenset(zip(names, values, strict=True))
        for names in itertools.combinations(decisive, 3)
        for values in itertools.product(*(decisive[name] for name in names))
    }
    flown = {frozenset(triple) for row in table for triple in itertools.combinations(row.items(), 3)}
    assert triples <= flown
    told = variation_of(profile, "FS-CUT", as_flown(table, USUAL))
    assert told is not None
    assert told.combinations_flown == told.combinations
    assert told.throttle_combinations_flown == told.throttle_combinations == len(triples)
    assert f"{len(table)} varied flights" in str(told)
    assert "triples of the decisive ones" in str(told)


@pytest.mark.parametrize("number", range(6))
def test_arrays_choose_the_rows_that_the_library_chooses(number: int) -> None:
    """`Greedy` against the library's own criterion, over dimensions drawn at random."""
    draw = random.Random(number)
    sizes = [draw.randint(1, 5) for _ in range(draw.randint(3, 8))]
    choices = {f"d{index}": [f"{index}.{value}" for value in range(size)] for index, size in enumerate(sizes)}
    inner = [{"fields": draw.sample(list(choices), 3), "strength": 3}]
    for strength, models in ((2, None), (2, inner), (3, None)):
        options: dict[str, Any] = {"strength": strength, "sub_models": models, "sorter": by_hash, "salt": str(number)}
        library = [dict(row) for row in covertable.make(choices, **options)]
        assert [dict(row) for row in covertable.make(choices, criterion=Greedy(), **options)] == library


@pytest.mark.parametrize("strength", [USUAL, pytest.param(TRIPLES, marks=LONG)])
@pytest.mark.parametrize("variety", VARIETIES.values(), ids=VARIETIES)
def test_the_rows_of_a_link_are_those_of_the_library(
    variety: Variety, strength: Strength, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``--long``: those of ``--thorough`` too."""
    table = variety.rows(link("heron"), 41, strength)
    monkeypatch.setattr(covering, "Greedy", lambda: covertable.criteria.greedy)
    monkeypatch.setattr(covering, "_rows", covering._rows.__wrapped__)
    assert variety.rows(link("heron"), 41, strength) == table


def test_what_concerns_a_requirement_is_counted() -> None:
    """Only flights with the premise count, and only what they can have."""
    profile = link("heron")
    table = LINK.rows(profile, 1)
    told = variation_of(profile, "FS-JAM", as_flown(table))
    assert told is not None
    jammed = [row for row in table if row["cause"] == "interference"]
    assert told.flights == len(jammed) == told.values["cause"].pop("interference")
    assert told.values.pop("cause") == {}
    for name, values in told.values.items():
        assert values == {value: sum(row[name] == value for row in jammed) for value in values}
    pairs = {frozenset(pair) for row in jammed for pair in itertools.combinations(row.items(), 2)}
    assert told.combinations_flown == len(pairs)
    sizes = {name: 1 if name == "cause" else len(values) for name, values in LINK.of(profile).items()}
    assert told.combinations == sum(a * b for a, b in itertools.combinations(sizes.values(), 2))
    assert variation_of(profile, "FR-SYNC", as_flown(table)) is None
    assert variation_of(profile, "FS-LONG", as_flown(table)) is None
    assert variation_of(Profile(), "FS-FOREIGN", as_flown(LINK.rows(Profile(), 1))) is None


def test_names_of_values_are_those_of_dimensions() -> None:
    known = {(one.name, value) for one in LINK.dimensions for value in (*one.values, *one.long)}
    assert {named for values in LINK.concerns.values() for named in values} <= known
    assert set(LINK.concerns) <= set(of_sides(Side.RECEIVER))
    assert {item for row in LINK.long_flights for item in row.items()} <= known
    assert {(one.name, value) for one in LINK.dimensions for value in one.long} <= {
        item for row in LINK.long_flights for item in row.items()
    }


def test_each_value_changes_the_flight() -> None:
    """No value of a dimension is flown as another one."""
    profile = link("heron")
    plain = {name: values[0] for name, values in LINK.of(profile).items()}
    builder = ScenarioBuilder(profile, 1, "varied")
    blank = builder.blank("one")
    for dimension in LINK.dimensions:
        flights = []
        for value in (*dimension.values_of(profile), *dimension.long):
            flight = VariedFlight(builder, {**plain, dimension.name: value}, blank).scenario
            flights.append(dataclasses.replace(flight, name=""))
        assert len({repr(flight) for flight in flights}) == len(flights), dimension.name


def test_flights_depend_on_the_seed_only() -> None:
    profile = link("heron")
    first, again, other = (
        [flight.scenario for flight in varied_flights(ScenarioBuilder(profile, seed, "varied"))] for seed in (1, 1, 2)
    )
    assert first == again
    assert first != other
    assert len({dimension.name for dimension in LINK.dimensions}) == len(LINK.dimensions) >= 15


@pytest.mark.parametrize("stride", [1, 8])
def test_a_board_flies_fewer(stride: int) -> None:
    builder = ScenarioBuilder(link("heron"), 1, "varied", phase_stride=4)
    assert len(varied_flights(builder, stride)) == -(-len(LINK.rows(link("heron"), 1)) // stride)


@pytest.mark.parametrize("name", ["heron", "wren", pytest.param("plover", marks=LONG)])
def test_long_flights_of_a_sound_receiver(name: str, long: bool) -> None:
    """Past the ends of common counters; the gate flies the one past 2^16 packets, ``--long`` each."""
    profile = link(name)
    builder = ScenarioBuilder(profile, 1, "varied")
    for row in LINK.long_rows(profile)[: None if long else 1]:
        trace = simulate(profile, VariedFlight(builder, row, builder.blank("long")).scenario)
        assert judge_trace(trace) == [], row
        assert trace.summary.packets > 2**16 or not row["age of the flight"].startswith("past")


@pytest.mark.parametrize(
    "name", ["heron", "wren", *(pytest.param(name, marks=LONG) for name in ("bittern", "lapwing"))]
)
def test_a_sound_receiver_breaks_nothing(name: str, long: bool) -> None:
    """In one of eight flights; ``--long``: in all, of 20 seeds on four profiles."""
    profile = link(name)
    for seed in range(20) if long else (1,):
        for flight in varied_flights(ScenarioBuilder(profile, seed, "varied"))[:: 1 if long else 8]:
            for receiver in (zoo.Sound, flights.LooksFiftyTimesASecond):
                scenario = flight.scenario
                assert judge_trace(simulate(profile, scenario, receiver)) == [], f"seed {seed}: {scenario.name}"


def test_faulty_receivers_are_many() -> None:
    assert len(flights.FAULTY) >= 20


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


def test_what_was_varied_is_evidence(tmp_path: Path) -> None:
    """In verdicts.json, in the report, and read back as written."""
    words = ["prove", str(PROFILES / "heron.toml"), "--only", "FS-VARIED,FS-JAM,FR-SYNC", "--out", str(tmp_path / "ev")]
    assert CliRunner().invoke(main, [*words, "--quiet"]).exit_code == 0
    document = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, VERDICTS_SCHEMA)
    by_id = {verdict["id"]: verdict for verdict in document["verdicts"]}
    profile = link("heron")
    for name in ("FS-VARIED", "FS-JAM"):
        told = variation_of(profile, name, as_flown(LINK.rows(profile, 1, USUAL), USUAL))
        assert told is not None
        assert by_id[name]["varied"] == dataclasses.asdict(told)
        assert Verdict.from_dict(by_id[name]).varied == told
    assert "varied" not in by_id["FR-SYNC"]
    page = (tmp_path / "ev" / "report.html").read_text(encoding="utf-8")
    assert page.count("What was varied") == 2
    assert str(variation_of(profile, "FS-JAM", as_flown(LINK.rows(profile, 1, USUAL), USUAL))) in page

"""The JSON Schema for editors: takes what the reader takes, refuses what it refuses."""

from __future__ import annotations

import dataclasses
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from lostlink.errors import ProfileError
from lostlink.profiles import (
    commented_profile,
    parse_profile,
    profile_schema,
    scenario_schema,
    write_profile,
    write_scenario,
)
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims._settings import key_of
from lostlink_sims.air.loss import MODELS
from lostlink_sims.scenario import FAULTS, LinkCut

FIXTURES = Path(__file__).parents[2] / "fixtures" / "profiles"
PROFILE = Draft202012Validator(profile_schema())


def complaints(text: str, schema: Draft202012Validator = PROFILE) -> list[str]:
    return [error.message for error in schema.iter_errors(tomllib.loads(text))]


@pytest.mark.parametrize("schema", [profile_schema(), scenario_schema()])
def test_is_a_schema_and_json(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema)) == schema


@pytest.mark.parametrize("path", sorted(FIXTURES.glob("*.toml")), ids=lambda path: path.stem)
def test_takes_the_shipped_profiles(path: Path) -> None:
    assert not complaints(path.read_text(encoding="utf-8"))


def test_takes_what_the_tool_writes() -> None:
    assert not complaints(commented_profile("my link"))
    assert not complaints(write_profile(Profile()))


def test_takes_written_scenarios() -> None:
    scenario = Scenario(
        moves=(Move(at_us=1, channel="throttle", position=0.25),), faults=(LinkCut(at_us=500_000, for_us=7),)
    )
    assert not complaints(write_scenario(scenario), Draft202012Validator(scenario_schema()))


@pytest.mark.parametrize(
    "text",
    [
        "[receiver]\ntimeout = 500",
        '[receiver]\ntimeout = "500"',
        '[receiver]\ntimeout = "500 kg"',
        '[receiver]\ntimout = "500 ms"',
        '[output]\nstyle = "fixed perod"',
        '[handset]\npacket_counter = "true"',
        "[handset]\nlink_id = 256",
        '[[channels]]\nkind = "stick"',
        '[[radio.losses]]\nmodel = "bernouli"\nprobability = "1 %"',
        '[[radio.losses]]\nmodel = "bernoulli"',
        '[[radio.losses]]\nprobability = "1 %"',
        "[requirements]\nwaived = [3]",
        '[handset]\nsends_from = "interrupt"',
        '[handset]\nafter_reset = "resume"',
        "schema = 2",
    ],
)
def test_refuses_what_the_reader_refuses(text: str) -> None:
    assert complaints(text)
    with pytest.raises(ProfileError):
        parse_profile(text)


def test_names_every_key_with_its_sentence() -> None:
    tables = profile_schema()["properties"]
    for field in dataclasses.fields(Profile):
        if dataclasses.is_dataclass(field.default) and not isinstance(field.default, type):
            table = tables[field.name]
            assert table["additionalProperties"] is False
            for inner in dataclasses.fields(field.default):
                key = key_of(inner)
                assert key in table["properties"], key
                if key != "losses":
                    assert table["properties"][key]["description"] == inner.metadata["setting"].doc


def test_names_every_loss_model_and_fault() -> None:
    losses = profile_schema()["properties"]["radio"]["properties"]["losses"]["items"]["oneOf"]
    assert [model["properties"]["model"]["const"] for model in losses] == list(MODELS)
    faults = scenario_schema()["properties"]["faults"]["items"]["oneOf"]
    assert [fault["properties"]["fault"]["const"] for fault in faults] == list(FAULTS)


def test_names_what_a_handset_under_test_needs() -> None:
    handset = profile_schema()["properties"]["handset"]["properties"]
    assert handset["turn"]["default"] == "400 us"
    assert handset["sends_from"]["enum"] == ["main loop", "timer"]
    assert handset["at_power_on"]["default"] == "waits for low throttle"
    bounces = Draft202012Validator(scenario_schema())
    told = '[[faults]]\nfault = "switch bounces"\nat = "1 s"\n'
    assert not complaints(f'{told}channel = "arm"\nbounce = "4 ms"\n', bounces)
    assert complaints(told, bounces)
    assert not complaints('handset_clock = "4294 s"\n', bounces)


def test_defaults_are_written_with_their_unit() -> None:
    receiver = profile_schema()["properties"]["receiver"]["properties"]
    assert receiver["timeout"]["default"] == "500 ms"
    assert receiver["low"]["default"] == "1000 us"


@pytest.mark.parametrize("sign", ["u", "µ", "μ"], ids=["u", "micro sign", "Greek mu"])
def test_takes_every_sign_for_micro(sign: str) -> None:
    text = f'[receiver]\nlow = "1000 {sign}s"\nboot = "900 {sign}s"'
    assert parse_profile(text).receiver.boot_us == 900
    assert not complaints(text)


def keywords(schema: Any) -> set[str]:
    """Return the keywords of a schema, not the keys of the files that it is about."""
    if isinstance(schema, list):
        return set().union(*map(keywords, schema))
    if not isinstance(schema, dict):
        return set()
    properties = schema.get("properties", {})
    rest = {word: value for word, value in schema.items() if word not in ("properties", "default", "examples")}
    return set(schema).union(*map(keywords, (*properties.values(), *rest.values())))


@pytest.mark.parametrize("schema", [profile_schema(), scenario_schema()])
def test_keeps_to_keywords_that_every_editor_knows(schema: dict[str, Any]) -> None:
    assert keywords(schema) <= {
        "$schema", "title", "description", "type", "properties", "additionalProperties", "required", "items", "oneOf",
        "enum", "const", "pattern", "minimum", "maximum", "minItems", "minLength", "default", "examples",
    }  # fmt: skip

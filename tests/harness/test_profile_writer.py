"""What is written reads back: any text, every loss model, the shipped links; and the commented profile is true.

`test_profile_files` holds the plain round trips; here are those that draw values, and what a reader of the
written files relies on.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink.profiles import (
    commented_profile,
    parse_profile,
    parse_scenario,
    profile_digest,
    read_profile,
    write_profile,
    write_scenario,
)
from lostlink.profiles.quantities import WHOLE
from lostlink.profiles.rules import longest_frame_us
from lostlink_sims import Channel, Profile, Scenario, simulate
from lostlink_sims._settings import Setting, declaration
from lostlink_sims.air.loss import MODELS, LossModel, Recorded
from lostlink_sims.scenario import ForeignHandset, LinkCut

FIXTURES = Path(__file__).parents[2] / "fixtures" / "profiles"
SHIPPED = sorted(FIXTURES.glob("*.toml"))


def with_losses(*models: LossModel) -> Profile:
    return dataclasses.replace(Profile(), radio=dataclasses.replace(Profile().radio, losses=models))


# --- there and back -----------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=50)
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(str.isprintable))
def test_any_name_survives(name: str) -> None:
    profile = dataclasses.replace(Profile(), name=name)
    assert parse_profile(write_profile(profile)) == profile
    assert parse_profile(commented_profile(name)).name == name


def values(setting: Setting) -> st.SearchStrategy[Any]:
    """Return values that a setting takes."""
    if setting.choices:
        return st.sampled_from(setting.choices)
    least = 0.0 if setting.least is None else setting.least
    most = 1e9 if setting.most is None else setting.most
    if setting.kind in WHOLE:
        return st.integers(int(least), int(most))
    return st.floats(least, most)


@st.composite
def loss_models(draw: st.DrawFn) -> LossModel:
    kind = draw(st.sampled_from([kind for kind in MODELS.values() if kind is not Recorded]))
    fields = [field for field in dataclasses.fields(kind) if "setting" in field.metadata]  # type: ignore[arg-type]
    return kind(**{field.name: draw(values(declaration(field))) for field in fields})


@settings(deadline=None, max_examples=60)
@given(st.lists(loss_models(), max_size=4))
def test_any_losses_survive(models: list[LossModel]) -> None:
    profile = with_losses(*models)
    assert parse_profile(write_profile(profile)) == profile


def test_what_may_be_missing_survives() -> None:
    plain = Profile()
    profile = dataclasses.replace(
        plain,
        channels=(Channel(name="throttle", failsafe_us=1000, centre_error=-0.015),),
        handset=dataclasses.replace(plain.handset, link_id=None),
        flight_controller=dataclasses.replace(plain.flight_controller, arm_channel=None),
        requirements=dataclasses.replace(plain.requirements, waived=("FS-STALE", "FS-FOREIGN")),
    )
    text = write_profile(profile)
    assert "link_id" not in text
    assert 'arm_channel = "none"' in text
    assert parse_profile(text) == profile


def test_scenario_says_what_differs_and_seed_and_duration() -> None:
    assert write_scenario(Scenario()) == (
        '# Complete with the last line: # end of file\nseed = 1\nduration = "2 s"\n\n# end of file\n'
    )
    scenario = Scenario(
        name="two", ambient=False, faults=(LinkCut(at_us=1_000), ForeignHandset(at_us=5, payload_bytes=8))
    )
    text = write_scenario(scenario)
    assert text == (
        '# Complete with the last line: # end of file\nname = "two"\nseed = 1\nduration = "2 s"\nambient = false\n\n'
        '[[faults]]\nfault = "link cut"\nat = "1 ms"\n\n'
        '[[faults]]\nfault = "foreign handset"\nat = "5 us"\npayload_bytes = 8\n\n# end of file\n'
    )
    assert parse_scenario(text, Profile()) == scenario


# --- the digest ---------------------------------------------------------------------------------------------------


def other(field: dataclasses.Field[Any], value: Any) -> Any:
    if isinstance(value, bool):
        return not value
    if declaration(field).choices:
        return next(choice for choice in declaration(field).choices if choice != value)
    if isinstance(value, tuple):
        return (*value, "X-Y")
    if value is None or declaration(field).kind == "count":
        return (value or 0) + 1
    return f"{value} " if isinstance(value, str) else value + 1


@pytest.mark.parametrize(
    "part", [field.name for field in dataclasses.fields(Profile) if field.name not in ("name", "channels")]
)
def test_digest_depends_on_every_value(part: str) -> None:
    settings_of = getattr(Profile(), part)
    seen = {profile_digest(Profile())}
    fields = [field for field in dataclasses.fields(settings_of) if declaration(field).kind != "table"]
    for field in fields:
        changed = dataclasses.replace(settings_of, **{field.name: other(field, getattr(settings_of, field.name))})
        seen.add(profile_digest(dataclasses.replace(Profile(), **{part: changed})))
    assert len(seen) == len(fields) + 1


def test_digest_tells_models_apart_that_hold_the_same_values() -> None:
    kinds = dataclasses.make_dataclass("Bernoulli", [("probability", float)], frozen=True, namespace={"model": "a"})
    twins = dataclasses.make_dataclass("Bernoulli", [("probability", float)], frozen=True, namespace={"model": "b"})
    assert profile_digest(with_losses(kinds(0.5))) != profile_digest(with_losses(twins(0.5)))


# --- what lostlink new writes -------------------------------------------------------------------------------------

FACTS: list[dict[str, int]] = [
    {},
    {"packet_interval_us": 20_000},
    {"packet_interval_us": 250_000},
    {"timeout_us": 150_000},
    {"timeout_us": 3_000_000, "frame_period_us": 30_000},
    {"packet_interval_us": 50_000, "timeout_us": 200_000, "frame_period_us": 40_000},
]


@pytest.mark.parametrize("facts", FACTS, ids=str)
def test_commented_profile_sets_limits_that_can_be_met(facts: dict[str, int]) -> None:
    profile = parse_profile(commented_profile(**facts))  # type: ignore[arg-type]
    limits, receiver = profile.requirements, profile.receiver
    frame_us, interval_us = longest_frame_us(profile), profile.handset.packet_interval_us
    assert limits.cut_within_us >= profile.cut_delay_us + frame_us + 10_000
    assert limits.motor_cut_within_us >= limits.cut_within_us + frame_us
    assert limits.recovery_within_us >= receiver.recovery_us + receiver.recovery_packets * interval_us + 4 * frame_us
    # An interval until the packet leaves, a frame until it is latched, a frame until its pulse has ended.
    assert limits.latency_p99_us >= interval_us + 2 * frame_us
    assert profile.flight_controller.signal_timeout_us > 2 * frame_us


def test_a_fact_of_nothing_is_refused_and_not_forgotten() -> None:
    with pytest.raises(ValueError, match="timeout_us: 0 is too small"):
        commented_profile(timeout_us=0)


def test_commented_profile_without_facts_is_the_plain_link_with_protected_packets() -> None:
    plain = Profile()
    handset = dataclasses.replace(plain.handset, packet_counter=True, link_id=42, check_byte=True)
    assert parse_profile(commented_profile("my link")) == dataclasses.replace(plain, name="my link", handset=handset)


@pytest.mark.parametrize("facts", FACTS, ids=str)
def test_commented_profile_fits_a_screen_and_breaks_no_quoted_word(facts: dict[str, int]) -> None:
    for line in commented_profile(**facts).splitlines():  # type: ignore[arg-type]
        assert len(line) <= 100, line
        assert line == line.rstrip()
        assert line.count('"') % 2 == 0, line
        assert "\N{NO-BREAK SPACE}" not in line


def test_commented_profile_says_what_a_missing_key_stands_for() -> None:
    """Leaving out the counter is not what the file shows, and the file says so."""
    flat = " ".join(commented_profile(timeout_us=250_000).replace("\n#", " ").split())
    assert "Default: false. packet_counter = true" in flat
    assert "Default: none. link_id = 42" in flat
    assert 'Default: "500 ms". timeout = "250 ms"' in flat


def test_commented_profile_names_its_file() -> None:
    assert "lostlink prove pond_yacht.toml\n" in commented_profile("pond yacht")
    assert "lostlink prove boats/a.toml\n" in commented_profile("pond yacht", "boats/a.toml")


# --- the shipped links --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_link_receives_nearly_all(path: Path) -> None:
    profile = read_profile(path)
    lost = [simulate(profile, Scenario(trial=trial, duration_us=30_000_000)).packets.lost for trial in range(4)]
    assert np.concatenate(lost).mean() < 0.05


def test_the_recording_loses_a_little_in_short_bursts() -> None:
    text = (FIXTURES.parent / "losses" / "pond.csv").read_text(encoding="utf-8")
    header, *rows = text.splitlines()
    assert header == "packet,lost"
    assert [row.split(",")[0] for row in rows] == [str(number) for number in range(2000)]
    lost = "".join(row.split(",")[1] for row in rows)
    assert 0.01 < lost.count("1") / len(lost) < 0.03
    assert 1 < max(len(burst) for burst in lost.split("0")) <= 6

"""Packets of up to 32 channels, of which the frame puts out its own choice."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.trials import SIDE_BY_SIDE, TrialRange, engine_for, fly
from lostlink.errors import ProfileError
from lostlink.profiles import read_profile
from lostlink.profiles.header import c_header
from lostlink.profiles.writer import write_profile
from lostlink.requirements import of_sides
from lostlink.rigs.sim import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome, Side
from lostlink_sims import Profile, simulate
from wide_packets import (  # type: ignore[import-not-found]
    CounterInItsPlaceWithoutMore,
    ReadsInOrder,
    SwapsTwoBytes,
    with_wide_packets,
)

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"
LONG = pytest.mark.long


def link(name: str, packet_channels: int = 20) -> Profile:
    made: Profile = with_wide_packets(read_profile(PROFILES / f"{name}.toml"), packet_channels)
    return made


@pytest.mark.parametrize(
    "name", ["heron", *(pytest.param(name, marks=LONG) for name in ("bittern", "lapwing", "wren"))]
)
def test_the_reference_receiver_meets_everything(name: str, long: bool) -> None:
    """One in eight varied flights on one profile; ``--long``: all, on four."""
    profile = link(name)
    rig = SimRig(profile)
    rig.varied_stride = 1 if long else 8
    result = run_suite(profile, rig)
    bad = [(v.requirement.id, v.outcome.value, v.reason) for v in result.verdicts if v.outcome is not Outcome.MET]
    assert bad == []
    assert len(result.verdicts) == len(of_sides(Side.RECEIVER))


@pytest.mark.parametrize(
    ("receiver", "requirement"),
    [(ReadsInOrder, "CH-VALUE"), (SwapsTwoBytes, "CH-ORDER"), (CounterInItsPlaceWithoutMore, "LK-CONTROL")],
)
def test_a_receiver_that_reads_wrong_bytes_is_found(receiver: type, requirement: str) -> None:
    profile = link("heron")
    result = run_suite(profile, SimRig(profile, receiver), only=[requirement])
    assert requirement in {verdict.requirement.id for verdict in result.with_outcome(Outcome.NOT_MET)}


def test_what_is_on_the_air() -> None:
    """The channels are at their bytes, link id and counter follow the last one, and the others always change."""
    profile, plain = link("heron"), read_profile(PROFILES / "heron.toml")
    flight = next(ScenarioBuilder(plain, 1, "wide").flights(1)).into()
    wide, narrow = (simulate(one, flight).packets.payload for one in (profile, plain))
    assert wide.shape[1] == profile.payload_bytes == plain.payload_bytes + 14
    shared = min(len(wide), len(narrow))
    assert np.array_equal(wide[:shared, list(profile.packet_bytes)], narrow[:shared, :6])
    assert set(wide[:, 20].tolist()) == {profile.handset.link_id}
    assert np.array_equal(np.diff(wide[:, 21].astype(np.uint8)), np.ones(len(wide) - 1, np.uint8))
    assert (np.diff(wide[:, :14].astype(np.int64), axis=0) != 0).all()


def test_many_trials_agree_with_the_event_simulation(tmp_path: Path) -> None:
    lot = flight_trials(link("wren"), seed=4)
    own = tmp_path / "own.py"
    own.write_text(
        "from lostlink_sims import ReferenceReceiver\nclass Own(ReferenceReceiver): pass\n", encoding="utf-8"
    )
    assert engine_for(lot, None)[0] == SIDE_BY_SIDE
    side, single = (fly(TrialRange(lot, receiver, 3, 12)).as_dict() for receiver in (None, f"{own}:Own"))
    assert side == single


def test_profile_and_header(tmp_path: Path) -> None:
    """Written and read again; 29 channels, link id, counter and check byte fill the 32 bytes of a packet."""
    profile = link("heron", 29)
    assert profile.payload_bytes == 32
    path = tmp_path / "wide.toml"
    path.write_text(write_profile(profile), encoding="utf-8")
    assert read_profile(path) == profile
    header = c_header(profile)
    assert "#define LINK_CHANNEL_AT {28, 27, 26, 25, 24, 23}" in header
    assert "#define LINK_ID_AT 29" in header
    assert "#define LINK_COUNTER_AT 30" in header


@pytest.mark.parametrize(
    ("packet_channels", "bytes_at", "part"),
    [
        (8, (0, 1, 2, 3, 4, 8), "byte 8 is not among the 8 channels of a packet"),
        (8, (0, 1, 2, 3, 4, 4), "byte 4 is another channel's too; give each channel its own"),
        (4, (0, 1, 2, 3, 4, 5), "byte 4 is not among the 4 channels of a packet"),
        (30, (0, 1, 2, 3, 4, 5), "is too long; allowed: 32 bytes"),
    ],
)
def test_bytes_that_cannot_be(packet_channels: int, bytes_at: tuple[int, ...], part: str, tmp_path: Path) -> None:
    plain = link("heron")
    channels = tuple(
        dataclasses.replace(channel, packet_byte=byte) for channel, byte in zip(plain.channels, bytes_at, strict=True)
    )
    handset = dataclasses.replace(plain.handset, packet_channels=packet_channels)
    path = tmp_path / "wrong.toml"
    path.write_text(write_profile(dataclasses.replace(plain, handset=handset, channels=channels)), encoding="utf-8")
    with pytest.raises(ProfileError, match=part):
        read_profile(path)

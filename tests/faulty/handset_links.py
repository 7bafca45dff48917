"""Links for handsets: those of receivers, and others that differ in the handset itself."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

import links  # type: ignore[import-not-found]
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims.profile import Channel
from lostlink_sims.scenario import (
    AnyFault,
    BatteryFalls,
    HandsetHung,
    HandsetLoopHung,
    HandsetOff,
    HandsetRadioBusy,
    HandsetRadioDead,
    HandsetRadioForgets,
    HandsetReset,
    StickWireBroken,
    SwitchBounces,
)

_FULL: Final = {"packet_counter": True, "link_id": 42, "check_byte": True}
_THROTTLE: Final = Channel(name="throttle", failsafe_us=1000)
_ARM: Final = Channel(name="switch 1", kind="two-position switch", failsafe_us=1000)
_MARGINS: Final[dict[str, Any]] = {"travel_low": 0.04, "travel_high": 0.96}
_WITH_MARGINS: Final = (
    Channel(name="roll", **_MARGINS), Channel(name="pitch", centre_error=0.02, **_MARGINS),
    Channel(name="throttle", failsafe_us=1000, **_MARGINS), Channel(name="yaw", reversed=True, **_MARGINS),
    _ARM, Channel(name="switch 2", kind="two-position switch", failsafe_us=1000),
)  # fmt: skip
_MEASURED: Final = (
    Channel(name="roll", travel_low=0.07, travel_high=0.88, centre_error=-0.04),
    Channel(name="throttle", failsafe_us=1000, travel_low=0.95, travel_high=0.06),
    Channel(name="pitch", reversed=True, **_MARGINS), _ARM, Channel(name="yaw", travel_low=0.9, travel_high=0.1),
)  # fmt: skip
_WIRED_DOWN: Final = (
    Channel(name="roll"), Channel(name="throttle", failsafe_us=1000, reversed=True, travel_low=1.0, travel_high=0.0),
    Channel(name="pitch", travel_low=1.0, travel_high=0.0), _ARM,
)  # fmt: skip
_SWITCHES: Final = (
    Channel(name="mode", kind="three-position switch", failsafe_us=1500, packet_byte=3),
    Channel(name="throttle", failsafe_us=1000, packet_byte=7),
    Channel(name="roll", packet_byte=1), Channel(name="switch 1", kind="two-position switch", packet_byte=0),
    Channel(name="rates", kind="three-position switch", reversed=True, packet_byte=9),
    Channel(name="yaw", packet_byte=5),
    Channel(name="beeper", kind="two-position switch", reversed=True, packet_byte=2),
)  # fmt: skip


def _link(
    name: str, channels: tuple[Channel, ...] = Profile().channels, *, battery: Mapping[str, Any] = MappingProxyType({}),
    **handset: Any,
) -> Profile:  # fmt: skip
    plain = Profile()
    return dataclasses.replace(
        plain, name=name, channels=channels, handset=dataclasses.replace(plain.handset, **{**_FULL, **handset}),
        battery=dataclasses.replace(plain.battery, **battery),
    )  # fmt: skip


LINKS: Final[dict[str, Profile]] = {
    **links.LINKS,
    "timer": _link("timer", sends_from="timer"),
    "timer without counter": _link("timer without counter", sends_from="timer", packet_counter=False, jitter_us=200),
    "slow timer with watchdog": _link("slow timer", sends_from="timer", packet_interval_us=22_000, watchdog_us=400_000,
                                      clock_error_ppm=-5_000, mapping="a * 255 // 1023"),
    "margins": _link("margins", _WITH_MARGINS, adc_noise_counts=1, watchdog_us=250_000),
    "margins, fast timer": _link("margins, timer", _WITH_MARGINS, sends_from="timer", packet_interval_us=3_000,
                                 turn_us=900, clock_error_ppm=5_000, mapping="round(a * 255 / 1023)"),
    "switches": _link("switches", _SWITCHES, packet_channels=12, packet_interval_us=9_000, jitter_us=1_500,
                      clock_error_ppm=20_000),
    "at once": _link("at once", at_power_on="sends at once", after_reset="waits for low throttle", link_id=None,
                     turn_us=0, mapping="a * 255 // 1024"),
    "noisy": _link("noisy", adc_noise_counts=3, packet_interval_us=11_000, check_byte=False, turn_us=3_000,
                   mapping="round(a * 255 / 1023)", clock_error_ppm=-20_000),
    "calibrated": _link("calibrated", _MEASURED, mapping="calibrated", adc_noise_counts=1),
    "wired down": _link("wired down", _WIRED_DOWN, mapping="a * 255 // 1023", sends_from="timer"),
    "addressed": _link("addressed", address="d2:4a:91:07:3e", adc_noise_counts=1, watchdog_us=300_000),
    "addressed, timer": _link("addressed, timer", address="07:3e:d2:4a:91", sends_from="timer",
                              packet_interval_us=8_000),
    "battery": _link("battery", _WITH_MARGINS, mapping="calibrated", adc_noise_counts=1,
                     battery={"input_range_mv": 6_600, "reference": "fixed"}),
    "battery, ratiometric": _link("battery, ratiometric", battery={
        "input_range_mv": 10_000, "full_mv": 8_400, "warn_mv": 7_200, "lowest_mv": 6_600,
    }),
    "slow boot": _link("slow boot", boot_us=700_000, packet_interval_us=7_000, turn_us=1_500),
}  # fmt: skip


def trouble(profile: Profile, rng: random.Random, end_us: int) -> Scenario:
    """Return a run in which all controls move, with faults of the handset, and often a counter that wraps."""
    sticks = [one.name for one in profile.channels if one.kind == "stick"]
    switches = [one.name for one in profile.channels if one.kind != "stick"]
    kinds: list[Callable[[int, int], AnyFault]] = [
        lambda at, length: HandsetOff(at_us=at, for_us=length),
        lambda at, length: HandsetReset(at_us=at),
        lambda at, length: HandsetHung(at_us=at, for_us=length),
        lambda at, length: HandsetLoopHung(at_us=at, for_us=length),
        lambda at, length: HandsetRadioBusy(at_us=at, for_us=length),
        lambda at, length: HandsetRadioDead(at_us=at, for_us=length),
        lambda at, length: HandsetRadioForgets(at_us=at),
        lambda at, length: StickWireBroken(
            at_us=at, for_us=length, channel=rng.choice(sticks), rail=rng.choice(("low", "high", "floats"))
        ),
    ]
    if profile.battery.input_range_mv is not None:
        kinds.append(lambda at, length: BatteryFalls(at_us=at, to_mv=rng.randrange(3_000, 4_200), ramp_us=length))
    faults = [rng.choice(kinds)(rng.randrange(end_us), rng.choice((2_000, 30_000, 600_000))) for _ in range(4)]
    faults += [SwitchBounces(at_us=0, channel=name, bounce_us=rng.randrange(1, 12_000)) for name in switches]
    moves = [
        Move(
            at_us=rng.randrange(end_us), channel=rng.choice([*sticks, *switches]),
            position=rng.choice((0.0, 1.0, 0.3)), ramp_us=rng.choice((0, 0, 200_000)),
        )
        for _ in range(20)
    ]  # fmt: skip
    clock_us = rng.choice((0, 2**32 - rng.randrange(1, end_us)))
    return Scenario(
        duration_us=end_us, seed=rng.randrange(1 << 30), moves=tuple(sorted(moves, key=lambda move: move.at_us)),
        faults=tuple(faults), ambient=True, handset_clock_us=clock_us,
    )  # fmt: skip

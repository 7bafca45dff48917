"""Links of widely different kinds, for receivers that are sound on all of them."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any, Final

from lostlink.profiles import read_link
from lostlink_sims import Profile
from lostlink_sims.air.loss import Bernoulli
from lostlink_sims.profile import Channel

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"

_FULL: Final = {"packet_counter": True, "link_id": 42, "check_byte": True}
_PLAIN: Final[dict[str, dict[str, Any]]] = {
    "handset": _FULL,
    "requirements": {"value_tolerance_us": 3, "latency_p99_us": 90_000, "recovery_within_us": 900_000},
}
_ARM: Final = Channel(name="switch 1", kind="two-position switch", failsafe_us=1000)
_THROTTLE: Final = Channel(name="throttle", failsafe_us=1000)


def _link(name: str, channels: tuple[Channel, ...] | None = None, **tables: dict[str, Any]) -> Profile:
    """Return a plain link with other values in some tables."""
    plain = Profile()
    changed: dict[str, Any] = {"name": name}
    for table in {*_PLAIN, *tables}:
        values = {**_PLAIN.get(table, {}), **tables.get(table, {})}
        changed[table] = dataclasses.replace(getattr(plain, table), **values)
    if channels is not None:
        changed["channels"] = channels
    return dataclasses.replace(plain, **changed)


def _sticks(count: int) -> tuple[Channel, ...]:
    return tuple(Channel(name=f"stick {number}", failsafe_us=1500) for number in range(count))


LINKS: Final[dict[str, Profile]] = {
    **{name: read_link(PROFILES / f"{name}.toml") for name in ("bittern", "heron", "lapwing", "plover", "wren")},
    "fast": _link(
        "fast", (*_sticks(2), _THROTTLE, _ARM),
        handset={**_FULL, "packet_interval_us": 2_000}, radio={"bit_rate_bit_s": 2_000_000},
        receiver={"timeout_us": 100_000, "recovery_us": 30_000},
        output={"frame_period_us": 12_000, "channels": 4},
        flight_controller={"signal_timeout_us": 40_000},
        requirements={"cut_within_us": 150_000, "motor_cut_within_us": 165_000, "latency_p99_us": 60_000,
                      "recoveries_per_second": 8.0, "value_tolerance_us": 3, "recovery_within_us": 500_000},
    ),
    "slow": _link(
        "slow", handset={**_FULL, "packet_interval_us": 50_000},
        receiver={"timeout_us": 1_500_000, "recovery_packets": 2},
        output={"frame_period_us": 40_000},
        requirements={"cut_within_us": 1_700_000, "motor_cut_within_us": 1_750_000, "latency_p99_us": 400_000,
                      "value_tolerance_us": 3, "recovery_within_us": 2_500_000},
    ),
    "many channels, fixed gap": _link(
        "many", (*_sticks(3), _THROTTLE, *(Channel(name=f"aux {n}", failsafe_us=1200) for n in range(9)), _ARM),
        output={"style": "fixed gap", "frame_gap_us": 6_000, "channels": 16, "unused_us": 1500},
        requirements={"cut_within_us": 620_000, "motor_cut_within_us": 650_000, "latency_p99_us": 110_000,
                      "value_tolerance_us": 3},
    ),
    "one channel": _link(
        "one", (_THROTTLE,), output={"channels": 1, "frame_period_us": 8_000},
        flight_controller={"arm_channel": None, "signal_timeout_us": 50_000},
        receiver={"recover_on_low_throttle": True},
    ),
    "bare": _link(
        "bare", handset={"packet_counter": False, "link_id": None, "check_byte": False},
        requirements={"waived": ("FS-STALE", "FS-FOREIGN", "FS-INTRUDER"), "value_tolerance_us": 3},
    ),
    "resonators": _link(
        "resonators", handset={**_FULL, "clock_error_ppm": -5_000}, receiver={"clock_error_ppm": 5_000},
        requirements={"value_tolerance_us": 14, "centre_within_us": 22, "ends_within_us": 18, "latency_p99_us": 90_000,
                      "frame_period_tolerance_us": 250, "recovery_within_us": 900_000},
    ),
    "slow clock": _link(
        "slow clock", handset={**_FULL, "clock_error_ppm": 5_000}, receiver={"clock_error_ppm": -5_000},
        requirements={"value_tolerance_us": 14, "centre_within_us": 22, "ends_within_us": 18, "latency_p99_us": 90_000,
                      "frame_period_tolerance_us": 250, "recovery_within_us": 900_000},
    ),
    "acknowledged": _link(
        "acknowledged", handset={**_FULL, "packet_interval_us": 12_000, "jitter_us": 500},
        radio={"acknowledge": True, "retries": 4, "retry_delay_us": 1_500, "latency_jitter_us": 300,
               "losses": (Bernoulli(probability=0.1),)},
    ),
    "tight": _link(
        "tight", requirements={"cut_within_us": 527_500, "motor_cut_within_us": 600_000, "latency_p99_us": 55_000,
                               "value_tolerance_us": 1, "recovery_within_us": 250_000},
    ),
    "loose": _link(
        "loose", requirements={"cut_within_us": 900_000, "motor_cut_within_us": 1_000_000, "latency_p99_us": 200_000,
                               "value_tolerance_us": 12, "recovery_within_us": 2_000_000, "centre_within_us": 30,
                               "ends_within_us": 20},
    ),
    "long timeout and hold": _link(
        "long", receiver={"timeout_us": 4_000_000, "hold_us": 1_000_000, "recovery_us": 500_000},
        requirements={"cut_within_us": 5_200_000, "motor_cut_within_us": 5_250_000, "latency_p99_us": 90_000,
                      "value_tolerance_us": 3, "recovery_within_us": 1_500_000},
    ),
    "short timeout": _link(
        "short", handset={**_FULL, "packet_interval_us": 10_000},
        receiver={"timeout_us": 40_000, "recovery_packets": 2, "recovery_us": 200_000},
        flight_controller={"signal_timeout_us": 60_000},
        requirements={"cut_within_us": 110_000, "motor_cut_within_us": 130_000, "latency_p99_us": 110_000,
                      "recoveries_per_second": 6.0, "value_tolerance_us": 3, "recovery_within_us": 900_000},
    ),
    "at the first packet": _link(
        "first", receiver={"recovery_packets": 1, "recovery_us": 0},
        requirements={"recoveries_per_second": 5.0, "value_tolerance_us": 3, "latency_p99_us": 90_000},
    ),
    "low throttle": _link(
        "low", receiver={"recover_on_low_throttle": True, "recovery_packets": 6, "watchdog_us": 200_000},
        flight_controller={"arm_channel": None},
    ),
    "jitter and loss": _link(
        "lossy", handset={**_FULL, "packet_interval_us": 9_000, "jitter_us": 4_000, "adc_noise_counts": 1},
        radio={"losses": (Bernoulli(probability=0.25),), "latency_jitter_us": 1_000},
        requirements={"value_tolerance_us": 6, "latency_p99_us": 150_000, "recovery_within_us": 1_500_000},
    ),
    "reversed": _link(
        "reversed",
        (Channel(name="throttle", failsafe_us=950), _ARM, Channel(name="roll", reversed=True),
         Channel(name="mode", kind="three-position switch", failsafe_us=1500), Channel(name="yaw", failsafe_us=1300)),
        handset={**_FULL, "mapping": "round(a * 255 / 1023)"},
        receiver={"mapping": "centred", "low_us": 988, "high_us": 2012},
        output={"channels": 5, "frame_period_us": 20_000, "polarity": "negative"},
    ),
}  # fmt: skip
"""The five links of the fixtures, and others at the ends of what a profile may ask for."""

"""What varies from flight to flight of a receiver or a link, as data: see `lostlink.varied.covering`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from lostlink.scenarios import ScenarioBuilder
from lostlink.varied.covering import Dimension, Row, Value, Variety, any_of
from lostlink_sims import Profile
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES


def switches(profile: Profile) -> list[int]:
    """Return the indices of the switches that do not arm."""
    return [
        index for index, channel in enumerate(profile.channels)
        if channel.kind != "stick" and index not in (profile.arm_index, profile.throttle_index)
    ]  # fmt: skip


def yaw(profile: Profile) -> int | None:
    """Return the index of the last stick that is not the throttle, by convention yaw."""
    sticks = [i for i, channel in enumerate(profile.channels) if channel.kind == "stick"]
    return next((i for i in reversed(sticks) if i != profile.throttle_index), None)


def _no_gap(profile: Profile) -> tuple[str, ...]:
    return () if ScenarioBuilder(profile, 1, "").safe_gap_us else ("short gaps", "isolated packets")


def _no_counter(profile: Profile) -> tuple[str, ...]:
    return () if profile.handset.packet_counter else ("hangs and goes on",)


def _no_strays(profile: Profile) -> tuple[str, ...]:
    strays = tuple(value for value in DIMENSIONS_BY_NAME["length"].values if "stray" in value)
    return () if profile.receiver.recovery_packets > 1 else strays


def _longest(profile: Profile) -> tuple[str, ...]:
    return () if profile.payload_bytes < PAYLOAD_LIMIT_BYTES else ("a longer packet late while away",)


DIMENSIONS: Final = (
    Dimension("throttle at the loss", ("full", "idle", "just above idle", "a fifth", "half", "moving")),
    Dimension("other sticks", ("anywhere", "one at an end", "low ends", "high ends", "centred", "moving")),
    Dimension("switches", ("on", "off", "flipped in flight", "flipped while away"), lambda p: bool(switches(p))),
    Dimension(
        "gesture", ("none", "yaw right before flight", "yaw left before flight", "yaw right in flight"),
        lambda p: yaw(p) is not None,
    ),
    Dimension("age of the flight", ("fresh",), long=("past 2^16 packets", "36 min", "72 min")),
    Dimension("before the first packet", ("nothing", "5 s of silence", "30 s of silence", "sticks off centre")),
    Dimension(
        "quality before", ("clean", "a quarter lost", "most lost", "short gaps", "isolated packets"), absent=_no_gap
    ),
    Dimension(
        "earlier losses",
        ("none", "one of 3 s", "three with motors stopped", "three just longer than the timeout",
         "four of 3 s six seconds apart", "twenty-one in quick succession"),
    ),
    Dimension(
        "receiver",
        ("undisturbed", "reset in flight", "reset while away", "reset at the return", "brown-out in flight",
         "brown-out while away", "hangs in flight", "hangs while away"),
    ),
    Dimension("right before the loss", ("clean", "most lost", "isolated packets"), absent=_no_gap),
    Dimension("handset", ("undisturbed", "hangs and goes on", "off and on"), absent=_no_counter),
    Dimension(
        "cause", ("link cut", "handset off", "wrong address", "interference", "handset hangs"),
        absent=lambda p: () if p.handset.packet_counter else ("handset hangs",),
    ),
    Dimension(
        "length",
        ("long", "3 s", "motors stopped", "just longer than the timeout", "long with a stray packet",
         "long with nearly enough stray packets in a row", "long with nearly enough stray packets spread out"),
        absent=_no_strays, long=("11 min", "25 min", "36 min", "72 min"),
    ),
    Dimension(
        "foreign handset",
        ("none", "one bit of the id", "another bit late while away", "another length",
         "a longer packet late while away", "at the return"),
        lambda p: p.handset.link_id is not None, _longest,
    ),
    Dimension("throttle at the return", ("idle", "just below idle", "just above idle", "as at the loss")),
    Dimension("after the return", ("1 s", "every stick moves", "12 s")),
)  # fmt: skip
"""What varies; hazards of the trade, common practice, no source. Any value of one goes with any value of another."""
THROTTLE: Final = (
    "throttle at the loss", "earlier losses", "right before the loss", "cause", "length", "throttle at the return",
)  # fmt: skip
"""The dimensions that decide when the throttle is cut and how long it stays so."""
DIMENSIONS_BY_NAME: Final = {dimension.name: dimension for dimension in DIMENSIONS}

LONG_FLIGHTS: Final[tuple[Row, ...]] = (
    {"age of the flight": "past 2^16 packets", "throttle at the return": "as at the loss"},
    {"age of the flight": "36 min", "other sticks": "moving"},
    {"age of the flight": "72 min", "throttle at the loss": "moving", "cause": "handset off"},
    {"length": "11 min", "throttle at the return": "as at the loss", "after the return": "every stick moves"},
    {"length": "25 min", "cause": "interference", "throttle at the return": "as at the loss"},
    {"length": "36 min", "earlier losses": "three with motors stopped", "throttle at the return": "as at the loss"},
    {"length": "72 min", "throttle at the return": "as at the loss", "after the return": "12 s"},
)
"""Flights past the ends of common counters: 16 bits of packets, 2^31 and 2^32 us, 16 bits of frames and of 10 ms."""

_LOST_BEFORE: Final = any_of(
    "earlier losses", "one of 3 s", "three with motors stopped", "three just longer than the timeout",
    "four of 3 s six seconds apart", "twenty-one in quick succession",
)  # fmt: skip
_FOREIGN: Final = any_of(
    "foreign handset", "one bit of the id", "another bit late while away", "another length",
    "a longer packet late while away", "at the return",
)  # fmt: skip

CONCERNS: Final[Mapping[str, tuple[Value, ...]]] = {
    **dict.fromkeys(
        ("FS-CUT", "FS-MOTOR", "FS-VALUE", "FS-RISE", "FS-STAY", "FS-PRESET", "FS-SAYS", "FS-VARIED", "LK-CONTROL",
         "RC-TIME", "CH-VALUE", "CH-ORDER", "CH-SENSE", "FR-PERIOD", "FR-COUNT", "FR-TORN", "LT-STICK"), (),
    ),
    "FS-AGAIN": _LOST_BEFORE,
    "FS-LONG": any_of("age of the flight", "past 2^16 packets", "36 min", "72 min"),
    "FS-OFF": (("cause", "handset off"), ("handset", "off and on")),
    "FS-FADE": any_of("right before the loss", "most lost", "isolated packets"),
    "FS-JAM": (("cause", "interference"),),
    "FS-ADDRESS": (("cause", "wrong address"),),
    "FS-FOREIGN": _FOREIGN,
    "FS-INTRUDER": (("foreign handset", "at the return"),),
    "FS-STALE": (("handset", "hangs and goes on"), ("cause", "handset hangs")),
    "FS-HANG": any_of("receiver", "hangs in flight", "hangs while away"),
    "PW-IDLE": any_of("before the first packet", "5 s of silence", "30 s of silence"),
    "PW-RESET": any_of("receiver", "reset in flight", "reset while away", "reset at the return"),
    "PW-BROWNOUT": any_of("receiver", "brown-out in flight", "brown-out while away"),
    "RC-LIVE": any_of("throttle at the return", "just above idle", "as at the loss"),
    "RC-GLITCH": any_of("throttle at the return", "idle", "just below idle"),
    "RC-REARM": _LOST_BEFORE,
    "RC-STRAY": any_of(
        "length", "long with a stray packet", "long with nearly enough stray packets in a row",
        "long with nearly enough stray packets spread out",
    ),
    "LK-FALSE": (*any_of("quality before", "a quarter lost", "most lost"), ("right before the loss", "most lost")),
    "LK-GAP": (
        *any_of("quality before", "short gaps", "isolated packets"), ("right before the loss", "isolated packets")
    ),
}  # fmt: skip
"""As in `Variety`."""

LINK: Final = Variety(DIMENSIONS, THROTTLE, CONCERNS, LONG_FLIGHTS)
"""The flights of a link, looked at for its receiver."""

"""What varies from flight to flight, as data, and the rows of a covering array over it.

Studies of real failures find that nearly all need the interaction of few parameters, most of them one or two (NIST SP
800-142, Practical Combinatorial Testing). The rows of the array contain every pair of values of any two dimensions,
and every triple of those that decide when the throttle is cut and how long it stays so (`THROTTLE`), or every triple of
all (`Strength`); further rows, drawn at random, fill it up.
"""

from __future__ import annotations

import functools
import itertools
import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import covertable
from covertable.sorters import hash as by_hash

from lostlink.scenarios import ScenarioBuilder
from lostlink_sims import Profile
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES

FLIGHTS: Final = 64
"""Rows of the array at least, random ones included; pairs need about fifty of them."""

Row = Mapping[str, str]
Value = tuple[str, str]
"""The name of a dimension, and a value of it."""


@dataclass(frozen=True, slots=True)
class Strength:
    """How many dimensions have their values combined in every way.

    Attributes
    ----------
    anywhere : int
        Of all dimensions.
    throttle : int
        Of the dimensions named in `THROTTLE`.
    """

    anywhere: int
    throttle: int


PAIRS: Final = Strength(2, 2)
"""Some 60 flights: for a board, on which a flight takes its time."""
USUAL: Final = Strength(2, 3)
"""Some 300 flights."""
TRIPLES: Final = Strength(3, 3)
"""Some 550 flights."""


@dataclass(frozen=True, slots=True)
class Dimension:
    """One thing that varies from flight to flight.

    Attributes
    ----------
    name : str
    values : tuple of str
        The first one is the plain one.
    applies : callable
        ``applies(profile)``: whether the link has it.
    absent : callable
        ``absent(profile)``: values that the link cannot have.
    long : tuple of str
        Further values, which only `LONG_FLIGHTS` have.
    """

    name: str
    values: tuple[str, ...]
    applies: Callable[[Profile], bool] = lambda _: True
    absent: Callable[[Profile], tuple[str, ...]] = lambda _: ()
    long: tuple[str, ...] = ()

    def values_of(self, profile: Profile) -> list[str]:
        """Return the values that a link can have."""
        absent = self.absent(profile)
        return [value for value in self.values if value not in absent]


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


def dimensions_of(profile: Profile) -> dict[str, list[str]]:
    """Return the dimensions that a link has, with their values."""
    return {dimension.name: dimension.values_of(profile) for dimension in DIMENSIONS if dimension.applies(profile)}


def rows(profile: Profile, seed: int, strength: Strength = PAIRS) -> list[Row]:
    """Return at least `FLIGHTS` rows, each a value by the name of each dimension."""
    factors = tuple((name, tuple(values)) for name, values in dimensions_of(profile).items())
    return [dict(row) for row in _rows(factors, seed, strength)]


@functools.lru_cache(maxsize=32)
def _rows(factors: tuple[tuple[str, tuple[str, ...]], ...], seed: int, strength: Strength) -> list[Row]:
    """Return the rows; computing them takes as long as a tenth of the flights."""
    choices = {name: list(values) for name, values in factors}
    inner = [{"fields": [name for name in THROTTLE if name in choices], "strength": strength.throttle}]
    found: list[Row] = list(
        covertable.make(
            choices, strength=strength.anywhere, sorter=by_hash, salt=str(seed),
            sub_models=inner if strength.throttle > strength.anywhere else None,
        )
    )  # fmt: skip
    more = random.Random(f"varied flights {seed}")
    while len(found) < FLIGHTS:
        found.append({name: more.choice(values) for name, values in choices.items()})
    return found


def long_rows(profile: Profile) -> list[Row]:
    """Return the rows of `LONG_FLIGHTS`, with the plain value of every other dimension."""
    plain = {name: values[0] for name, values in dimensions_of(profile).items()}
    return [{**plain, **row} for row in LONG_FLIGHTS]


def combinations_of(row: Row, strength: int) -> Iterator[tuple[Value, ...]]:
    """Yield the combinations of values of `strength` dimensions that a row has, each in the same order everywhere."""
    return itertools.combinations(sorted(row.items()), strength)

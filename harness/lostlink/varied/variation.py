"""Which varied flights concern a requirement, and what they had."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Final

from lostlink.varied.dimensions import DIMENSIONS, PAIRS, THROTTLE, Row, Strength, Value, combinations_of, dimensions_of
from lostlink.verdicts import Variation
from lostlink_sims import Profile


def _any_of(dimension: str, *values: str) -> tuple[Value, ...]:
    return tuple((dimension, value) for value in values)


_LOST_BEFORE: Final = _any_of(
    "earlier losses", "one of 3 s", "three with motors stopped", "three just longer than the timeout",
    "four of 3 s six seconds apart", "twenty-one in quick succession",
)  # fmt: skip
_FOREIGN: Final = _any_of(
    "foreign handset", "one bit of the id", "another bit late while away", "another length",
    "a longer packet late while away", "at the return",
)  # fmt: skip

CONCERNS: Final[Mapping[str, tuple[Value, ...]]] = {
    **dict.fromkeys(
        ("FS-CUT", "FS-MOTOR", "FS-VALUE", "FS-RISE", "FS-STAY", "FS-PRESET", "FS-SAYS", "FS-VARIED", "LK-CONTROL",
         "RC-TIME", "CH-VALUE", "CH-ORDER", "CH-SENSE", "FR-PERIOD", "FR-COUNT", "FR-TORN", "LT-STICK"), (),
    ),
    "FS-AGAIN": _LOST_BEFORE,
    "FS-LONG": _any_of("age of the flight", "past 2^16 packets", "36 min", "72 min"),
    "FS-OFF": (("cause", "handset off"), ("handset", "off and on")),
    "FS-FADE": _any_of("right before the loss", "most lost", "isolated packets"),
    "FS-JAM": (("cause", "interference"),),
    "FS-ADDRESS": (("cause", "wrong address"),),
    "FS-FOREIGN": _FOREIGN,
    "FS-INTRUDER": (("foreign handset", "at the return"),),
    "FS-STALE": (("handset", "hangs and goes on"), ("cause", "handset hangs")),
    "FS-HANG": _any_of("receiver", "hangs in flight", "hangs while away"),
    "PW-IDLE": _any_of("before the first packet", "5 s of silence", "30 s of silence"),
    "PW-RESET": _any_of("receiver", "reset in flight", "reset while away", "reset at the return"),
    "PW-BROWNOUT": _any_of("receiver", "brown-out in flight", "brown-out while away"),
    "RC-LIVE": _any_of("throttle at the return", "just above idle", "as at the loss"),
    "RC-GLITCH": _any_of("throttle at the return", "idle", "just below idle"),
    "RC-REARM": _LOST_BEFORE,
    "RC-STRAY": _any_of(
        "length", "long with a stray packet", "long with nearly enough stray packets in a row",
        "long with nearly enough stray packets spread out",
    ),
    "LK-FALSE": (*_any_of("quality before", "a quarter lost", "most lost"), ("right before the loss", "most lost")),
    "LK-GAP": (
        *_any_of("quality before", "short gaps", "isolated packets"), ("right before the loss", "isolated packets")
    ),
}  # fmt: skip
"""For each requirement that the invariants judge in varied flights, the values of which a flight has one; none: all."""


def concern_text(requirement_id: str) -> str:
    """Return which varied flights concern a requirement, in words; empty if none does."""
    if requirement_id not in CONCERNS:
        return ""
    by_dimension: dict[str, list[str]] = {}
    for name, value in CONCERNS[requirement_id]:
        by_dimension.setdefault(name, []).append(value)
    if not by_dimension:
        return "every varied flight (FS-VARIED)"
    which = "; or ".join(f"{name}: {' / '.join(values)}" for name, values in by_dimension.items())
    return f"varied flights (FS-VARIED) with {which}"


def _concerns(premises: Sequence[Value], row: Row) -> bool:
    return not premises or any(row.get(name) == value for name, value in premises)


@dataclass
class Flown:
    """The varied flights of a run of the suite.

    Attributes
    ----------
    rows : list of dict of str to str
    strength : Strength
        Which combinations are counted.
    left_out : dict of str to int
        Flights that the rig could not fly, by reason.
    """

    rows: list[Row] = field(default_factory=list)
    strength: Strength = PAIRS
    left_out: dict[str, int] = field(default_factory=dict)

    def to_text(self) -> str:
        """Return it as text, for another process."""
        return json.dumps(asdict(self))

    @classmethod
    def from_text(cls, text: str) -> Flown:
        """Return what `to_text` was given."""
        values = json.loads(text)
        return cls(**{**values, "strength": Strength(**values["strength"])})

    def leave_out(self, reason: str) -> None:
        """Count a flight that the rig could not fly."""
        self.left_out[reason] = self.left_out.get(reason, 0) + 1


def variation_of(profile: Profile, requirement_id: str, flown: Flown) -> Variation | None:
    """Return what the flights that concern a requirement had; None if no varied flight concerns it."""
    dimensions = dimensions_of(profile)
    long = {dimension.name: dimension.long for dimension in DIMENSIONS}
    if requirement_id not in CONCERNS:
        return None
    named = CONCERNS[requirement_id]
    premises = [(name, value) for name, value in named if value in (*dimensions.get(name, ()), *long[name])]
    concerned = [row for row in flown.rows if _concerns(premises, row)] if premises or not named else []
    if not concerned and not flown.left_out:
        return None
    values = {
        name: {value: sum(row.get(name) == value for row in concerned) for value in (*each, *long[name])
               if _may_have(premises, [(name, value)])}
        for name, each in dimensions.items()
    }  # fmt: skip
    throttle = {name: values for name, values in dimensions.items() if name in THROTTLE}
    return Variation(
        flights=len(concerned), values=values, left_out=dict(flown.left_out), strength=flown.strength.anywhere,
        combinations_flown=_flown(dimensions, concerned, flown.strength.anywhere),
        combinations=_all(dimensions, premises, flown.strength.anywhere), throttle_strength=flown.strength.throttle,
        throttle_combinations_flown=_flown(throttle, concerned, flown.strength.throttle),
        throttle_combinations=_all(throttle, premises, flown.strength.throttle),
    )  # fmt: skip


def _flown(dimensions: Mapping[str, Sequence[str]], concerned: Sequence[Row], strength: int) -> int:
    """Return how many combinations of values of so many of these dimensions occurred."""
    parts = [{name: value for name, value in row.items() if value in dimensions.get(name, ())} for row in concerned]
    return len({combination for part in parts for combination in combinations_of(part, strength)})


def _may_have(premises: Sequence[Value], values: Sequence[Value]) -> bool:
    """Return whether a flight with one of the premises may have these values too."""
    given = dict(values)
    return not premises or any(given.get(name, value) == value for name, value in premises)


def _all(dimensions: Mapping[str, Sequence[str]], premises: Sequence[Value], strength: int) -> int:
    """Return how many combinations of values can occur in flights with one of the premises."""
    others = {name: [value for value in values if (name, value) not in premises] for name, values in dimensions.items()}
    named = {name for name, _ in premises}
    count = 0
    for names in itertools.combinations(dimensions, strength):
        count += math.prod(len(dimensions[name]) for name in names)
        if named and named.issubset(names):  # then each of them may have none of its values in the premises
            count -= math.prod(len(others[name]) for name in names)
    return count

"""What the varied flights that concern a requirement had."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Final

from lostlink.varied.covering import PAIRS, Row, Strength, Value, Variety, combinations_of
from lostlink.varied.dimensions import LINK
from lostlink.varied.handset_dimensions import HANDSET
from lostlink.verdicts import Variation
from lostlink_sims import Profile

VARIETIES: Final[Mapping[str, Variety]] = {"FS-VARIED": LINK, "HS-VARIED": HANDSET}
"""By the requirement whose test flies them."""


def concerning(requirement_id: str) -> tuple[str, Variety] | None:
    """Return the variety whose flights concern a requirement, after the requirement whose test flies them."""
    found = ((name, variety) for name, variety in VARIETIES.items() if requirement_id in variety.concerns)
    return next(found, None)


def concern_text(requirement_id: str) -> str:
    """Return which varied flights concern a requirement, in words; empty if none does."""
    if (found := concerning(requirement_id)) is None:
        return ""
    name, variety = found
    by_dimension: dict[str, list[str]] = {}
    for dimension, value in variety.concerns[requirement_id]:
        by_dimension.setdefault(dimension, []).append(value)
    if not by_dimension:
        return f"every varied flight ({name})"
    which = "; or ".join(f"{dimension}: {' / '.join(values)}" for dimension, values in by_dimension.items())
    return f"varied flights ({name}) with {which}"


def _concerns(premises: Sequence[Value], row: Row) -> bool:
    return not premises or any(row.get(name) == value for name, value in premises)


@dataclass
class Flown:
    """The varied flights of a run of the suite.

    Attributes
    ----------
    name : str
        The requirement whose test flew them, a key of `VARIETIES`.
    rows : list of dict of str to str
    strength : Strength
        Which combinations are counted.
    left_out : dict of str to int
        Flights that the rig could not fly, by reason.
    """

    name: str = "FS-VARIED"
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
    if (found := concerning(requirement_id)) is None or found[0] != flown.name:
        return None
    variety = found[1]
    dimensions, named = variety.of(profile), variety.concerns[requirement_id]
    long = {dimension.name: dimension.long for dimension in variety.dimensions}
    premises = [(name, value) for name, value in named if value in (*dimensions.get(name, ()), *long[name])]
    concerned = [row for row in flown.rows if _concerns(premises, row)] if premises or not named else []
    if not concerned and not flown.left_out:
        return None
    values = {
        name: {value: sum(row.get(name) == value for row in concerned) for value in (*each, *long[name])
               if _may_have(premises, [(name, value)])}
        for name, each in dimensions.items()
    }  # fmt: skip
    decisive = {name: values for name, values in dimensions.items() if name in variety.decisive}
    return Variation(
        flights=len(concerned), values=values, left_out=dict(flown.left_out), strength=flown.strength.anywhere,
        combinations_flown=_flown(dimensions, concerned, flown.strength.anywhere),
        combinations=_all(dimensions, premises, flown.strength.anywhere), throttle_strength=flown.strength.decisive,
        throttle_combinations_flown=_flown(decisive, concerned, flown.strength.decisive),
        throttle_combinations=_all(decisive, premises, flown.strength.decisive),
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

"""A handset on a bench: what its inputs show, instant by instant, and the packets that it has sent."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from lostlink_sims.controls import CONTACT_US, Controls
from lostlink_sims.handset import Slots
from lostlink_sims.handset_board import slots_of
from lostlink_sims.handset_radio import Packet
from lostlink_sims.profile import Profile
from lostlink_sims.scenario import Scenario
from lostlink_sims.streams import Streams

STEP_US: Final = 2_000
"""Readings of a stick on its way, and noise, change so often."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """What ADC and switches show from an instant on.

    Attributes
    ----------
    at_us : int
    readings : tuple of int
        One for each stick, 0 .. 1023.
    switches : tuple of int
        One for each switch: 0, 1 or 2.
    """

    at_us: int
    readings: tuple[int, ...]
    switches: tuple[int, ...]


def inputs_of(profile: Profile, scenario: Scenario) -> tuple[list[Inputs], bool]:
    """Return what the inputs show in a scenario, at each change, and whether a change may be `STEP_US` late."""
    controls = Controls(profile, scenario, Streams(scenario.seed, scenario.trial))
    at_us = {0, *controls.changes_us}
    is_stepped = False
    for from_us, until_us, bounces in controls.moving_us:
        first_us, step_us = (from_us // CONTACT_US * CONTACT_US, CONTACT_US) if bounces else (from_us, STEP_US)
        at_us.update((from_us, *range(first_us + step_us, until_us, step_us), until_us))
        is_stepped |= until_us > from_us and not bounces
    if controls.is_noisy:
        at_us.update(range(0, scenario.duration_us, STEP_US))
        is_stepped = True
    shown: list[Inputs] = []
    for now_us in sorted(one for one in at_us if 0 <= one < scenario.duration_us):
        readings, switches = controls.sweep(now_us)
        if not shown or (shown[-1].readings, shown[-1].switches) != (readings, switches):
            shown.append(Inputs(now_us, readings, switches))
    return shown, is_stepped


class RecordedHandset:
    """A handset whose packets are known."""

    def __init__(self, packets: Sequence[tuple[int, bytes]]) -> None:
        self._packets: list[Packet] = [(at_us, payload, False) for at_us, payload in packets]

    def slots(self) -> Iterator[Slots]:
        """Yield the packets in order."""
        return slots_of(iter(self._packets))

"""The flight controller: arms on a low throttle only, cuts, and does not spin up by itself."""

from __future__ import annotations

import dataclasses
from itertools import product

import numpy as np
import pytest
from lostlink_sims import Profile
from lostlink_sims.flight import TRANSITIONS, Arming, FlightController, Seen
from lostlink_sims.ppm import Decoded

OFF, ON, IDLE, UP = 1000, 2000, 1000, 1700


def decoded(*frames: tuple[int, int], start_us: int = 0, period_us: int = 22_500) -> Decoded:
    """Return frames with (throttle, arming switch)."""
    rows = [[1500, 1500, throttle, 1500, switch, 1000, 1000, 1000] for throttle, switch in frames]
    done = start_us + period_us * np.arange(1, len(rows) + 1)
    return Decoded(done - 20_000, done, np.full(len(rows), 8), np.array(rows).reshape(-1))


def flown(*frames: tuple[int, int], profile: Profile | None = None) -> FlightController:
    fc = FlightController(profile or Profile())
    fc.see(decoded(*frames), 0)
    return fc


def test_table_is_complete() -> None:
    """Every state answers everything that can be seen, every state can be reached and left."""
    assert set(TRANSITIONS) == set(product(Arming, Seen))
    for state in Arming:
        assert any(to is state for (before, _), to in TRANSITIONS.items() if before is not state)
        assert any(to is not state for (before, _), to in TRANSITIONS.items() if before is state)


def test_motors_turn_only_from_armed() -> None:
    """Nothing but a switch that goes on over an idle throttle arms."""
    arming = {key for key, to in TRANSITIONS.items() if to is Arming.ARMED and key[0] is not Arming.ARMED}
    assert arming == {(Arming.READY, Seen.ON_IDLE)}


def test_ordinary_start() -> None:
    """Switch off and idle, switch on, throttle up: the command follows the throttle."""
    fc = flown((IDLE, OFF), (IDLE, ON), (UP, ON))
    assert (fc.arming, fc.command) == (Arming.ARMED, 700)


@pytest.mark.parametrize(
    "frames",
    [
        ((UP, ON), (UP, ON)),  # powered with the stick up
        ((IDLE, ON), (UP, ON)),  # powered with the switch on
        ((IDLE, OFF), (UP, OFF), (UP, ON)),  # switched on with the stick up
        ((IDLE, OFF), (IDLE, ON), (UP, ON), (800, OFF), (UP, ON)),  # failsafe, then the link comes back, stick up
        ((IDLE, OFF), (IDLE, ON), (UP, ON), (IDLE, OFF), (UP, ON)),  # the same with idle as failsafe value
        ((IDLE, OFF), (IDLE, ON), (UP, ON), (880, ON), (UP, ON)),  # failsafe said by a short throttle pulse
    ],
)
def test_does_not_spin_up_by_itself(frames: tuple[tuple[int, int], ...]) -> None:
    """In each of these the motors are at rest at the end."""
    assert flown(*frames).command == 0


def test_no_pulses_stop_the_motors_at_the_signal_timeout() -> None:
    """The motors rest exactly the signal timeout after the last good frame."""
    fc = flown((IDLE, OFF), (IDLE, ON), (UP, ON))
    fc.changes.clear()
    last_us = 3 * 22_500
    fc.see(decoded(), last_us + 100_000)
    assert fc.changes == []
    fc.see(decoded(), last_us + 100_001)
    assert fc.changes == [(last_us + 100_000, 0, int(Arming.LOCKED))]


def test_spoiled_frames_do_not_count() -> None:
    """Frames with impossible pulses, or too few, neither move the motors nor refresh the signal."""
    fc = flown((IDLE, OFF), (IDLE, ON), (UP, ON))
    spoiled = decoded(*[(2300, ON)] * 10, start_us=3 * 22_500)
    short = Decoded(spoiled.start_us + 1, spoiled.done_us + 1, np.full(10, 2), np.full(20, 1500))
    fc.changes.clear()
    fc.see(spoiled, 0)
    fc.see(short, 3 * 22_500 + 200_000)
    assert [change[1:] for change in fc.changes] == [(0, int(Arming.LOCKED))]


def test_without_an_arming_switch_an_idle_throttle_arms() -> None:
    """So that care at recovery is the receiver's alone: a stick that is up again spins the motors."""
    plain = Profile()
    fc = dataclasses.replace(plain.flight_controller, arm_channel=None)
    profile = dataclasses.replace(plain, flight_controller=fc)
    assert flown((UP, OFF), (UP, OFF), profile=profile).command == 0
    assert flown((UP, OFF), (IDLE, OFF), (UP, OFF), profile=profile).command == 700

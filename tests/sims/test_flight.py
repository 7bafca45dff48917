"""The flight controller: every row of its table, and that motors never turn but by the pilot's will."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink_sims import Profile
from lostlink_sims.flight import TRANSITIONS, Arming, FlightController, Seen
from lostlink_sims.frames import Decoded

PERIOD_US = 22_500
TIMEOUT_US = 100_000
IDLE, UP, LOST = 1000, 1700, 880
OFF, ON = 1000, 2000

WAY_TO = {
    Arming.LOCKED: (),
    Arming.READY: (Seen.OFF_IDLE,),
    Arming.ARMED: (Seen.OFF_IDLE, Seen.ON_IDLE),
}
"""What must be seen to come to a state from power-on."""


def profile(**fields: Any) -> Profile:
    plain = Profile()
    return dataclasses.replace(plain, flight_controller=dataclasses.replace(plain.flight_controller, **fields))


def row(throttle_us: int, switch_us: int = ON) -> list[int]:
    """Return a frame of eight channels: throttle is the third, the arming switch the fifth."""
    return [1500, 1500, throttle_us, 1500, switch_us, 1000, 1000, 1000]


def saying(seen: Seen) -> list[int]:
    """Return a frame that says so."""
    if seen is Seen.LOST:
        return row(LOST)
    is_on, is_up = divmod(int(seen), 2)
    return row(UP if is_up else IDLE, ON if is_on else OFF)


def decoded(rows: list[list[int]], first_us: int = 0, period_us: int = PERIOD_US) -> Decoded:
    done_us = first_us + np.arange(len(rows)) * period_us
    return Decoded(
        done_us - 15_000,
        done_us,
        np.array([len(widths) for widths in rows], np.int64),
        np.array([width for widths in rows for width in widths], np.int64),
    )


def shown(*rows: list[int], controller: FlightController | None = None) -> FlightController:
    """Show frames to a controller, one after the other, without a silence after them."""
    controller = FlightController(profile()) if controller is None else controller
    controller.see(decoded(list(rows)), 0)
    return controller


def test_the_table_is_whole() -> None:
    """Every state knows what to do with everything that can be seen."""
    assert set(TRANSITIONS) == {(arming, seen) for arming in Arming for seen in Seen}


@pytest.mark.parametrize(("arming", "seen"), list(TRANSITIONS))
def test_every_row_is_reached_and_behaves(arming: Arming, seen: Seen) -> None:
    """From power-on to the state, then what the row says; motors turn only in ARMED with the throttle up."""
    controller = shown(*map(saying, WAY_TO[arming]))
    assert controller.arming is arming
    rows = [saying(step) for step in (*WAY_TO[arming], seen)]
    controller = shown(*rows)
    to = TRANSITIONS[arming, seen]
    assert controller.arming is to
    turning = to is Arming.ARMED and seen is Seen.ON_UP
    assert controller.command == (700 if turning else 0)
    if to is not arming or turning:
        assert controller.changes[-1] == ((len(rows) - 1) * PERIOD_US, controller.command, int(to))


def test_the_only_way_to_turning_motors() -> None:
    """Off and idle, at once on and idle, then on: every sequence of four, against that rule and not the table."""
    letters = {Seen.OFF_IDLE: "o", Seen.OFF_UP: "O", Seen.ON_IDLE: "i", Seen.ON_UP: "I", Seen.LOST: "x"}
    for numbers in np.ndindex(5, 5, 5, 5):
        walk = [Seen(number) for number in numbers]
        controller = shown(*map(saying, walk))
        said = "".join(letters[seen] for seen in walk)
        assert controller.command == (700 if re.search("oi[iI]*I$", said) else 0), said
        assert (controller.arming is Arming.ARMED) is bool(re.search("oi[iI]*$", said)), said


@given(
    st.lists(
        st.tuples(
            st.sampled_from([700, 880, 899, 900, 1000, 1050, 1051, 1500, 2000, 2300]), st.sampled_from([OFF, ON])
        ),
        max_size=30,
    )
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_no_spin_up_by_itself(frames: list[tuple[int, int]]) -> None:
    """Whatever the frames say, motors start only with armed motors and a throttle that was seen idle."""
    controller = FlightController(profile())
    before = (0, int(Arming.LOCKED))
    controller.see(decoded([row(*frame) for frame in frames]), 0)
    for _, command, arming in controller.changes:
        if command and not before[0]:
            assert before[1] == arming == Arming.ARMED
        before = command, arming


def test_after_a_loss_the_switch_must_be_seen_off_again() -> None:
    """The link comes back with the stick still up, then idle with the switch on: motors stay at rest."""
    armed = [row(IDLE, OFF), row(IDLE), row(UP)]
    controller = shown(*armed, row(LOST), row(UP), row(IDLE), row(UP))
    assert (controller.arming, controller.command) == (Arming.LOCKED, 0)
    controller = shown(*armed, row(LOST), row(UP), row(IDLE, OFF), row(IDLE), row(UP))
    assert (controller.arming, controller.command) == (Arming.ARMED, 700)


def test_without_an_arming_channel_an_idle_throttle_arms() -> None:
    controller = FlightController(profile(arm_channel=None))
    shown(row(UP), controller=controller)
    assert (controller.arming, controller.command) == (Arming.LOCKED, 0)
    shown(row(IDLE), row(UP), controller=controller)
    assert (controller.arming, controller.command) == (Arming.ARMED, 700)
    shown(row(LOST), row(UP), controller=controller)
    assert (controller.arming, controller.command) == (Arming.LOCKED, 0)


@pytest.mark.parametrize(("silence_us", "stops"), [(TIMEOUT_US, False), (TIMEOUT_US + 1, True)])
def test_signal_timeout(silence_us: int, stops: bool) -> None:
    """Motors stop a whole timeout after the last good frame, at that instant and not when somebody looks."""
    controller = shown(row(IDLE, OFF), row(IDLE), row(UP))
    last_us = 2 * PERIOD_US
    controller.changes.clear()
    controller.see(decoded([]), last_us + silence_us)
    assert controller.changes == ([(last_us + TIMEOUT_US, 0, Arming.LOCKED)] if stops else [])
    assert controller.command == (0 if stops else 700)


@pytest.mark.parametrize(("gap_us", "stops"), [(TIMEOUT_US, False), (TIMEOUT_US + 1, True)])
def test_a_frame_after_a_silence_does_not_hide_it(gap_us: int, stops: bool) -> None:
    """The stop comes first, at its own instant; the frame then finds locked motors."""
    controller = shown(row(IDLE, OFF), row(IDLE), row(UP))
    last_us = 2 * PERIOD_US
    controller.changes.clear()
    controller.see(decoded([row(UP)], last_us + gap_us), 0)
    assert controller.changes == ([(last_us + TIMEOUT_US, 0, Arming.LOCKED)] if stops else [])


def test_pieces_do_not_matter() -> None:
    """Frames shown one by one give the same changes as all at once."""
    rows = [row(IDLE, OFF), row(IDLE), row(UP), row(1400), row(2300), row(LOST), row(IDLE, OFF), row(IDLE), row(1200)]
    whole = shown(*rows)
    controller = FlightController(profile())
    for place, widths in enumerate(rows):
        controller.see(decoded([widths], place * PERIOD_US), 0)
    assert controller.changes == whole.changes


@pytest.mark.parametrize(("throttle_us", "lost"), [(899, True), (900, False)])
def test_failsafe_below(throttle_us: int, lost: bool) -> None:
    """A throttle pulse below the limit is the receiver's word that the link is lost."""
    controller = shown(row(IDLE, OFF), row(IDLE), row(throttle_us))
    assert controller.arming is (Arming.LOCKED if lost else Arming.ARMED)


def test_a_failsafe_pulse_counts_even_in_a_spoiled_frame() -> None:
    """Shorter than any good pulse, it still says that the link is lost."""
    assert shown(row(IDLE, OFF), row(IDLE), row(700)).arming is Arming.LOCKED


@pytest.mark.parametrize(
    ("width_us", "spoils"), [(799, True), (800, False), (2200, False), (2201, True)]
)  # fmt: skip
def test_a_pulse_out_of_range_spoils_its_frame(width_us: int, spoils: bool) -> None:
    """A spoiled frame says nothing: neither a new command nor a sign of life."""
    strange = row(1400)
    strange[0] = width_us
    controller = shown(row(IDLE, OFF), row(IDLE), row(UP), strange)
    assert controller.command == (700 if spoils else 400)
    controller.see(decoded([]), 2 * PERIOD_US + TIMEOUT_US + 1)
    assert (controller.command == 0) is spoils


def test_a_frame_too_short_for_its_channels_says_nothing() -> None:
    controller = shown(row(IDLE, OFF), row(IDLE), row(UP), row(1400)[:4])
    assert controller.command == 700
    assert shown(row(IDLE, OFF), row(IDLE), row(UP), row(1400)[:5]).command == 400


@pytest.mark.parametrize(("throttle_us", "command"), [
    (1050, 0), (1051, 51), (1500, 500), (1999, 999), (2000, 1000), (2200, 1000),
])  # fmt: skip
def test_command(throttle_us: int, command: int) -> None:
    """Idle up to `arm_below`, then straight from low to high, never above full."""
    assert shown(row(IDLE, OFF), row(IDLE), row(throttle_us)).command == command


@pytest.mark.parametrize(("switch_us", "arming"), [(1499, Arming.READY), (1500, Arming.ARMED)])
def test_switch_on(switch_us: int, arming: Arming) -> None:
    """The arming channel counts as on from `switch_on` upwards."""
    assert shown(row(IDLE, OFF), row(IDLE, switch_us)).arming is arming

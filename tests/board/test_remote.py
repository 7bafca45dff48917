"""What is asked of a board that is somewhere else: the orders of the bench protocol, and when."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from lostlink.bench import codec
from lostlink.rigs.remote import LONGEST_US, RemoteBoard
from lostlink_sims import Profile, Scenario
from lostlink_sims.clock import World
from lostlink_sims.recorder import Recorder
from lostlink_sims.scenario import BrownOut, MainLoopHung, ReceiverReset
from lostlink_sims.world import Stage

ALL = codec.CAN_RESET | codec.CAN_SET_CLOCK | codec.CAN_HANG
HOUR_US = 3_600_000_000


def orders(*faults: Any, profile: Profile | None = None, **fields: Any) -> list[tuple[int, codec.Message]]:
    """Return what is asked of a board with a slow handset: all but the packets."""
    profile, found = profile or Profile(), []

    def build(env: World, recorder: Recorder, _: int) -> RemoteBoard:
        return RemoteBoard(env, profile, recorder, lambda message: found.append((env.now, message)), ALL)

    scenario = Scenario(**{"duration_us": 2_000_000, "handset_on_us": HOUR_US, "faults": faults, **fields})
    stage = Stage(profile, scenario, build, keep=False)
    stage.env.run_until(scenario.duration_us)
    return found


def down(from_us: int, for_us: int) -> BrownOut:
    return BrownOut(at_us=from_us, for_us=for_us, on_acknowledgement=False)


def test_power_reset_and_breakdown() -> None:
    assert orders(ReceiverReset(at_us=500_000), down(1_000_000, 300_000), receiver_on_us=1_000) == [
        (1_000, codec.Reset(0)),
        (500_000, codec.Reset(0)),
        (1_000_000, codec.Reset(300_000)),
    ]


@pytest.mark.parametrize(
    ("faults", "expected"),
    [
        ((down(1_000_000, 300_000), ReceiverReset(at_us=1_100_000)), [(1_000_000, 300_000)]),
        ((down(1_000_000, 300_000), down(1_100_000, 500_000)), [(1_000_000, 300_000), (1_100_000, 500_000)]),
        ((down(1_000_000, 500_000), down(1_100_000, 100_000)), [(1_000_000, 500_000)]),
    ],
)
def test_overlapping_breakdowns(faults: tuple[Any, ...], expected: list[tuple[int, int]]) -> None:
    """As in simulation: what would end one that lasts longer is not asked for."""
    assert orders(*faults)[1:] == [(at_us, codec.Reset(for_us)) for at_us, for_us in expected]


def test_a_breakdown_longer_than_the_counter_can_tell() -> None:
    """Held down without end, then told to begin; unless something came in between."""
    for_us = LONGEST_US + 1_000_000
    end_us = for_us + 5_000_000
    assert orders(down(1_000_000, for_us), duration_us=end_us, handset_on_us=2 * end_us)[1:] == [
        (1_000_000, codec.Reset(codec.STAY_DOWN)),
        (1_000_000 + for_us, codec.Reset(0)),
    ]
    twice = down(1_000_000, for_us), down(2_000_000, for_us)
    assert orders(*twice, duration_us=end_us, handset_on_us=2 * end_us)[1:] == [
        (1_000_000, codec.Reset(codec.STAY_DOWN)),
        (2_000_000, codec.Reset(codec.STAY_DOWN)),
        (2_000_000 + for_us, codec.Reset(0)),
    ]


def test_a_hang_longer_than_the_counter_can_tell() -> None:
    """Asked for again before it would end, and not after a reset."""
    for_us = 2 * LONGEST_US
    found = orders(
        MainLoopHung(at_us=1_000_000, for_us=for_us), duration_us=4 * LONGEST_US, handset_on_us=8 * LONGEST_US
    )
    hangs = [(at_us, at_us + order.for_us) for at_us, order in found if isinstance(order, codec.Hang)]
    assert hangs[0] == (1_000_000, 1_000_000 + LONGEST_US)
    assert all(begin_us < end_us for (_, end_us), (begin_us, _) in itertools.pairwise(hangs))
    assert hangs[-1][1] == 1_000_000 + for_us
    assert len(hangs) == 3
    reset = ReceiverReset(at_us=2_000_000)
    found = orders(MainLoopHung(at_us=1_000_000, for_us=for_us), reset, duration_us=2 * LONGEST_US,
                   handset_on_us=8 * LONGEST_US)  # fmt: skip
    assert sum(isinstance(order, codec.Hang) for _, order in found) == 1


def test_nobody_hangs_who_is_not_up() -> None:
    boot_us = Profile().receiver.boot_us
    assert len(orders(MainLoopHung(at_us=boot_us - 1_000, for_us=100_000))) == 1
    assert orders(MainLoopHung(at_us=boot_us + 1_000, for_us=100_000))[1:] == [(boot_us + 1_000, codec.Hang(100_000))]

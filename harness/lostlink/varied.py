"""Flights that vary everything that a flight has: one value of each of `DIMENSIONS`, from a covering array.

Studies of real failures find that nearly all need the interaction of few parameters, most of them one or two (NIST SP
800-142, Practical Combinatorial Testing). The rows of the array contain every pair of values of any two dimensions;
further rows, drawn at random, fill it up. A flight is a sequence of stages: power-on, gesture, take-off, a link of
some quality, earlier losses with their returns, an event at the receiver or handset, the loss, and a return.
"""

from __future__ import annotations

import dataclasses
import itertools
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import covertable
from covertable.sorters import hash as by_hash

from lostlink.scenarios import STICKS_IN_FLIGHT, ScenarioBuilder
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims.codes import pulse_table
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES
from lostlink_sims.scenario import (
    AnyFault,
    BrownOut,
    FlappingLink,
    ForeignHandset,
    HandsetHung,
    HandsetOff,
    InterferenceBurst,
    LinkCut,
    MainLoopHung,
    ReceiverReset,
    WrongAddress,
)

FLIGHTS: Final = 64
"""Rows of the array, random ones included; the pairs need about fifty."""
GESTURE_US: Final = 2_200_000
WATCHED_US: Final = 1_000_000
CYCLE_US: Final = 1_000_000
"""Flight between two losses."""
LATE_US: Final = 3_000_000
"""Into a loss, when something first happens in it."""


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
    """

    name: str
    values: tuple[str, ...]
    applies: Callable[[Profile], bool] = lambda _: True


def _switches(profile: Profile) -> list[int]:
    """Return the indices of the switches that do not arm."""
    return [
        index for index, channel in enumerate(profile.channels)
        if channel.kind != "stick" and index not in (profile.arm_index, profile.throttle_index)
    ]  # fmt: skip


def _yaw(profile: Profile) -> int | None:
    """Return the index of the last stick that is not the throttle, by convention yaw."""
    sticks = [i for i, channel in enumerate(profile.channels) if channel.kind == "stick"]
    return next((i for i in reversed(sticks) if i != profile.throttle_index), None)


DIMENSIONS: Final = (
    Dimension("throttle at the loss", ("full", "idle", "just above idle", "a fifth", "half", "moving")),
    Dimension("other sticks", ("spread", "low ends", "high ends", "centred", "moving")),
    Dimension("switches", ("on", "off", "flipped in flight", "flipped while away"), lambda p: bool(_switches(p))),
    Dimension(
        "gesture", ("none", "yaw right before flight", "yaw left before flight", "yaw right in flight"),
        lambda p: _yaw(p) is not None,
    ),
    Dimension("before the first packet", ("nothing", "5 s of silence", "30 s of silence", "sticks off centre")),
    Dimension("quality before", ("clean", "a quarter lost", "most lost", "short gaps")),
    Dimension("earlier losses", ("none", "1", "3", "4", "11")),
    Dimension("their length", ("just longer than the timeout", "motors stopped", "3 s")),
    Dimension(
        "receiver",
        ("undisturbed", "reset in flight", "reset in failsafe", "reset at the return", "brown-out in flight",
         "brown-out in failsafe", "hangs in flight", "hangs in failsafe"),
    ),
    Dimension("handset", ("undisturbed", "hangs and goes on", "off and on")),
    Dimension("cause", ("link cut", "handset off", "wrong address", "interference")),
    Dimension("length", ("15 s", "3 s", "motors stopped", "just longer than the timeout", "to the end")),
    Dimension(
        "stray packets", ("none", "one", "nearly enough in a row", "nearly enough, spread"),
        lambda p: p.receiver.recovery_packets > 1,
    ),
    Dimension(
        "foreign handset",
        ("none", "one bit of the id", "another bit, late in failsafe", "another length", "longer, late in failsafe",
         "at the return"),
        lambda p: p.handset.link_id is not None,
    ),
    Dimension("throttle at the return", ("idle", "just below idle", "just above idle", "as at the loss")),
    Dimension("after the return", ("1 s", "every stick moves", "12 s")),
)  # fmt: skip
"""What varies; hazards of the trade, common practice, no source."""

Row = Mapping[str, str]


def dimensions_of(profile: Profile) -> list[Dimension]:
    """Return the dimensions that a link has."""
    return [dimension for dimension in DIMENSIONS if dimension.applies(profile)]


def rows(profile: Profile, seed: int) -> list[Row]:
    """Return `FLIGHTS` rows, each a value by the name of each dimension; all pairs occur."""
    factors = {dimension.name: list(dimension.values) for dimension in dimensions_of(profile)}
    found: list[Row] = list(covertable.make(factors, strength=2, sorter=by_hash, salt=str(seed)))
    more = random.Random(f"varied flights {seed}")
    while len(found) < FLIGHTS:
        found.append({name: more.choice(values) for name, values in factors.items()})
    return found


def pairs(profile: Profile, flown: Sequence[Row]) -> tuple[int, int]:
    """Return how many pairs of values of any two dimensions some rows contain, and how many there are."""
    seen = set[tuple[tuple[str, str], tuple[str, str]]]()
    for row in flown:
        seen.update(itertools.combinations(sorted(row.items()), 2))
    sizes = [len(dimension.values) for dimension in dimensions_of(profile)]
    return len(seen), sum(a * b for a, b in itertools.combinations(sizes, 2))


class VariedFlight:
    """Composes the scenario of a row, stage by stage.

    Parameters
    ----------
    builder : ScenarioBuilder
    row : dict of str to str
        A value by the name of each dimension that the link has.
    blank : Scenario
        With phases, clock and trial number.
    """

    def __init__(self, builder: ScenarioBuilder, row: Row, blank: Scenario) -> None:
        self._builder, self._profile = builder, builder.profile
        plain = {dimension.name: dimension.values[0] for dimension in DIMENSIONS}
        self._row, self._blank = {**plain, **row}, blank
        self._moves: list[Move] = []
        self._faults: list[AnyFault] = []
        self._now_us = 0
        self._away_us = self._profile.requirements.motor_cut_within_us + 4 * builder.frame_us
        self._away_us += self._profile.receiver.recovery_us
        # Until control is back for certain, and the pilot has seen it.
        self._back_us = self._profile.requirements.recovery_within_us + 2 * builder.settle_us
        draw = random.Random(f"{blank.seed} {blank.trial} {sorted(row.items())}")
        self._bit, self._length = draw.randrange(8), draw.randrange(1, PAYLOAD_LIMIT_BYTES)
        self._other_lengths = [n for n in range(1, PAYLOAD_LIMIT_BYTES + 1) if n != self._profile.payload_bytes]

    def scenario(self) -> Scenario:
        """Return the scenario."""
        on_us = self._power_on()
        self._gesture("before flight")
        self._take_off()
        self._quality()
        self._earlier_losses()
        self._gesture("in flight")
        self._disturbances()
        self._loss()
        return dataclasses.replace(
            self._blank,
            name=f"{self._blank.name}: {', '.join(f'{name} {value}' for name, value in self._row.items())}",
            handset_on_us=on_us, duration_us=self._now_us, moves=tuple(self._moves), faults=tuple(self._faults),
        )  # fmt: skip

    # --- the pilot ------------------------------------------------------------------------------------------

    def _move(self, index: int, position: float, at_us: int | None = None, ramp_us: int = 0) -> None:
        name = self._profile.channels[index].name
        at_us = self._now_us if at_us is None else at_us
        self._moves.append(Move(at_us=at_us, channel=name, position=position, ramp_us=ramp_us))

    def _throttle(self, position: float, at_us: int | None = None, ramp_us: int = 0) -> None:
        self._move(self._profile.throttle_index, position, at_us, ramp_us)

    def _settle(self) -> None:
        self._now_us += self._builder.settle_us + self._builder.frame_us

    def _position_of(self, width_us: int) -> float:
        """Return the throttle stick's position for a pulse width, or the next wider one."""
        settings = self._profile.receiver
        table = pulse_table(settings.mapping, settings.low_us, settings.high_us)
        code = next((code for code, width in enumerate(table) if width >= width_us), len(table) - 1)
        return min(1.0, (code + 0.5) / len(table))

    def _throttle_of(self, word: str) -> float:
        idle_us = self._profile.requirements.idle_below_us
        positions = {
            "full": 1.0, "idle": 0.0, "a fifth": 0.2, "half": 0.5, "moving": 0.4,
            "just above idle": self._position_of(idle_us + 12), "just below idle": self._position_of(idle_us - 20),
        }  # fmt: skip
        return positions[word]

    def _sticks(self) -> dict[int, float]:
        """Return positions of the sticks but the throttle, and the switches but the arming one."""
        positions = {}
        fixed = {"low ends": 0.0, "high ends": 1.0, "centred": 0.5, "moving": 0.3}.get(self._row["other sticks"])
        for index, channel in enumerate(self._profile.channels):
            if index in (self._profile.throttle_index, self._profile.arm_index):
                continue
            if channel.kind == "stick":
                positions[index] = STICKS_IN_FLIGHT[index % len(STICKS_IN_FLIGHT)] if fixed is None else fixed
            else:
                positions[index] = 0.0 if self._row["switches"] == "off" else 1.0
        return positions

    def _arm(self, *, on: bool) -> None:
        arm = self._profile.arm_index
        if arm is not None:
            position = self._builder.switched_on(arm)
            self._move(arm, position if on else 1.0 - position)

    # --- stages ---------------------------------------------------------------------------------------------

    def _power_on(self) -> int:
        silence = {"5 s of silence": 5_000_000, "30 s of silence": 30_000_000}
        on_us = silence.get(self._row["before the first packet"], 0)
        if self._row["before the first packet"] == "sticks off centre":
            for index in self._sticks():
                self._move(index, 0.8)
        self._now_us = on_us + self._builder.ready_us + self._builder.settle_us
        return on_us

    def _gesture(self, when: str) -> None:
        """Hold the throttle low and the yaw stick at a stop; in flight, then fly on as before."""
        yaw = _yaw(self._profile)
        if yaw is None or when not in self._row["gesture"]:
            return
        self._throttle(0.0)
        self._move(yaw, 1.0 if "right" in self._row["gesture"] else 0.0)
        self._now_us += GESTURE_US
        self._move(yaw, self._sticks()[yaw])
        if when == "in flight":
            self._throttle(self._throttle_of(self._row["throttle at the loss"]))
        self._settle()

    def _take_off(self) -> None:
        for index, position in self._sticks().items():
            self._move(index, position)
        self._arm(on=True)
        self._settle()
        self._throttle(self._throttle_of(self._row["throttle at the loss"]))
        self._settle()

    def _again(self) -> None:
        """After a return: the throttle is low, the arming switch goes off and on, and the model flies again."""
        self._throttle(0.0)
        self._now_us += self._back_us
        self._arm(on=False)
        self._settle()
        self._settle()
        self._take_off()

    def _quality(self) -> None:
        worst = {"a quarter lost": 0.25, "most lost": 0.6}.get(self._row["quality before"])
        if worst is not None:
            self._faults.append(InterferenceBurst(at_us=self._now_us, for_us=3_000_000, loss=worst))
            self._now_us += 3_000_000
        gap_us = self._builder.safe_gap_us
        if self._row["quality before"] == "short gaps" and gap_us:
            up_us = 8 * self._builder.packet_us
            for_us = 8 * (gap_us + up_us)
            self._faults.append(FlappingLink(at_us=self._now_us, down_us=gap_us, up_us=up_us, for_us=for_us))
            self._now_us += for_us
        self._settle()

    def _loss_us(self, word: str) -> int:
        barely_us = self._profile.cut_delay_us * 103 // 100 + 3 * self._builder.packet_us
        return {
            "just longer than the timeout": barely_us, "motors stopped": self._away_us, "3 s": 3_000_000,
            "15 s": 15_000_000, "to the end": 8_000_000,
        }[word]  # fmt: skip

    def _earlier_losses(self) -> None:
        number = int(self._row["earlier losses"].replace("none", "0"))
        for_us = max(self._away_us, self._loss_us(self._row["their length"]))
        if self._row["their length"] == "just longer than the timeout":
            for_us = self._loss_us("just longer than the timeout")
        for _ in range(number):
            self._faults.append(LinkCut(at_us=self._now_us, for_us=for_us))
            self._now_us += for_us
            self._again()
            self._now_us += CYCLE_US

    def _disturbances(self) -> None:
        """Let receiver and handset be disturbed in flight, and fly again."""
        at_us, boot_us = self._now_us, self._profile.receiver.boot_us
        timeout_us = self._profile.flight_controller.signal_timeout_us
        match self._row["receiver"]:
            case "reset in flight":
                self._faults.append(ReceiverReset(at_us=at_us))
                self._now_us += boot_us
            case "brown-out in flight":
                self._faults.append(BrownOut(at_us=at_us, for_us=50_000, on_acknowledgement=False))
                self._now_us += boot_us + 50_000
            case "hangs in flight":
                self._faults.append(MainLoopHung(at_us=at_us, for_us=200_000))
                self._now_us += 200_000 + boot_us
        match self._row["handset"]:
            case "hangs and goes on" if self._profile.handset.packet_counter:
                self._faults.append(HandsetHung(at_us=self._now_us, for_us=self._away_us))
                self._now_us += self._away_us
            case "off and on":
                self._faults.append(HandsetOff(at_us=self._now_us, for_us=self._away_us))
                self._now_us += self._away_us + self._profile.handset.boot_us
        if self._now_us > at_us:
            self._now_us += timeout_us
            self._again()
        for index in _switches(self._profile):
            if self._row["switches"] == "flipped in flight":
                for position in (0.0, 1.0, 0.0, 1.0):
                    self._move(index, position)
                    self._settle()
        self._now_us += CYCLE_US

    def _loss(self) -> None:
        """Lose the link, with what happens meanwhile, and let it return."""
        lost_us, for_us = self._now_us, self._loss_us(self._row["length"])
        ends = self._row["length"] != "to the end"
        if self._row["throttle at the loss"] == "moving":
            for number in range(6):
                at_us = max(0, lost_us - CYCLE_US) + number * CYCLE_US // 3
                self._throttle(0.9 if number % 2 else 0.3, at_us, CYCLE_US // 3)
        if self._row["other sticks"] == "moving":
            for index in self._sticks():
                if self._profile.channels[index].kind == "stick":
                    self._move(index, 0.9, lost_us - CYCLE_US // 2, CYCLE_US)
        self._cause(lost_us, for_us if ends else None)
        self._meanwhile(lost_us, for_us)
        self._now_us = lost_us + for_us
        if not ends:
            return
        if self._row["cause"] == "handset off":
            self._now_us += self._profile.handset.boot_us
        self._return(lost_us)

    def _cause(self, lost_us: int, for_us: int | None) -> None:
        match self._row["cause"]:
            case "link cut":
                self._faults += self._cuts_with_strays(lost_us, for_us)
            case "handset off":
                self._faults.append(HandsetOff(at_us=lost_us, for_us=for_us))
            case "wrong address":
                self._faults.append(WrongAddress(at_us=lost_us, for_us=for_us))
            case "interference":
                self._faults.append(InterferenceBurst(at_us=lost_us, for_us=for_us, loss=1.0))

    def _cuts_with_strays(self, lost_us: int, for_us: int | None) -> list[AnyFault]:
        """Return a link cut through which fewer packets get than a return needs."""
        enough = self._profile.receiver.recovery_packets
        groups = {"one": [1], "nearly enough in a row": [enough - 1], "nearly enough, spread": [1] * (enough - 1)}
        # Shorter than that many intervals, so that never more packets fit in.
        interval_us = self._profile.handset.packet_interval_us
        cuts: list[AnyFault] = []
        begin_us, apart_us = lost_us, self._away_us
        end_us = None if for_us is None else lost_us + for_us
        for group in groups.get(self._row["stray packets"], []):
            at_us = begin_us + apart_us
            until_us = at_us + group * interval_us * 9 // 10 - self._profile.handset.jitter_us
            if until_us <= at_us or (end_us is not None and until_us + apart_us > end_us):
                break
            cuts.append(LinkCut(at_us=begin_us, for_us=at_us - begin_us))
            begin_us = until_us
        return [*cuts, LinkCut(at_us=begin_us, for_us=None if end_us is None else end_us - begin_us)]

    def _meanwhile(self, lost_us: int, for_us: int) -> None:
        late_us = lost_us + min(LATE_US, for_us * 2 // 3)
        match self._row["receiver"]:
            case "reset in failsafe":
                self._faults.append(ReceiverReset(at_us=late_us))
            case "brown-out in failsafe":
                self._faults.append(BrownOut(at_us=late_us, for_us=400_000, on_acknowledgement=False))
            case "hangs in failsafe":
                self._faults.append(MainLoopHung(at_us=late_us, for_us=300_000))
            case "reset at the return":
                self._faults.append(ReceiverReset(at_us=lost_us + for_us + self._builder.packet_us))
        own, end_us = self._profile.payload_bytes, lost_us + for_us
        other = self._other_lengths[self._length % len(self._other_lengths)]
        longer = min(PAYLOAD_LIMIT_BYTES, own + 1 + self._length % 4)
        match self._row["foreign handset"]:
            case "one bit of the id":
                self._faults.append(ForeignHandset(at_us=lost_us, id_difference=1 << self._bit, for_us=for_us))
            case "another bit, late in failsafe":
                difference = 1 << (self._bit + 3) % 8
                self._faults.append(ForeignHandset(at_us=late_us, id_difference=difference, for_us=end_us - late_us))
            case "another length":
                self._faults.append(ForeignHandset(at_us=lost_us, payload_bytes=other, for_us=for_us))
            case "longer, late in failsafe" if longer != own:
                self._faults.append(ForeignHandset(at_us=late_us, payload_bytes=longer, for_us=end_us - late_us))
            case "at the return":
                self._faults.append(ForeignHandset(at_us=end_us - 200_000, id_difference=1, for_us=700_000))
        if self._row["switches"] == "flipped while away":
            for index in _switches(self._profile):
                self._move(index, 0.0, lost_us + for_us // 2)

    def _return(self, lost_us: int) -> None:
        """Let the link return with the throttle somewhere, and watch."""
        word = self._row["throttle at the return"]
        if word != "as at the loss":
            self._throttle(self._throttle_of(word), (lost_us + self._now_us) // 2)
        self._now_us += self._back_us + WATCHED_US
        match self._row["after the return"]:
            case "every stick moves":
                self._throttle(0.0)
                self._settle()
                for index in self._sticks():
                    for position in (0.0, 1.0, 0.35):
                        self._move(index, position)
                        self._now_us += 2 * self._builder.settle_us + self._builder.frame_us
            case "12 s":
                self._now_us += 12_000_000


def varied_flights(builder: ScenarioBuilder, stride: int = 1) -> list[Scenario]:
    """Return the flights of the covering array for this seed, one in `stride` of them, at distributed phases."""
    table = rows(builder.profile, builder.seed)[::stride]
    blanks = builder.phases(len(table), exactly=True)
    return [VariedFlight(builder, row, blank).scenario() for row, blank in zip(table, blanks, strict=True)]

"""Composes the flight of a row: power-on, gesture, take-off, a link of some quality, earlier losses, events, the loss.

Earlier losses come with their returns, an event is one at the receiver or handset, and the loss ends in a return.
"""

from __future__ import annotations

import dataclasses
import random
from typing import Final

from lostlink.scenarios import ScenarioBuilder
from lostlink.varied.covering import Row
from lostlink.varied.dimensions import DIMENSIONS, switches, yaw
from lostlink_sims import Move, Scenario
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

GESTURE_US: Final = 2_200_000
WATCHED_US: Final = 1_000_000
CYCLE_US: Final = 1_000_000
"""Flight between two losses."""
STIR_US: Final = 10_000_000
"""Between two moves of the sticks in a long flight."""
MINUTE_US: Final = 60_000_000
SOON_US: Final = 100_000
"""From the end of a receiver's recovery to the next loss, where that comes soon."""
LATE_US: Final = 3_000_000
"""Into a loss, when something first happens in it."""


_NUMBERS: Final = {"none": 0, "one": 1, "three": 3, "four": 4, "twenty-one": 21}


class VariedFlight:
    """Composes the scenario of a row, stage by stage, in `scenario`.

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
        self._anywhere, self._one = builder.anywhere(), draw.randrange(1 << 16)
        self._bit, self._length = draw.randrange(8), draw.randrange(1, PAYLOAD_LIMIT_BYTES)
        self._other_lengths = [n for n in range(1, PAYLOAD_LIMIT_BYTES + 1) if n != self._profile.payload_bytes]
        self.row = row
        self.scenario = self._composed()

    def _composed(self) -> Scenario:
        on_us = self._power_on()
        self._gesture("before flight")
        self._take_off()
        self._age()
        self._quality()
        self._earlier_losses()
        self._gesture("in flight")
        self._disturbances()
        self._loss()
        return dataclasses.replace(
            self._blank,
            name=f"{self._blank.name}: {', '.join(f'{name} {value}' for name, value in self.row.items())}",
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
        word = self._row["other sticks"]
        fixed = {"low ends": 0.0, "high ends": 1.0, "moving": 0.3}.get(word, 0.5)
        for index, somewhere in self._anywhere.items():
            if self._profile.channels[index].kind == "stick":
                positions[index] = somewhere if word == "anywhere" else fixed
            else:
                positions[index] = 0.0 if self._row["switches"] == "off" else 1.0
        if word == "one at an end":
            sticks = [index for index in positions if self._profile.channels[index].kind == "stick"]
            if sticks:
                positions[sticks[self._one // 2 % len(sticks)]] = float(self._one % 2)
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
        stick = yaw(self._profile)
        if stick is None or when not in self._row["gesture"]:
            return
        self._throttle(0.0)
        self._move(stick, 1.0 if "right" in self._row["gesture"] else 0.0)
        self._now_us += GESTURE_US
        self._move(stick, self._sticks()[stick])
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

    def _age(self) -> None:
        """Fly on for a long time; the sticks move meanwhile."""
        packets_us = 2**16 * self._profile.handset.packet_interval_us
        ages_us = {"past 2^16 packets": packets_us + CYCLE_US, "36 min": 36 * MINUTE_US, "72 min": 72 * MINUTE_US}
        end_us = self._now_us + ages_us.get(self._row["age of the flight"], 0)
        while self._now_us + STIR_US < end_us:
            for index, position in self._sticks().items():
                if self._profile.channels[index].kind == "stick":
                    self._move(index, 1.0 - position)
                    self._move(index, position, self._now_us + STIR_US // 2)
            self._now_us += STIR_US
        self._now_us = max(self._now_us, end_us)

    def _quality(self) -> None:
        self._bad_link(self._row["quality before"])
        self._settle()

    def _bad_link(self, word: str) -> None:
        """Let the link be bad for some seconds, but not lost."""
        worst = {"a quarter lost": 0.25, "most lost": 0.6}.get(word)
        if worst is not None:
            self._faults.append(InterferenceBurst(at_us=self._now_us, for_us=3_000_000, loss=worst))
            self._now_us += 3_000_000
        gap_us = self._builder.safe_gap_us
        packets = {"short gaps": 8, "isolated packets": 1}.get(word)
        if packets is not None:
            up_us = packets * self._builder.packet_us
            for_us = (12 if packets == 1 else 8) * (gap_us + up_us)
            self._faults.append(FlappingLink(at_us=self._now_us, down_us=gap_us, up_us=up_us, for_us=for_us))
            self._now_us += for_us

    def _loss_us(self, word: str) -> int:
        """Return a length of a loss: the part of a value before its strays, or after the number of losses."""
        if "just longer than the timeout" in word:
            return self._profile.cut_delay_us * 103 // 100 + 3 * self._builder.packet_us
        if "motors stopped" in word or "quick succession" in word:
            return self._away_us
        if " min" in word:
            return int(word.removesuffix(" min")) * MINUTE_US
        if "3 s" in word:
            return max(self._away_us, 3_000_000)
        return max(15_000_000, (sum(self._strays()) + len(self._strays()) + 2) * self._away_us)

    def _earlier_losses(self) -> None:
        word = self._row["earlier losses"]
        pause_us = 6 * CYCLE_US if "six seconds apart" in word else CYCLE_US
        number = _NUMBERS[word.partition(" ")[0]]
        for loss in range(number):
            for_us = self._loss_us(word)
            self._faults.append(LinkCut(at_us=self._now_us, for_us=for_us))
            self._now_us += for_us
            if "quick succession" in word and loss < number - 1:
                self._now_us += self._profile.receiver.recovery_us + SOON_US
                continue
            self._again()
            self._now_us += pause_us

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
            case "hangs and goes on":
                self._faults.append(HandsetHung(at_us=self._now_us, for_us=self._away_us))
                self._now_us += self._away_us
            case "off and on":
                self._faults.append(HandsetOff(at_us=self._now_us, for_us=self._away_us))
                self._now_us += self._away_us + self._profile.handset.boot_us
        if self._now_us > at_us:
            self._now_us += timeout_us
            self._again()
        for index in switches(self._profile):
            if self._row["switches"] == "flipped in flight":
                for position in (0.0, 1.0, 0.0, 1.0):
                    self._move(index, position)
                    self._settle()
        self._now_us += CYCLE_US

    def _loss(self) -> None:
        """Lose the link, with what happens meanwhile, and let it return."""
        self._bad_link(self._row["right before the loss"])
        lost_us, for_us = self._now_us, self._loss_us(self._row["length"])
        if self._row["throttle at the loss"] == "moving":
            for number in range(6):
                at_us = max(0, lost_us - CYCLE_US) + number * CYCLE_US // 3
                self._throttle(0.9 if number % 2 else 0.3, at_us, CYCLE_US // 3)
        if self._row["other sticks"] == "moving":
            for index in self._sticks():
                if self._profile.channels[index].kind == "stick":
                    self._move(index, 0.9, lost_us - CYCLE_US // 2, CYCLE_US)
        begin_us = lost_us
        for at_us, until_us in [*self._gaps(lost_us), (lost_us + for_us, None)]:
            self._faults.append(self._cause(begin_us, at_us))
            begin_us = until_us or at_us
        self._meanwhile(lost_us, for_us)
        self._now_us = lost_us + for_us
        if self._row["cause"] == "handset off":
            self._now_us += self._profile.handset.boot_us
        self._return(lost_us)

    def _cause(self, lost_us: int, back_us: int) -> AnyFault:
        """Return the fault that loses the link until an instant; a handset goes on somewhat earlier, to boot."""
        for_us = back_us - lost_us
        match self._row["cause"]:
            case "handset off":
                return HandsetOff(at_us=lost_us, for_us=for_us)
            case "wrong address":
                return WrongAddress(at_us=lost_us, for_us=for_us)
            case "interference":
                return InterferenceBurst(at_us=lost_us, for_us=for_us, loss=1.0)
            case "handset hangs":
                return HandsetHung(at_us=lost_us, for_us=for_us)
        return LinkCut(at_us=lost_us, for_us=for_us)

    def _strays(self) -> list[int]:
        """Return the groups of stray packets in the loss, fewer in a row than a return needs."""
        enough, word = self._profile.receiver.recovery_packets, self._row["length"]
        if "a stray packet" in word:
            return [1]
        if "in a row" in word:
            return [enough - 1]
        return [1] * (enough - 1) if "spread out" in word else []

    def _gaps(self, lost_us: int) -> list[tuple[int, int]]:
        """Return the spans in the loss in which stray packets get through; a handset goes on for them."""
        handset, end_us = self._profile.handset, lost_us
        boot_us = handset.boot_us if self._row["cause"] == "handset off" else 0
        gaps = []
        for group in self._strays():
            at_us = end_us + self._away_us
            # Shorter than that many intervals, so that never more packets fit in.
            end_us = at_us + boot_us + max(1, group * handset.packet_interval_us * 9 // 10 - handset.jitter_us)
            gaps.append((at_us, end_us))
        return gaps

    def _meanwhile(self, lost_us: int, for_us: int) -> None:
        late_us = lost_us + min(LATE_US, for_us * 2 // 3)
        match self._row["receiver"]:
            case "reset while away":
                self._faults.append(ReceiverReset(at_us=late_us))
            case "brown-out while away":
                self._faults.append(BrownOut(at_us=late_us, for_us=400_000, on_acknowledgement=False))
            case "hangs while away":
                self._faults.append(MainLoopHung(at_us=late_us, for_us=300_000))
            case "reset at the return":
                self._faults.append(ReceiverReset(at_us=lost_us + for_us + self._builder.packet_us))
        own, end_us = self._profile.payload_bytes, lost_us + for_us
        other = self._other_lengths[self._length % len(self._other_lengths)]
        longer = min(PAYLOAD_LIMIT_BYTES, own + 1 + self._length % 4)
        match self._row["foreign handset"]:
            case "one bit of the id":
                self._faults.append(ForeignHandset(at_us=lost_us, id_difference=1 << self._bit, for_us=for_us))
            case "another bit late while away":
                difference = 1 << (self._bit + 3) % 8
                self._faults.append(ForeignHandset(at_us=late_us, id_difference=difference, for_us=end_us - late_us))
            case "another length":
                self._faults.append(ForeignHandset(at_us=lost_us, payload_bytes=other, for_us=for_us))
            case "a longer packet late while away":
                self._faults.append(ForeignHandset(at_us=late_us, payload_bytes=longer, for_us=end_us - late_us))
            case "at the return":
                self._faults.append(ForeignHandset(at_us=end_us - 200_000, id_difference=1, for_us=700_000))
        if self._row["switches"] == "flipped while away":
            for index in switches(self._profile):
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

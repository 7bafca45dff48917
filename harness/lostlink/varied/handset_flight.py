"""Composes the flight of a row for a handset under test.

Power-on, a low throttle, take-off, a radio of some quality, an event and perhaps a second one, and a new start.
"""

from __future__ import annotations

import dataclasses
import random
from typing import Final

from lostlink.measure import limits
from lostlink.scenarios import ScenarioBuilder
from lostlink.varied.covering import Row
from lostlink.varied.handset_dimensions import HANDSET
from lostlink_sims import Move, Scenario
from lostlink_sims.handset_program import idle_codes
from lostlink_sims.scenario import (
    AnyFault,
    BatteryFalls,
    HandsetHung,
    HandsetLoopHung,
    HandsetOff,
    HandsetRadioBusy,
    HandsetRadioDead,
    HandsetRadioForgets,
    HandsetReset,
    InterferenceBurst,
    LinkCut,
    StickWireBroken,
    SwitchBounces,
)
from lostlink_sims.sticks import SWITCH_CODES, beyond

SECOND_US: Final = 1_000_000
MINUTE_US: Final = 60 * SECOND_US
STIR_US: Final = 10 * SECOND_US
"""Between two moves of the sticks in a long flight."""
SOON_US: Final = 100_000
_COUNTERS_US: Final = {"passes 2^32": 2**32, "passes 2^31": 2**31, "passes 2^16 ms": 2**16 * 1000,
                       "passes 2^15 ms": 2**15 * 1000}  # fmt: skip
_BOUNCES_US: Final = {"bounce for 5 ms": 5_000, "bounce for 10 ms": 10_000, "bounce, moved again and again": 10_000}
_THROTTLE: Final = {"full": 1.0, "half": 0.5, "idle": 0.0}


class VariedHandsetFlight:
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
        self._builder, self._profile, self._blank = builder, builder.profile, blank
        self._row = {**{one.name: one.values[0] for one in HANDSET.dimensions}, **row}
        self._handset = builder.profile.handset
        self._settle_us = limits.settle_us(self._profile) + builder.settle_us
        self._draw = random.Random(f"{blank.seed} {blank.trial} {sorted(row.items())}")
        numbered = list(enumerate(self._profile.channels))
        self._throttle = self._profile.throttle_index
        self._others = [i for i, one in numbered if one.kind == "stick" and i != self._throttle]
        self._switches = [i for i, one in numbered if one.kind != "stick" and i != self._profile.arm_index]
        self._moves: list[Move] = []
        self._faults: list[AnyFault] = []
        self._now_us = 0
        self.row = row
        self.scenario = self._composed()

    def _composed(self) -> Scenario:
        self._power_on()
        self._take_off()
        self._age()
        self._radio()
        event_us = self._now_us
        self._answers()
        self._battery()
        self._events()
        self._new_start()
        self._afterwards()
        bounce_us = _BOUNCES_US.get(self._row["contacts"])
        if bounce_us is not None:
            for channel in self._profile.channels:
                if channel.kind != "stick":
                    self._faults.append(SwitchBounces(at_us=0, channel=channel.name, bounce_us=bounce_us))
        return dataclasses.replace(
            self._blank,
            name=f"{self._blank.name}: {', '.join(f'{name} {value}' for name, value in self.row.items())}",
            duration_us=self._now_us, moves=tuple(self._moves), faults=tuple(self._faults),
            ambient=self._row["ADC noise"] == "as declared", handset_clock_us=self._clock_us(event_us),
        )  # fmt: skip

    def _clock_us(self, event_us: int) -> int:
        """Return the counter at power-on, so that it passes a value shortly after the event, if nothing resets it."""
        drawn, value_us = self._draw.randrange(2**32), _COUNTERS_US.get(self._row["counter at the event"])
        if value_us is None:
            return drawn
        return (value_us - event_us + self._handset.boot_us - self._draw.randrange(SOON_US)) % 2**32

    # --- the pilot ------------------------------------------------------------------------------------------

    def _move(self, index: int, position: float, at_us: int | None = None, ramp_us: int = 0) -> None:
        name = self._profile.channels[index].name
        at_us = self._now_us if at_us is None else at_us
        self._moves.append(Move(at_us=at_us, channel=name, position=position, ramp_us=ramp_us))

    def _settle(self) -> None:
        self._now_us += self._settle_us

    def _away(self) -> float:
        """Return a position away from centre and stops, where usual defaults are."""
        share = self._draw.random()
        return 0.08 + 0.7 * share + 0.14 * (share > 0.5)

    def _places(self, index: int) -> list[float]:
        """Return the positions of a switch."""
        number = len(SWITCH_CODES[self._profile.channels[index].kind])
        return [place / (number - 1) for place in range(number)]

    def _up(self) -> float:
        """Return the throttle of the flight."""
        word = self._row["throttle at the event"]
        if word in _THROTTLE:
            return _THROTTLE[word]
        return min(1.0, (max(idle_codes(self._profile)) + limits.ABOVE_IDLE_CODES + 8.5) / 256)

    def _set_sticks(self) -> None:
        word = self._row["sticks in flight"]
        for index in self._others:
            ends = {
                "at an end": (0.0, 1.0),
                "beyond an end": beyond(self._profile.channels[index], limits.BEYOND_COUNTS),
            }
            self._move(index, self._draw.choice(ends[word]) if word in ends else self._away())

    # --- stages ---------------------------------------------------------------------------------------------

    def _power_on(self) -> None:
        """Switch on with controls somewhere; then the pilot lowers the throttle."""
        word = self._row["at power-on"]
        if ("throttle" in word and word != "throttle low") or word == "everything away":
            self._move(self._throttle, 0.1 if "tenth" in word else 0.8)
        if word in ("other sticks away", "everything away"):
            for index in self._others:
                self._move(index, self._away())
        if word in ("switches on", "everything away"):
            for index in self._switches:
                self._move(index, self._places(index)[-1])
        self._now_us = max(limits.sends_us(self._profile), self._builder.ready_us)
        if "others move" in word:
            for index in (*self._others, *self._switches):
                for position in (0.0, 1.0):
                    self._move(index, position)
                    self._settle()
        if word != "throttle low":
            self._now_us += 8 * SECOND_US if "8 s" in word else SECOND_US
        self._lower()

    def _lower(self) -> None:
        """Hold the throttle low until every program has seen it."""
        self._move(self._throttle, 0.0)
        self._now_us += limits.LOW_US
        self._settle()

    def _arm(self, *, on: bool) -> None:
        arm = self._profile.arm_index
        if arm is not None:
            position = self._builder.switched_on(arm)
            self._move(arm, position if on else 1.0 - position)

    def _take_off(self) -> None:
        self._set_sticks()
        for index in self._switches:
            self._move(index, self._draw.choice(self._places(index)))
        self._arm(on=True)
        self._settle()
        self._move(self._throttle, self._up())
        self._settle()
        word, begin_us = self._row["sticks in flight"], self._now_us
        if word in ("moving slowly", "jumping"):
            ramp_us = SECOND_US // 2 if word == "moving slowly" else 0
            for number in range(4):
                for index in self._others:
                    self._move(index, self._away(), begin_us + number * SECOND_US // 2, ramp_us)
            self._now_us = begin_us + 2 * SECOND_US
        if self._row["contacts"] == "bounce, moved again and again":
            for index in self._switches:
                for position in (*self._places(index), *self._places(index)[::-1]):
                    self._move(index, position)
                    self._settle()

    def _age(self) -> None:
        """Fly on for a long time; the controls move meanwhile."""
        packets_us = 2**16 * self._handset.packet_interval_us + SECOND_US
        ages_us = {"past 2^16 packets": packets_us, "36 min": 36 * MINUTE_US, "72 min": 72 * MINUTE_US}
        end_us = self._now_us + ages_us.get(self._row["age of the flight"], 0)
        while self._now_us + STIR_US < end_us:
            for index in self._others:
                self._move(index, self._away())
            for index in self._switches:
                self._move(index, self._draw.choice(self._places(index)))
            self._now_us += STIR_US
        self._now_us = max(self._now_us, end_us)

    def _radio(self) -> None:
        word, packet_us = self._row["radio before the event"], self._handset.packet_interval_us
        spans_us = {"busy for a packet": [packet_us], "busy for 100 ms": [100_000],
                    "busy again and again": [packet_us, 3 * packet_us, packet_us // 2, 2 * packet_us]}  # fmt: skip
        for for_us in spans_us.get(word, []):
            at_us = self._now_us + self._draw.randrange(packet_us)
            self._faults.append(HandsetRadioBusy(at_us=at_us, for_us=for_us))
            self._now_us = at_us + for_us + 20 * packet_us
        self._settle()

    def _battery(self) -> None:
        """Let the battery fall from the event on, slowly, or be at its lowest from the beginning."""
        word, lowest_mv = self._row["battery"], self._profile.battery.lowest_mv
        if word == "at its lowest":
            self._faults.append(BatteryFalls(at_us=0, to_mv=lowest_mv, ramp_us=0))
        elif word == "falls to its lowest":
            self._faults.append(BatteryFalls(at_us=self._now_us, to_mv=lowest_mv, ramp_us=limits.BATTERY_FALLS_US))

    def _answers(self) -> None:
        """Lose packets, so that none, or not each, is answered from shortly before the event on."""
        match self._row["answers"]:
            case "half are lost":
                self._faults.append(InterferenceBurst(at_us=self._now_us - SOON_US, loss=0.5))
            case "none for a second":
                self._faults.append(LinkCut(at_us=self._now_us - SOON_US, for_us=SECOND_US))

    def _events(self) -> None:
        first, second = self._row["event"], self._row["second event"]
        begun_us = self._now_us
        self._now_us = end_us = self._event(first, begun_us)
        self._controls(begun_us, end_us)
        if second == "none":
            return
        match self._row["second comes"]:
            case "after a new start":
                self._new_start()
                self._move(self._throttle, self._up())
                self._settle()
                at_us = self._now_us
            case "soon after":
                at_us = end_us + self._draw.randrange(1, SOON_US)
            case _:
                at_us = begun_us + max(1, (end_us - begun_us) // 2)
        until_us = self._event(second, at_us)
        if self._row["second comes"] == "after a new start":
            self._controls(at_us, until_us)
        self._now_us = max(end_us, until_us)

    def _length_us(self) -> int:
        lengths_us = {
            "a second": SECOND_US, "some packets": 7 * self._handset.packet_interval_us // 2,
            "half the receiver's timeout": self._profile.receiver.timeout_us // 2,
            "past the watchdog": self._handset.watchdog_us * 103 // 100 + self._handset.packet_interval_us,
        }  # fmt: skip
        return lengths_us[self._row["length"]]

    def _event(self, word: str, at_us: int) -> int:
        """Let something happen; return when it is over."""
        for_us, boot_us = self._length_us(), self._handset.boot_us
        match word:
            case "none":
                return at_us + SOON_US
            case "main loop hangs":
                self._faults.append(HandsetLoopHung(at_us=at_us, for_us=for_us))
                return at_us + for_us + boot_us
            case "reset":
                self._faults.append(HandsetReset(at_us=at_us))
                return at_us + boot_us
            case "off and on":
                self._faults.append(HandsetOff(at_us=at_us, for_us=for_us))
                return at_us + for_us + boot_us
            case "radio busy":
                self._faults.append(HandsetRadioBusy(at_us=at_us, for_us=for_us))
                return at_us + for_us
            case "radio dead":
                self._faults.append(HandsetRadioDead(at_us=at_us, for_us=for_us))
                return at_us + for_us + limits.RADIO_BACK_US
            case "radio forgets":
                self._faults.append(HandsetRadioForgets(at_us=at_us))
                return at_us + limits.RADIO_BACK_US
            case "hangs as a whole":
                self._faults.append(HandsetHung(at_us=at_us, for_us=for_us))
                return at_us + for_us + boot_us
        stick, rail = self._throttle, word.rpartition(" ")[2]
        if word == "another stick's wire breaks":
            stick, rail = (
                self._draw.choice(self._others or [self._throttle]),
                self._draw.choice(("low", "high", "floats")),
            )
        name = self._profile.channels[stick].name
        if self._profile.channels[stick].kind == "stick":
            self._faults.append(StickWireBroken(at_us=at_us, for_us=for_us, channel=name, rail=rail))
        return at_us + for_us

    def _controls(self, begun_us: int, end_us: int) -> None:
        """Let the pilot move the controls in an event."""
        at_us = (begun_us + end_us) // 2
        match self._row["controls in the event"]:
            case "throttle goes down":
                self._move(self._throttle, 0.0, at_us)
            case "throttle goes up":
                self._move(self._throttle, 1.0, at_us)
            case "all sticks move":
                for index in (self._throttle, *self._others):
                    self._move(index, self._away(), at_us)
            case "switches flip":
                for index in self._switches:
                    self._move(index, self._draw.choice(self._places(index)), at_us)

    def _new_start(self) -> None:
        """After an event: all is watched for some time, and the throttle goes down."""
        self._now_us += SECOND_US // 2
        self._settle()
        self._lower()

    def _afterwards(self) -> None:
        self._move(self._throttle, self._up())
        self._settle()
        match self._row["afterwards"]:
            case "every control moves":
                for index in (*self._others, *self._switches):
                    places = [0.0, 1.0, 0.35] if index in self._others else self._places(index)
                    for position in places:
                        self._move(index, position)
                        self._settle()
            case "12 s":
                self._now_us += 12 * SECOND_US
        self._now_us += SECOND_US

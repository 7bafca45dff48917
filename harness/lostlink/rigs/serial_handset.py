"""Real time: a handset board behind a serial port; its inputs are injected, and radio, receiver and model simulated.

What ADC and switches would show is sent ahead, with instants of the board's clock. The board reports each payload that
its program hands to the radio. Afterwards the run is simulated with these packets. The ADC itself, its reference, the
supply and the radio are not tested.
"""

from __future__ import annotations

import math
import time
from typing import Final

from lostlink.bench import codec
from lostlink.bench.ahead import SentAhead, SpoiledError, room_needed
from lostlink.bench.board import BenchBoard
from lostlink.bench.clocks import ClockFit
from lostlink.bench.line import PortError
from lostlink.bench.pacer import precise_timing
from lostlink.errors import CannotError
from lostlink.rigs.serial import SerialRig
from lostlink.rigs.serial_run import NO_CLOCK
from lostlink.verdicts import Side, counted
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.handset import hang_spans, on_times, packet_phase_us, reset_times
from lostlink_sims.handset_bench import STEP_US, inputs_of
from lostlink_sims.scenario import (
    BatteryFalls,
    FadeRamp,
    HandsetHung,
    HandsetLoopHung,
    HandsetRadioBusy,
    HandsetRadioDead,
    HandsetRadioForgets,
    InterferenceBurst,
    LinkCut,
    WrongAddress,
)
from lostlink_sims.streams import Streams
from lostlink_sims.world import simulate_packets

_NEEDED: Final = codec.CAN_RESET | codec.KEEPS_TIME | codec.IS_HANDSET
_LEAST_AHEAD_US: Final = 150_000
"""Inputs that change at their usual rate for so long must have room in the board's queue."""
_START_US: Final = 200_000
"""A program that is on for less, beside its boot, may not have started."""
_NO_RADIO: Final = "the radio of an injected handset is not tested"
_CANNOT: Final = {
    HandsetHung: "the injected handset cannot repeat its last packet while it hangs as a whole",
    HandsetRadioBusy: _NO_RADIO,
    HandsetRadioDead: _NO_RADIO,
    HandsetRadioForgets: _NO_RADIO,
    BatteryFalls: "the warning of an injected handset is not reported",
}
_NO_ANSWERS: Final = "an injected handset is not told which of its packets were answered"
_ON_THE_AIR: Final = (FadeRamp, InterferenceBurst, LinkCut, WrongAddress)


class SerialHandsetRig(SerialRig):
    """Runs scenarios on a handset board behind a serial port.

    Parameters
    ----------
    profile : Profile
    port : str
    baud : int
    thorough : bool

    Raises
    ------
    PortError
        If the port cannot be opened, or no handset that takes its inputs ahead answers on it.
    """

    receiver = "reference receiver, not under test"
    sides = frozenset({Side.HANDSET})

    def __init__(self, profile: Profile, port: str, *, baud: int | None = None, thorough: bool = False) -> None:
        super().__init__(profile, port, baud=baud, thorough=thorough)
        self.about["not tested"] = "ADC, its reference, potentiometers, supply and radio: the inputs are injected"

    @property
    def under_test(self) -> str:
        """What is under test, as a conclusion names it."""
        return "the handset board's firmware"

    def _check_board(self, board: BenchBoard) -> None:
        missing = _NEEDED & ~board.identity.abilities
        if missing & codec.IS_HANDSET:
            raise PortError(
                self._port, "this board does not declare that it is a handset's (BENCH_IS_HANDSET); for a receiver's "
                "leave out --handset and give --rig serial:PORT",
            )  # fmt: skip
        if missing or board.queue is None:
            raise PortError(
                self._port, "a handset's board must be able to reset its program and to keep time (BENCH_KEEPS_TIME); "
                "build its firmware with a queue (BENCH_QUEUE_BYTES)",
            )  # fmt: skip
        needed = _LEAST_AHEAD_US // STEP_US * room_needed(codec.Packet(0, bytes(self._inputs_bytes)))
        if board.queue.room_bytes < needed:
            raise PortError(
                self._port, f"the board's queue of {board.queue.room_bytes} bytes is too small for this link's inputs; "
                f"at least {needed} are needed (BENCH_QUEUE_BYTES)",
            )  # fmt: skip

    @property
    def _inputs_bytes(self) -> int:
        """What the inputs show, as a message carries it."""
        sticks = sum(channel.kind == "stick" for channel in self.profile.channels)
        has_battery = self.profile.battery.input_range_mv is not None
        return 2 * (sticks + has_battery) + len(self.profile.channels) - sticks

    def _check_load(self) -> None:
        profile = self.profile
        inputs = 12 + self._inputs_bytes
        left = (12 + profile.payload_bytes) * 1e6 / profile.handset.packet_interval_us
        self._refuse_slow(inputs * 1e6 / STEP_US, left + 13 * 1e6 / STEP_US)

    def _make_safe(self, board: BenchBoard) -> str:
        """Hold the board in reset: it sends no packets."""
        board.send(codec.Clear())
        board.send(codec.Reset(codec.STAY_DOWN))
        board.answered(board.ping())
        return "the board is held in reset, it sends no packets"

    def _check_abilities(self, scenario: Scenario) -> None:
        self._check_open()
        for kind, why in _CANNOT.items():
            if any(isinstance(fault, kind) for fault in scenario.faults):
                raise CannotError(why)
        if self.profile.radio.acknowledge and any(isinstance(fault, _ON_THE_AIR) for fault in scenario.faults):
            raise CannotError(_NO_ANSWERS)
        if any(isinstance(fault, HandsetLoopHung) for fault in scenario.faults):
            self._check_able(codec.CAN_HANG, "let its main loop hang")
        if scenario.handset_clock_us:
            self._check_able(codec.CAN_SET_CLOCK, "set its program's clock")

    def _fly(self, scenario: Scenario) -> Trace:
        board = self._board
        assert board is not None
        self._prepare(board, scenario.handset_clock_us)
        before = self._disturbances(board)
        fit = board.alignment.fit()
        late, is_stepped = "", False
        start_us, packets = 0.0, []
        if fit is not None:
            with precise_timing():
                orders, is_stepped = orders_of(self.profile, scenario)
                start_ns = time.monotonic_ns() + self._lead_ns
                start_us = start_ns / 1000
                try:
                    SentAhead(board, fit, orders, start_us).run(scenario.duration_us, board.wait)
                except SpoiledError as error:
                    late = self._was_late(error)
                self._hold(board)
            fit = board.alignment.fit()
        reports = board.take_reports()
        if fit is None:
            board.align_anew()
            late = late or NO_CLOCK
        else:
            middle_us = start_us + scenario.duration_us / 2
            for board_us, payload in sorted(reports.left, key=lambda one: one[0]):
                at_us = round(fit.host_us(board_us, middle_us) - start_us)
                if 0 <= at_us < scenario.duration_us and payload:
                    packets.append((at_us, payload))
        trace = simulate_packets(self.profile, scenario, packets)
        trace.how_seen = HowSeen.REPORTED
        trace.uncertainty_us = _uncertainty_us(fit, scenario, start_us, board.identity.tick_us) + STEP_US * is_stepped
        trace.span_uncertainty_us = 2 * board.identity.tick_us
        trace.doubt = late or self._disturbed(board, before) or restarted(self.profile, scenario, reports.boots)
        self._worst_us = max(self._worst_us, trace.uncertainty_us)
        self._describe(board, fit)
        return trace


def _uncertainty_us(fit: ClockFit | None, scenario: Scenario, start_us: float, tick_us: int) -> int:
    """Return how far an instant of the board may be off on the scenario's time line."""
    if fit is None:
        return 0
    middle_us = start_us + scenario.duration_us / 2
    return math.ceil(fit.uncertainty_us(middle_us) + fit.rate_uncertainty * scenario.duration_us / 2) + tick_us + 1


def orders_of(profile: Profile, scenario: Scenario) -> tuple[list[tuple[int, codec.Message]], bool]:
    """Return what is sent to the board in a scenario, with its instants, and whether sticks move in steps."""
    shown, is_stepped = inputs_of(profile, scenario)
    orders: list[tuple[int, int, codec.Message]] = [
        (one.at_us, 0, codec.Packet(0, codec.inputs_payload(one.readings, one.switches))) for one in shown
    ]
    resets = set(reset_times(scenario, 0))  # the board's own watchdog makes the others
    phase_us = packet_phase_us(profile, scenario, Streams(scenario.seed, scenario.trial))
    begun_us: list[int] = []
    for on_us, off_us in on_times(scenario):
        begun_us.append(on_us + phase_us if on_us + phase_us < off_us else on_us)
        phase_us = 0
        orders.append((begun_us[-1], 2, codec.Reset(0)))
        if off_us < scenario.duration_us and off_us not in resets:
            orders.append((off_us, 1, codec.Reset(codec.STAY_DOWN)))
    for at_us, until_us in hang_spans(HandsetLoopHung, scenario):
        from_us = max(at_us, begun_us[0])  # it was on before that, in its phase
        if from_us < until_us:
            orders.append((from_us, 3, codec.Hang(until_us - from_us)))
    orders.append((scenario.duration_us, 1, codec.Reset(codec.STAY_DOWN)))
    ordered = sorted(orders, key=lambda order: order[:2])
    return [(at_us, message) for at_us, _, message in ordered if at_us <= scenario.duration_us], is_stepped


def restarted(profile: Profile, scenario: Scenario, boots: list[tuple[int, int]]) -> str:
    """Return a text if the board started more or less often than it was ordered and its watchdog would, else none."""
    lives = on_times(scenario, profile.handset.watchdog_us)
    surely = [off_us - on_us > 2 * profile.handset.boot_us + _START_US for on_us, off_us in lives]
    if len(boots) > len(lives) or any(cause == codec.POWER_ON for _, cause in boots):
        return "the board restarted by itself in the middle of the run"
    if len(boots) < sum(surely):
        return f"the board was ordered to start {counted(sum(surely), 'time')}, and reported {len(boots)}"
    return ""

"""Good packets, restarts, and the time windows of a run in which the required state is certain.

A *good* packet is one that a correct receiver accepts: undamaged, from its own handset, with its marks, not a repeat.
The windows follow from the arrival of good packets only, so the invariants do not depend on the cause of a loss.

- ``cuts``: failsafe must be active, until enough consecutive good packets have arrived for recovery. Power-on and
  every restart also start one, which ends with the first good packet.
- ``locks``: motors must be stopped, from the cut until a good packet with low throttle.
- ``links``: failsafe must not be active; the output must follow the sticks.

Outside these windows nothing is judged.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.packets import is_wrong
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims import Profile, Trace
from lostlink_sims.codes import pulse_table
from lostlink_sims.scenario import BrownOut, LastingFault, MainLoopHung, OutputStops
from lostlink_sims.trace import NOT_YET, NoteKind

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

SHORT_BOOT_US: Final = 10_000
"""A shorter restart may merge a truncated frame with the next; the first frame after it is not judged."""


@dataclass(frozen=True, slots=True)
class TimeLimits:
    """Time limits of a link, including clock errors, phases and the uncertainty of the rig; see `times`.

    Attributes
    ----------
    cut_us, motor_us : int
        Silence after the last good packet at which throttle and motors must be at idle.
    preset_us : int
        Silence after which every channel must be at its failsafe value.
    safe_us : int
        Silence that must not cause a failsafe.
    clean_us : int
        Longest time between two good packets when none is lost.
    linked_us : int
        Time without any loss after which the sticks must be followed.
    lag_us : int
        Maximum age of the packet whose values are output.
    """

    cut_us: int
    motor_us: int
    preset_us: int
    safe_us: int
    clean_us: int
    linked_us: int
    lag_us: int


def times(profile: Profile, uncertainty_us: int = 0) -> TimeLimits:
    """Return the time limits for a run of this link; uncertainty is in the receiver's favour."""
    builder = ScenarioBuilder(profile, 0, "hunt")
    receiver, limits = profile.receiver, profile.requirements
    ppm = abs(receiver.clock_error_ppm)
    # A link can be lost as late as the moment at which the next packet was due.
    packet_us = builder.packet_us + builder.retries_us
    late_us = packet_us + profile.cut_delay_us * ppm // 1_000_000 + 2 * uncertainty_us + 1_000
    return TimeLimits(
        cut_us=limits.cut_within_us + late_us,
        motor_us=limits.motor_cut_within_us + late_us,
        preset_us=limits.motor_cut_within_us + 2 * builder.frame_us + late_us,
        safe_us=receiver.timeout_us * (980_000 - ppm) // 1_000_000 - 1_000 - 2 * uncertainty_us,
        clean_us=packet_us + abs(profile.handset.clock_error_ppm) * packet_us // 1_000_000 + 100 + uncertainty_us,
        linked_us=builder.linked_us,
        lag_us=max(limits.latency_p99_us, 2 * packet_us + 2 * builder.frame_us) + uncertainty_us,
    )


@dataclass(frozen=True, slots=True)
class Span:
    """A time window in which a state is required; the end is excluded.

    Attributes
    ----------
    since_us : int
        The good packet, power-on or restart that starts the window.
    next_good_us : int
        The first good packet after `since_us`.
    restart : bool
        Whether it starts with power-on or a restart.
    """

    from_us: int
    until_us: int
    since_us: int
    next_good_us: int
    restart: bool = False


class Facts:
    """Packets, frames and time windows of a run, each computed once on first use.

    Attributes
    ----------
    trace, profile, times
    arrived_us : (n,) ndarray of int64
        Arrival times of good packets.
    commanded_us : (n, channels) ndarray of int64
        Their pulse widths.
    restarts : list of (int, int)
        Down and up times; the first is power-on.
    tolerance_us, idle_limit_us : int
        Accepted deviation of a pulse width; widest idle pulse of the throttle. Both include the uncertainty.
    """

    def __init__(self, trace: Trace) -> None:
        self.trace, self.profile = trace, trace.profile
        self.times = times(trace.profile, trace.uncertainty_us)
        self.end_us = trace.scenario.duration_us
        self.restarts = _restarts(trace)
        self.arrived_us, self.commanded_us = self._good()
        self.throttle = trace.profile.throttle_index
        settings, span_us = trace.profile.receiver, trace.span_uncertainty_us
        self.tolerance_us = (
            trace.profile.requirements.value_tolerance_us + span_us
            + -(-settings.high_us * abs(settings.clock_error_ppm) // 1_000_000)
        )  # fmt: skip
        self.idle_limit_us = trace.profile.requirements.idle_below_us + span_us

    @property
    def presets_us(self) -> list[int]:
        """Failsafe value of each channel of a frame."""
        own = [channel.failsafe_us for channel in self.profile.channels]
        return own + [self.profile.output.unused_us] * (self.profile.output.channels - len(own))

    # --- packets --------------------------------------------------------------------------------------------

    def _good(self) -> tuple[Ints, Ints]:
        packets, profile = self.trace.packets, self.profile
        order = np.argsort(packets.arrived_us, kind="stable")
        order = order[packets.arrived_us[order] != NOT_YET]
        if self.trace.payload_lengths is not None:  # a handset's program made them, with its own mistakes
            order = order[~is_wrong(self.trace)[order]]
        arrived_us, payload = packets.arrived_us[order], packets.payload[order]
        if profile.counter_byte is not None and len(order):
            count = payload[:, profile.counter_byte]
            new = np.concatenate([[True], count[1:] != count[:-1]])
            for _, up_us in self.restarts:  # after a restart the first packet counts as new
                if (first := int(np.searchsorted(arrived_us, up_us))) < len(new):
                    new[first] = True
            arrived_us, payload = arrived_us[new], payload[new]
        settings = profile.receiver
        table = np.array(pulse_table(settings.mapping, settings.low_us, settings.high_us), np.int64)
        return arrived_us, table[payload[:, list(profile.packet_bytes)]]

    @cached_property
    def moves(self) -> Ints:
        """Number of packets up to each good packet that command other widths than their predecessor."""
        return np.concatenate([[0], np.cumsum((np.diff(self.commanded_us, axis=0) != 0).any(1))])

    def _at(self, times_us: Ints, index: int) -> int:
        """Return one of some instants; the end of the run if there are fewer."""
        return int(times_us[index]) if index < len(times_us) else self.end_us

    # --- frames ---------------------------------------------------------------------------------------------

    @cached_property
    def frames(self) -> Mask:
        """Mask of the frames that are complete while the receiver is up and its output connected."""
        seen = self.trace.seen
        end_us = seen.done_us
        good = np.ones(len(end_us), np.bool_)
        frame_us = self.profile.output.frame_period_us
        for down_us, up_us in self.restarts:
            until_us = up_us + (frame_us if up_us - down_us < SHORT_BOOT_US else 0)
            good &= (end_us < down_us) | (seen.start_us >= until_us)
        for fault in self.trace.scenario.faults:
            if isinstance(fault, OutputStops):
                until_us = fault.until_us(self.end_us) + frame_us
                good &= (end_us < fault.at_us) | (seen.start_us >= until_us)
        return good

    @cached_property
    def pulses(self) -> tuple[Ints, Ints, Ints]:
        """Start of the frame, end and width of each throttle pulse in those frames."""
        width_us = self.trace.seen.table(self.throttle + 1)[:, -1]
        keep = self.frames & (width_us >= 0)
        return self.trace.seen.start_us[keep], self.trace.seen.last_edge_us(self.throttle)[keep], width_us[keep]

    # --- certain states -------------------------------------------------------------------------------------

    @cached_property
    def cuts(self) -> list[Span]:
        """Windows in which throttle pulses must be idle."""
        spans = []
        for from_us, since_us, restart in self._silences(self.times.cut_us):
            index = int(np.searchsorted(self.arrived_us, since_us, side="left" if restart else "right"))
            next_good_us = self._at(self.arrived_us, index)
            free_us = next_good_us if restart else self._returned_us(index)
            # A supply that fails at an acknowledgement does so at the time of the packet.
            later = [down_us for down_us, _ in self.restarts if down_us > since_us - (not restart)]
            until_us = min([free_us, *later])
            if from_us < until_us:
                spans.append(Span(from_us, until_us, since_us, next_good_us, restart))
        return spans

    def _returned_us(self, index: int) -> int:
        """Return when enough consecutive good packets for recovery have arrived, starting with the packet at `index`.

        They are consecutive unless the link was lost again in between.
        """
        at_us, numbers = self.arrived_us[index:], np.arange(len(self.arrived_us) - index)
        begins = np.concatenate([[True], np.diff(at_us) > self.times.safe_us])[: len(at_us)]
        row = numbers - np.maximum.accumulate(np.where(begins, numbers, 0)) + 1
        enough = np.flatnonzero(row >= self.profile.receiver.recovery_packets)
        return int(at_us[enough[0]]) if len(enough) else self.end_us

    @cached_property
    def locks(self) -> list[Span]:
        """Windows in which motors must be stopped."""
        low = self.commanded_us[:, self.throttle] <= self.profile.flight_controller.arm_below_us
        low_us = self.arrived_us[low]
        spans = []
        for from_us, since_us, restart in self._silences(self.times.motor_us, motors=True):
            index = int(np.searchsorted(low_us, since_us, side="left" if restart else "right"))
            until_us = self._at(low_us, index)
            from_us = max([from_us, *(noticed for at, noticed in self._silent_output() if since_us <= at < from_us)])
            if from_us < until_us:
                next_good_us = self._at(self.arrived_us, int(np.searchsorted(self.arrived_us, since_us, side="right")))
                spans.append(Span(from_us, until_us, since_us, next_good_us, restart))
        return spans

    def _silent_output(self) -> Iterator[tuple[int, int]]:
        """Yield when the output stopped without a fault of the program, and when motors must then be stopped."""
        stops = [fault.at_us for fault in self.trace.scenario.faults if isinstance(fault, OutputStops)]
        more_us = self.profile.flight_controller.signal_timeout_us + 2 * self.profile.output.frame_period_us
        for at_us in (*(down_us for down_us, _ in self.restarts[1:]), *stops):
            yield at_us, at_us + more_us

    def _silences(self, after_us: int, *, motors: bool = False) -> Iterator[tuple[int, int, bool]]:
        """Yield the start of the required state, the start of the silence, and whether a restart caused it."""
        fc, frame_us = self.profile.flight_controller, self.profile.output.frame_period_us
        for number, (down_us, up_us) in enumerate(self.restarts):
            noticed_us = down_us + fc.signal_timeout_us + 2 * frame_us
            if not motors:
                yield up_us, up_us, True
            elif not number or noticed_us < up_us:
                yield (up_us if not number else noticed_us), down_us, True
        ends_us = np.append(self.arrived_us, self.end_us)
        for index in np.flatnonzero(np.diff(ends_us) > after_us).tolist():
            since_us = int(ends_us[index])
            yield since_us + after_us, since_us, False

    @cached_property
    def links(self) -> list[Span]:
        """Windows in which the output must follow the sticks.

        A receiver may wait for a low throttle, also where the profile does not ask for that. A window therefore begins
        after a low throttle, or after a throttle pulse above idle, which shows that the receiver follows. It ends when
        the main loop hangs: the pulse interrupt may cut the throttle as soon as it notices.
        """
        at_us, end_us = self.arrived_us, self.end_us
        if not len(at_us):
            return []
        gap_us = np.diff(at_us)
        hangs = [fault for fault in self.trace.scenario.faults if isinstance(fault, MainLoopHung)]
        stops_us = [*(down_us for down_us, _ in self.restarts), *(hang.at_us for hang in hangs)]
        starts_us = [*(up_us for _, up_us in self.restarts), *(hang.until_us(end_us) for hang in hangs)]
        life = np.searchsorted(np.sort(starts_us), at_us, side="right")
        breaks = (gap_us > self.times.safe_us) | (np.diff(life) > 0)
        dirty = np.concatenate([[True], (gap_us > self.times.clean_us) | breaks])
        idle_us = self.profile.requirements.idle_below_us
        high = self.commanded_us[:, self.throttle] > idle_us
        _, pulse_us, width_us = self.pulses
        above_us = pulse_us[width_us > idle_us]

        def since_us(dirty: Mask) -> Ints:
            return at_us[np.maximum.accumulate(np.where(dirty, np.arange(len(at_us)), 0))]

        linked_us = since_us(dirty) + self.times.linked_us
        shown = np.searchsorted(above_us, at_us) > np.searchsorted(above_us, linked_us)
        ready = (at_us - since_us(dirty | high) >= self.times.linked_us) | ((at_us >= linked_us) & shown)
        spans = []
        bounds = [0, *(np.flatnonzero(breaks) + 1).tolist(), len(at_us)]
        for first, last in itertools.pairwise(bounds):
            hit = np.flatnonzero(ready[first:last])
            if not len(hit):
                continue
            from_us = int(at_us[first + hit[0]])
            until_us = min([end_us, int(at_us[last - 1]) + self.times.safe_us])
            until_us = min([until_us, *(stop_us for stop_us in stops_us if stop_us > from_us)])
            spans.append(Span(from_us, until_us, int(at_us[first]), int(at_us[first])))
        return spans


def _restarts(trace: Trace) -> list[tuple[int, int]]:
    """Return the down and up times of the receiver in order; power-on first.

    They come from the trace's notes, because acknowledgements and watchdogs trigger at run time. Overlapping restarts
    are merged.
    """
    boot_us = trace.profile.receiver.boot_us
    restarts = [(0, trace.scenario.receiver_on_us + boot_us)]
    for at_us, kind, _ in sorted(trace.notes, key=lambda note: note.at_us):
        match kind:
            case NoteKind.RESET:
                restarts.append((at_us, at_us + boot_us))
            case NoteKind.SUPPLY_DOWN:
                restarts.append((at_us, at_us + _down_us(trace, at_us) + boot_us))
            case NoteKind.BOOTED | NoteKind.BOOTED_ON_ORDER if at_us > 0:  # a board reports when it is up
                restarts.append((at_us, at_us))
    merged = restarts[:1]
    for down_us, up_us in restarts[1:]:
        if down_us < merged[-1][1]:
            merged[-1] = (merged[-1][0], up_us)
        else:
            merged.append((down_us, up_us))
    return merged


def _down_us(trace: Trace, at_us: int) -> int:
    """Return the duration of the supply failure that begins at an instant."""
    brown_outs = [fault for fault in trace.scenario.faults if isinstance(fault, BrownOut)]
    at_once = [fault for fault in brown_outs if not fault.on_acknowledgement and fault.at_us == at_us]
    waiting = [fault for fault in brown_outs if fault.on_acknowledgement and fault.at_us <= at_us]
    fault = (at_once or sorted(waiting, key=lambda fault: fault.at_us))[-1]
    return fault.until_us(trace.scenario.duration_us) - fault.at_us


def active(trace: Trace, kind: type[LastingFault], from_us: int, until_us: int) -> bool:
    """Return whether a fault of a kind was active between two instants."""
    return any(
        isinstance(fault, kind) and fault.at_us < until_us and fault.until_us(trace.scenario.duration_us) > from_us
        for fault in trace.scenario.faults
    )

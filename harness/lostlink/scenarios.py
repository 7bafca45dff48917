"""Builds scenarios: a model in flight at many phases of the packet, frame and receiver clocks.

With ideal clocks the phase between packets and frames is constant during a run, so one run tests one phase only. A
builder therefore spreads its runs evenly over both phases and shifts the pattern with the seed: run i of n has the
packet phase (i + u) / n and the frame phase of van der Corput's sequence plus v.
"""

from __future__ import annotations

import dataclasses
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from lostlink_sims import Move, Profile, Scenario
from lostlink_sims.profile import air_time_us
from lostlink_sims.scenario import AnyFault
from lostlink_sims.streams import Purpose, Streams

WRAPS = (
    (2**32, "passes 2^32 and wraps"),
    (2**31, "passes 2^31, the middle of its range"),
    (1000 * 2**16, "passes 65.536 s, where 16 bits of milliseconds wrap"),
)
"""Values of a microsecond counter at which comparisons may fail, and why."""
SIGNED_US = 1000 * 2**15
HANDSET_WRAPS = (*WRAPS, (SIGNED_US, "passes 32.768 s, where 16 bits of signed milliseconds wrap"))
"""Those of a handset's counter, which also measures how long contacts rest."""
STICKS_IN_FLIGHT = (0.8, 0.2, 0.7, 0.3, 0.9, 0.1)
"""Positions of sticks other than the throttle, far from any failsafe value."""


@dataclass(frozen=True, slots=True)
class Flight:
    """A model in flight, armed and with the throttle up.

    Attributes
    ----------
    scenario : Scenario
    at_us : int
        Instant of the fault.
    watch_us : int
        Default time to observe after it.
    """

    scenario: Scenario
    at_us: int
    watch_us: int

    def into(self, *faults: AnyFault, watch_us: int | None = None, moves: Sequence[Move] = ()) -> Scenario:
        """Return the scenario of this flight with `faults`."""
        return dataclasses.replace(
            self.scenario,
            faults=faults,
            moves=(*self.scenario.moves, *moves),
            duration_us=self.at_us + (self.watch_us if watch_us is None else watch_us),
        )


class ScenarioBuilder:
    """Builds the scenarios of one test; their phases depend on the test's name and the seed.

    Parameters
    ----------
    profile : Profile
    seed : int
    name : str
        Name of the test; tests with the same seed have different phases.
    phase_stride : int
        Divides the number of flights, for a rig in real time.
    """

    def __init__(self, profile: Profile, seed: int, name: str, *, phase_stride: int = 1) -> None:
        self.profile = profile
        self.seed = seed
        self.name = name
        self._phase_stride = phase_stride
        self._draws = Streams(seed, zlib.crc32(name.encode()))
        self._drawn = 0
        self._made = 0

    def share(self) -> float:
        """Return a new random number in 0 .. 1."""
        self._drawn += 1
        return int(self._draws.words(Purpose.SUITE, self._drawn, 1)[0]) / 2**32

    # --- durations -------------------------------------------------------------------------------

    @property
    def frame_us(self) -> int:
        """Longest frame period."""
        output = self.profile.output
        if output.style == "fixed gap":
            return output.channels * max(self.profile.receiver.high_us, output.unused_us) + output.frame_gap_us
        return output.frame_period_us

    @property
    def packet_us(self) -> int:
        """Longest interval between packets at the receiver on a clean link."""
        radio, handset = self.profile.radio, self.profile.handset
        return handset.packet_interval_us + handset.jitter_us + radio.latency_jitter_us

    @property
    def retries_us(self) -> int:
        """Longest time for which a packet is repeated."""
        radio = self.profile.radio
        return radio.acknowledge * radio.retries * radio.retry_delay_us

    @property
    def settle_us(self) -> int:
        """Longest time until a stick move is in whole frames at the flight controller, on a clean link.

        A receiver may take as long as the latency limit until the throttle's pulse; the rest of the frame follows.
        """
        profile, fc = self.profile, self.profile.flight_controller
        radio, receiver = profile.radio, profile.receiver
        flight_us = radio.settle_us + air_time_us(radio, profile.payload_bytes) + radio.latency_us
        least_us = 2 * self.packet_us + flight_us + 2 * self.frame_us
        rest_us = (profile.output.channels - profile.throttle_index - 1) * receiver.high_us
        return max(least_us, profile.requirements.latency_p99_us + rest_us) + fc.least_sync_us + 1_000

    @property
    def linked_us(self) -> int:
        """Longest time of good packets after which a receiver follows the sticks; at power-on and at a return.

        It may need the whole limit for a return, whatever it waits for: a time, a number of packets, a low throttle.
        """
        receiver, packet_us = self.profile.receiver, self.packet_us + self.retries_us
        recovery_us = receiver.recovery_us + receiver.recovery_us * abs(receiver.clock_error_ppm) // 1_000_000
        return self.profile.requirements.recovery_within_us + recovery_us + (receiver.recovery_packets + 3) * packet_us

    @property
    def ready_us(self) -> int:
        """Time after power-on of both ends at which the link is up."""
        boot_us = max(self.profile.handset.boot_us + self.packet_us, self.profile.receiver.boot_us)
        return boot_us + self.linked_us + self.settle_us

    @property
    def safe_gap_us(self) -> int:
        """Longest gap in the link that must not cause a failsafe; 0 if the timeout is too short for any gap.

        It may last into the hold time. The silence is up to two packet intervals longer than the gap; 2 % are a margin
        for clocks.
        """
        receiver = self.profile.receiver
        cut_us = self.profile.cut_delay_us * 1_000_000 // (1_000_000 + max(0, receiver.clock_error_ppm))
        return max(0, cut_us - 2 * self.packet_us - cut_us // 50 - 1_000)

    # --- runs -----------------------------------------------------------------------------------------------

    def blank(self, name: str = "", **fields: object) -> Scenario:
        """Return a new scenario on a clean link, with the next trial number."""
        self._made += 1
        values = {
            "name": f"{self.name} {name or self._made}".strip(),
            "seed": self.seed,
            "trial": self._made,
            "ambient": False,
            **fields,
        }
        return Scenario(**values)  # type: ignore[arg-type]

    def phases(self, runs: int, *, exactly: bool = False) -> Iterator[Scenario]:
        """Yield scenarios spread evenly over the phases of packets and frames, with random receiver clocks.

        Their number is divided by `phase_stride`, unless it must be `exactly` `runs`.
        """
        runs = runs if exactly else -(-runs // self._phase_stride)
        profile = self.profile
        packet_shift, frame_shift = self.share(), self.share()
        for run in range(runs):
            packet = (run + packet_shift) / runs
            frame = (van_der_corput(run) + frame_shift) % 1.0
            yield self.blank(
                name=f"run {run + 1} of {runs}",
                packet_phase_us=int(packet * profile.handset.packet_interval_us),
                frame_phase_us=int(frame * profile.output.frame_period_us),
                receiver_clock_us=int(self.share() * 2**32),
            )

    def flights(self, runs: int, *, ambient: bool = False, anywhere: bool = False) -> Iterator[Flight]:
        """Yield flights spread over the phases, with the throttle from a third to full.

        With `anywhere` the other sticks and switches are anywhere, in all flights but the first.
        """
        requirements = self.profile.requirements
        watch_us = requirements.motor_cut_within_us + 5 * self.frame_us + 50_000
        for run, scenario in enumerate(self.phases(runs)):
            throttle = 0.35 + 0.65 * ((run * 0.618034 + self.share() / 8) % 1.0)
            throttle = throttle if run else 1.0  # full throttle is the worst value to hold
            moves, up_us = self.take_off(throttle, positions=self.anywhere() if anywhere and run else None)
            # The instant is spread over a frame as well, independently of the clocks.
            at_us = up_us + self.settle_us + int(self.share() * self.frame_us)
            yield Flight(dataclasses.replace(scenario, moves=moves, ambient=ambient), at_us, watch_us)

    def anywhere(self) -> dict[int, float]:
        """Return a new position for each channel but throttle and arming: at a stop, centred, or anywhere."""
        positions = {}
        for index, channel in enumerate(self.profile.channels):
            if index not in (self.profile.throttle_index, self.profile.arm_index):
                somewhere = self.share()
                choices = (0.0, 0.5, 1.0, somewhere) if channel.kind == "stick" else (0.0, 1.0)
                positions[index] = choices[int(self.share() * len(choices))]
        return positions

    def take_off(
        self, throttle: float = 0.8, from_us: int | None = None, positions: Mapping[int, float] | None = None
    ) -> tuple[tuple[Move, ...], int]:
        """Return the moves that arm and raise the throttle, and when the throttle is up.

        Parameters
        ----------
        positions : dict of int to float, optional
            Of the other channels. [default: far from any failsafe value]
        """
        profile = self.profile
        arm_us = self.ready_us if from_us is None else from_us
        up_us = arm_us + self.settle_us + self.frame_us
        moves = []
        for index, channel in enumerate(profile.channels):
            if index == profile.throttle_index:
                moves.append(Move(at_us=up_us, channel=channel.name, position=throttle))
            elif index == profile.arm_index:
                moves.append(Move(at_us=arm_us, channel=channel.name, position=self.switched_on(index)))
            else:
                position = STICKS_IN_FLIGHT[index % len(STICKS_IN_FLIGHT)] if channel.kind == "stick" else 1.0
                position = position if positions is None else positions[index]
                moves.append(Move(at_us=arm_us, channel=channel.name, position=position))
        return tuple(moves), up_us

    def switched_on(self, index: int) -> float:
        """Return the position in which a switch gives its high width."""
        return 0.0 if self.profile.channels[index].reversed else 1.0


def van_der_corput(index: int) -> float:
    """Return the binary digits of `index` mirrored at the point: 0, 1/2, 1/4, 3/4, 1/8, ..."""
    digits = f"{index:b}"
    return int(digits[::-1], 2) / (1 << len(digits))

"""Builds scenarios: a model in flight at many phases of the packet, frame and receiver clocks.

With ideal clocks the phase between packets and frames is frozen for a whole run, so one run proves one lucky
instant only. A builder therefore spreads its runs evenly over both phases and moves the whole pattern with the
seed: run i of n takes the packet phase (i + u) / n and the frame phase of van der Corput's sequence plus v.
"""

from __future__ import annotations

import dataclasses
import zlib
from collections.abc import Iterator, Sequence
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
"""Values of the receiver's microsecond counter at which comparisons fail, and what happens there."""
STICKS_IN_FLIGHT = (0.8, 0.2, 0.7, 0.3, 0.9, 0.1)
"""Where sticks other than the throttle stand: nowhere near a failsafe value."""


@dataclass(frozen=True, slots=True)
class Flight:
    """A model in the air, armed and with the throttle up; `at_us` is the instant for what goes wrong.

    Attributes
    ----------
    scenario : Scenario
    at_us : int
    watch_us : int
        How long to look at what follows, unless told otherwise.
    """

    scenario: Scenario
    at_us: int
    watch_us: int

    def into(self, *faults: AnyFault, watch_us: int | None = None, moves: Sequence[Move] = ()) -> Scenario:
        """Return the scenario in which this flight meets `faults`."""
        return dataclasses.replace(
            self.scenario,
            faults=faults,
            moves=(*self.scenario.moves, *moves),
            duration_us=self.at_us + (self.watch_us if watch_us is None else watch_us),
        )


class ScenarioBuilder:
    """Makes scenarios for one test; the test's name and the seed decide its phases.

    Parameters
    ----------
    profile : Profile
    seed : int
    name : str
        The test's; two tests of one seed meet different phases.
    phase_stride : int
        One in so many flights is made: for a rig on which they take real time.
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
        """Return a fresh number in 0 .. 1."""
        self._drawn += 1
        return int(self._draws.words(Purpose.SUITE, self._drawn, 1)[0]) / 2**32

    # --- how long things take -------------------------------------------------------------------------------

    @property
    def frame_us(self) -> int:
        """Longest time from one frame to the next."""
        output = self.profile.output
        if output.style == "fixed gap":
            return output.channels * max(self.profile.receiver.high_us, output.unused_us) + output.frame_gap_us
        return output.frame_period_us

    @property
    def packet_us(self) -> int:
        """Longest time from one packet's arrival to the next on a clean link."""
        radio, handset = self.profile.radio, self.profile.handset
        return handset.packet_interval_us + handset.jitter_us + radio.latency_jitter_us

    @property
    def settle_us(self) -> int:
        """Time after which a move shows in whole frames at the flight controller, on a clean link."""
        radio = self.profile.radio
        flight_us = radio.settle_us + air_time_us(radio, self.profile.payload_bytes) + radio.latency_us
        fc = self.profile.flight_controller
        return 2 * self.packet_us + flight_us + 2 * self.frame_us + fc.least_sync_us + 1_000

    @property
    def ready_us(self) -> int:
        """Time after power-on of both ends at which the link is up."""
        receiver = self.profile.receiver
        boot_us = max(self.profile.handset.boot_us + self.packet_us, receiver.boot_us)
        return boot_us + receiver.recovery_us + (receiver.recovery_packets + 2) * self.packet_us + self.settle_us

    @property
    def safe_gap_us(self) -> int:
        """Longest gap in the link that must not cause a failsafe; 0 when the timeout leaves no room for any.

        The silence is up to two packet intervals longer than the gap; two per cent are left for clocks.
        """
        receiver = self.profile.receiver
        timeout_us = receiver.timeout_us * 1_000_000 // (1_000_000 + max(0, receiver.clock_error_ppm))
        return max(0, timeout_us - 2 * self.packet_us - timeout_us // 50 - 1_000)

    # --- runs -----------------------------------------------------------------------------------------------

    def blank(self, name: str = "", **fields: object) -> Scenario:
        """Return a scenario on a clean link with a seed, a trial and phases of its own."""
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
        """Yield scenarios spread evenly over the phases of packets and frames, at drawn receiver clocks.

        On a rig where time is dear there are fewer, unless it must be `exactly` so many.
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

    def flights(self, runs: int, *, ambient: bool = False) -> Iterator[Flight]:
        """Yield flights at spread phases, with the throttle anywhere from a third to full."""
        requirements = self.profile.requirements
        watch_us = requirements.motor_cut_within_us + 5 * self.frame_us + 50_000
        for run, scenario in enumerate(self.phases(runs)):
            throttle = 0.35 + 0.65 * ((run * 0.618034 + self.share() / 8) % 1.0)
            throttle = throttle if run else 1.0  # full throttle is the worst to hold
            moves, up_us = self.take_off(throttle)
            # The instant wanders through a frame as well, whatever the clocks do.
            at_us = up_us + self.settle_us + int(self.share() * self.frame_us)
            yield Flight(dataclasses.replace(scenario, moves=moves, ambient=ambient), at_us, watch_us)

    def take_off(self, throttle: float = 0.8, from_us: int | None = None) -> tuple[tuple[Move, ...], int]:
        """Return the moves that arm and raise the throttle, and when the throttle is up."""
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
                place = STICKS_IN_FLIGHT[index % len(STICKS_IN_FLIGHT)] if channel.kind == "stick" else 1.0
                moves.append(Move(at_us=arm_us, channel=channel.name, position=place))
        return tuple(moves), up_us

    def switched_on(self, index: int) -> float:
        """Return the position in which a switch puts out its high width."""
        return 0.0 if self.profile.channels[index].reversed else 1.0


def van_der_corput(index: int) -> float:
    """Return the binary digits of `index` mirrored at the point: 0, 1/2, 1/4, 3/4, 1/8, ..."""
    value, place = 0.0, 0.5
    while index:
        value += place * (index & 1)
        index >>= 1
        place /= 2
    return value

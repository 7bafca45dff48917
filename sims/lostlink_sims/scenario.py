"""Scenarios as pure data: seed, duration, stick movements and faults. Times are microseconds from the start.

`FAULTS` maps the names used in files to the classes. Lasting faults have ``for_us``; None means to the end.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass
from typing import ClassVar, Final

from lostlink_sims._settings import Checked, setting

LONGEST_US: Final = 86_400_000_000
"""Maximum duration: one day."""


def _at() -> int:
    at_us: int = setting(MISSING, "Start time.", "duration", least=0, most=LONGEST_US)
    return at_us


def _lasting() -> int | None:
    for_us: int | None = setting(None, "Duration; left out, to the end.", "duration", least=1, most=LONGEST_US)
    return for_us


@dataclass(frozen=True, slots=True, kw_only=True)
class Move(Checked):
    """The pilot moves one stick or switch, with a ramp at a constant rate."""

    at_us: int = _at()
    channel: str = setting(MISSING, "Name of the channel.", "text")
    position: float = setting(MISSING, "Final position, from its low to its high stop.", "share", least=0, most=1)
    ramp_us: int = setting(0, "Duration of the movement.", "duration", least=0, most=LONGEST_US)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault(Checked):
    """A fault at an instant."""

    name: ClassVar[str] = ""
    at_us: int = _at()


@dataclass(frozen=True, slots=True, kw_only=True)
class LastingFault(Fault):
    """A fault with a duration."""

    for_us: int | None = _lasting()

    def until_us(self, duration_us: int) -> int:
        """Return its end, at the latest the end of the scenario."""
        return duration_us if self.for_us is None else min(duration_us, self.at_us + self.for_us)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkCut(LastingFault):
    """All packets are lost."""

    name: ClassVar[str] = "link cut"


@dataclass(frozen=True, slots=True, kw_only=True)
class FadeRamp(LastingFault):
    """The signal falls at a constant rate by `depth_db`, as when flying away, and remains there."""

    name: ClassVar[str] = "fade ramp"
    depth_db: float = setting(60.0, "Depth of the fade.", "level", least=0, most=200)
    ramp_us: int = setting(1_000_000, "Duration of the fall.", "duration", least=0, most=LONGEST_US)


@dataclass(frozen=True, slots=True, kw_only=True)
class InterferenceBurst(LastingFault):
    """Interference destroys part of the packets."""

    name: ClassVar[str] = "interference burst"
    loss: float = setting(0.9, "Share of packets lost.", "share", least=0, most=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodicInterference(LastingFault):
    """A periodic transmitter destroys the packets that its bursts overlap."""

    name: ClassVar[str] = "periodic interference"
    period_us: int = setting(102_400, "Burst period.", "duration", least=100, most=LONGEST_US)
    burst_us: int = setting(2_000, "Burst duration.", "duration", least=1, most=LONGEST_US)
    loss: float = setting(1.0, "Share of overlapped packets lost.", "share", least=0, most=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlappingLink(LastingFault):
    """The link is lost and restored repeatedly."""

    name: ClassVar[str] = "flapping link"
    down_us: int = setting(600_000, "Duration of each loss.", "duration", least=1, most=LONGEST_US)
    up_us: int = setting(100_000, "Time between losses.", "duration", least=1, most=LONGEST_US)


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetOff(LastingFault):
    """The handset is switched off, and on again afterwards."""

    name: ClassVar[str] = "handset off"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetHung(LastingFault):
    """The handset's program hangs and its radio repeats the last payload."""

    name: ClassVar[str] = "handset hung"


@dataclass(frozen=True, slots=True, kw_only=True)
class StickWireBroken(LastingFault):
    """A stick's wire breaks and the ADC reads one of its rails."""

    name: ClassVar[str] = "stick wire broken"
    channel: str = setting(MISSING, "Name of the channel.", "text")
    rail: str = setting("low", "Rail that the ADC reads.", "choice", choices=("low", "high"))


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongAddress(LastingFault):
    """The handset sends to another address than the receiver's."""

    name: ClassVar[str] = "wrong address"


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignHandset(LastingFault):
    """Another handset sends on the same address. Packets that overlap in the air are both lost."""

    name: ClassVar[str] = "foreign handset"
    interval_us: int = setting(7_000, "Its packet interval.", "duration", least=500, most=LONGEST_US)
    payload_bytes: int | None = setting(
        None, "Length of its payload; left out, the same layout with another link id.", "count",
        least=1, most=32,
    )  # fmt: skip
    position: float = setting(0.8, "Position of all its sticks.", "share", least=0, most=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class DamagedPayload(LastingFault):
    """Bits of payloads are inverted; a radio with its CRC off delivers them."""

    name: ClassVar[str] = "damaged payload"
    share: float = setting(1.0, "Share of packets that are damaged.", "share", least=0, most=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverReset(Fault):
    """The receiver's microcontroller resets and boots."""

    name: ClassVar[str] = "receiver reset"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrownOut(LastingFault):
    """The receiver's supply fails, at the current peak of an acknowledgement or at once, and returns."""

    name: ClassVar[str] = "receiver brown-out"
    on_acknowledgement: bool = setting(
        True, "Wait for the next acknowledgement that the receiver sends; without any, nothing happens.", "flag"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MainLoopHung(LastingFault):
    """The receiver's main loop hangs; the timer interrupt continues to make pulses."""

    name: ClassVar[str] = "main loop hung"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputStops(LastingFault):
    """The receiver outputs no pulses."""

    name: ClassVar[str] = "output stops"


AnyFault = (
    LinkCut
    | FadeRamp
    | InterferenceBurst
    | PeriodicInterference
    | FlappingLink
    | HandsetOff
    | HandsetHung
    | StickWireBroken
    | WrongAddress
    | ForeignHandset
    | DamagedPayload
    | ReceiverReset
    | BrownOut
    | MainLoopHung
    | OutputStops
)

FAULTS: Final[dict[str, type[Fault]]] = {kind.name: kind for kind in AnyFault.__args__}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario(Checked):
    """One run, from power-on to its end.

    A phase of None is random, from (seed, trial): with ideal clocks it is constant during a run.
    """

    name: str = setting("scenario", "Name in reports.", "text")
    seed: int = setting(1, "Random seed.", "count", least=0, most=2**63 - 1)
    trial: int = setting(0, "Number of the run with this seed.", "count", least=0, most=2**32 - 1)
    duration_us: int = setting(2_000_000, "Duration.", "duration", least=1, most=LONGEST_US)
    handset_on_us: int = setting(0, "Time at which the handset is switched on.", "duration", least=0, most=LONGEST_US)
    receiver_on_us: int = setting(0, "Time at which the receiver is powered.", "duration", least=0, most=LONGEST_US)
    receiver_clock_us: int = setting(
        0, "Value of the receiver's 32-bit counter at power-on.", "duration", least=0, most=2**32 - 1
    )
    packet_phase_us: int | None = setting(
        None, "Delay of the first packet after the handset has booted; left out, random.", "duration",
        least=0, most=LONGEST_US,
    )  # fmt: skip
    frame_phase_us: int | None = setting(
        None, "Delay of the first frame after the receiver has booted; left out, random.", "duration",
        least=0, most=LONGEST_US,
    )  # fmt: skip
    ambient: bool = setting(True, "Apply the profile's ordinary losses and the noise of its sticks.", "flag")
    moves: tuple[Move, ...] = setting((), "Movements of the pilot.", "table")
    faults: tuple[AnyFault, ...] = setting((), "Faults.", "table")

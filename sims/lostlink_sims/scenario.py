"""Scenarios as pure data: seed, duration, stick movements and faults. Instants are microseconds from the start.

`FAULTS` maps the names used in files to the classes. Lasting faults have ``for_us``; None lasts to the end.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass
from typing import ClassVar, Final

from lostlink_sims._settings import Checked, choice, count, duration, flag, level, setting, share, table, text, voltage


@dataclass(frozen=True, slots=True, kw_only=True)
class Move(Checked):
    """The pilot moves one stick or switch, with a ramp at a constant rate."""

    at_us: int = duration(MISSING, "Start time.")
    channel: str = text(MISSING, "Name of the channel.")
    position: float = share(
        MISSING, "Final position, from its low to its high stop; beyond them for a stick with worn stops.", -0.2, 1.2
    )
    ramp_us: int = duration(0, "Duration of the movement.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault(Checked):
    """A fault at an instant."""

    name: ClassVar[str] = ""
    at_us: int = duration(MISSING, "Start time.")


@dataclass(frozen=True, slots=True, kw_only=True)
class LastingFault(Fault):
    """A fault with a duration."""

    for_us: int | None = duration(None, "Duration; left out, to the end.", 1)

    def until_us(self, duration_us: int) -> int:
        """Return when it ends, at the latest with the scenario."""
        return duration_us if self.for_us is None else min(duration_us, self.at_us + self.for_us)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkCut(LastingFault):
    """All packets are lost."""

    name: ClassVar[str] = "link cut"


@dataclass(frozen=True, slots=True, kw_only=True)
class FadeRamp(LastingFault):
    """The signal falls at a constant rate by `depth_db`, as when flying away, and remains there."""

    name: ClassVar[str] = "fade ramp"
    depth_db: float = level(60.0, "Depth of the fade.", 0, 200)
    ramp_us: int = duration(1_000_000, "Duration of the fall.")


@dataclass(frozen=True, slots=True, kw_only=True)
class InterferenceBurst(LastingFault):
    """Interference destroys part of the packets."""

    name: ClassVar[str] = "interference burst"
    loss: float = share(0.9, "Share of packets lost.")


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodicInterference(LastingFault):
    """A periodic transmitter destroys the packets that its bursts overlap."""

    name: ClassVar[str] = "periodic interference"
    period_us: int = duration(102_400, "Burst period.", 100)
    burst_us: int = duration(2_000, "Burst duration.", 1)
    loss: float = share(1.0, "Share of overlapped packets lost.")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlappingLink(LastingFault):
    """The link is lost and restored repeatedly."""

    name: ClassVar[str] = "flapping link"
    down_us: int = duration(600_000, "Duration of each loss.", 1)
    up_us: int = duration(100_000, "Time between losses.", 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetOff(LastingFault):
    """The handset is switched off, and on again afterwards."""

    name: ClassVar[str] = "handset off"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetHung(LastingFault):
    """The handset's program hangs, until a reset at most, and its radio repeats the last payload."""

    name: ClassVar[str] = "handset hung"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetReset(Fault):
    """The handset's microcontroller resets and boots."""

    name: ClassVar[str] = "handset reset"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetLoopHung(LastingFault):
    """The handset's main loop hangs, until a reset at most: a timer interrupt goes on, the watchdog resets it."""

    name: ClassVar[str] = "handset loop hung"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetRadioBusy(LastingFault):
    """The handset's radio takes no packet."""

    name: ClassVar[str] = "handset radio busy"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetRadioDead(LastingFault):
    """The handset's radio does not answer: it takes no packet, and forgets its set-up."""

    name: ClassVar[str] = "handset radio dead"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetRadioForgets(Fault):
    """The handset's radio forgets its set-up, as by a dip of its supply; the link needs handset.address."""

    name: ClassVar[str] = "handset radio forgets"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryFalls(Fault):
    """The voltage of the handset's battery goes at a constant rate to another, and stays there."""

    name: ClassVar[str] = "battery falls"
    to_mv: int = voltage(3_300, "Final voltage.")
    ramp_us: int = duration(60_000_000, "Duration of the fall.")


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchBounces(LastingFault):
    """Each time a switch is moved its contacts bounce."""

    name: ClassVar[str] = "switch bounces"
    channel: str = text(MISSING, "Name of the channel.")
    bounce_us: int = duration(10_000, "How long.", 1, 1_000_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class StickWireBroken(LastingFault):
    """A stick's wire breaks, and the ADC reads one of its rails, or with an input that floats the stick before it."""

    name: ClassVar[str] = "stick wire broken"
    channel: str = text(MISSING, "Name of the channel.")
    rail: str = choice(
        "low", "Rail that the ADC reads, or floats: what the input before reads.", "low", "high", "floats"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongAddress(LastingFault):
    """The handset sends to another address than the receiver's."""

    name: ClassVar[str] = "wrong address"


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignHandset(LastingFault):
    """Another handset sends on the same address. Packets that overlap in the air are both lost."""

    name: ClassVar[str] = "foreign handset"
    interval_us: int = duration(7_000, "Its packet interval.", 500)
    payload_bytes: int | None = count(None, "Payload length; left out, our layout with another link id.", 1, 32)
    id_difference: int = count(0x5A, "Bits in which its link id differs from ours.", 1, 255)
    position: float = share(0.8, "Position of all its sticks.")


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
    on_acknowledgement: bool = flag(True, "Wait for the next acknowledgement; without one, no failure.")


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
    | HandsetReset
    | HandsetLoopHung
    | HandsetRadioBusy
    | HandsetRadioDead
    | HandsetRadioForgets
    | BatteryFalls
    | SwitchBounces
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

    name: str = text("scenario", "Name in reports.")
    seed: int = count(1, "Random seed.", 0, 2**63 - 1)
    trial: int = count(0, "Number of the run with this seed.", 0, 2**32 - 1)
    duration_us: int = duration(2_000_000, "Duration.", 1)
    handset_on_us: int = duration(0, "Time at which the handset is switched on.")
    receiver_on_us: int = duration(0, "Time at which the receiver is powered.")
    handset_clock_us: int = duration(0, "Value of the handset's 32-bit counter at power-on.", 0, 2**32 - 1)
    receiver_clock_us: int = duration(0, "Value of the receiver's 32-bit counter at power-on.", 0, 2**32 - 1)
    packet_phase_us: int | None = duration(None, "First packet after the boot of the handset; left out, random.")
    frame_phase_us: int | None = duration(None, "First frame after the boot of the receiver; left out, random.")
    ambient: bool = flag(True, "Apply the profile's ordinary losses and the noise of its sticks.")
    moves: tuple[Move, ...] = table((), "Movements of the pilot.")
    faults: tuple[AnyFault, ...] = table((), "Faults.")

"""A link: handset, radio, receiver, output, flight controller, and its owner's requirements.

A `Profile` is read-only data, the same for every rig. The defaults describe a plain home-built link: 200
packets a second, six channels of eight bits mapped to 1000..2000 µs, an eight-channel PPM frame of 22.5 ms, and
a failsafe 500 ms after the last good packet.

Names end in their unit (``_us`` integer microseconds, ``_ppm``, ``_hz``, ``_db``, ``_dbm``, ``_m``). Pulse widths,
separators and frame periods are common practice, without a formal standard.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass

from lostlink_sims._settings import Checked, setting
from lostlink_sims.air.loss import LossModel

PAYLOAD_LIMIT_BYTES = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel(Checked):
    """One control channel, from the stick or switch to its failsafe value."""

    name: str = setting(MISSING, "What the pilot calls it.", "text")
    kind: str = setting(
        "stick", "A stick is read through the ADC; a switch has two or three positions.", "choice",
        choices=("stick", "two-position switch", "three-position switch"),
    )  # fmt: skip
    failsafe_us: int = setting(1500, "Pulse width output in failsafe.", "width", least=800, most=2200)
    reversed: bool = setting(False, "True when the handset reverses this control before sending.", "flag")
    centre_error: float = setting(
        0.0, "Offset of the potentiometer's centre, as a share of its track.", "share",
        least=-0.2, most=0.2,
    )  # fmt: skip
    travel_low: float = setting(
        0.0, "Wiper position on its track with the stick at its low stop.", "share", least=0, most=0.4
    )
    travel_high: float = setting(
        1.0, "Wiper position on its track with the stick at its high stop.", "share", least=0.6, most=1
    )


def _plain_channels() -> tuple[Channel, ...]:
    return (
        Channel(name="roll"),
        Channel(name="pitch"),
        Channel(name="throttle", failsafe_us=1000),
        Channel(name="yaw"),
        Channel(name="switch 1", kind="two-position switch", failsafe_us=1000),
        Channel(name="switch 2", kind="two-position switch", failsafe_us=1000),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsetSettings(Checked):
    """What the pilot holds: sticks, ADC, mapping rule, packet clock, and what a packet carries."""

    packet_interval_us: int = setting(
        5000, "Time from one packet to the next; 5 ms is 200 packets per second.", "duration",
        least=500, most=1_000_000,
    )  # fmt: skip
    clock_error_ppm: int = setting(
        0, "Error of the handset's clock; positive is fast, a ceramic resonator may be 5000 ppm off.", "ppm",
        least=-50_000, most=50_000,
    )  # fmt: skip
    jitter_us: int = setting(
        0, "Largest delay of a packet, uniformly distributed from 0.", "duration", least=0, most=100_000
    )
    boot_us: int = setting(
        20_000, "Time from switching the handset on to its first packet.", "duration", least=0, most=10_000_000
    )
    adc_noise_counts: int = setting(
        0, "Largest error of an ADC reading, uniformly distributed.", "count", least=0, most=32
    )
    mapping: str = setting(
        "a >> 2", "How a 10-bit reading a becomes an 8-bit code.", "choice",
        choices=("a >> 2", "a * 255 // 1023", "a * 255 // 1024", "round(a * 255 / 1023)"),
    )  # fmt: skip
    packet_counter: bool = setting(
        False,
        "A byte that counts packets, so that a receiver can recognise a repeated packet.",
        "flag",
    )
    link_id: int | None = setting(
        None, "A byte that marks this pair, so that a receiver can recognise a neighbour's handset.", "count",
        least=0, most=255,
    )  # fmt: skip
    check_byte: bool = setting(False, "A CRC-8 over the payload, for a radio whose own CRC is off.", "flag")


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioSettings(Checked):
    """The 2.4 GHz packet radio at both ends, and what its surroundings do to packets."""

    bit_rate_bit_s: int = setting(1_000_000, "Bit rate on the air.", "bit_rate", least=1_000, most=10_000_000)
    preamble_bytes: int = setting(1, "Preamble length.", "count", least=0, most=16)
    address_bytes: int = setting(5, "Address length.", "count", least=1, most=8)
    control_bits: int = setting(9, "Length of the packet control field.", "count", least=0, most=64)
    crc_bytes: int = setting(2, "CRC length; with 0 the radio delivers damaged payloads.", "count", least=0, most=4)
    settle_us: int = setting(
        130, "Time from the send command to the first bit on the air.", "duration", least=0, most=5_000
    )
    latency_us: int = setting(
        200, "Time from the last bit on the air to the delivery of the payload.", "duration",
        least=0, most=20_000,
    )  # fmt: skip
    latency_jitter_us: int = setting(
        0, "Largest additional latency, uniformly distributed from 0.", "duration", least=0, most=20_000
    )
    acknowledge: bool = setting(
        False, "The receiver acknowledges each packet; a packet without acknowledgement is repeated.", "flag"
    )
    retries: int = setting(2, "Number of retries of a packet without acknowledgement.", "count", least=1, most=15)
    retry_delay_us: int = setting(750, "Time from one attempt to the next.", "duration", least=100, most=10_000)
    losses: tuple[LossModel, ...] = setting(
        (), "Loss models in normal use; a packet arrives when no model loses it.", "table"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverSettings(Checked):
    """Specified behaviour of the receiver's firmware."""

    timeout_us: int = setting(
        500_000, "Silence after the last good packet at which the link counts as lost.", "duration",
        least=1_000, most=60_000_000,
    )  # fmt: skip
    hold_us: int = setting(
        0, "How long after that the last values are held before failsafe values are output.", "duration",
        least=0, most=60_000_000,
    )  # fmt: skip
    recovery_packets: int = setting(
        3, "Good packets in a row before the link counts as back.", "count", least=1, most=1000
    )
    recovery_us: int = setting(100_000, "Minimum duration of failsafe.", "duration", least=0, most=60_000_000)
    recover_on_low_throttle: bool = setting(False, "Leave failsafe only when the pilot's throttle is low.", "flag")
    mapping: str = setting(
        "truncate", "How a code 0..255 becomes a pulse width; centred is two segments with 127 at the middle.",
        "choice", choices=("truncate", "round", "centred"),
    )  # fmt: skip
    low_us: int = setting(1000, "Pulse width for code 0.", "width", least=800, most=1400)
    high_us: int = setting(2000, "Pulse width for code 255.", "width", least=1600, most=2200)
    clock_error_ppm: int = setting(
        0, "Error of the receiver's clock; positive is fast.", "ppm", least=-50_000, most=50_000
    )
    boot_us: int = setting(
        50_000, "Time from power-on or reset to the first pulse.", "duration", least=0, most=10_000_000
    )
    watchdog_us: int = setting(
        0, "Watchdog timeout of the main loop; 0 for none.", "duration",
        least=0, most=60_000_000,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputSettings(Checked):
    """The PPM frame on the wire to the flight controller."""

    style: str = setting(
        "fixed period", "Whether the frame's period or the gap after its last channel is constant.", "choice",
        choices=("fixed period", "fixed gap"),
    )  # fmt: skip
    frame_period_us: int = setting(
        22_500, "Time from one frame to the next, for a fixed period.", "duration", least=3_000, most=100_000
    )
    frame_gap_us: int = setting(
        6_500, "Time from the end of the last channel to the next frame, for a fixed gap.", "duration",
        least=1_000, most=100_000,
    )  # fmt: skip
    channels: int = setting(8, "Channels in a frame, unused ones included.", "count", least=1, most=16)
    separator_us: int = setting(300, "Length of the pulse that separates channels.", "width", least=50, most=600)
    polarity: str = setting(
        "positive", "Positive: the line idles low and the separators are high.", "choice",
        choices=("positive", "negative"),
    )  # fmt: skip
    unused_us: int = setting(1000, "Pulse width of unused channels.", "width", least=800, most=2200)
    latch: str = setting(
        "frame", "Whether widths are taken once at the start of a frame or read live while it goes out.", "choice",
        choices=("frame", "live"),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightControllerSettings(Checked):
    """How the flight controller interprets the pulses."""

    throttle: str = setting("throttle", "Name of the channel that drives the motors.", "text")
    arm_channel: str | None = setting(
        "switch 1", 'Name of the channel that arms; with "none" a low throttle alone arms.', "text"
    )
    arm_below_us: int = setting(
        1050, "Arms, and counts the throttle as idle, only below this width.", "width", least=800, most=1400
    )
    switch_on_us: int = setting(
        1500, "The arming channel counts as on from this width.", "width", least=1100, most=1900
    )
    failsafe_below_us: int = setting(
        900, "A throttle pulse shorter than this reports that the link is lost.", "width",
        least=500, most=1100,
    )  # fmt: skip
    least_pulse_us: int = setting(800, "A shorter pulse makes its frame invalid.", "width", least=300, most=1000)
    most_pulse_us: int = setting(2200, "A longer pulse makes its frame invalid.", "width", least=2000, most=3000)
    least_sync_us: int = setting(3000, "Shortest sync gap that ends a frame.", "duration", least=2_300, most=10_000)
    signal_timeout_us: int = setting(
        100_000, "Time without a valid frame after which the motors stop.", "duration", least=10_000, most=2_000_000
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirements(Checked):
    """The owner's limits; each verdict compares a measurement with one of them."""

    cut_within_us: int = setting(
        550_000, "From the loss of the link to the end of the first idle throttle pulse.", "duration",
        least=1_000, most=60_000_000,
    )  # fmt: skip
    motor_cut_within_us: int = setting(
        575_000, "From the loss of the link to motors at rest.", "duration", least=1_000, most=60_000_000
    )
    idle_below_us: int = setting(
        1050, "A throttle pulse counts as idle up to this width.", "width", least=800, most=1300
    )
    value_tolerance_us: int = setting(
        2, "Largest deviation of a pulse from the width that the profile's mapping rules give.", "width",
        least=0, most=100,
    )  # fmt: skip
    centre_within_us: int = setting(
        12, "Largest deviation of a centred stick from the middle of the range.", "width", least=0, most=200
    )
    ends_within_us: int = setting(
        8, "Largest deviation of a stick at its stop from the end of the range.", "width", least=0, most=200
    )
    recovery_within_us: int = setting(
        700_000, "From the return of the link to the first pulses that follow the sticks again.", "duration",
        least=1_000, most=60_000_000,
    )  # fmt: skip
    latency_p99_us: int = setting(
        60_000, "From a stick's move to the end of the first pulse that shows it, 99 % of the time.", "duration",
        least=1_000, most=10_000_000,
    )  # fmt: skip
    recoveries_per_second: float = setting(
        4.0, "How often an intermittent link may switch the output between failsafe and sticks.", "count",
        least=0.1, most=100,
    )  # fmt: skip
    frame_period_tolerance_us: int = setting(
        100, "Largest deviation of a frame's period from the profile's.", "width", least=1, most=10_000
    )
    sync_at_least_us: int = setting(
        3000, "Least gap between the last channel of a frame and the next frame.", "duration",
        least=2_300, most=20_000,
    )  # fmt: skip
    separator_tolerance_us: int = setting(
        20, "Largest deviation of a separator from the profile's length.", "width", least=1, most=300
    )
    waived: tuple[str, ...] = setting(
        (), "Ids of requirements that the owner waives; they are reported as waived.", "text"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile(Checked):
    """A whole link.

    Attributes
    ----------
    name : str
        Name of the link.
    channels : tuple of Channel
        In the order of payload and PPM frame.
    """

    name: str = setting("plain link", "What the link is called in reports.", "text")
    handset: HandsetSettings = HandsetSettings()
    channels: tuple[Channel, ...] = _plain_channels()
    radio: RadioSettings = RadioSettings()
    receiver: ReceiverSettings = ReceiverSettings()
    output: OutputSettings = OutputSettings()
    flight_controller: FlightControllerSettings = FlightControllerSettings()
    requirements: Requirements = Requirements()

    def channel_index(self, name: str) -> int:
        """Return the position of the channel called `name`.

        Raises
        ------
        KeyError
            If no channel has this name.
        """
        names = [channel.name for channel in self.channels]
        if name not in names:
            raise KeyError(f"no channel called {name!r}; the channels are {', '.join(names)}")
        return names.index(name)

    @property
    def throttle_index(self) -> int:
        """Position of the throttle channel."""
        return self.channel_index(self.flight_controller.throttle)

    @property
    def arm_index(self) -> int | None:
        """Position of the arming channel, None when a low throttle alone arms."""
        name = self.flight_controller.arm_channel
        return None if name is None else self.channel_index(name)

    @property
    def payload_bytes(self) -> int:
        """Length of a payload: a byte per channel, then link id, counter and check byte if configured."""
        extras = (self.handset.link_id is not None) + self.handset.packet_counter + self.handset.check_byte
        return len(self.channels) + extras

    @property
    def row_gap_us(self) -> int:
        """Longest time between two good packets that count as consecutive."""
        gap_us = self.handset.packet_interval_us * 3 // 2 + self.handset.jitter_us + self.radio.latency_jitter_us
        return gap_us + self.radio.acknowledge * self.radio.retries * self.radio.retry_delay_us

    @property
    def cut_delay_us(self) -> int:
        """Specified silence after which the receiver outputs its failsafe values."""
        return self.receiver.timeout_us + self.receiver.hold_us


def packet_bits(radio: RadioSettings, payload_bytes: int) -> int:
    """Return the bits of a packet on the air, preamble included."""
    whole = radio.preamble_bytes + radio.address_bytes + payload_bytes + radio.crc_bytes
    return 8 * whole + radio.control_bits


def air_time_us(radio: RadioSettings, payload_bytes: int) -> int:
    """Return how long a packet is on the air, rounded up to whole microseconds."""
    return -(-packet_bits(radio, payload_bytes) * 1_000_000 // radio.bit_rate_bit_s)


def fatal_bits(radio: RadioSettings, payload_bytes: int) -> int:
    """Return the number of bits in which an error spoils a packet: all but the preamble."""
    return packet_bits(radio, payload_bytes) - 8 * radio.preamble_bytes

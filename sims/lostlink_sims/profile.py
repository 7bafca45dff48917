"""A link: handset, radio, receiver, output, flight controller, and its owner's requirements.

A `Profile` is read-only data, the same for every rig. The defaults describe a plain home-built link: 200
packets a second, six channels of eight bits mapped to 1000..2000 µs, an eight-channel PPM frame of 22.5 ms, and
a failsafe 500 ms after the last good packet.

Names end in their unit (``_us`` integer microseconds, ``_ppm``, ``_hz``, ``_db``, ``_dbm``, ``_m``). Pulse widths,
separators and frame periods are common practice, without a formal standard.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass

from lostlink_sims._settings import (
    Checked,
    bit_rate,
    choice,
    count,
    duration,
    flag,
    ppm,
    share,
    table,
    text,
    voltage,
    width,
)
from lostlink_sims.air.loss import LossModel
from lostlink_sims.codes import ADC_COUNTS, ADC_RULES, CALIBRATED

PAYLOAD_LIMIT_BYTES = 32
_BATTERY_SHARE = 2
"""Per cent by which a program may misjudge the battery's voltage: a divider of resistors with 1 % each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel(Checked):
    """One control channel, from the stick or switch to its failsafe value."""

    name: str = text(MISSING, "What the pilot calls it.")
    kind: str = choice(
        "stick", "A stick, read by the ADC, or a switch.", "stick", "two-position switch", "three-position switch"
    )
    failsafe_us: int = width(1500, "Pulse width output in failsafe.", 800, 2200)
    packet_byte: int | None = count(
        None, "Index of its byte in the packet; its own position if not set.", 0, 31, example="7"
    )
    reversed: bool = flag(False, "True when the handset reverses this control before sending.")
    centre_error: float = share(0.0, "Offset of the potentiometer's centre, as a share of its track.", -0.2, 0.2)
    travel_low: float = share(0.0, "Wiper position on its track with the stick at its low stop.")
    travel_high: float = share(1.0, "Wiper position on its track with the stick at its high stop.")


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

    packet_interval_us: int = duration(5000, "Packet interval; 5 ms is 200 packets per second.", 500, 1_000_000)
    clock_error_ppm: int = ppm(
        0, "Clock error, positive if fast; a ceramic resonator has up to 5000 ppm.", -50_000, 50_000
    )
    jitter_us: int = duration(0, "Largest delay of a packet, uniformly distributed from 0.", 0, 100_000)
    boot_us: int = duration(20_000, "Time from switching the handset on to its first packet.", 0, 10_000_000)
    adc_noise_counts: int = count(0, "Largest error of an ADC reading, uniformly distributed.", 0, 32)
    mapping: str = choice(
        "a >> 2",
        "How a 10-bit reading a becomes an 8-bit code; calibrated: 0, 127 and 255 at a stick's stops and centre.",
        *ADC_RULES,
        CALIBRATED,
    )
    packet_channels: int | None = count(
        None,
        "Channels in a packet, with those that the frame does not put out; this profile's if not set.",
        1,
        32,
        example="12",
    )
    packet_counter: bool = flag(False, "A byte that counts packets, by which a receiver recognises repeated ones.")
    link_id: int | None = count(None, "A byte that identifies this pair, against a neighbour's handset.", 0, 255)
    check_byte: bool = flag(False, "A CRC-8 over the payload, for a radio whose own CRC is off.")
    turn_us: int = duration(400, "Time from reading the sticks to handing their packet to the radio.", 0, 100_000)
    sends_from: str = choice(
        "main loop", "Where its program sends: in the main loop, or in a timer interrupt.", "main loop", "timer"
    )
    at_power_on: str = choice(
        "waits for low throttle",
        "Switched on: the throttle is low until the stick was low once, or is sent at once.",
        "waits for low throttle",
        "sends at once",
    )
    after_reset: str = choice(
        "resumes",
        "After a reset in flight: the throttle is where the stick is, or low until the stick was low once.",
        "resumes",
        "waits for low throttle",
    )
    watchdog_us: int = duration(0, "Watchdog timeout of its main loop; 0 for none.", 0, 60_000_000)
    address: str | None = text(
        None, "Address of its receiver, in hexadecimal; with it the set-up of its radio is tested.",
        example="d2:4a:91:07:3e",
    )  # fmt: skip

    @property
    def own_address(self) -> bytes | None:
        """The address as bytes; None without one."""
        return None if self.address is None else bytes.fromhex(self.address.replace(":", ""))


@dataclass(frozen=True, slots=True, kw_only=True)
class BatterySettings(Checked):
    """The handset's battery, where its program measures it, and the reference of its ADC."""

    input_range_mv: int | None = voltage(
        None, "Battery voltage at which its ADC input reads full scale; with it the battery is the last reading.",
        example="6.6 V",
    )  # fmt: skip
    full_mv: int = voltage(4_200, "Voltage of the full battery.")
    warn_mv: int = voltage(3_600, "Below it the pilot is warned.")
    lowest_mv: int = voltage(3_300, "Below it the handset need not work.")
    reference: str = choice(
        "ratiometric",
        "Reference of the ADC: the supply of the sticks, or fixed, so that their readings fall with the battery.",
        "ratiometric",
        "fixed",
    )

    @property
    def moves_sticks(self) -> bool:
        """Whether the readings of sticks fall with the battery."""
        return self.input_range_mv is not None and self.reference == "fixed"


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioSettings(Checked):
    """The 2.4 GHz packet radio at both ends, and what its surroundings do to packets."""

    bit_rate_bit_s: int = bit_rate(1_000_000, "Bit rate on the air.", 1_000, 10_000_000)
    preamble_bytes: int = count(1, "Preamble length.", 0, 16)
    address_bytes: int = count(5, "Address length.", 1, 8)
    control_bits: int = count(9, "Length of the packet control field.", 0, 64)
    crc_bytes: int = count(2, "CRC length; with 0 the radio delivers damaged payloads.", 0, 4)
    settle_us: int = duration(130, "Time from the send command to the first bit on the air.", 0, 5_000)
    latency_us: int = duration(200, "Time from the last bit on the air to the delivery of the payload.", 0, 20_000)
    latency_jitter_us: int = duration(0, "Largest additional latency, uniformly distributed from 0.", 0, 20_000)
    acknowledge: bool = flag(False, "The receiver acknowledges packets; one without acknowledgement is repeated.")
    retries: int = count(2, "Number of retries of a packet without acknowledgement.", 1, 15)
    retry_delay_us: int = duration(750, "Time from one attempt to the next.", 100, 10_000)
    losses: tuple[LossModel, ...] = table((), "Loss models in normal use; a packet arrives when no model loses it.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverSettings(Checked):
    """Specified behaviour of the receiver's firmware."""

    timeout_us: int = duration(
        500_000, "Silence that counts as link loss, from the last good packet.", 1_000, 60_000_000
    )
    hold_us: int = duration(0, "Time for which the last values are then held, before failsafe values.", 0, 60_000_000)
    failsafe_output: str = choice(
        "presets", "In failsafe: the failsafe values of the channels, or no pulses at all.", "presets", "no pulses"
    )
    recovery_packets: int = count(3, "Good packets in a row before the link counts as back.", 1, 1000)
    recovery_us: int = duration(100_000, "Minimum duration of failsafe.", 0, 60_000_000)
    recover_on_low_throttle: bool = flag(False, "Leave failsafe only when the pilot's throttle is low.")
    mapping: str = choice(
        "truncate",
        "Code to pulse width; centred: two segments that meet in code 127.",
        "truncate",
        "round",
        "centred",
    )
    low_us: int = width(1000, "Pulse width for code 0.", 800, 1400)
    high_us: int = width(2000, "Pulse width for code 255.", 1600, 2200)
    clock_error_ppm: int = ppm(0, "Error of the receiver's clock; positive is fast.", -50_000, 50_000)
    boot_us: int = duration(50_000, "Time from power-on or reset to the first pulse.", 0, 10_000_000)
    watchdog_us: int = duration(0, "Watchdog timeout of the main loop; 0 for none.", 0, 60_000_000)

    @property
    def pulses_cease(self) -> bool:
        """Whether it outputs no pulses in failsafe."""
        return self.failsafe_output == "no pulses"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputSettings(Checked):
    """The PPM frame on the wire to the flight controller."""

    style: str = choice("fixed period", "Whether period or gap of frames is constant.", "fixed period", "fixed gap")
    frame_period_us: int = duration(22_500, "Time from one frame to the next, for a fixed period.", 3_000, 100_000)
    frame_gap_us: int = duration(6_500, "From the last channel to the next frame, for a fixed gap.", 1_000, 100_000)
    channels: int = count(8, "Channels in a frame, unused ones included.", 1, 16)
    separator_us: int = width(300, "Length of the pulse that separates channels.", 50, 600)
    polarity: str = choice("positive", "Positive: the line idles low, separators are high.", "positive", "negative")
    unused_us: int = width(1000, "Pulse width of unused channels.", 800, 2200)
    latch: str = choice("frame", "Whether widths are latched at the start of a frame or read live.", "frame", "live")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightControllerSettings(Checked):
    """How the flight controller interprets the pulses."""

    throttle: str = text("throttle", "Name of the channel that drives the motors.")
    arm_channel: str | None = text("switch 1", 'Name of the channel that arms; with "none" a low throttle alone arms.')
    arm_below_us: int = width(1050, "Arms, and counts the throttle as idle, only below this width.", 800, 1400)
    switch_on_us: int = width(1500, "The arming channel counts as on from this width.", 1100, 1900)
    failsafe_below_us: int = width(900, "A throttle pulse shorter than this reports that the link is lost.", 500, 1100)
    least_pulse_us: int = width(800, "A shorter pulse makes its frame invalid.", 300, 1000)
    most_pulse_us: int = width(2200, "A longer pulse makes its frame invalid.", 2000, 3000)
    least_sync_us: int = duration(3000, "Shortest sync gap that ends a frame.", 2_300, 10_000)
    signal_timeout_us: int = duration(100_000, "Time without a valid frame until the motors stop.", 10_000, 2_000_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirements(Checked):
    """The owner's limits; each verdict compares a measurement with one of them."""

    cut_within_us: int = duration(
        550_000, "From link loss to the end of the first idle throttle pulse.", 1_000, 60_000_000
    )
    motor_cut_within_us: int = duration(575_000, "From link loss to motors at rest.", 1_000, 60_000_000)
    idle_below_us: int = width(1050, "A throttle pulse counts as idle up to this width.", 800, 1300)
    value_tolerance_us: int = width(2, "Largest deviation of a pulse from the width by the mapping rules.", 0, 100)
    centre_within_us: int = width(12, "Largest deviation of a centred stick from the middle of the range.", 0, 200)
    ends_within_us: int = width(8, "Largest deviation of a stick at its stop from the end of the range.", 0, 200)
    recovery_within_us: int = duration(700_000, "From link return to pulses that follow the sticks.", 1_000, 60_000_000)
    latency_p99_us: int = duration(
        60_000, "From a stick's move to its first pulse, 99 % of the time.", 1_000, 10_000_000
    )
    recoveries_per_second: float = count(4.0, "How often an intermittent link may leave failsafe.", 0.1, 100)
    frame_period_tolerance_us: int = width(100, "Largest deviation of a frame's period from the profile's.", 1, 10_000)
    sync_at_least_us: int = duration(3000, "Shortest gap from the last channel to the next frame.", 2_300, 20_000)
    separator_tolerance_us: int = width(20, "Largest deviation of a separator from the profile's length.", 1, 300)
    waived: tuple[str, ...] = text((), "Ids of requirements that the owner waives; they are reported as waived.")


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

    name: str = text("plain link", "What the link is called in reports.")
    handset: HandsetSettings = HandsetSettings()
    battery: BatterySettings = BatterySettings()
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
        return self.packet_channels + extras

    @property
    def packet_channels(self) -> int:
        """Channels in a packet; those that this profile does not name are not put out."""
        return self.handset.packet_channels or len(self.channels)

    @property
    def packet_bytes(self) -> tuple[int, ...]:
        """Index in the payload of each channel's byte."""
        named = enumerate(channel.packet_byte for channel in self.channels)
        return tuple(index if byte is None else byte for index, byte in named)

    @property
    def counter_byte(self) -> int | None:
        """Index in the payload of the packet counter; None without one."""
        return self.packet_channels + (self.handset.link_id is not None) if self.handset.packet_counter else None

    @property
    def battery_tolerance_mv(self) -> int:
        """Voltage by which a program may misjudge the battery; 0 without an input for it."""
        range_mv = self.battery.input_range_mv
        if range_mv is None:
            return 0
        noise_mv = (self.handset.adc_noise_counts + 2) * range_mv // ADC_COUNTS
        return self.battery.full_mv * _BATTERY_SHARE // 100 + noise_mv

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

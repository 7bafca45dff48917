"""A profile as a C header, so that firmware and tests use the same link."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from lostlink_sims import Profile
from lostlink_sims.codes import ADC_COUNTS, CALIBRATED
from lostlink_sims.handset_program import LEAST_MARGIN, battery_counts, idle_codes, tells_break
from lostlink_sims.profile import air_time_us
from lostlink_sims.sticks import SWITCH_CODES, stops

Definition = tuple[str, object, str]
"""Name without its prefix, value and comment."""
_NONE = -1
_WAITS = "waits for low throttle"
_ADC_RULES = {
    "a >> 2": "SHIFT",
    "a * 255 // 1023": "BY_1023",
    "a * 255 // 1024": "BY_1024",
    "round(a * 255 / 1023)": "BY_1023_ROUNDED",
    CALIBRATED: "CALIBRATED",
}


def c_header(profile: Profile) -> str:
    """Return the values of a profile that the firmware of handset and receiver needs, as C definitions.

    Times are microseconds. The index of an absent payload byte is -1.
    """
    definitions = (*_packet(profile), *_link_loss(profile), *_pulses(profile), *_handset(profile))
    return "\n".join((
        f"/* The link {_comment(profile.name)}, written by lostlink header. Widths and times in microseconds. */",
        "#ifndef LINK_H",
        "#define LINK_H",
        "",
        *(f"#define LINK_{name} {value}{f'  /* {note} */' if note else ''}" for name, value, note in definitions),
        "",
        "#endif\n",
    ))  # fmt: skip


def _packet(profile: Profile) -> tuple[Definition, ...]:
    handset, count = profile.handset, profile.packet_channels
    bytes_at = ", ".join(map(str, profile.packet_bytes))
    has_id = handset.link_id is not None
    return (
        ("CHANNELS", len(profile.channels), "that the frame puts out"),
        ("CHANNEL_AT", f"{{{bytes_at}}}", "index of each one's byte in the payload"),
        ("OUTPUT_CHANNELS", profile.output.channels, "in a frame"),
        ("THROTTLE", profile.throttle_index, "index of its channel"),
        ("PAYLOAD_BYTES", profile.payload_bytes, ""),
        ("ID", handset.link_id if has_id else _NONE, "the byte that identifies this handset; -1: none"),
        ("ID_AT", count if has_id else _NONE, ""),
        (
            "COUNTER_AT",
            _NONE if profile.counter_byte is None else profile.counter_byte,
            "index of the packet counter; -1: none",
        ),
        ("CHECKED", int(handset.check_byte), "1: the last byte is a CRC-8 (polynomial 0x07)"),
    )


def _link_loss(profile: Profile) -> tuple[Definition, ...]:
    receiver = profile.receiver
    presets = ", ".join(str(channel.failsafe_us) for channel in profile.channels)
    return (
        ("FAILSAFE_US", f"{{{presets}}}", ""),
        ("FAILSAFE_PULSES", f"{int(not receiver.pulses_cease)}", "0: no pulses in failsafe"),
        ("TIMEOUT_US", f"{receiver.timeout_us}u", "silence after which the link is lost"),
        ("CUT_US", f"{profile.cut_delay_us}u", "silence after which the failsafe values are output"),
        ("RECOVERY_PACKETS", f"{receiver.recovery_packets}u", "consecutive good packets before the link is back"),
        ("RECOVERY_US", f"{receiver.recovery_us}u", "minimum time in failsafe"),
        ("RECOVER_LOW", int(receiver.recover_on_low_throttle), "1: only with the throttle low"),
        ("ROW_GAP_US", f"{profile.row_gap_us}u", "packets further apart are not consecutive"),
        ("IDLE_US", f"{profile.requirements.idle_below_us}u", "a throttle pulse up to this is idle"),
    )


def _pulses(profile: Profile) -> tuple[Definition, ...]:
    receiver, output = profile.receiver, profile.output
    return (
        ("LOW_US", f"{receiver.low_us}u", "for code 0"),
        ("HIGH_US", f"{receiver.high_us}u", "for code 255"),
        ("TRUNCATE", 0, ""),
        ("ROUND", 1, ""),
        ("CENTRED", 2, ""),
        ("MAPPING", f"LINK_{receiver.mapping.upper()}", ""),
        ("BOOT_US", f"{receiver.boot_us}u", "from power-on to the first pulse"),
        ("WATCHDOG_US", f"{receiver.watchdog_us}u", "0: none"),
        ("PERIOD_US", f"{output.frame_period_us}u", "from frame to frame"),
        ("GAP_US", f"{output.frame_gap_us if output.style == 'fixed gap' else 0}u", "after a frame; 0: fixed period"),
        ("SEPARATOR_US", f"{output.separator_us}u", ""),
        ("UNUSED_US", f"{output.unused_us}u", "width of channels beyond the packet's"),
        ("POSITIVE", int(output.polarity == "positive"), "1: the line idles low"),
    )


def _handset(profile: Profile) -> tuple[Definition, ...]:
    handset, channels = profile.handset, profile.channels
    throttle, sticks = channels[profile.throttle_index], [one for one in channels if one.kind == "stick"]
    address = handset.own_address or b""
    battery_full, battery_warn = battery_counts(profile.battery)
    no_stick, margin = (0, 0, 0), math.ceil(LEAST_MARGIN / 2 * ADC_COUNTS)
    return (
        ("PACKET_CHANNELS", profile.packet_channels, "bytes of channels in the payload"),
        ("STICKS", len(sticks), "readings of the ADC"),
        ("SWITCHES", len(channels) - len(sticks), ""),
        (
            "CONTROLS",
            _row(len(SWITCH_CODES.get(one.kind, ())) for one in channels),
            "0: a stick; 2, 3: a switch with so many positions",
        ),
        ("REVERSED", _row(int(one.reversed) for one in channels), "1: 255 - code is sent"),
        *((name, number, "") for number, name in enumerate(_ADC_RULES.values())),
        ("ADC_RULE", f"LINK_{_ADC_RULES[handset.mapping]}", "from a reading to a code"),
        (
            "STOPS",
            _row(_row(stops(one) if one.kind == "stick" else no_stick) for one in channels),
            "readings at a stick's low stop, in its centre, at its high stop",
        ),
        ("LEAST_READING", margin if tells_break(throttle, "low") else 0, "of the throttle; below: a broken wire"),
        (
            "MOST_READING",
            ADC_COUNTS - margin if tells_break(throttle, "high") else ADC_COUNTS - 1,
            "of the throttle; above: a broken wire",
        ),
        ("IDLE_CODE", max(idle_codes(profile)), "a throttle code up to this is idle"),
        ("INTERVAL_US", f"{handset.packet_interval_us}u", "from packet to packet"),
        ("SENDS_BY_TIMER", int(handset.sends_from == "timer"), "1: in a timer interrupt; 0: in the main loop"),
        ("WAITS_AT_POWER_ON", int(handset.at_power_on == _WAITS), "1: no throttle until the stick was low"),
        ("WAITS_AFTER_RESET", int(handset.after_reset == _WAITS), ""),
        ("TURN_US", f"{handset.turn_us}u", "from reading the sticks to handing their packet to the radio"),
        (
            "ON_AIR_US",
            f"{profile.radio.settle_us + air_time_us(profile.radio, profile.payload_bytes)}u",
            "from handing a packet to the radio to its last bit",
        ),
        ("ADDRESS", _row(f"0x{byte:02x}u" for byte in address or (0,)), "of the receiver"),
        ("ADDRESS_BYTES", len(address), "0: none declared"),
        ("BATTERY", int(profile.battery.input_range_mv is not None), "1: its reading follows those of the sticks"),
        ("BATTERY_FULL", f"{battery_full}u", "its reading when full, in sixteenths of a count"),
        ("BATTERY_WARN", f"{battery_warn}u", "below this reading the pilot is warned"),
        ("BATTERY_MOVES_STICKS", int(profile.battery.moves_sticks), "1: their readings fall with it"),
        ("HANDSET_BOOT_US", f"{handset.boot_us}u", "from power-on to the first packet"),
        ("HANDSET_WATCHDOG_US", f"{handset.watchdog_us}u", "0: none"),
    )


def _row(values: Iterable[object]) -> str:
    return f"{{{', '.join(map(str, values))}}}"


def _comment(text: str) -> str:
    """Return text that cannot end a comment."""
    return re.sub(r"[^A-Za-z0-9 _.-]", "?", text)

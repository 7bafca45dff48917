"""The commented profile that ``lostlink new`` writes: every key with its meaning, range and value."""

from __future__ import annotations

import dataclasses
import math
import re
import textwrap
from dataclasses import MISSING, dataclass
from typing import Any, TypeVar

from lostlink.profiles.models import settings_of
from lostlink.profiles.quantities import UNITS, text_of
from lostlink.profiles.rules import longest_cut_us, longest_frame_us, most_recoveries_per_second
from lostlink.profiles.writer import END, MARKED, toml_text, value_text
from lostlink_sims import Channel, Profile
from lostlink_sims._settings import Setting, declaration
from lostlink_sims.air.loss import MODELS
from lostlink_sims.profile import HandsetSettings, OutputSettings, ReceiverSettings, Requirements

_T = TypeVar("_T", HandsetSettings, ReceiverSettings, OutputSettings)
_WIDTH = 100
_HARD = "\N{NO-BREAK SPACE}"

_HEAD = """\
#:schema ./lostlink.schema.json
# A link profile: the properties of the link, and the requirements for it.
#   check and test it:          lostlink prove {file}
#   completion in an editor:    lostlink schema > lostlink.schema.json
#
# Quantities are text with a unit: "500 ms", "22.5 ms", "20 ppm", "2 %". What is left out
# has the value shown here, or the value that its comment gives after "Default:".
#
# Whenever hardware is connected: propellers off, flight battery disconnected, model restrained.
# Follow the radio and aviation regulations of your country. Meeting the requirements does not
# show that the model is safe to fly.

{marked}{end}
schema = 1
"""

_TITLES = {
    "handset": "The handset: its clock, its ADC, what a packet carries, and how its program behaves.",
    "battery": "The handset's battery, and the reference of its ADC. Without an input for it, not tested.",
    "radio": "The packet radio at both ends.",
    "receiver": "The receiver's firmware, as specified.",
    "output": "The PPM frame to the flight controller.",
    "flight_controller": "How the flight controller interprets the pulses.",
    "requirements": "The limits that the verdicts are based on.",
}

_WHY = {
    "packet_counter": "Set here: without it no receiver can detect a hung handset that repeats its last packet.",
    "link_id": "Set here: without it no receiver can reject another handset of the same kind.",
    "check_byte": "Set here: without it no receiver can detect a damaged packet when the radio's CRC is off or fails.",
    "after_reset": "To wait at power-on and resume after a reset, the program needs the cause of the reset.",
    "arm_channel": 'Without an arming switch, write "none".',
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkFacts:
    """Known properties of a link before its profile is written; None selects the default.

    Attributes
    ----------
    packet_interval_us, timeout_us, frame_period_us : int or None
    channels : tuple of Channel or None
        In the order of payload and frame; one is called "throttle".
    arm_channel : str or None
        Name of the switch that arms; "none" where a low throttle alone arms.
    throttle_failsafe_us : int or None
    packet_counter, check_byte : bool
    link_id : int or None
    """

    packet_interval_us: int | None = None
    timeout_us: int | None = None
    frame_period_us: int | None = None
    channels: tuple[Channel, ...] | None = None
    arm_channel: str | None = None
    throttle_failsafe_us: int | None = None
    packet_counter: bool = True
    check_byte: bool = True
    link_id: int | None = 42


def channels_of(text: str) -> tuple[Channel, ...]:
    """Return channels from a list such as "roll, pitch, throttle, yaw, arm/2, mode/3".

    A name with /2 is a switch of two positions, with /3 of three; "switch 1" has two positions.

    Raises
    ------
    ValueError
        If a name is missing.
    """
    channels = []
    for part in text.split(","):
        name, slash, positions = part.strip().partition("/")
        kind = {"": "stick", "2": "two-position switch", "3": "three-position switch"}.get(positions.strip())
        if not name.strip() or kind is None:
            raise ValueError(
                f'{part.strip()!r} is not a channel; allowed: names such as "roll, throttle, arm/2, mode/3"'
            )
        if not slash and re.fullmatch(r"(switch|arm)\b.*", name.strip()):
            kind = "two-position switch"
        is_low = kind != "stick" or name.strip() == "throttle"
        channels.append(Channel(name=name.strip(), kind=kind, failsafe_us=1000 if is_low else 1500))
    return tuple(channels)


def fitted(name: str, facts: LinkFacts) -> Profile:
    """Return the default link with protected packets, the known facts, and requirements that fit them."""
    plain = Profile()
    handset = dataclasses.replace(
        _with(plain.handset, packet_interval_us=facts.packet_interval_us),
        packet_counter=facts.packet_counter, link_id=facts.link_id, check_byte=facts.check_byte,
    )  # fmt: skip
    receiver = _with(plain.receiver, timeout_us=facts.timeout_us)
    channels = plain.channels if facts.channels is None else facts.channels
    if facts.throttle_failsafe_us is not None:
        low_us = facts.throttle_failsafe_us
        channels = tuple(
            dataclasses.replace(channel, failsafe_us=low_us) if channel.name == "throttle" else channel
            for channel in channels
        )
    output = _with(plain.output, frame_period_us=facts.frame_period_us)
    output = dataclasses.replace(output, channels=max(len(channels), output.channels if facts.channels is None else 1))
    profile = dataclasses.replace(
        plain, name=name, handset=handset, receiver=receiver, output=output, channels=channels
    )
    frame_us = longest_frame_us(profile)
    fc = dataclasses.replace(
        plain.flight_controller,
        signal_timeout_us=max(plain.flight_controller.signal_timeout_us, _up(3 * frame_us)),
        arm_channel=_arm_channel(facts, channels),
    )
    return dataclasses.replace(profile, requirements=_limits(profile), flight_controller=fc)


def _arm_channel(facts: LinkFacts, channels: tuple[Channel, ...]) -> str | None:
    """Return the arming switch: the one given, else the first switch."""
    if facts.arm_channel is not None:
        return None if facts.arm_channel == "none" else facts.arm_channel
    return next((channel.name for channel in channels if channel.kind != "stick"), None)


def _with(part: _T, **facts: int | None) -> _T:
    """Return a part with the known facts. A fact of 0 is known; the reader rejects it."""
    known: dict[str, Any] = {key: value for key, value in facts.items() if value is not None}
    return dataclasses.replace(part, **known)


def _limits(profile: Profile) -> Requirements:
    """Return limits that a correct receiver can meet: the defaults where possible."""
    plain = Profile()
    frame_us, interval_us, receiver = longest_frame_us(profile), profile.handset.packet_interval_us, profile.receiver
    recovery_us = receiver.recovery_us + (receiver.recovery_packets + 4) * interval_us + 4 * frame_us + 100_000
    limits = dataclasses.replace(
        plain.requirements,
        recovery_within_us=max(plain.requirements.recovery_within_us, _up(recovery_us)),
        latency_p99_us=max(plain.requirements.latency_p99_us, _up(3 * interval_us + 2 * frame_us)),
        recoveries_per_second=max(
            plain.requirements.recoveries_per_second, math.ceil(most_recoveries_per_second(profile))
        ),
    )
    if (profile.cut_delay_us, frame_us) == (plain.cut_delay_us, longest_frame_us(plain)):
        return limits
    cut_us, motor_us = longest_cut_us(profile)
    cut_us = _up(max(cut_us + 5_000, profile.cut_delay_us + frame_us + 15_000))
    motor_us = max(
        motor_us + 5_000, cut_us + frame_us + 5_000, profile.flight_controller.signal_timeout_us + 2 * frame_us
    )
    return dataclasses.replace(limits, cut_within_us=cut_us, motor_cut_within_us=_up(motor_us))


def _up(value_us: int) -> int:
    """Round up to a multiple of 5 ms."""
    return -(-value_us // 5_000) * 5_000


def commented_profile(
    name: str = "my link", file: str | None = None, facts: LinkFacts | None = None, **some: Any
) -> str:
    """Return a complete commented profile as TOML.

    Parameters
    ----------
    name : str
        Name of the link.
    file : str, optional
        File name for the hints in it.  [default: from the name]
    facts : LinkFacts, optional
        Known properties of the link, or the same as keywords.
    """
    profile = fitted(name, facts or LinkFacts(**some))
    file = file or re.sub(r"[^\w-]+", "_", name) + ".toml"
    lines = [_HEAD.format(file=file, marked=MARKED, end=END), *_rows(profile)]
    for field in dataclasses.fields(profile):
        part = getattr(profile, field.name)
        if field.name == "channels":
            lines += _channels(part)
        elif "setting" not in field.metadata:
            lines += ["", "", *_comment(_TITLES[field.name]), f"[{field.name}]", *_rows(part)]
            if field.name == "radio":
                lines += _losses()
    return "\n".join([*lines, "", END, ""])


def _comment(*parts: str, first: str = "# ", hang: str = "# ") -> list[str]:
    """Return text as comment lines; text from `_whole` stays on one line."""
    text = " ".join(part for part in parts if part)
    rows = textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=hang, break_on_hyphens=False)
    return [row.replace(_HARD, " ") for row in rows]


def _whole(text: str) -> str:
    return text.replace(" ", _HARD)


def _allowed(setting: Setting) -> str:
    if setting.choices:
        return "One of: " + ", ".join(_whole(f'"{choice}"') for choice in setting.choices) + "."
    if setting.least is None or setting.most is None or setting.most >= 2**31:
        return ""
    if setting.kind in UNITS:
        limits = f"{text_of(setting.least, setting.kind)} to {text_of(setting.most, setting.kind)}"
    else:
        limits = f"{setting.least:g} to {setting.most:g}"
    return _whole(f"Allowed: {limits}.")


def _left_out(field: dataclasses.Field[Any]) -> str:
    """Return the default of a key."""
    if field.default is MISSING:
        return _whole("Required.")
    return _whole(f"Default: {value_text(field, field.default) or 'none'}.")


def _rows(part: Any) -> list[str]:
    lines: list[str] = []
    for key, field in settings_of(part).items():
        value, setting = getattr(part, field.name), declaration(field)
        left_out = "" if value == field.default or field.name == "name" else _left_out(field)
        lines += ["", *_comment(setting.doc, _why(field.name, value), _allowed(setting), left_out)]
        text = value_text(field, value)
        example = setting.example if setting.kind == "count" else toml_text(setting.example)
        lines.append(f"# {key} = {example}" if text is None else f"{key} = {text}")
    return lines if isinstance(part, Profile) else lines[1:]


def _why(name: str, value: Any) -> str:
    why = _WHY.get(name, "")
    return why if value not in (False, None) else why.replace("Set here: without it", "Without it")


def _key_table(part: Any, *, left_out: bool) -> list[str]:
    """Return a table of keys and meanings."""
    settings = settings_of(part)
    across = max(map(len, settings)) + 2
    lines = []
    for key, field in settings.items():
        setting = declaration(field)
        words = setting.doc, _allowed(setting), _left_out(field) if left_out else ""
        lines += _comment(*words, first=f"#   {key:{across}}", hang=f"#   {'':{across}}")
    return lines


def _channels(channels: tuple[Channel, ...]) -> list[str]:
    lines = ["", "", *_comment("The channels, in the order of payload and PPM frame. The keys of a channel:"), "#"]
    lines += _key_table(Channel, left_out=True)
    shown = {key: field for key, field in settings_of(Channel).items() if key in ("name", "kind", "failsafe")}
    for channel in channels:
        lines += ["", "[[channels]]"]
        lines += [f"{key} = {value_text(field, getattr(channel, field.name))}" for key, field in shown.items()]
    return lines


def _losses() -> list[str]:
    lines = ["", *_comment("Loss models of ordinary use. A packet is received when no model loses it. To use a model,")]
    lines += _comment('remove "# " from its [[radio.losses]] on. Several may be combined.')
    for name, model in MODELS.items():
        lines += ["#", "#", *_comment((model.__doc__ or "").split("\n")[0]), "#", *_key_table(model, left_out=False)]
        lines += ["#", "# [[radio.losses]]", f"# model = {toml_text(name)}"]
        for key, field in settings_of(model).items():
            missing = field.default in (MISSING, None)
            text = toml_text(declaration(field).example) if missing else value_text(field, field.default)
            lines.append(f"# {key} = {text}")
    return lines

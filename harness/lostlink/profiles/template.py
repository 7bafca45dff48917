"""The commented profile that ``lostlink new`` writes: every key, what it means, what it takes, its value."""

from __future__ import annotations

import dataclasses
import json
import textwrap
from typing import Any

from lostlink_sims import Profile
from lostlink_sims._settings import Setting, key_of, told
from lostlink_sims.loss import MODELS

from lostlink.profiles.quantities import UNITS, text_of
from lostlink.profiles.rules import longest_frame_us
from lostlink.profiles.writer import value_text

_WIDTH = 100

_HEAD = """\
#:schema ./lostlink.schema.json
# A link profile: what the link is, and what its owner requires of it.
#   check it and prove it:      lostlink prove {file}
#   completion in an editor:    lostlink schema > lostlink.schema.json
#
# Quantities are text with a unit: "500 ms", "22.5 ms", "20 ppm", "2 %". What is left out has the value shown here.
#
# Whenever hardware is connected: propellers off, flight battery disconnected, model restrained. Keep to the
# radio and aviation rules where you are. Requirements that are met say nothing about whether a model is safe
# to fly.

schema = 1
"""

_TITLES = {
    "handset": "The handset: its clock, its ADC, and what a packet carries.",
    "radio": "The packet radio at both ends.",
    "receiver": "The receiver's firmware, as it is meant to be.",
    "output": "The PPM frame to the flight controller.",
    "flight_controller": "What the flight controller makes of the pulses.",
    "requirements": "Your limits; every verdict is held against one of them.",
}

_WHY = {
    "packet_counter": "Without it no receiver can tell a hung handset that repeats its last packet.",
    "link_id": "Without it no receiver can tell a neighbour's handset of the same kind.",
    "check_byte": "Without it no receiver can tell a damaged packet when the radio's CRC is off or fails.",
}


def fitted(
    name: str,
    *,
    packet_interval_us: int | None = None,
    timeout_us: int | None = None,
    frame_period_us: int | None = None,
) -> Profile:
    """Return the plain link with protected packets, some facts changed, and requirements that can be met with them."""
    plain = Profile()
    handset = dataclasses.replace(
        plain.handset,
        packet_interval_us=packet_interval_us or plain.handset.packet_interval_us,
        packet_counter=True,
        link_id=42,
        check_byte=True,
    )
    receiver = dataclasses.replace(plain.receiver, timeout_us=timeout_us or plain.receiver.timeout_us)
    output = dataclasses.replace(plain.output, frame_period_us=frame_period_us or plain.output.frame_period_us)
    profile = dataclasses.replace(plain, name=name, handset=handset, receiver=receiver, output=output)
    if profile == dataclasses.replace(plain, name=name, handset=handset):
        return profile
    frame_us, interval_us = longest_frame_us(profile), handset.packet_interval_us
    cut_us = _up(profile.cut_delay_us + frame_us + 15_000)
    recovery_us = receiver.recovery_us + (receiver.recovery_packets + 4) * interval_us + 4 * frame_us
    requirements = dataclasses.replace(
        plain.requirements,
        cut_within_us=cut_us,
        motor_cut_within_us=_up(cut_us + frame_us + 2_000),
        recovery_within_us=_up(max(plain.requirements.recovery_within_us, recovery_us + 100_000)),
        latency_p99_us=_up(max(plain.requirements.latency_p99_us, 3 * interval_us + 2 * frame_us)),
    )
    fc = dataclasses.replace(
        plain.flight_controller,
        signal_timeout_us=max(plain.flight_controller.signal_timeout_us, _up(3 * frame_us)),
    )
    return dataclasses.replace(profile, requirements=requirements, flight_controller=fc)


def _up(value_us: int) -> int:
    """Round up to whole 5 ms: limits that a person would write."""
    return -(-value_us // 5_000) * 5_000


def commented_profile(name: str = "my link", file: str = "my_link.toml", **facts: int | None) -> str:
    """Return a complete commented profile as TOML.

    Parameters
    ----------
    name : str
        What the link is called.
    file : str
        What the file will be called, for the hints in it.
    facts : int, optional
        ``packet_interval_us``, ``timeout_us``, ``frame_period_us``.
    """
    profile = fitted(name, **facts)
    lines = [_HEAD.format(file=file), *_rows(profile)]
    for field in dataclasses.fields(profile):
        part = getattr(profile, field.name)
        if field.name == "channels":
            lines += _channels(part)
        elif "setting" not in field.metadata:
            lines += ["", "", *_comment(_TITLES[field.name]), f"[{field.name}]", *_rows(part)]
            if field.name == "radio":
                lines += _losses()
    return "\n".join(lines) + "\n"


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ")


def _allowed(setting: Setting) -> str:
    if setting.choices:
        return "One of: " + ", ".join(f'"{choice}"' for choice in setting.choices) + "."
    if setting.least is None or setting.most is None or setting.most >= 2**31:
        return ""
    if setting.kind in UNITS:
        return f"{text_of(setting.least, setting.kind)} to {text_of(setting.most, setting.kind)}."
    return f"{setting.least:g} to {setting.most:g}."


def _rows(part: Any) -> list[str]:
    lines = []
    for field in dataclasses.fields(part):
        if "setting" not in field.metadata or told(field).kind == "table":
            continue
        setting = told(field)
        words = (setting.doc, _WHY.get(field.name, ""), _allowed(setting))
        lines += ["", *_comment(" ".join(word for word in words if word))]
        text = value_text(field, getattr(part, field.name))
        lines.append(
            f"# {key_of(field)} = {json.dumps(setting.example)}" if text is None else f"{key_of(field)} = {text}"
        )
    return lines[1:] if lines and not isinstance(part, Profile) else lines


def _channels(channels: tuple[Any, ...]) -> list[str]:
    lines = ["", "", *_comment("The channels, in the order of payload and PPM frame. The keys of a channel:")]
    for field in dataclasses.fields(channels[0]):
        setting = told(field)
        must = field.default is dataclasses.MISSING
        default = "must be given" if must else f"left out: {value_text(field, field.default)}"
        lines += _comment(" ".join(filter(None, (f"  {key_of(field)} ({default}).", setting.doc, _allowed(setting)))))
    for channel in channels:
        lines += ["", "[[channels]]", f"name = {json.dumps(channel.name)}", f"kind = {json.dumps(channel.kind)}"]
        lines.append(f"failsafe = {json.dumps(text_of(channel.failsafe_us, 'width'))}")
    return lines


def _losses() -> list[str]:
    lines = ["", *_comment("What loses packets in ordinary use. Take away the signs # to use one; several add up.")]
    for name, cls in MODELS.items():
        lines += [
            "#",
            *_comment((cls.__doc__ or "").split("\n")[0]),
            "# [[radio.losses]]",
            f"# model = {json.dumps(name)}",
        ]
        for field in dataclasses.fields(cls):  # type: ignore[arg-type]
            if "setting" not in field.metadata:
                continue
            missing = field.default in (dataclasses.MISSING, None)
            text = json.dumps(told(field).example) if missing else value_text(field, field.default)
            lines.append(f"# {key_of(field)} = {text}  # {told(field).doc}")
    return lines

"""Writes a `Profile` or a `Scenario` as TOML text that reads back as the same."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from typing import Any, Final

from lostlink.profiles.models import settings_of
from lostlink.profiles.quantities import UNITS, text_of
from lostlink_sims import Profile, Scenario
from lostlink_sims._settings import declaration
from lostlink_sims.profile import Channel


def toml_text(value: Any) -> str:
    """Return printable text, a list of such texts, a number or a flag as TOML; JSON has the same notation for them."""
    return json.dumps(value, ensure_ascii=False)


def value_text(field: dataclasses.Field[Any], value: Any) -> str | None:
    """Return a setting's value as TOML; None for one that is left out."""
    kind = declaration(field).kind
    if value is None:
        return '"none"' if field.name == "arm_channel" else None
    if kind in UNITS:
        return toml_text(text_of(value, kind))
    return toml_text(list(value) if isinstance(value, tuple) else value)


def _rows(instance: Any, *, defaults: bool, always: tuple[str, ...] = ()) -> list[str]:
    rows = []
    for key, field in settings_of(instance).items():
        value = getattr(instance, field.name)
        text = value_text(field, value)
        if text is not None and (defaults or value != field.default or field.name in always):
            rows.append(f"{key} = {text}")
    return rows


MARKED: Final = "# Complete with the last line: "
"""Start of the line that announces the last line, so that a truncated file is detected."""
END: Final = "# end of file"


def write_profile(profile: Profile) -> str:
    """Return a profile as TOML, with every value."""
    lines = [MARKED + END, "schema = 1", *_rows(profile, defaults=True)]
    for field in dataclasses.fields(profile):
        part = getattr(profile, field.name)
        if field.name == "channels":
            for channel in part:
                lines += ["", "[[channels]]", *_rows(channel, defaults=True)]
        elif "setting" not in field.metadata:
            lines += ["", f"[{field.name}]", *_rows(part, defaults=True)]
            for model in getattr(part, "losses", ()):
                lines += ["", "[[radio.losses]]", f"model = {toml_text(model.model)}", *_rows(model, defaults=True)]
    return "\n".join([*lines, "", END, ""])


def channel_table(channel: Channel, note: str = "") -> list[str]:
    """Return the lines of a channel's table, without defaults, with a comment beside its heading."""
    return [f"[[channels]]{note and f'  # {note}'}", *_rows(channel, defaults=False)]


def write_scenario(scenario: Scenario) -> str:
    """Return a scenario as TOML, without defaults except seed and duration."""
    rows = [MARKED + END, *_rows(scenario, defaults=False, always=("seed", "duration_us"))]
    for move in scenario.moves:
        rows += ["", "[[moves]]", *_rows(move, defaults=False)]
    for fault in scenario.faults:
        rows += ["", "[[faults]]", f"fault = {toml_text(fault.name)}", *_rows(fault, defaults=False)]
    return "\n".join([*rows, "", END, ""])


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        kind = {"model": value.model} if hasattr(value, "model") else {}
        return {**kind, **{field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value.hex() if isinstance(value, bytes) else value


def profile_digest(profile: Profile) -> str:
    """Return the SHA-256 of a profile's values; the layout of its file does not matter."""
    return hashlib.sha256(json.dumps(_plain(profile), sort_keys=True).encode()).hexdigest()

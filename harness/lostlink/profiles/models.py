"""Converts one raw value of a TOML file to the value of its setting, and checks it against the declaration. Pure."""

from __future__ import annotations

import dataclasses
import difflib
import json
import math
import re
from collections.abc import Iterable
from dataclasses import Field
from typing import Any

from lostlink.profiles import quantities
from lostlink_sims._settings import Setting, declaration, key_of

Keys = tuple[str | int, ...]

_LONGEST_SHOWN = 60  # characters of a user's text that an error text repeats
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


class BadValueError(ValueError):
    """An invalid value of a setting; says what is allowed."""


def settings_of(part: Any) -> dict[str, Field[Any]]:
    """Return the settings of a dataclass, or of an instance, by their keys in a file; without tables."""
    fields = [field for field in dataclasses.fields(part) if "setting" in field.metadata]
    return {key_of(field): field for field in fields if declaration(field).kind != "table"}


# --- values ------------------------------------------------------------------------------------------------------


def value_of(field: Field[Any], raw: Any) -> Any:
    """Return the value of the setting `field` from the raw value of a file.

    Raises
    ------
    BadValueError
        If it has the wrong type, or is outside the limits or choices.
    """
    setting = declaration(field)
    if setting.kind in quantities.UNITS:
        return _limited(setting, _quantity(setting, raw))
    match setting.kind:
        case "flag":
            if not isinstance(raw, bool):
                raise BadValueError(f"expected true or false, got {shown(raw)}")
        case "count":
            return _count(setting, raw, wants_float=isinstance(field.default, float))
        case "choice":
            if violation := setting.violation(raw):
                raise BadValueError(f"{shown(raw)} is {violation}{nearest(raw, setting.choices)}")
        case "text":
            return _texts(raw) if isinstance(field.default, tuple) else _text(field, raw)
    return raw


def _count(setting: Setting, raw: Any, *, wants_float: bool) -> float:
    if isinstance(raw, bool) or not isinstance(raw, (int, float) if wants_float else int):
        kind = "number" if wants_float else "whole number"
        raise BadValueError(f"expected a {kind}, got {shown(raw)}; allowed: {setting.range_text()}")
    return _limited(setting, _float(raw) if wants_float else raw)


def _texts(raw: Any) -> tuple[str, ...]:
    is_list = isinstance(raw, list)
    wrong = [f"{shown(item)} in it" for item in raw if not isinstance(item, str)] if is_list else [shown(raw)]
    if wrong:
        raise BadValueError(f'expected a list of texts such as ["FS-STALE"], got {wrong[0]}')
    return tuple(raw)


def _text(field: Field[Any], raw: Any) -> str | None:
    if field.name == "arm_channel" and (raw is False or raw == "none"):
        return None
    if not isinstance(raw, str) or not raw:
        raise BadValueError(f"expected text in quotes, got {shown(raw)}")
    if not raw.isprintable():  # it is shown on terminals and in pages
        raise BadValueError(f"expected text without control characters, got {shown(raw)}")
    return raw


def _quantity(setting: Setting, raw: Any) -> float:
    kind = setting.kind
    if isinstance(raw, str):
        try:
            return quantities.parse(raw, kind)
        except quantities.QuantityError as error:
            raise BadValueError(str(error)) from None
    suggested = quantities.EXAMPLE[kind]
    if isinstance(raw, (int, float)) and not isinstance(raw, bool):
        if isinstance(raw, float) and not math.isfinite(raw):
            raise BadValueError(f'{raw} is not a number; write text such as "{suggested}"')
        if kind == "share":
            return _float(raw)
        suggested = _with_unit(setting, raw)
    raise BadValueError(f'expected text with a unit, such as "{suggested}", got {shown(raw)}')


def _with_unit(setting: Setting, raw: int | float) -> str:
    """Return a bare number with the first unit with which it is allowed."""
    example = quantities.EXAMPLE[setting.kind]
    for unit in (example.split()[1], *quantities.UNITS[setting.kind]):
        try:
            _limited(setting, quantities.parse(f"{raw} {unit}", setting.kind))
        except ValueError:
            continue
        return f"{raw} {unit}"
    return example


def _float(raw: int | float) -> float:
    """Return `raw` as a float; a whole number too large for one stays outside all limits."""
    return float(max(-(10**18), min(10**18, raw))) if isinstance(raw, int) else raw


def _limited(setting: Setting, value: int | float) -> float:
    if violation := setting.violation(value):
        what = value if violation == "not a number" else shortened(_of(setting, value))
        raise BadValueError(f"{what} is {violation}; allowed: {setting.range_text(lambda limit: _of(setting, limit))}")
    return value


# --- words -------------------------------------------------------------------------------------------------------


def _of(setting: Setting, value: float) -> str:
    if setting.kind in quantities.UNITS:
        return quantities.text_of(int(value) if setting.kind in quantities.WHOLE else float(value), setting.kind)
    return shown(value) if isinstance(value, int) else f"{value:g}"


def example_of(setting: Setting) -> str:
    """Return an example value of a required setting."""
    if setting.choices:
        return f'"{setting.choices[0]}"'
    return f'"{setting.example or quantities.EXAMPLE.get(setting.kind, "a name")}"'


def shortened(text: str) -> str:
    """Return `text`, cut to the length that error texts show."""
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "…"


def shown(raw: Any) -> str:
    """Return a raw value as error texts show it."""
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, dict):
        return "a table"
    if isinstance(raw, list):
        return "a list"
    if isinstance(raw, int) and raw.bit_length() > 64:
        return shortened(f"{raw:#x}")  # Python does not write thousands of decimal digits
    return repr(shortened(raw)) if isinstance(raw, str) else shortened(str(raw))


def dotted(keys: Keys) -> str:
    """Return keys as a path, with indices from 1: ``radio.losses[2].probability``."""
    text = ""
    for key in keys:
        if isinstance(key, int):
            text += f"[{key + 1}]"
        else:
            # A key that needs quotes in TOML is shown in them: "a.b" is one key, and so is "".
            word = key if _BARE_KEY.fullmatch(key) else json.dumps(key, ensure_ascii=False)
            text += ("." if text else "") + shortened(word)
    return text


def nearest(name: Any, known: Iterable[str]) -> str:
    """Return a hint at the nearest known name, and all allowed names."""
    words = list(known)
    folded = {word.casefold(): word for word in words}
    near = difflib.get_close_matches(name[:_LONGEST_SHOWN].casefold(), folded, n=1) if isinstance(name, str) else []
    hint = f"; did you mean {folded[near[0]]!r}?" if near else ";"
    return f"{hint} allowed: {', '.join(words)}"

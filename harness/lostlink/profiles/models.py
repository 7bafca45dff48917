"""From what a TOML file says to the value of one setting, along what the setting's declaration allows.

Pure functions: a `Field` of a dataclass in `lostlink_sims` and a raw value go in, the value comes out or a
`BadValueError` that says what is allowed. Where a value stands in its file is the reader's business.
"""

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

_LONGEST_SHOWN = 60  # signs of a user's text that an error text repeats
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


class BadValueError(ValueError):
    """A value that a setting does not take; says what is allowed."""


def settings_of(cls: type) -> dict[str, Field[Any]]:
    """Return the settings of a dataclass by the key that stands for them in a file."""
    return {key_of(field): field for field in dataclasses.fields(cls) if "setting" in field.metadata}


# --- values ------------------------------------------------------------------------------------------------------


def value_of(field: Field[Any], raw: Any) -> Any:
    """Return the value of the setting `field` for which the file says `raw`.

    Raises
    ------
    BadValueError
        If it is of another type, beyond the limits, or none of the choices.
    """
    setting = declaration(field)
    if setting.kind in quantities.UNITS:
        return _limited(setting, _quantity(setting, raw))
    match setting.kind:
        case "flag":
            if not isinstance(raw, bool):
                raise BadValueError(f"expected true or false, got {shown(raw)}; allowed: true, false")
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
        raise BadValueError(f"expected a {kind}, got {shown(raw)}; allowed: {_range(setting)}")
    return _limited(setting, _float(raw) if wants_float else raw)


def _texts(raw: Any) -> tuple[str, ...]:
    if not isinstance(raw, list):
        raise BadValueError(f'expected a list of texts, got {shown(raw)}; allowed: such as ["FS-STALE"]')
    for item in raw:
        if not isinstance(item, str):
            raise BadValueError(f'expected a list of texts, got {shown(item)} in it; allowed: such as ["FS-STALE"]')
    return tuple(raw)


def _text(field: Field[Any], raw: Any) -> str | None:
    if field.name == "arm_channel" and (raw is False or raw == "none"):
        return None
    if not isinstance(raw, str) or not raw:
        raise BadValueError(f"expected text, got {shown(raw)}; allowed: text in quotes")
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
            raise BadValueError(f'{raw} is not a number; allowed: text such as "{suggested}"')
        if kind == "share":
            return _float(raw)
        suggested = _with_unit(setting, raw)
    raise BadValueError(f'expected text with a unit, got {shown(raw)}; allowed: text such as "{suggested}"')


def _with_unit(setting: Setting, raw: int | float) -> str:
    """Return a bare number with the unit that its writer may have meant: the first with which it is allowed."""
    example = quantities.EXAMPLE[setting.kind]
    for unit in (example.split()[1], *quantities.UNITS[setting.kind]):
        try:
            _limited(setting, quantities.parse(f"{raw} {unit}", setting.kind))
        except ValueError:
            continue
        return f"{raw} {unit}"
    return example


def _float(raw: int | float) -> float:
    """Return `raw` as a float; a whole number beyond all limits, which may not fit in one, stays beyond them."""
    return float(max(-(10**18), min(10**18, raw))) if isinstance(raw, int) else raw


def _limited(setting: Setting, value: int | float) -> float:
    if violation := setting.violation(value):
        what = value if violation == "not a number" else shortened(_of(setting, value))
        raise BadValueError(f"{what} is {violation}; allowed: {_range(setting)}")
    return value


# --- words -------------------------------------------------------------------------------------------------------


def _of(setting: Setting, value: float) -> str:
    if setting.kind in quantities.UNITS:
        return quantities.text_of(int(value) if setting.kind in quantities.WHOLE else float(value), setting.kind)
    return str(value) if isinstance(value, int) else f"{value:g}"


def _range(setting: Setting) -> str:
    low = None if setting.least is None else _of(setting, setting.least)
    high = None if setting.most is None else _of(setting, setting.most)
    if low is None and high is None:
        return "any"
    if high is None:
        return f"{low} or more"
    return f"up to {high}" if low is None else f"{low} to {high}"


def example_of(setting: Setting) -> str:
    """Return what a person might write for a setting that must be given."""
    if setting.choices:
        return f'"{setting.choices[0]}"'
    return f'"{setting.example or quantities.EXAMPLE.get(setting.kind, "a name")}"'


def shortened(text: str) -> str:
    """Return `text`, cut where it is too long for an error text."""
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "…"


def shown(raw: Any) -> str:
    """Return what the file says, as an error text repeats it."""
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, dict):
        return "a table"
    if isinstance(raw, list):
        return "a list"
    return repr(shortened(raw)) if isinstance(raw, str) else shortened(str(raw))


def dotted(keys: Keys) -> str:
    """Return keys as a person names them: ``radio.losses[2].probability``, counted from 1."""
    text = ""
    for key in keys:
        if isinstance(key, int):
            text += f"[{key + 1}]"
        else:
            # A key that TOML wants in quotes is shown in them: "a.b" is one key, and "" is one too.
            word = key if _BARE_KEY.fullmatch(key) else json.dumps(key, ensure_ascii=False)
            text += ("." if text else "") + shortened(word)
    return text


def nearest(name: Any, known: Iterable[str]) -> str:
    """Return a hint at the nearest known name, and all that are allowed."""
    words = list(known)
    folded = {word.casefold(): word for word in words}
    near = difflib.get_close_matches(name[:_LONGEST_SHOWN].casefold(), folded, n=1) if isinstance(name, str) else []
    hint = f"; did you mean {folded[near[0]]!r}?" if near else ";"
    return f"{hint} allowed: {', '.join(words)}"

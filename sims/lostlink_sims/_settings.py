"""Declares a setting of a profile or a scenario once, with its unit, limits and description.

The TOML reader, the JSON Schema, the commented profile of ``lostlink new`` and the error texts are derived from the
declarations in `profile`, `air.loss` and `scenario`. The limits hold at construction (`Checked`).
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal, cast

import numpy as np

Kind = Literal[
    "duration",  # integer microseconds
    "width",  # of a pulse, integer microseconds
    "ppm",  # parts per million
    "frequency",  # hertz
    "level",  # decibels
    "power",  # decibels over one milliwatt
    "length",  # metres
    "speed",  # metres a second
    "bit_rate",  # bits a second
    "voltage",  # integer millivolts
    "share",  # 0..1, written in per cent
    "count",
    "flag",
    "text",
    "choice",
    "table",
]

LONGEST_US: Final = 86_400_000_000
"""Longest duration: one day."""

#: Suffix of a field's name for its unit; the key in a file is the name without it.
SUFFIX: dict[str, str] = {
    "duration": "_us",
    "width": "_us",
    "ppm": "_ppm",
    "frequency": "_hz",
    "level": "_db",
    "power": "_dbm",
    "length": "_m",
    "speed": "_m_s",
    "bit_rate": "_bit_s",
    "voltage": "_mv",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Meaning and values of a setting.

    Attributes
    ----------
    doc : str
        Description for the owner of a profile.
    kind : Kind
        Dimension of the value, which decides the units.
    least, most : float or None
        Limits, both allowed, in the field's own unit.
    choices : tuple of str
        Allowed values of a ``choice``.
    example : str
        Example value of a setting without a default.
    """

    doc: str
    kind: Kind
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()
    example: str = ""

    @property
    def is_limited(self) -> bool:
        """Whether some values are not allowed."""
        return self.kind in ("text", "choice") or (self.least, self.most) != (None, None)

    def range_text(self, text_of: Callable[[float], str] = str) -> str:
        """Return the limits in words, each as `text_of` shows it; by default in the field's own unit."""
        if self.kind == "text":
            return "text without control characters"
        if self.least is None:
            return "any" if self.most is None else f"up to {text_of(self.most)}"
        return f"{text_of(self.least)} {'or more' if self.most is None else f'to {text_of(self.most)}'}"

    def violation(self, value: Any) -> str:
        """Return how a value violates the limits or choices; empty if it does not."""
        if self.choices:
            return "" if value in self.choices else "not one of the choices"
        if self.kind == "text":  # shown on terminals and in pages
            return "not printable" if isinstance(value, str) and not value.isprintable() else ""
        if self.least is None and self.most is None:
            return ""
        if value is None:  # optional and left out
            return ""
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or value != value:
            return "not a number"
        if self.least is not None and value < self.least:
            return "too small"
        return "too large" if self.most is not None and value > self.most else ""


class Checked:
    """Base of every dataclass with settings: limits hold at construction, wherever the values come from."""

    __slots__ = ()

    def __post_init__(self) -> None:
        """Check every setting.

        Raises
        ------
        ValueError
            If a value breaks its limits; names the field and the allowed values.
        """
        for name, declared, default in _limited_fields(type(self)):  # type: ignore[arg-type]
            value = getattr(self, name)
            if value is not default and (violation := declared.violation(value)):
                allowed = ", ".join(declared.choices) or declared.range_text()
                raise ValueError(f"{type(self).__name__}.{name}: {value!r} is {violation}; allowed: {allowed}")


@functools.cache
def _limited_fields(cls: type) -> tuple[tuple[str, Setting, Any], ...]:
    """Return name, declaration and default of each field of a dataclass that has limits or choices."""
    fields = [field for field in dataclasses.fields(cls) if "setting" in field.metadata]
    rows = ((field.name, declaration(field), field.default) for field in fields)
    return tuple(row for row in rows if row[1].is_limited)


def setting(
    default: Any,
    doc: str,
    kind: Kind,
    *,
    least: float | None = None,
    most: float | None = None,
    choices: tuple[str, ...] = (),
    example: str = "",
) -> Any:
    """Declare a dataclass field with its `Setting`.

    `default` is ``dataclasses.MISSING`` for a required setting. The return type is ``Any``, as that of
    ``dataclasses.field``.
    """
    declared = Setting(doc=doc, kind=kind, least=least, most=most, choices=choices, example=example)
    return dataclasses.field(default=default, metadata={"setting": declared})


def _declares(kind: Kind, least: float | None = None, most: float | None = None) -> Callable[..., Any]:
    """Return `setting` for one kind: ``(default, doc, least, most, *, example)``."""

    def declare(
        default: Any, doc: str, least: float | None = least, most: float | None = most, *, example: str = ""
    ) -> Any:
        return setting(default, doc, kind, least=least, most=most, example=example)

    return declare


bit_rate = _declares("bit_rate")
count = _declares("count")
flag = _declares("flag")
frequency = _declares("frequency")
length = _declares("length")
level = _declares("level")
power = _declares("power")
ppm = _declares("ppm")
speed = _declares("speed")
table = _declares("table")
text = _declares("text")
voltage = _declares("voltage", 0, 100_000)
width = _declares("width")
duration, share = _declares("duration", 0, LONGEST_US), _declares("share", 0, 1)


def choice(default: str, doc: str, *choices: str) -> Any:
    """Declare a setting that is one of some words."""
    return setting(default, doc, "choice", choices=choices)


def declaration(field: dataclasses.Field[Any]) -> Setting:
    """Return the declaration of `field`."""
    return cast(Setting, field.metadata["setting"])


def key_of(field: dataclasses.Field[Any]) -> str:
    """Return the key of `field` in a file: its name without the unit."""
    return field.name.removesuffix(SUFFIX.get(declaration(field).kind, ""))

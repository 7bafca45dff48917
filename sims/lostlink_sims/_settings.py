"""How one setting of a profile or a scenario is declared: once, with its unit, its limits and its sentence.

The dataclasses in `profile`, `air.loss` and `scenario` are the only place where a setting is described. The limits
hold at construction (`Checked`). The reader of TOML files, the JSON Schema, the commented profile that ``lostlink
new`` writes and every error text are derived from these declarations, so that they always agree.
"""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from typing import Any, Literal, cast

import numpy as np

Kind = Literal[
    "duration",  # integer microseconds
    "width",  # the same, of a pulse: people give it in microseconds
    "ppm",  # parts in a million
    "frequency",  # hertz
    "level",  # decibels
    "power",  # decibels over one milliwatt
    "length",  # metres
    "speed",  # metres a second
    "bit_rate",  # bits a second
    "share",  # 0..1, written in per cent
    "count",
    "flag",
    "text",
    "choice",
    "table",
]

#: The suffix that a field's name carries for its unit; the key in a file is the name without it.
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
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What a setting means and which values it takes.

    Attributes
    ----------
    doc : str
        One sentence for the owner of a profile.
    kind : Kind
        Dimension of the value; decides which units are taken.
    least, most : float or None
        Limits, both allowed, in the field's own unit.
    choices : tuple of str
        The words allowed for a ``choice``.
    example : str
        What a person might write where there is no default.
    """

    doc: str
    kind: Kind
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()
    example: str = ""

    @property
    def range_text(self) -> str:
        """The limits in words, in the field's own unit."""
        if self.most is None:
            return f"{self.least} or more"
        return f"up to {self.most}" if self.least is None else f"{self.least} to {self.most}"

    def violation(self, value: Any) -> str:
        """Return how a value breaks the limits or choices; empty when it does not."""
        if self.choices:
            return "" if value in self.choices else "not one of the choices"
        if self.least is None and self.most is None:
            return ""
        if value is None:  # left out, where the declaration has that
            return ""
        if isinstance(value, bool) or not isinstance(value, int | float | np.number):
            return "not a number"
        if value != value:
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
            If a value breaks its limits; names the field and what is allowed.
        """
        for name, declared, default in _limited_fields(type(self)):  # type: ignore[arg-type]
            value = getattr(self, name)
            if value is not default and (violation := declared.violation(value)):
                allowed = ", ".join(declared.choices) or declared.range_text
                raise ValueError(f"{type(self).__name__}.{name}: {value!r} is {violation}; allowed: {allowed}")


@functools.cache
def _limited_fields(cls: type) -> tuple[tuple[str, Setting, Any], ...]:
    """Return name, declaration and default of each field of a dataclass that has limits or choices."""
    fields = [field for field in dataclasses.fields(cls) if "setting" in field.metadata]
    declared = [(field.name, declaration(field), field.default) for field in fields]
    return tuple(row for row in declared if row[1].choices or (row[1].least, row[1].most) != (None, None))


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
    """Declare a dataclass field together with what it means.

    `default` may be ``dataclasses.MISSING`` for a setting that must be given. The return type is ``Any`` so
    that a class body reads ``timeout_us: int = setting(...)``, as it does with ``dataclasses.field``.
    """
    declared = Setting(doc=doc, kind=kind, least=least, most=most, choices=choices, example=example)
    return dataclasses.field(default=default, metadata={"setting": declared})


def declaration(field: dataclasses.Field[Any]) -> Setting:
    """Return what was declared about `field`."""
    return cast(Setting, field.metadata["setting"])


def key_of(field: dataclasses.Field[Any]) -> str:
    """Return the key that stands for `field` in a file: its name without the unit."""
    return field.name.removesuffix(SUFFIX.get(declaration(field).kind, ""))

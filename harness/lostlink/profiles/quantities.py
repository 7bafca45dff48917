"""Converts quantities from and to text with a unit: ``"22.5 ms"`` is 22500 µs.

Numbers are read with `decimal`, without rounding. Each kind of setting (`lostlink_sims._settings.Kind`) has its units
and one internal unit.
"""

from __future__ import annotations

import re
from decimal import Decimal, Inexact, localcontext
from typing import Final

#: For each kind its units in the internal unit; the preferred units come first.
UNITS: Final[dict[str, dict[str, Decimal]]] = {
    "duration": {
        "ms": Decimal(1000), "us": Decimal(1), "s": Decimal(1_000_000), "µs": Decimal(1), "min": Decimal(60_000_000),
    },
    "width": {
        "us": Decimal(1), "µs": Decimal(1), "ms": Decimal(1000), "s": Decimal(1_000_000),
    },
    "ppm": {"ppm": Decimal(1), "%": Decimal(10_000)},
    "frequency": {"GHz": Decimal(10**9), "MHz": Decimal(10**6), "kHz": Decimal(1000), "Hz": Decimal(1)},
    "level": {"dB": Decimal(1)},
    "power": {"dBm": Decimal(1)},
    "length": {"m": Decimal(1), "km": Decimal(1000), "cm": Decimal("0.01")},
    "speed": {"m/s": Decimal(1), "km/h": Decimal(1) / Decimal("3.6")},
    "bit_rate": {"Mbit/s": Decimal(10**6), "kbit/s": Decimal(1000), "bit/s": Decimal(1)},
    "voltage": {"V": Decimal(1000), "mV": Decimal(1)},
    "share": {"%": Decimal("0.01")},
}  # fmt: skip

#: Examples for error texts.
EXAMPLE: Final[dict[str, str]] = {
    "duration": "500 ms",
    "width": "1500 us",
    "ppm": "20 ppm",
    "frequency": "2.44 GHz",
    "level": "6 dB",
    "power": "0 dBm",
    "length": "120 m",
    "speed": "10 m/s",
    "bit_rate": "1 Mbit/s",
    "voltage": "3.7 V",
    "share": "2 %",
}

_INTERNAL: Final = {
    "duration": "microseconds", "width": "microseconds", "ppm": "ppm", "bit_rate": "bits per second",
    "voltage": "millivolts",
}  # fmt: skip
#: Kinds whose internal values are integers.
WHOLE: Final = frozenset(_INTERNAL)

_TEXT = re.compile(r"\s*([+-]?[0-9]+(?:\.[0-9]+)?)\s*([A-Za-zµμ%/]*)\s*")


_LONGEST = 400  # characters of a quantity; the smallest float takes 330


class QuantityError(ValueError):
    """Text that is not a quantity of the expected kind; says what is allowed."""


def parse(text: str, kind: str) -> float | int:
    """Return the value of `text` in the internal unit.

    Raises
    ------
    QuantityError
        If it is not a number with a unit of this kind, or not a whole number where the internal value is an integer.
    """
    units = UNITS[kind]
    allowed = f'allowed: a number with a unit ({", ".join(units)}), such as "{EXAMPLE[kind]}"'
    match = _TEXT.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None:
        raise QuantityError(f"{text[:40]!r} is not a quantity; {allowed}")
    number, unit = Decimal(match[1]), match[2].replace("μ", "µ")
    if kind == "duration" and unit in UNITS["frequency"]:
        return _interval(number * UNITS["frequency"][unit], text)
    if not unit:
        if kind == "share":
            return float(number)
        raise QuantityError(f"{text!r} has no unit; {allowed}")
    if unit not in units:
        near = next((known for known in units if known.lower() == unit.lower()), None)
        hint = f"; did you mean {near!r}?" if near else ""
        raise QuantityError(f"unknown unit {unit!r}{hint}; {allowed}")
    with localcontext() as context:
        context.prec = len(text) + 20  # exact for any number of digits
        value = number * units[unit]
    if kind not in WHOLE:
        return float(value)
    if value != value.to_integral_value():
        raise QuantityError(f"{text!r} is not a whole number of {_INTERNAL[kind]}")
    return int(value)


def _interval(rate_hz: Decimal, text: str) -> int:
    """Return the interval of a rate such as "200 Hz", in microseconds."""
    if rate_hz <= 0:
        raise QuantityError(f"{text!r} is not a rate; allowed: more than 0 Hz")
    interval = Decimal(1_000_000) / rate_hz
    if interval != interval.to_integral_value():
        raise QuantityError(f"{text!r} is not a whole number of microseconds ({interval:.3f} us); give the interval")
    return int(interval)


def text_of(value: float, kind: str) -> str:
    """Return text that `parse` reads as the same value, with the largest unit that keeps it short."""
    if kind == "width":
        return f"{value:.0f} us"
    exact = Decimal(value) if isinstance(value, int) else Decimal(repr(value))
    candidates = []
    for unit, factor in UNITS[kind].items():
        with localcontext() as context:
            context.clear_flags()
            number = exact / factor
            is_exact = not context.flags[Inexact]
        if is_exact and "µ" not in unit:
            candidates.append((f"{_plain(number)} {unit}", abs(number)))
    if not candidates:  # a value outside all limits, with too many digits
        return f"{value} {'us' if kind == 'duration' else next(iter(UNITS[kind]))}"
    if exact == 0:
        return candidates[0][0]
    return min(candidates, key=lambda c: (not 1 <= c[1] < 1000, len(c[0].split()[0])))[0]


def _plain(number: Decimal) -> str:
    text = f"{number.normalize():f}"
    return "0" if text in ("-0", "0") else text

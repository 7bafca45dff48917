"""The arithmetic of a stick position: track to ADC reading to 8-bit code to pulse width, and the CRC-8 of a payload.

The rules are those that builders use, with their faults (``a * 255 // 1024`` never reaches 255). A profile names the
firmware's rule, and the suite checks the firmware against it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from lostlink_sims.arrays import Bytes, Ints

ADC_COUNTS = 1024
TOP_CODE = 255
MIDDLE_CODE = 127
"""By common practice."""
FULL_TRAVEL = 1_000_000
"""Stick positions are whole numbers 0 .. FULL_TRAVEL."""


#: From a 10-bit reading to an 8-bit code.
ADC_RULES: Final[dict[str, Callable[[Ints], Ints]]] = {
    "a >> 2": lambda a: a >> 2,
    "a * 255 // 1023": lambda a: a * 255 // 1023,
    "a * 255 // 1024": lambda a: a * 255 // 1024,
    "round(a * 255 / 1023)": lambda a: (a * 510 + 1023) // 2046,
}
CALIBRATED: Final = "calibrated"
"""A rule by which each stick has its own scale, from its low stop over its centre to its high stop."""


def adc_reading(track_ppm: Ints) -> Ints:
    """Return the 10-bit reading of a wiper at `track_ppm` millionths of its track.

    The ideal transfer has 1024 steps of Vref / 1024 (IEEE 1241); the topmost position reads 1023.
    """
    return np.clip(track_ppm * ADC_COUNTS // FULL_TRAVEL, 0, ADC_COUNTS - 1)


def pulse_table(rule: str, low_us: int, high_us: int) -> tuple[int, ...]:
    """Return the pulse width for each code 0 .. 255.

    Parameters
    ----------
    rule : {"truncate", "round", "centred"}
        ``centred`` is two segments that meet in code 127, the middle code by common practice.
    low_us, high_us : int
        Widths for codes 0 and 255.

    Raises
    ------
    ValueError
        If the rule is unknown.
    """
    span = high_us - low_us
    if rule == "truncate":
        return tuple(low_us + code * span // TOP_CODE for code in range(TOP_CODE + 1))
    if rule == "round":
        return tuple(low_us + (2 * code * span + TOP_CODE) // (2 * TOP_CODE) for code in range(TOP_CODE + 1))
    if rule == "centred":
        middle, half = low_us + span // 2, span // 2
        return tuple(
            low_us + code * half // 127 if code <= 127 else middle + (code - 127) * (span - half) // 128
            for code in range(TOP_CODE + 1)
        )
    raise ValueError(f"unknown mapping rule {rule!r}; allowed: truncate, round, centred")


def _crc8_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = (value << 1) ^ (0x107 if value & 0x80 else 0)
        table.append(value)
    return tuple(table)


CRC8_TABLE: Final = _crc8_table()
_CRC8_ROW: Final = np.array(CRC8_TABLE, np.uint8)


def crc8(data: bytes | bytearray) -> int:
    """Return the CRC-8 of `data` (polynomial 0x07, initial value 0, not reflected: CRC-8/SMBUS)."""
    value, table = 0, CRC8_TABLE
    for byte in data:
        value = table[value ^ byte]
    return value


def crc8_rows(rows: Bytes) -> Bytes:
    """Return the CRC-8 of each row of an (n, bytes) array."""
    value = np.zeros(len(rows), np.uint8)
    for column in rows.T:
        value = _CRC8_ROW[value ^ column]
    return value

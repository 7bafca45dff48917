"""The mapping arithmetic, exhaustively, against values computed independently; IEEE 1241 for the ADC (from memory)."""

from __future__ import annotations

import numpy as np
import pytest
from lostlink_sims.codes import ADC_RULES, adc_reading, crc8, crc8_rows, pulse_table

READINGS = np.arange(1024)


@pytest.mark.parametrize(
    ("rule", "codes"),
    [
        ("a >> 2", (127, 128, 128, 128, 255, 255)),
        ("a * 255 // 1023", (127, 127, 127, 128, 254, 255)),
        ("a * 255 // 1024", (127, 127, 127, 127, 254, 254)),
        ("round(a * 255 / 1023)", (127, 128, 128, 128, 255, 255)),
    ],
)
def test_adc_to_code(rule: str, codes: tuple[int, ...]) -> None:
    """Readings 511, 512, 513, 514, 1022, 1023; all rules rise monotonically within a byte."""
    mapped = ADC_RULES[rule](READINGS)
    assert tuple(mapped[[511, 512, 513, 514, 1022, 1023]]) == codes
    assert (np.diff(mapped) >= 0).all()
    assert (mapped.min(), mapped.max()) == (0, codes[-1])


def test_bins_of_the_shift() -> None:
    """256 bins of exactly four readings."""
    assert set(np.bincount(ADC_RULES["a >> 2"](READINGS)).tolist()) == {4}
    assert np.bincount(ADC_RULES["a * 255 // 1023"](READINGS))[255] == 1


@pytest.mark.parametrize(
    ("rule", "widths"),
    [
        ("truncate", {0: 1000, 1: 1003, 64: 1250, 127: 1498, 128: 1501, 192: 1752, 254: 1996, 255: 2000}),
        ("round", {0: 1000, 1: 1004, 64: 1251, 127: 1498, 128: 1502, 192: 1753, 254: 1996, 255: 2000}),
        ("centred", {126: 1496, 127: 1500, 128: 1503, 254: 1996, 255: 2000}),
    ],
)
def test_code_to_width(rule: str, widths: dict[int, int]) -> None:
    """The table's anchors; 256 distinct widths, strictly rising."""
    table = pulse_table(rule, 1000, 2000)
    assert {code: table[code] for code in widths} == widths
    assert len(set(table)) == 256
    assert list(table) == sorted(table)


def test_steps_of_the_truncated_map() -> None:
    """Step 3.921569 µs: 235 steps of 4 µs and 20 of 3 µs; 1500 is never reached; mean bias -0.488281 µs."""
    table = np.array(pulse_table("truncate", 1000, 2000))
    assert np.bincount(np.diff(table))[[3, 4]].tolist() == [20, 235]
    assert 1500 not in table
    assert (table - (1000 + np.arange(256) * 1000 / 255)).mean() == pytest.approx(-0.488281, abs=1e-6)


def test_whole_chain() -> None:
    """ADC 512 and 1023 through each rule and the truncated map."""
    table = pulse_table("truncate", 1000, 2000)
    ends = {rule: tuple(table[int(code)] for code in ADC_RULES[rule](np.array([512, 1023]))) for rule in ADC_RULES}
    assert ends["a >> 2"] == (1501, 2000)
    assert ends["a * 255 // 1023"] == (1498, 2000)
    assert ends["a * 255 // 1024"] == (1498, 1996)


def test_unknown_rule() -> None:
    """A rule that is none is refused by name."""
    with pytest.raises(ValueError, match="truncate, round, centred"):
        pulse_table("floor", 1000, 2000)


def test_adc_transfer() -> None:
    """Vref / 1024 a code: code k begins at k / 1024 of the track, and 1023 is the top (IEEE 1241)."""
    edges = np.array([0, 976, 977, 499_999, 500_000, 999_023, 999_024, 1_000_000])
    assert adc_reading(edges).tolist() == [0, 0, 1, 511, 512, 1022, 1023, 1023]


def test_crc8() -> None:
    """CRC-8/SMBUS of "123456789" is F4, of nothing 00; message and CRC leave 0 (catalogue of parametrised CRCs)."""
    message = b"123456789"
    assert crc8(message) == 0xF4
    assert crc8(b"") == 0
    assert crc8(message + b"\xf4") == 0
    assert crc8_rows(np.frombuffer(message * 2, np.uint8).reshape(2, 9)).tolist() == [0xF4, 0xF4]


def test_crc8_finds_every_damaged_byte() -> None:
    """A CRC of eight bits finds every error burst of up to eight bits, so also every damaged byte."""
    message = bytearray(b"\x10\x80\xff\x2a\x07")
    good = crc8(bytes(message))
    for place in range(len(message)):
        for turn in range(1, 256):
            message[place] ^= turn
            assert crc8(bytes(message)) != good
            message[place] ^= turn

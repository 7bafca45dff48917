"""The mapping arithmetic, exhaustively, against values computed independently; IEEE 1241 for the ADC (from memory)."""

from __future__ import annotations

import math
from fractions import Fraction

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


# --- further: exhaustive, against whole-number fractions and what builders are warned of ---------------------------


def whole(rule: str, low_us: int, high_us: int) -> list[int]:
    """Return the widths by exact fractions: a second route for two of the rules."""
    exact = [Fraction(code * (high_us - low_us), 255) + low_us for code in range(256)]
    return [math.floor(width) if rule == "truncate" else math.floor(width + Fraction(1, 2)) for width in exact]


@pytest.mark.parametrize("rule", ["truncate", "round"])
@pytest.mark.parametrize(("low_us", "high_us"), [(1000, 2000), (988, 2012), (800, 2200), (1400, 1600)])
def test_every_width_by_fractions(rule: str, low_us: int, high_us: int) -> None:
    """All 256 codes: floor and nearest (half up) of low + code * span / 255 (arithmetic)."""
    assert list(pulse_table(rule, low_us, high_us)) == whole(rule, low_us, high_us)


@pytest.mark.parametrize(("low_us", "high_us"), [(1000, 2000), (988, 2012), (800, 2200), (1001, 2000)])
def test_every_centred_width(low_us: int, high_us: int) -> None:
    """Two segments that meet at code 127 in the middle; both ends are reached, also with an odd span (arithmetic)."""
    table = pulse_table("centred", low_us, high_us)
    middle = low_us + (high_us - low_us) // 2
    assert (table[0], table[127], table[255]) == (low_us, middle, high_us)
    for code, width in enumerate(table):
        exact = (
            Fraction(low_us) + Fraction(code * (middle - low_us), 127)
            if code <= 127
            else Fraction(middle) + Fraction((code - 127) * (high_us - middle), 128)
        )
        assert 0 <= exact - width < 1, code
    assert list(table) == sorted(table)


def test_error_of_the_maps() -> None:
    """Truncation is at most .980392 µs low, rounding at most half a microsecond off; steps alike (arithmetic)."""
    exact = 1000 + np.arange(256) * 1000 / 255
    low = np.array(pulse_table("truncate", 1000, 2000)) - exact
    near = np.array(pulse_table("round", 1000, 2000)) - exact
    assert (low.min(), low.max()) == pytest.approx((-0.980392, 0), abs=1e-6)
    assert np.abs(near).max() <= 0.5
    assert np.bincount(np.diff(np.array(pulse_table("round", 1000, 2000))))[[3, 4]].tolist() == [20, 235]
    assert (1500 in pulse_table("round", 1000, 2000), 1500 in pulse_table("centred", 1000, 2000)) == (False, True)


def test_the_way_back_needs_rounding() -> None:
    """Width to code: rounding returns all 256 codes of the truncated map, truncating only six (arithmetic)."""
    table = np.array(pulse_table("truncate", 1000, 2000))
    codes = np.arange(256)
    nearest = ((table - 1000) * 510 + 1000) // 2000
    assert (nearest == codes).all()
    floor = (table - 1000) * 255 // 1000
    assert codes[floor == codes].tolist() == [0, 51, 102, 153, 204, 255]
    assert (codes - floor).max() == 1


def test_shortcuts_that_builders_take_are_not_our_rules() -> None:
    """1000 + c * 125 // 32 ends at 1996, 1000 + 4 c at 2020; 16-bit c * 1000 wraps at 33 or 66 (common practice)."""
    table = np.array(pulse_table("truncate", 1000, 2000))
    codes = np.arange(256)
    assert (1000 + codes[-1] * 125 // 32, 1000 + 4 * codes[-1]) == (1996, 2020)
    signed = (codes * 1000 + 0x8000) % 0x10000 - 0x8000
    wrapped = 1000 + np.trunc(signed / 255).astype(int)
    assert wrapped[[32, 33, 127, 255]].tolist() == [1125, 873, 985, 972]
    assert int(np.argmax(wrapped != table)) == 33
    unsigned = 1000 + codes * 1000 % 0x10000 // 255
    assert unsigned[[65, 66, 255]].tolist() == [1254, 1001, 1228]
    assert int(np.argmax(unsigned != table)) == 66


@pytest.mark.parametrize(
    ("rule", "used", "sizes", "to_127", "at_top"),
    [
        ("a * 255 // 1023", 256, {1, 4, 5}, (510, 513), 1),
        ("a >> 2", 256, {4}, (508, 511), 4),
        ("a * 255 // 1024", 255, {4, 5}, (510, 514), 4),
        ("round(a * 255 / 1023)", 256, {3, 4, 5}, (508, 511), 3),
    ],
)
def test_bins_of_every_rule(rule: str, used: int, sizes: set[int], to_127: tuple[int, int], at_top: int) -> None:
    """Codes used, readings a code, readings that give 127, readings that give the top code (counted)."""
    mapped = ADC_RULES[rule](READINGS)
    bins = np.bincount(mapped)
    assert (np.unique(mapped).size, set(bins.tolist())) == (used, sizes)
    middle = np.flatnonzero(mapped == 127)
    assert (int(middle[0]), int(middle[-1])) == to_127
    assert bins[-1] == at_top


def test_every_reading_by_fractions() -> None:
    """All 1024 readings: the rules as exact fractions, the rounded one half up (arithmetic)."""
    for a in range(1024):
        scaled = Fraction(a * 255, 1023)
        expected = {
            "a >> 2": a // 4,
            "a * 255 // 1023": math.floor(scaled),
            "a * 255 // 1024": math.floor(Fraction(a * 255, 1024)),
            "round(a * 255 / 1023)": math.floor(scaled + Fraction(1, 2)),
        }
        assert {rule: int(ADC_RULES[rule](np.array([a]))[0]) for rule in ADC_RULES} == expected, a
        assert a * 256 // 1024 == a >> 2


@pytest.mark.parametrize(
    ("rule", "mapping", "least", "most"),
    [
        ("a * 255 // 1023", "truncate", -4.820, 0.0),
        ("a >> 2", "truncate", -3.843, 2.933),
        ("round(a * 255 / 1023)", "truncate", -2.865, 1.955),
    ],
)
def test_error_of_the_whole_chain(rule: str, mapping: str, least: float, most: float) -> None:
    """ADC to microseconds against 1000 + 1000 a / 1023, over every reading (arithmetic)."""
    table = np.array(pulse_table(mapping, 1000, 2000))
    error = table[ADC_RULES[rule](READINGS)] - (1000 + 1000 * READINGS / 1023)
    assert (error.min(), error.max()) == pytest.approx((least, most), abs=6e-4)
    assert (np.diff(table[ADC_RULES[rule](READINGS)]) >= 0).all()


def test_adc_scale() -> None:
    """Code k from k / 1024 of the track on, exactly and for every k; rails clip (IEEE 1241, from memory)."""
    place = np.arange(1_000_001)
    reading = adc_reading(place)
    edges = np.flatnonzero(np.diff(reading)) + 1
    assert edges.tolist() == [-(-k * 1_000_000 // 1024) for k in range(1, 1024)]
    assert adc_reading(np.array([-200_000, 1_200_000])).tolist() == [0, 1023]


def bit_by_bit(data: bytes) -> int:
    """Return the CRC-8/SMBUS by long division in the ring of polynomials, bit by bit."""
    remainder = int.from_bytes(data, "big") << 8
    for bit in range(8 * len(data) + 7, 7, -1):
        if remainder >> bit & 1:
            remainder ^= 0x107 << (bit - 8)
    return remainder


def test_crc8_is_a_remainder() -> None:
    """Every byte and two-byte message against long division by x^8 + x^2 + x + 1; look-alikes differ (catalogue)."""
    assert bit_by_bit(b"123456789") == 0xF4
    for value in range(65_536):
        message = value.to_bytes(2, "big")
        assert crc8(message) == bit_by_bit(message)
    assert crc8(b"\0" + b"123456789") == 0xF4, "a zero start is blind to leading zeros"
    assert crc8(b"123456789") not in (0xBC, 0xA1), "CRC-8/DVB-S2 and CRC-8/MAXIM-DOW"

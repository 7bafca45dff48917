"""Text with a unit, there and back."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink.profiles.quantities import EXAMPLE, UNITS, WHOLE, QuantityError, parse, text_of


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("500 ms", "duration", 500_000),
        ("22.5 ms", "duration", 22_500),  # no binary fraction comes between
        ("300 us", "duration", 300),
        ("300 \u00b5s", "duration", 300),  # the micro sign
        ("300 \u03bcs", "duration", 300),  # the Greek letter, which looks the same
        ("2 s", "duration", 2_000_000),
        ("1 min", "duration", 60_000_000),
        ("200 Hz", "duration", 5_000),
        ("0.05 kHz", "duration", 20_000),
        ("1500us", "width", 1500),
        ("20 ppm", "ppm", 20),
        ("-35 ppm", "ppm", -35),
        ("0.5 %", "ppm", 5_000),
        ("2.44 GHz", "frequency", 2.44e9),
        ("6 dB", "level", 6.0),
        ("-10 dBm", "power", -10.0),
        ("12 cm", "length", 0.12),
        ("36 km/h", "speed", 10.0),
        ("250 kbit/s", "bit_rate", 250_000),
        ("2 %", "share", 0.02),
        ("0.02", "share", 0.02),
    ],
)
def test_value_is_exact(text: str, kind: str, value: float) -> None:
    got = parse(text, kind)
    assert got == value
    assert isinstance(got, int) is (kind in WHOLE)


@pytest.mark.parametrize(
    ("text", "kind", "parts"),
    [
        ("500", "duration", ("'500' has no unit", "ms", '"500 ms"')),
        ("500 MS", "duration", ("unknown unit 'MS'", "did you mean 'ms'?")),
        ("500 sec", "duration", ("unknown unit 'sec'", "ms, us, s")),
        ("50 hz", "frequency", ("did you mean 'Hz'?",)),
        ("0.5 us", "duration", ("not a whole number of microseconds",)),
        ("0.3 ppm", "ppm", ("not a whole number",)),
        ("300 Hz", "duration", ("not a whole number of microseconds", "3333.333")),
        ("0 Hz", "duration", ("more than 0 Hz",)),
        ("soon", "duration", ("'soon' is not a quantity", '"500 ms"')),
        ("", "share", ("is not a quantity", "%")),
        ("\u0665 ms", "duration", ("is not a quantity",)),  # a digit, but not one of ours
        ("5 ms 3", "duration", ("is not a quantity",)),
    ],
)
def test_refusal_says_what_is_allowed(text: str, kind: str, parts: tuple[str, ...]) -> None:
    with pytest.raises(QuantityError) as refused:
        parse(text, kind)
    for part in parts:
        assert part in str(refused.value)


@pytest.mark.parametrize(
    ("value", "kind", "text"),
    [
        (22_500, "duration", "22.5 ms"),
        (500_000, "duration", "500 ms"),
        (0, "duration", "0 ms"),
        (1500, "width", "1500 us"),
        (250_000, "bit_rate", "250 kbit/s"),
        (2.44e9, "frequency", "2.44 GHz"),
        (0.004, "share", "0.4 %"),
    ],
)
def test_text_is_what_a_person_writes(value: float, kind: str, text: str) -> None:
    assert text_of(value, kind) == text


@settings(deadline=None)
@given(st.sampled_from(sorted(WHOLE)), st.integers(-(2**40), 2**40))
def test_whole_values_survive(kind: str, value: int) -> None:
    assert parse(text_of(value, kind), kind) == value


@settings(deadline=None)
@given(st.sampled_from(sorted(UNITS.keys() - WHOLE)), st.floats(-1e9, 1e9))
def test_fractions_survive(kind: str, value: float) -> None:
    assert parse(text_of(value, kind), kind) == value


@settings(deadline=None)
@given(st.decimals(0, 10**6, places=3))
def test_milliseconds_are_counted_exactly(number: Decimal) -> None:
    assert parse(f"{number} ms", "duration") == int(number * 1000)


def test_every_kind_has_an_example_that_it_takes() -> None:
    assert EXAMPLE.keys() == UNITS.keys()
    for kind, example in EXAMPLE.items():
        parse(example, kind)

"""Units of profiles, and numbers of the calendar, against the constants of scipy (SI Brochure, 9th ed., 2019)."""

from __future__ import annotations

import signal
from fractions import Fraction

import pytest
from scipy import constants

from lostlink.errors import ExitCode
from lostlink.planning.timeout import GRAVITY_M_S2
from lostlink.planning.wording import HOURS_PER_YEAR
from lostlink.profiles.quantities import UNITS, parse

SI = {
    "ms": constants.milli, "us": constants.micro, "µs": constants.micro, "s": 1.0, "min": constants.minute,
    "GHz": constants.giga, "MHz": constants.mega, "kHz": constants.kilo, "Hz": 1.0,
    "Mbit/s": constants.mega, "kbit/s": constants.kilo, "bit/s": 1.0,
    "m": 1.0, "km": constants.kilo, "cm": constants.centi, "m/s": 1.0, "km/h": constants.kmh,
    "%": constants.centi, "ppm": constants.micro, "dB": 1.0, "dBm": 1.0, "V": 1.0,
    "mV": constants.milli,
}  # fmt: skip
INTERNAL = {"duration": constants.micro, "width": constants.micro, "ppm": constants.micro, "voltage": constants.milli}
"""The internal unit in the unit of `SI`, where it is not that."""


@pytest.mark.parametrize(("kind", "unit"), [(kind, unit) for kind, units in UNITS.items() for unit in units])
def test_every_unit(kind: str, unit: str) -> None:
    """3600 of the unit, so that 1 km/h is a whole number of m/s too."""
    assert parse(f"3600 {unit}", kind) * INTERNAL.get(kind, 1.0) == pytest.approx(3600 * SI[unit], rel=1e-12)


@pytest.mark.parametrize("rate", ["50 Hz", "0.2 kHz", "0.001 MHz"])
def test_a_rate_is_the_reciprocal_of_an_interval(rate: str) -> None:
    number, unit = rate.split()
    assert Fraction(parse(rate, "duration")) == 1_000_000 / (Fraction(number) * round(SI[unit]))


def test_year_and_fall() -> None:
    """The Julian year of 365.25 days (IAU), and standard gravity (CGPM 1901)."""
    assert constants.Julian_year / constants.hour == HOURS_PER_YEAR
    assert constants.g == GRAVITY_M_S2


@pytest.mark.parametrize(
    ("code", "name"),
    [(ExitCode.HUNG_UP, "SIGHUP"), (ExitCode.INTERRUPTED, "SIGINT"), (ExitCode.OUTPUT_CLOSED, "SIGPIPE"),
     (ExitCode.TERMINATED, "SIGTERM")],
)  # fmt: skip
def test_exit_codes_of_signals(code: ExitCode, name: str) -> None:
    """128 and the number of the signal: what POSIX shells report (common practice; POSIX asks for more than 128)."""
    assert code == 128 + getattr(signal, name)

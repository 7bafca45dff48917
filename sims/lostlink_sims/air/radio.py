"""Physics of the radio path: path loss, noise, bit and packet errors, fading.

Plain formulas in floating point, for planning and for the tables that the simulation makes once. All powers in
dBm, losses in dB, antennas isotropic unless a gain is given.

The bit error rate is that of non-coherent orthogonal FSK. Small-index GFSK, as packet radios use it, has no
single closed form: simulated range is relative, not a prediction. An implementation loss fits it to a radio's
stated sensitivity.

References
----------
.. [1] Friis, Proc. IRE 34, 1946 (free-space loss); ITU-R P.525-5, 2024.
.. [2] Rappaport, Wireless Communications, 2nd ed., 2002 (two-ray ground reflection, fading).
.. [3] Proakis & Salehi, Digital Communications, 5th ed., 2008 (non-coherent FSK).
.. [4] Clarke, Bell Syst. Tech. J. 47, 1968; Jakes, Microwave Mobile Communications, 1974.
"""

from __future__ import annotations

import cmath
import math

SPEED_OF_LIGHT_M_S = 299_792_458.0
BOLTZMANN_J_K = 1.380649e-23
NOISE_TEMPERATURE_K = 290.0


def free_space_loss_db(distance_m: float, frequency_hz: float) -> float:
    """Return the free-space loss 20 log10(4 pi d f / c) [1]_.

    Raises
    ------
    ValueError
        If the distance is not positive.
    """
    if distance_m <= 0:
        raise ValueError(f"distance must be positive, got {distance_m} m")
    return 20 * math.log10(4 * math.pi * distance_m * frequency_hz / SPEED_OF_LIGHT_M_S)


def two_ray_loss_db(distance_m: float, frequency_hz: float, height_a_m: float, height_b_m: float) -> float:
    """Return the loss over flat ground with reflection coefficient -1 [2]_, exact sum of both rays."""
    if distance_m <= 0:
        raise ValueError(f"distance must be positive, got {distance_m} m")
    wavelength_m = SPEED_OF_LIGHT_M_S / frequency_hz
    k = 2 * math.pi / wavelength_m
    direct_m = math.hypot(distance_m, height_a_m - height_b_m)
    bounced_m = math.hypot(distance_m, height_a_m + height_b_m)
    field = 1 / direct_m - cmath.exp(-1j * k * (bounced_m - direct_m)) / bounced_m
    return -20 * math.log10(wavelength_m / (4 * math.pi) * abs(field))


def noise_dbm(bandwidth_hz: float, noise_figure_db: float = 0.0) -> float:
    """Return thermal noise k T0 B with T0 = 290 K, plus the noise figure."""
    return 10 * math.log10(BOLTZMANN_J_K * NOISE_TEMPERATURE_K * bandwidth_hz * 1000) + noise_figure_db


def fsk_bit_error_rate(ebn0_db: float) -> float:
    """Return 0.5 exp(-x / 2), x = Eb/N0: non-coherent orthogonal binary FSK [3]_."""
    return 0.5 * math.exp(-(10 ** (ebn0_db / 10)) / 2)


def packet_error_rate(bit_error_rate: float, bits: int) -> float:
    """Return 1 - (1 - b)**n for independent bit errors, computed without cancellation."""
    if bit_error_rate >= 1:
        return 1.0
    return -math.expm1(bits * math.log1p(-bit_error_rate))


def doppler_hz(speed_m_s: float, frequency_hz: float) -> float:
    """Return the largest Doppler shift v f / c [4]_."""
    return speed_m_s * frequency_hz / SPEED_OF_LIGHT_M_S


def rayleigh_outage(margin_db: float) -> float:
    """Return the share of time that a Rayleigh channel is more than `margin_db` below its mean power."""
    return -math.expm1(-(10 ** (-margin_db / 10)))

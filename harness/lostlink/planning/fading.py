"""Probability, rate and duration of fades below a margin.

Rayleigh: no direct path. Rician: a direct path K times as strong as all scattered ones. Rates and durations are those
of Clarke's model, with the Doppler shift of the model's speed.

References
----------
.. [1] Rice, Bell Syst. Tech. J. 23/24, 1944/45; 27, 1948.
.. [2] Clarke, Bell Syst. Tech. J. 47, 1968; Jakes, Microwave Mobile Communications, 1974.
.. [3] Rappaport, Wireless Communications, 2nd ed., 2002, chapter on small-scale fading.
"""

from __future__ import annotations

import math

from lostlink_sims.air import radio


def rician_outage(margin_db: float, k_db: float) -> float:
    """Return the share of time that a Rician channel is more than `margin_db` below its mean power [1]_.

    The power is a non-central chi-square with two degrees of freedom.
    """
    from scipy.special import chndtr

    k = 10 ** (k_db / 10)
    return float(chndtr(2 * (1 + k) * 10 ** (-margin_db / 10), 2, 2 * k))


def outage(margin_db: float, fading: str, k_db: float) -> float:
    """Return the share of time below the margin; without fading 0 or 1."""
    if fading == "rayleigh":
        return radio.rayleigh_outage(margin_db)
    return rician_outage(margin_db, k_db) if fading == "rician" else float(margin_db < 0)


def level_crossings_hz(margin_db: float, doppler_hz: float, fading: str, k_db: float) -> float:
    """Return the rate in Hz at which the signal falls more than `margin_db` below its mean power [1]_, [3]_.

    ``sqrt(2 pi (K + 1)) fd rho exp(-K - (K + 1) rho^2) I0(2 rho sqrt(K (K + 1)))``, rho the level over the rms
    amplitude; K = 0 is Rayleigh.
    """
    if fading == "none":
        return 0.0
    from scipy.special import ive

    k = 10 ** (k_db / 10) if fading == "rician" else 0.0
    rho = 10 ** (-margin_db / 20)
    inside = 2 * rho * math.sqrt(k * (k + 1))
    # ive is the Bessel function times exp(-inside): the exponents are combined, because each alone would overflow.
    exponent = inside - k - (k + 1) * rho * rho
    return math.sqrt(2 * math.pi * (k + 1)) * doppler_hz * rho * math.exp(exponent) * float(ive(0, inside))


def fade_duration_s(margin_db: float, doppler_hz: float, fading: str, k_db: float) -> float:
    """Return the mean duration of a fade below the margin: outage over crossing rate [2]_."""
    crossings = level_crossings_hz(margin_db, doppler_hz, fading, k_db)
    return outage(margin_db, fading, k_db) / crossings if crossings else math.inf

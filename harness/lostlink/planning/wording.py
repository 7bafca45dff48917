"""Sentences, rates and times of a plan, as the terminal and the page both show them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from lostlink.planning.timeout import Advice, TimeoutRow
from lostlink.verdicts import quantity
from lostlink_sims import Profile

ASSUMPTIONS: Final = (
    "the losses are those of the profile at all times; the model keeps its speed, or falls without drag (upper "
    "bounds); the worst cut adds up all waits: the last packet came just before the loss, the next frame just began."
)
COUNTED: Final = "false failsafes per hour: minutes with at least one, and the upper bound at 95 % of their rate. "
HOURS_PER_YEAR: Final = 8766
_LEAST_RATE: Final = 1e-13
"""Smaller rates are not told apart: one event in a thousand million years."""


def short_text(value: float, digits: int) -> str:
    """Return a number to so many digits, in as few characters as possible."""
    return f"{float(f'{value:.{digits}g}'):g}".replace("e-0", "e-").replace("e+0", "e").replace("e+", "e")


def rate_text(per_hour: float) -> str:
    """Return a rate per hour, without its unit."""
    return short_text(per_hour, 3) if per_hour >= _LEAST_RATE else f"<{short_text(_LEAST_RATE, 1)}"


def row_rate_text(row: TimeoutRow, *, is_exact: bool) -> str:
    """Return the rate of false failsafes per hour, with its bound if it is counted."""
    if is_exact:
        return rate_text(row.per_hour)
    return f"{short_text(row.per_hour, 2)} (<{short_text(row.upper_per_hour, 2)})"


def loss_text(share: float) -> str:
    """Return a share of packets lost, in percent to three decimals."""
    return f"{share:.3%}" if share >= 1e-5 else "<0.001%"


def time_text(value_us: float) -> str:
    """Return a time with its unit, to four digits."""
    return quantity(float(f"{value_us:.4g}"), "µs")


def advice_text(link: Profile, rows: Sequence[TimeoutRow], advice: Advice, max_per_hour: float) -> str:
    """Return the range of timeouts that keeps both limits, in a sentence or two."""
    limit_us = link.requirements.cut_within_us
    if not advice.has_losses:
        return (
            "No recommendation: the profile has no ordinary losses, so nothing is known of false failsafes. Record the "
            "packets of a flight and fit a model (lostlink plan fit), or name the record as losses; limits of the "
            f"profile can be kept with timeouts up to {time_text(advice.most_us)}."
        )
    if advice.exists:
        assert advice.least_us is not None
        shorter = (
            f"ordinary loss causes more than {max_per_hour:g} false failsafes per hour"
            if advice.least_bound_per_hour is None
            else f"false failsafes are not shown to be rarer than {max_per_hour:g} per hour (bound at 95 %)"
        )
        return (
            f"Recommended: {time_text(advice.least_us)} to {time_text(advice.most_us)}. With a shorter timeout, "
            f"{shorter}. With a longer one, the throttle may be cut later than {time_text(limit_us)} after the loss."
        )
    if advice.least_us is None and advice.least_bound_per_hour is not None:
        return (
            f"No timeout up to {time_text(rows[-1].timeout_us)} is shown to keep false failsafes below "
            f"{max_per_hour:g} per hour: the lowest bound at 95 % is {advice.least_bound_per_hour:.2g} per hour. "
            "Simulate more packets (--simulate) or record more of them, improve the link, or accept a higher rate "
            "(--max-rate)."
        )
    if advice.least_us is None:
        return (
            f"No timeout up to {time_text(rows[-1].timeout_us)} keeps false failsafes below {max_per_hour:g} per hour. "
            "Improve the link first, or accept a higher rate (--max-rate)."
        )
    rare = "rare enough" if advice.least_bound_per_hour is None else "shown to be rare enough"
    return (
        f"No timeout keeps both limits: false failsafes are {rare} from {time_text(advice.least_us)}, the cut is "
        f"in time up to {time_text(advice.most_us)}. Send more packets per second, improve the link, or change a limit."
    )

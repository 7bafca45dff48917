"""Measurements: pure functions from a trace, or columns of it, to numbers.

`loss` packets on the air · `failsafe` cut, hold, recovery · `channels` widths against sticks · `frames` the
shape of the pulse train · `latency` from stick to pulse.
"""

from lostlink.measure import channels, failsafe, frames, latency, loss

__all__ = ["channels", "failsafe", "frames", "latency", "loss"]

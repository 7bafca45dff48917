"""Measurements: pure functions from a trace, or columns of it, to numbers.

`loss` packet loss · `failsafe` cut, hold, recovery · `channels` pulse widths and stick positions · `frames` pulse
train timing · `latency` from stick to pulse · `agreement` difference from the simulated receiver.
"""

from lostlink.measure import channels, failsafe, frames, latency, loss

__all__ = ["channels", "failsafe", "frames", "latency", "loss"]

"""Many trials of one flight side by side, identical to the event simulation.

``trials`` (what differs between trials) → ``losses`` (packets lost, as bits) → ``engine`` (the reference receiver)
→ ``frames`` (pulses, motors); ``bits``: 64 slots a word.
"""

from typing import Final

import numpy as np

NONE: Final = -1
"""Marks an instant that did not occur."""
NEVER: Final = np.iinfo(np.int64).max // 4
"""Later than every instant; sums of two still fit."""

__all__ = ["NEVER", "NONE", "bits", "engine", "frames", "losses", "trials"]

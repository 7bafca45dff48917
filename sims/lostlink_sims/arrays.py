"""Types of arrays: whole numbers (instants in µs, codes, indices), masks, bytes, and words of 64 packets."""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]

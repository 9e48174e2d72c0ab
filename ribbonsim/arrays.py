"""Types that signatures all over the package share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.floating]  # of either precision
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]

# called with what is being done, how many steps are done, and how many there are
Progress = Callable[[str, int, int], None]

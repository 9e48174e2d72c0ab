"""Values at times of a loop, and what lies between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator

from ribbonsim.arrays import Array


def looped(times: ArrayLike, values: ArrayLike, at: ArrayLike) -> Array:
    """Values of a loop at times, eased from key to key without going past any.

    Parameters
    ----------
    times : (k,) array
        Rising, from 0 and below 1; after 1 they come again.
    values : (k, ...) array
    at : (n,) array

    Returns
    -------
    (n, ...) array

    References
    ----------
    F. N. Fritsch, R. E. Carlson, "Monotone piecewise cubic interpolation", SIAM Journal on
    Numerical Analysis 17(2), 1980; slopes by Fritsch and Butland 1984, as scipy has them.
    """
    keys, held = np.asarray(times, dtype=float), np.asarray(values, dtype=float)
    around = np.concatenate([keys - 1.0, keys, keys + 1.0])
    if len(keys) == 1:
        return np.repeat(held, len(np.atleast_1d(at)), axis=0)
    curve = PchipInterpolator(around, np.concatenate([held, held, held]), axis=0)
    return np.asarray(curve(np.asarray(at, dtype=float) % 1.0), dtype=float)

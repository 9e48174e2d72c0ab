"""Arc length of a spline curve, and the place at an arc length."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import BSpline, CubicSpline

from ribbonsim.arrays import Array

SAMPLES_PER_SPAN = 24
_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(8)


class ArcLength:
    """Arc length of a curve, by Gauss's quadrature between samples.

    Parameters
    ----------
    curve : BSpline
        From ``t`` to (3,) points.
    breaks : (spans + 1,) array
        Its distinct knots, from 0 to 1.
    """

    def __init__(self, curve: BSpline, breaks: Array) -> None:
        self._curve = curve
        self._t = samples_between(breaks, SAMPLES_PER_SPAN)
        steps = self._between(self._t[:-1], self._t[1:])
        self._s = np.r_[0.0, np.cumsum(steps)]
        self.whole = float(self._s[-1])
        self._first_guess = CubicSpline(self._s, self._t)

    def _between(self, start: Array, end: Array) -> Array:
        """(...) lengths of pieces so short that the quadrature is exact to rounding."""
        half = 0.5 * (end - start)[..., None]
        nodes = start[..., None] + half * (1.0 + _GAUSS_NODES)
        return np.sum(half * _GAUSS_WEIGHTS * self._speed(nodes), axis=-1)

    def _speed(self, t: Array) -> Array:
        return np.linalg.norm(self._curve(t, 1), axis=-1)

    def up_to(self, t: Array) -> Array:
        """(...) arc length from the beginning to each ``t``."""
        index = np.clip(np.searchsorted(self._t, t, side="right") - 1, 0, len(self._t) - 2)
        return self._s[index] + self._between(self._t[index], t)

    def place_at(self, s: Array) -> Array:
        """(...) ``t`` at arc lengths from 0 to the whole, by Newton's method."""
        t = np.clip(self._first_guess(s), 0.0, 1.0)
        for _ in range(2):
            t = np.clip(t - (self.up_to(t) - s) / self._speed(t), 0.0, 1.0)
        return t


def samples_between(breaks: Array, samples: int) -> Array:
    """So many even places in each span, and the end."""
    inside = np.arange(samples) / samples
    return np.r_[(breaks[:-1, None] + np.diff(breaks)[:, None] * inside).ravel(), breaks[-1]]

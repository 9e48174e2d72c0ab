"""Least-squares spline fitting shared by guide and ribbon."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import BSpline, CubicSpline

from ribbonsim.arrays import Array

DEGREE = 3


def uniform_knots(spans: int) -> Array:
    """Clamped cubic knots from 0 to 1 with even spans."""
    return np.r_[np.zeros(DEGREE + 1), np.arange(1, spans) / spans, np.ones(DEGREE + 1)]


def fit_spline(t: Array, values: Array, knots: Array, damping: float = 0.0) -> BSpline:
    """Least-squares cubic spline that meets the first and the last value exactly.

    References
    ----------
    P. Eilers, B. Marx, "Flexible smoothing with B-splines and penalties", Statistical
    Science 11(2), 1996.
    """
    basis = BSpline.design_matrix(t, knots, DEGREE).tocsc()
    n = basis.shape[1]
    ends = basis[:, [0]] @ values[:1] + basis[:, [-1]] @ values[-1:]
    inner = basis[:, 1:-1]
    normal = (inner.T @ inner).toarray()
    right = inner.T @ (values - ends)
    second = np.diff(np.eye(n), 2, axis=0)
    weight = max(damping, 1e-12) * len(t) / n
    fixed = second[:, [0]] @ values[:1] + second[:, [-1]] @ values[-1:]
    normal += weight * second[:, 1:-1].T @ second[:, 1:-1]
    right -= weight * second[:, 1:-1].T @ fixed
    solved = np.linalg.solve(normal, right)
    return BSpline(knots, np.vstack([values[:1], solved, values[-1:]]), DEGREE)


def curve_by_arc_length(points: Array, samples: int) -> tuple[Array, Array]:
    """Sample the smooth curve through points, with arc length over length as parameter."""
    chord = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    dense = np.linspace(0.0, chord[-1], samples)
    if len(points) == 2:
        curve = points[0] + (dense / chord[-1])[:, None] * (points[1] - points[0])
    else:
        curve = CubicSpline(chord, points, bc_type="natural")(dense)
    length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))]
    return length / length[-1], curve

"""The edges of a ribbon that is run along a guide."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.arc_length import SAMPLES_PER_SPAN
from ribbonsim.curves.frames import flattest_across
from ribbonsim.curves.splines import DEGREE, curve_by_arc_length, fit_spline


def edges_along(guide: Array, width: float, knots: Array, roll: float, up: Array) -> Array:
    """(n, 2, 3) control points of two edges beside a guide, as flat as they can lie."""
    midline = fit_spline(*curve_by_arc_length(guide, max(2000, 8 * len(knots))), knots)
    spans = len(knots) - 2 * DEGREE - 1
    t = np.linspace(0.0, 1.0, max(400, SAMPLES_PER_SPAN * spans) + 1)
    centres, tangents = midline(t), midline(t, 1)
    tangents = tangents / np.linalg.norm(tangents, axis=1, keepdims=True)
    across = turned_about(tangents, flattest_across(centres, tangents, up), roll)
    half = fit_spline(t, 0.5 * width * across, knots)
    return np.stack([midline.c - half.c, midline.c + half.c], axis=1)


def turned_about(axes: Array, vectors: Array, degrees: float) -> Array:
    """(m, 3) vectors turned about unit axes that they are square to."""
    angle = np.radians(degrees)
    return np.cos(angle) * vectors + np.sin(angle) * np.cross(axes, vectors)

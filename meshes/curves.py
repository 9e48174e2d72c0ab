"""Profiles along a body, and frames along a curve."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

Array = NDArray[np.float64]
Profile = Callable[[Array], Array]

_SAMPLES = 4001


def profile(knots: Sequence[tuple[float, float]], softness: float = 1.5) -> Profile:
    """Smooth function through ``knots``: monotone cubics, rounded by a Gaussian.

    Parameters
    ----------
    knots : sequence of (place, value)
        Places, rising; in centimetres, or in whatever the body is measured in.
    softness : float
        Standard deviation of the Gaussian, in the places' unit.  Monotone cubics alone
        have steps in their curvature, and a glossy skin shows each of them.

    Returns
    -------
    callable
        Takes places of any shape; constant beyond the first and last knot.
    """
    places, values = np.array(knots, dtype=float).T
    grid = np.linspace(places[0], places[-1], _SAMPLES)
    raw = PchipInterpolator(places, values)(grid)
    step = grid[1] - grid[0]
    soft = gaussian_filter1d(raw, softness / step, mode="nearest")
    return lambda where: np.interp(where, grid, soft)


def smoothstep(x: Array, start: float, stop: float) -> Array:
    """Quintic step from 0 at ``start`` to 1 at ``stop`` (either may be the larger)."""
    r = np.clip((np.asarray(x, dtype=float) - start) / (stop - start), 0.0, 1.0)
    return r**3 * (r * (6.0 * r - 15.0) + 10.0)


def bell(x: Array, centre: float, width: float) -> Array:
    """Gaussian of height 1 and standard deviation ``width`` about ``centre``."""
    return np.exp(-0.5 * ((np.asarray(x, dtype=float) - centre) / width) ** 2)


def rounded_end(distance: Array, length: float, power: float = 2.0) -> Array:
    """Factor that closes a body: 0 at its tip, 1 from ``length`` on, a superellipse between."""
    r = np.clip(1.0 - np.asarray(distance, dtype=float) / length, 0.0, 1.0)
    return (1.0 - r**power) ** (1.0 / power)


def unit(vectors: Array) -> Array:
    """Return vectors scaled to length one along the last axis."""
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def chord_lengths(points: Array) -> Array:
    """Return the length (n,) of the polyline ``points`` (n, 3) up to each of its points."""
    chords = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(chords)])


def tangents(points: Array) -> Array:
    """Return unit tangents (n, 3) of the polyline ``points`` (n, 3), by central differences."""
    return unit(np.gradient(points, chord_lengths(points), axis=0))


def steered_curve(start: Array, directions: Array, length: float, places: Array) -> Array:
    """Curve that leaves ``start`` and turns smoothly through ``directions``.

    Parameters
    ----------
    start : (3,) array
    directions : (k, 3) array
        Headings at even steps along the curve; only their directions count.
    length : float
        Arc length in centimetres.
    places : (n,) array
        Where points are wanted, in fractions of the arc length.

    Returns
    -------
    (n, 3) array
    """
    fine = 801
    t = np.linspace(0.0, 1.0, fine)
    heading = unit(PchipInterpolator(np.linspace(0.0, 1.0, len(directions)), unit(directions))(t))
    heading = unit(gaussian_filter1d(heading, 0.06 * fine, axis=0, mode="nearest"))
    steps = 0.5 * (heading[1:] + heading[:-1]) * (length / (fine - 1))
    path = start + np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
    return np.stack([np.interp(places, t, path[:, k]) for k in range(3)], axis=1)


def rotation_minimising(points: Array, first: Array) -> tuple[Array, Array]:
    """Two unit normals along a curve that do not spin about it.

    Parameters
    ----------
    points : (n, 3) array
    first : (3,) array
        Wanted direction of the first normal at the first point.

    Returns
    -------
    (n, 3) array, (n, 3) array
        The normal carried along, and its cross product with the tangent.

    References
    ----------
    Wang, Jüttler, Zheng, Liu: Computation of rotation minimizing frames.
    ACM Transactions on Graphics 27(1), 2008 (double reflection).
    """
    t = tangents(points)
    r = np.empty_like(points)
    r[0] = unit(first - (first @ t[0]) * t[0])
    for i in range(len(points) - 1):
        v1 = points[i + 1] - points[i]
        c1 = v1 @ v1
        r_left = r[i] - (2.0 / c1) * (v1 @ r[i]) * v1
        t_left = t[i] - (2.0 / c1) * (v1 @ t[i]) * v1
        v2 = t[i + 1] - t_left
        c2 = v2 @ v2
        r[i + 1] = r_left - (2.0 / c2) * (v2 @ r_left) * v2 if c2 > 0.0 else r_left
    return r, np.cross(r, t)

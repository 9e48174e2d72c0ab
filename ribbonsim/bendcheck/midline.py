"""Measures of the posed midline: how evenly it bends."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]

_SAMPLES_PER_SPAN = 12
# What a body at rest is taken to bend all along, so that peak over mean is defined there too.
_LEAST_BEND = np.radians(1.0)


def added_bend(posed: Ribbon, rest: Ribbon, t: ArrayLike) -> Array:
    """Bend that a pose adds to the rest shape.

    Curvature is taken as a vector in the ribbon's own frames, so that a twist is not a bend
    and a curve that the body has at rest does not count.

    Parameters
    ----------
    posed, rest : Ribbon
        On the same knots.
    t : (m,) array
        Places along, 0 to 1.

    Returns
    -------
    (m,) array
        Radians over arc length at rest, scene units.
    """
    places = np.asarray(t, dtype=float)
    speed = np.linalg.norm(rest.midline(places, 1), axis=1)
    added = _turning(posed, places) - _turning(rest, places)
    return np.linalg.norm(added, axis=1) / speed


def kink(posed: Ribbon, rest: Ribbon) -> tuple[float, float]:
    """Sharpest bend of a pose over its mean along the body, and where it is.

    An even bend of any body has 1, and so has a body at rest: both figures are counted with
    one degree spread evenly over the whole length, which hardly shows in a pose that bends.

    Parameters
    ----------
    posed, rest : Ribbon
        On the same knots.

    Returns
    -------
    ratio : float
        1 or more.
    t : float
        The place of the sharpest bend, 0 to 1.
    """
    breaks = rest.breaks
    share = np.linspace(0.0, len(breaks) - 1.0, _SAMPLES_PER_SPAN * rest.spans + 1)
    t = np.interp(share, np.arange(len(breaks)), breaks)
    lengths, whole = rest.arc_length(t), rest.length
    bend = added_bend(posed, rest, t)
    mean = np.sum(0.5 * (bend[1:] + bend[:-1]) * np.diff(lengths)) / whole
    peak, least = int(np.argmax(bend)), _LEAST_BEND / whole
    return float((bend[peak] + least) / (mean + least)), float(t[peak])


def _turning(ribbon: Ribbon, t: Array) -> Array:
    """Rate of the midline's direction in ``t``, along the ribbon's across and normal."""
    first, second = ribbon.midline(t, 1), ribbon.midline(t, 2)
    frames = ribbon.frames(t)
    sideways = np.einsum("mij,mi->mj", frames[:, :3, 1:3], second)
    return sideways / np.linalg.norm(first, axis=1)[:, None]

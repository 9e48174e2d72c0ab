"""How many spans a ribbon needs: as many as let it bend evenly on top of its own curves."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import BSpline

from ribbonsim.arrays import Array
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up, up_direction
from ribbonsim.layout.targets import make_target

FEWEST = 16
_TRIED = (FEWEST, 20, 24, 28, 32, 40, 48, 64)
_UNEVEN, _SAMPLES, _DEGREES = 0.05, 401, 90.0


def ribbon_of_even_bend(guide: Array, width: float, up: Up = "y") -> Ribbon:
    """Run a ribbon along a guide with as few spans as bend within a twentieth of evenly.

    Parameters
    ----------
    guide : (m, 3) array
    up : str
        The axis that the ribbon's normal side faces where it can.

    Returns
    -------
    Ribbon
        Of 16 to 64 spans.
    """
    for spans in _TRIED:
        ribbon = Ribbon.along(guide, width=width, spans=spans, up=up_direction(up))
        if unevenness(ribbon) <= _UNEVEN:
            break
    return ribbon


def unevenness(ribbon: Ribbon) -> float:
    """How far a c_bend of exact frames at its control points' places is from an even bend.

    Returns
    -------
    float
        Largest difference of the added curvature from that of a quarter arc, over it.
    """
    target = make_target(ribbon, "c_bend", _DEGREES)
    places = ribbon.greville
    points = target.at(ribbon.arc_length(places)).frames[:, :3, 3]
    fitted = np.linalg.solve(ribbon.basis(places).toarray(), points)
    posed = BSpline(ribbon.knots, fitted, ribbon.degree)
    t = np.linspace(0.0, 1.0, _SAMPLES)
    across = target.at(ribbon.arc_length(t)).frames[:, :3, 1]
    bent = _turning(posed(t, 1), posed(t, 2), across)
    rest = _turning(ribbon.midline(t, 1), ribbon.midline(t, 2), ribbon.frames(t)[:, :3, 1])
    even = np.radians(_DEGREES) / ribbon.length
    return float(np.abs((bent - rest) / even - 1.0).max())


def _turning(first: Array, second: Array, across: Array) -> Array:
    """Rate at which a curve turns towards a direction, for each unit of its length."""
    return np.sum(second * across, axis=1) / np.sum(first * first, axis=1)

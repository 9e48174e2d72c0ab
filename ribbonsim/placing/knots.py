"""Knots: where a ribbon's spans cannot follow a pose even if its frames are exact."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.bendcheck.midline import sharpness
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.targets import Target

# so many times, a knot in the middle of so many spans around the kink
_ROUNDS, _SPANS = 4, 2


def exact_kink(ribbon: Ribbon, target: Target) -> tuple[float, float]:
    """The kink of a ribbon that runs through exact frames, and the place ``t`` where it is.

    Parameters
    ----------
    ribbon : Ribbon
        At rest.
    target : Target

    Returns
    -------
    kink : float
        Sharpest curvature over the sharpest that is asked.
    t : float
    """
    places = ribbon.greville
    points = target.at(ribbon.arc_length(places)).frames[:, :3, 3]
    middle = np.linalg.solve(ribbon.basis(places).toarray(), points)
    half = 0.5 * (ribbon.control_points[:, 1] - ribbon.control_points[:, 0])
    posed = Ribbon(np.stack([middle - half, middle + half], axis=1), ribbon.knots)
    return sharpness(posed, ribbon, target)


def with_knots(ribbon: Ribbon, targets: Sequence[Target], kink: float) -> tuple[Ribbon, Array]:
    """Add knots where exact frames leave a kink, as long as that helps.

    Parameters
    ----------
    ribbon : Ribbon
        At rest; its shape stays.
    targets : sequence of Target
    kink : float
        Limit of kinks.

    Returns
    -------
    ribbon : Ribbon
    knots : (k,) array
        Places ``t`` of the knots that were added.
    """
    added: list[float] = []
    worst, place = max(exact_kink(ribbon, target) for target in targets)
    for _ in range(_ROUNDS):
        if worst <= kink:
            break
        breaks = ribbon.breaks
        span = int(np.clip(np.searchsorted(breaks, place, side="right") - 1, 0, len(breaks) - 2))
        low = max(min(span - _SPANS // 2, len(breaks) - 1 - _SPANS), 0)
        middles = 0.5 * (breaks[low : low + _SPANS] + breaks[low + 1 : low + _SPANS + 1])
        finer = ribbon.insert_knots(middles)
        better, where = max(exact_kink(finer, target) for target in targets)
        if better >= worst:
            break
        ribbon, worst, place = finer, better, where
        added += middles.tolist()
    return ribbon, np.array(sorted(added))

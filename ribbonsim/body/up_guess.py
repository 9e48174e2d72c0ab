"""Whether a creature looks as if another axis were up than the one that is said."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.body.inside import inside_of
from ribbonsim.curves.up import UP_AXES, Up, up_direction
from ribbonsim.mesh.creature import CreatureMesh

# the lowest part of a creature, by height, is what it would stand on
_LOWEST = 0.06
# it stands well on more than this share of its outline seen from above, and much better on at
# least so many times as much
_WELL, _TIMES = 0.15, 4.0
# a long creature stands on its end only on a foot as broad as this share of its outline
_FOOT = 0.8
# left and right that are alike on less of the skin than this do not say which way is sideways
_SURE = 0.9


def footprint(points: Array, up: Up) -> float:
    """Share of the outline seen from above, as a box, that the lowest points take up."""
    axis = "xyz".index(up[-1])
    heights = points @ up_direction(up)
    low = points[heights <= heights.min() + _LOWEST * np.ptp(heights)]
    across = [k for k in range(3) if k != axis]
    whole = np.maximum(np.ptp(points[:, across], axis=0), 1e-300)
    return float(np.prod(np.ptp(low[:, across], axis=0) / whole))


def likelier_up(mesh: CreatureMesh, up: Up) -> Up | None:
    """Another axis that the creature would stand on much better, left and right kept; or None.

    It is a guess from shape alone, to be told and never acted upon.
    """
    points = mesh.positions[np.unique(mesh.triangles)]
    now = footprint(points, up)
    if _TIMES * now >= 1.0:
        return None
    inside = inside_of(mesh)
    halves = inside.halves
    sure = halves is not None and halves.share >= _SURE
    sideways = inside.axes @ halves.normal if halves is not None and sure else None
    found: list[tuple[float, Up]] = []
    for axis in UP_AXES:
        if axis[-1] == up[-1]:
            continue
        if sideways is not None and abs(float(sideways @ up_direction(axis))) > 0.2:
            continue
        share = footprint(points, axis)
        on_end = int(np.argmax(np.ptp(points, axis=0))) == "xyz".index(axis[-1])
        if share > max(_FOOT if on_end else _WELL, _TIMES * now):
            found.append((share, axis))
    return max(found)[1] if found else None

"""Where a body stands: the place along it that rests on the ground, or the middle of its mass."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Flags
from ribbonsim.body.field import body_triangles
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up, up_direction
from ribbonsim.mesh.creature import CreatureMesh

# shares of the mesh's diagonal: how near to height 0 the lowest skin must be for the body to
# rest there wherever its weight is, and how far above it skin still rests
_GROUND, _RESTING = 0.02, 0.03
# directions, seen from above, in which the weight is held against what the body rests on
_ROUND = np.linspace(0.0, 2.0 * np.pi, 32, endpoint=False)
_SAMPLES = 801
# of places as good as equal the first is taken, as a share of the length; what is looked at ends
# over that length, and skin rests the less the nearer it is to the height where none does: a face
# on such an edge must not count on one machine and not on another
_EQUAL = 0.02


def standing_place(mesh: CreatureMesh, ribbon: Ribbon, up: Up = "y", before: float = 1.0) -> float:
    """Arc length of the place along a ribbon where the body stands.

    Parameters
    ----------
    up : {"x", "y", "z", "-x", "-y", "-z"}
        Axis that points away from the ground.
    before : float
        Share of the ribbon, from its root end, that is looked at.

    Returns
    -------
    float
        The mean place of the lowest skin, if the body rests on that: it is at height 0, or the
        middle of the skin is above it. Else the place with half of the mass before it.
    """
    corners = mesh.positions[body_triangles(mesh)]
    centres = corners.mean(axis=1)
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = 0.5 * np.linalg.norm(across, axis=1)
    places, distance = _along(ribbon, centres)
    seen = np.clip((before * ribbon.length - places) / (_EQUAL * ribbon.length) + 0.5, 0.0, 1.0)
    if before >= 1.0:
        seen = np.ones_like(places)
    heights = centres @ up_direction(up)
    low = np.clip(1.0 - (heights - heights.min()) / (_RESTING * mesh.diagonal), 0.0, 1.0)
    resting = areas * low * seen
    if resting.any() and _rests(corners, areas, low > 0.0, up, mesh.diagonal):
        return float(np.average(places, weights=resting))
    order = np.argsort(places, kind="stable")
    mass = np.cumsum(
        (areas * distance * seen)[order]
    )  # of a thin wedge from the midline to the skin
    return float(np.interp(0.5 * mass[-1], mass, places[order]))


def _along(ribbon: Ribbon, points: Array) -> tuple[Array, Array]:
    """Arc length of the place that is nearest to each point, and how far that is."""
    lengths = np.linspace(0.0, ribbon.length, _SAMPLES)
    frames = ribbon.frames(ribbon.place_at(lengths))
    distance, nearest = cKDTree(frames[:, :3, 3]).query(points)
    beyond = np.sum((points - frames[nearest, :3, 3]) * frames[nearest, :3, 0], axis=1)
    step = lengths[1]
    return np.clip(lengths[nearest] + np.clip(beyond, -step, step), 0.0, lengths[-1]), distance


def _rests(corners: Array, areas: Array, low: Flags, up: Up, diagonal: float) -> bool:
    """Whether a body rests on its lowest skin and would not tip over there."""
    way = up_direction(up)
    if abs(float((corners @ way).min())) <= _GROUND * diagonal:
        return True
    across = np.eye(3)[np.flatnonzero(way == 0.0)]
    centres = corners.mean(axis=1) @ across.T
    directions = np.stack([np.cos(_ROUND), np.sin(_ROUND)])
    middle = areas @ centres / areas.sum()
    reach = (centres[low] @ directions).max(axis=0)
    return bool((middle @ directions <= reach + _GROUND * diagonal).all())


def standing_seat(lengths: Array, place: float, whole: float) -> int:
    """Index of the control nearest to a place; of two as near the first."""
    away = np.abs(lengths - place)
    return int(np.flatnonzero(away <= away.min() + _EQUAL * whole)[0])

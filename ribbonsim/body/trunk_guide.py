"""The guide through the solid, and which of two guides a rigger would draw."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array
from ribbonsim.body.inside import Inside
from ribbonsim.body.solid import Solid
from ribbonsim.body.trunk import Trunk, find_trunk
from ribbonsim.curves.splines import curve_by_arc_length, fit_spline, uniform_knots

# a guide ends this share of its length inside the skin
_INSET = 0.01
# two guides are one if they differ by at most this share of the radius between their ends ...
_SAME = 0.6
# ... and by this share of their length in length
_SAME_LENGTH = 0.15
# of the guide this part, at each end, is where the two ways to find it may differ
_END_PART = 0.1
# a guide that strays from its chord by less than this share of its length is straight
_STRAIGHT = 5e-4
# with more cells than this share that the lines disagree about, the skin has holes
_HOLES = 0.05


def trunk_guide(
    inside: Inside, ends: tuple[Array | None, Array | None], count: int
) -> Array | None:
    """Guide through the solid of a creature.

    Parameters
    ----------
    ends : pair of (3,) arrays or None
        Chosen ends, scene units.
    count : int
        Points to give.

    Returns
    -------
    (count, 3) array or None
        Evenly spaced, scene units; None if nothing is inside.
    """
    solid = inside.solid
    if solid is None:
        return None
    own = [None if end is None else inside.to_own(end) for end in ends]
    halves = inside.halves
    plane = None if halves is None else (halves.normal, halves.offset)
    if any(end is not None and plane is not None and _off(end, plane, solid) for end in own):
        plane = None
    trunk = find_trunk(solid, plane, (own[0], own[1]))
    return None if trunk is None else inside.to_scene(_fitted(trunk, count))


def _off(end: Array, plane: tuple[Array, float], solid: Solid) -> bool:
    """Whether a chosen end is not on the plane's trunk."""
    radius = float(solid.radii[solid.tree.query(end)[1]])
    return abs(float(end @ plane[0]) - plane[1]) > radius + 2.0 * solid.cell


def _fitted(trunk: Trunk, count: int) -> Array:
    points = trunk.points
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    spans = int(np.clip(round(along[-1] / max(float(np.median(trunk.radii)), 1e-300)), 4, 32))
    spline = fit_spline(along / along[-1], points, uniform_knots(spans), damping=0.02)
    places, curve = curve_by_arc_length(spline(np.linspace(0.0, 1.0, 400)), 4000)
    even = np.linspace(_INSET, 1.0 - _INSET, count)
    return np.stack([np.interp(even, places, curve[:, k]) for k in range(3)], axis=1)


def same_guide(inside: Inside, surface: Array, trunk: Array) -> bool:
    """Whether a guide found on the skin runs where the one through the solid does.

    If so the skin's is the finer; if not it has gone down a leg or round a corner.
    """
    solid = inside.solid
    assert solid is not None
    own, other = inside.to_own(surface), inside.to_own(trunk)
    lengths = [float(np.linalg.norm(np.diff(g, axis=0), axis=1).sum()) for g in (own, other)]
    if abs(lengths[0] - lengths[1]) > _SAME_LENGTH * max(lengths):
        return False
    skip = int(_END_PART * len(own))
    middle = own[skip : len(own) - skip]
    away, seat = cKDTree(other).query(middle)
    radii = solid.radii[solid.tree.query(other)[1]]
    return bool((away <= _SAME * radii[seat] + solid.cell).all())


def has_holes(solid: Solid) -> bool:
    """Whether so much of the inside is in doubt that the skin is open."""
    return solid.unsure > _HOLES


def straighter(surface: Array, trunk: Array) -> bool:
    """Whether the guide through the solid is straight where the one on the skin bends at its ends.

    A field on the skin begins at one vertex, which on a flat end stands at the rim.
    """
    chord = trunk[-1] - trunk[0]
    length = float(np.linalg.norm(chord))
    along, off = _beside(surface, trunk[0], chord / length)
    _, own = _beside(trunk, trunk[0], chord / length)
    reaches = along.min() >= -_INSET * length and along.max() <= (1.0 + _INSET) * length
    return bool(own.max() <= _STRAIGHT * length < off.max() and reaches)


def _beside(line: Array, start: Array, direction: Array) -> tuple[Array, Array]:
    """How far along a straight line points are, and how far off it."""
    along = (line - start) @ direction
    return along, np.linalg.norm(line - start - along[:, None] * direction, axis=1)

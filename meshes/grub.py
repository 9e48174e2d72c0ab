"""The grub: short, fat and folded, on stubby feet, looking up."""

from __future__ import annotations

import numpy as np
from curves import bell, profile, rounded_end, smoothstep, tangents
from features import (
    Growth,
    Midline,
    crease,
    eye_shape,
    gathered_angles,
    grow_pair,
    ring_places,
    root_axes,
    rows_at,
    superellipse,
    upright_points,
)
from numpy.typing import NDArray
from quadcage import Cage, QuadMesh, Rectangle, Root, add_body, swept_loops
from subdivision import mirrored_exactly

Array = NDArray[np.float64]

LENGTH = 31.0
AROUND = 32
MOUTH_COLUMN = 10

_RADIUS = profile(
    [(0, 5.2), (5, 5.5), (9, 5.7), (15, 6.3), (20, 6.3), (26, 5.6), (31, 5.0)], softness=1.2
)
_PITCH = profile([(0, 16), (7, 17), (15, 6), (22, -6), (31, -34)], softness=3.0)
_MOUTH_ANGLE = profile(
    [(0, 134), (1.2, 127), (2.2, 113), (3.4, 96), (4.4, 86), (31, 86)], softness=0.4
)
_FOLDS = np.array([9.0, 12.7, 16.4, 20.0, 23.4, 26.3])
_FEET = 0.5 * (_FOLDS[:-1] + _FOLDS[1:])
_EYE_PLACE, _EYE_COLUMN = 4.4, 5.0
_PLACES = ring_places(
    profile([(0, 0.5), (8, 0.5), (24, 0.5), (31, 0.55)], softness=1.0), 1.3, LENGTH - 1.3
)
_HEAD_CAP = (0.98, 0.66, 0.24, 0.0)
_TAIL_CAP = tuple(LENGTH - place for place in _HEAD_CAP)


def _midline() -> Midline:
    """Build the midline in the plane x = 0, head and tail raised."""
    points = upright_points(_PITCH, LENGTH, 2001)
    where = np.linspace(0.0, LENGTH, len(points))
    resting = int(np.argmin(np.abs(where - 18.0)))
    points[:, 1] += float(_RADIUS(18.0)) + 0.4 - points[resting, 1]
    points[:, 2] -= points[resting, 2]
    return Midline.through(points, np.tile([1.0, 0.0, 0.0], (len(points), 1)))


MIDLINE = _midline()


def skin(place: float, around: Array) -> Array:
    """Point of the cage: distance from the snout, places around 0..32."""
    gather = 0.8 * (1.0 - float(smoothstep(place, 4.0, 8.0)))
    mouth = np.radians(float(_MOUTH_ANGLE(place)))
    angle = gathered_angles(around, AROUND, MOUTH_COLUMN, mouth, gather)
    away = np.abs(angle)
    close = rounded_end(place, 6.5, 2.1) * rounded_end(LENGTH - place, 6.5, 2.0)
    # Folds: narrow valleys between plump rings, shallow under the belly.
    valley = np.exp(-(np.abs((place - _FOLDS) / 0.75) ** 1.7)).max()
    deep = 0.62 - 0.3 * smoothstep(away, np.radians(110.0), np.radians(165.0))
    feet = bell(place, _FEET, 0.72).max() * bell(away, np.radians(143.0), 0.17)
    eye = np.radians(_EYE_COLUMN * 360.0 / AROUND)
    socket = 0.45 * bell(place, _EYE_PLACE, 1.7) * bell(away, eye, 0.4)
    cheek = 0.5 * bell(place, 4.9, 1.5) * bell(away, np.radians(108.0), 0.35)
    x, y = superellipse(angle, 2.1)
    flat = 1.0 - 0.1 * smoothstep(away, np.radians(120.0), np.pi)
    reach = close * (float(_RADIUS(place)) + socket + cheek) * flat - deep * valley + 1.4 * feet
    centre, side, up = MIDLINE.frame(place)
    return centre + (reach * x)[:, None] * side + (reach * y)[:, None] * up


def feeler_loops(points: Array, root: Root) -> tuple[Array, Array]:
    """Shape a short feeler with a round knob."""
    middle, tailward, outward = root_axes(points, root)
    section = np.array(
        [[0.85, 0.0], [0.62, 0.22], [0.47, 0.6], [0.42, 1.1], [0.44, 1.6], [0.58, 1.95],
         [0.74, 2.3], [0.76, 2.7], [0.6, 3.08], [0.36, 3.28]]
    )  # fmt: skip
    lean = np.linspace(0.0, 1.0, len(section))[:, None] ** 2
    path = middle + section[:, 1:] * outward + 0.5 * lean * np.array([0.3, 0.2, 1.0])
    axes = (tailward, np.cross(tailward, outward))
    spread = tuple(np.tile(axis, (len(path), 1)) for axis in axes)
    loops = swept_loops(points, root.angles, path, spread, section[:, [0, 0]], join=3)
    return loops, 0.1 * tangents(path)[-1]


_ATLAS = (
    Rectangle(0.01, 0.01, 0.6, 0.98),
    Rectangle(0.64, 0.83, 0.16, 0.16),
    Rectangle(0.82, 0.83, 0.16, 0.16),
)
_SLOTS = [
    (Rectangle(0.64, bottom, 0.16, 0.38), Rectangle(0.82, bottom, 0.16, 0.38))
    for bottom in (0.02, 0.42)
]
_GROWTHS = (
    Growth(rows_at(_PLACES, _EYE_PLACE, 6), slice(3, 7), eye_shape(1.6), ("body", "body"),
           _SLOTS[0]),
    Growth(rows_at(_PLACES, 7.2, 2), slice(1, 3), feeler_loops, ("body", "body"), _SLOTS[1]),
)  # fmt: skip


def build() -> QuadMesh:
    """Build the grub at rest, in the plane x = 0, facing +z."""
    cage = Cage(("body",))
    holes = [hole for growth in _GROWTHS for hole in growth.holes(AROUND)]
    body = add_body(cage, skin, _PLACES, _HEAD_CAP, _TAIL_CAP, AROUND, _ATLAS, holes)
    fade = 1.0 - smoothstep(_PLACES, 2.2, 4.2)
    cage.push(crease(body, MOUTH_COLUMN, (0.05, -0.45, 0.05), fade))
    for growth in _GROWTHS:
        grow_pair(cage, body, growth)
    fine = cage.mesh().subdivided()
    positions = mirrored_exactly(fine.positions)
    positions[:, 1] -= positions[:, 1].min()
    return fine.moved(positions)

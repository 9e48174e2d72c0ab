"""The snuffer: a hooded body on six arms, which puts out what the lamplighter lit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from curves import (
    bell,
    profile,
    rotation_minimising,
    rounded_end,
    smoothstep,
    steered_curve,
    tangents,
)
from features import (
    Growth,
    Midline,
    eye_shape,
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

LENGTH = 58.0
AROUND = 48
ARM_LENGTH = 42.0

# Distances run from the mouth underneath up to the tip of the hood.
_RADIUS = profile(
    [(0, 6.6), (4, 7.6), (8, 8.2), (12, 7.5), (15, 6.9), (19, 7.6), (25, 9.3), (30, 9.9),
     (36, 8.9), (42, 6.4), (47, 4.2), (52, 2.7), (58, 2.0)]
)  # fmt: skip
# Pitch of the heading towards the mouth, in degrees over the ground: the hood nods forward.
_PITCH = profile(
    [(0, -90), (10, -88), (18, -80), (28, -78), (36, -84), (44, -102), (51, -124), (58, -138)],
    softness=3.0,
)
_EYE_PLACE, _EYE_COLUMN = 18.0, 5.0
_ARM_PLACE = 7.6
_SPACING = profile([(0, 1.05), (12, 1.1), (22, 1.3), (34, 1.9), (48, 1.5), (58, 0.7)])
_PLACES = ring_places(_SPACING, 2.6, LENGTH - 0.9)
_MOUTH_CAP = (1.95, 1.35, 0.85, 0.42, 0.12, 0.0)
_HOOD_CAP = tuple(LENGTH - place for place in (0.66, 0.46, 0.29, 0.15, 0.05, 0.0))


def _midline() -> Midline:
    """Build the midline in the plane x = 0, mouth down, the face towards +z."""
    points = upright_points(_PITCH, LENGTH)
    return Midline.through(points, np.tile([1.0, 0.0, 0.0], (len(points), 1)))


MIDLINE = _midline()


def skin(place: float, around: Array) -> Array:
    """Point of the cage: distance from the mouth, places around 0..48, the face at 0."""
    angle = np.asarray(around, dtype=float) * (2.0 * np.pi / AROUND)
    angle = np.where(angle > np.pi, angle - 2.0 * np.pi, angle)
    close = rounded_end(place, 5.5, 2.2) * rounded_end(LENGTH - place, 3.2, 2.1)
    eye = np.radians(_EYE_COLUMN * 360.0 / AROUND)
    mound = 0.9 * bell(place, _EYE_PLACE, 2.6) * bell(np.abs(angle), eye, 0.34)
    # The brow of the hood stands over the eyes; soft ribs run up its back.
    brow = 0.8 * bell(place, 23.0, 1.9) * (0.5 + 0.5 * np.cos(angle))
    ribs = 0.3 * smoothstep(place, 24.0, 31.0) * (1.0 - smoothstep(place, 40.0, 50.0))
    crown = 0.35 * bell(place, _ARM_PLACE, 3.0) * -np.cos(6.0 * angle)
    x, y = superellipse(angle, 2.0)
    reach = close * (float(_RADIUS(place)) + mound + brow + crown - ribs * np.cos(6.0 * angle))
    centre, side, front = MIDLINE.frame(place)
    return centre + (reach * x)[:, None] * side + (reach * y)[:, None] * front


def arm_loops(curl: float) -> Callable[[Array, Root], tuple[Array, Array]]:
    """Shape of an arm: out and down to the ground, along it, up and round at the tip.

    ``curl`` turns the tip: 1 towards the hood, less lies lower.
    """

    def loops(points: Array, root: Root) -> tuple[Array, Array]:
        middle, hoodward, outward = root_axes(points, root)
        level = np.array([outward[0], 0.0, outward[2]])
        level /= np.linalg.norm(level)
        up = np.array([0.0, 1.0, 0.0])
        headings = np.array(
            [outward, level - 0.15 * up, level - 0.75 * up, level - 0.8 * up, level - 0.25 * up,
             level + 0.1 * up, level + 0.6 * curl * up, 0.2 * level + curl * up,
             -0.9 * level + 0.8 * curl * up]
        )  # fmt: skip
        t = np.linspace(0.0, 1.0, 29) ** 1.06
        path = steered_curve(middle, headings, ARM_LENGTH, t)
        radius = 0.42 + 2.5 * (1.0 - t) ** 1.15 + 0.8 * np.exp(-t / 0.05)
        radius *= rounded_end(1.0 - t + 0.012, 0.035)
        sweep = swept_loops(
            points, root.angles, path, rotation_minimising(path, hoodward),
            np.stack([radius, radius], axis=1), join=5,
        )  # fmt: skip
        return sweep, 0.12 * tangents(path)[-1]

    return loops


_ATLAS = (
    Rectangle(0.01, 0.01, 0.5, 0.98),
    Rectangle(0.54, 0.83, 0.16, 0.16),
    Rectangle(0.72, 0.83, 0.16, 0.16),
)
_SLOTS = [
    (Rectangle(left, 0.02, 0.048, 0.79), Rectangle(left + 0.056, 0.02, 0.048, 0.79))
    for left in (0.53, 0.645, 0.76, 0.875)
]
_ARM_ROWS = rows_at(_PLACES, _ARM_PLACE, 4)
_GROWTHS = (
    Growth(rows_at(_PLACES, _EYE_PLACE, 5), slice(2, 8), eye_shape(2.5), ("body", "body"),
           _SLOTS[0]),
    Growth(_ARM_ROWS, slice(2, 6), arm_loops(1.0), ("arm_front_l", "arm_front_r"), _SLOTS[1]),
    Growth(_ARM_ROWS, slice(10, 14), arm_loops(0.7), ("arm_side_l", "arm_side_r"), _SLOTS[2]),
    Growth(_ARM_ROWS, slice(18, 22), arm_loops(0.85), ("arm_back_l", "arm_back_r"), _SLOTS[3]),
)  # fmt: skip


def build() -> QuadMesh:
    """Build the snuffer at rest on the tips of its arms, facing +z."""
    cage = Cage(("body", *(name for growth in _GROWTHS[1:] for name in growth.groups)))
    holes = [hole for growth in _GROWTHS for hole in growth.holes(AROUND)]
    body = add_body(cage, skin, _PLACES, _MOUTH_CAP, _HOOD_CAP, AROUND, _ATLAS, holes)
    for growth in _GROWTHS:
        grow_pair(cage, body, growth)
    fine = cage.mesh().subdivided()
    positions = mirrored_exactly(fine.positions)
    positions[:, 1] -= positions[:, 1].min()
    return fine.moved(positions)

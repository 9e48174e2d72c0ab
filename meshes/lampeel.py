"""The lampeel: tail on the quay, head reared to the lamplight, barbels and fins."""

from __future__ import annotations

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

LENGTH = 158.0
AROUND = 32
MOUTH_COLUMN = 10

# Distances run from the snout; half-widths and heights over and under the centreline.
_WIDTH = profile(
    [(0, 5.4), (4, 6.0), (8, 7.0), (12, 7.8), (16, 7.1), (21, 5.5), (26, 4.7), (34, 5.0),
     (48, 6.0), (64, 7.3), (80, 8.3), (93, 8.5), (106, 7.4), (120, 5.2), (134, 3.2),
     (146, 2.4), (158, 2.0)]
)  # fmt: skip
_TOP = profile(
    [(0, 3.9), (3, 4.2), (6, 5.2), (9, 6.6), (12, 7.2), (16, 6.2), (21, 4.8), (26, 4.4),
     (34, 4.8), (48, 5.7), (64, 6.8), (80, 7.7), (91, 7.9), (104, 7.2), (118, 5.5),
     (131, 4.2), (138, 4.6), (147, 6.1), (158, 6.4)]
)  # fmt: skip
_BOTTOM = profile(
    [(0, 3.6), (4, 4.1), (9, 5.0), (13, 5.3), (17, 4.9), (21, 4.4), (26, 4.3), (34, 5.1),
     (48, 6.4), (64, 7.3), (80, 7.7), (93, 7.6), (106, 6.6), (119, 4.8), (131, 3.6),
     (138, 3.9), (148, 5.2), (158, 5.4)]
)  # fmt: skip
# Pitch of the heading towards the head, in degrees over the ground.
_PITCH = profile(
    [(0, -9), (14, -7), (21, 15), (31, 72), (41, 103), (49, 105), (58, 92), (77, 35),
     (92, 3), (102, 0), (114, -3), (130, -17), (146, -33), (158, -40)],
    softness=5.5,
)  # fmt: skip
_MOUTH_ANGLE = profile([(0, 117), (4, 114), (8, 105), (11, 93), (13, 86), (30, 86)], 1.0)

_EYE_PLACE, _EYE_COLUMN = 8.6, 4.0
_HEAD_CAP = (1.42, 0.68, 0.18, 0.0)
_TAIL_CAP = (LENGTH - 0.85, LENGTH - 0.4, LENGTH - 0.1, LENGTH)


_SPACING = profile(
    [(0, 0.64), (14, 0.76), (22, 1.1), (60, 1.9), (122, 1.95), (146, 1.5), (158, 0.75)]
)
_PLACES = ring_places(_SPACING, 2.4, LENGTH - 1.4)


def _midline() -> Midline:
    """Build the midline in the plane x = 0; where the body lies, its belly touches the ground."""
    points = upright_points(_PITCH, LENGTH)
    where = np.linspace(0.0, LENGTH, len(points))
    belly = _BOTTOM(where)
    lying = smoothstep(where, 66.0, 96.0) * (1.0 - smoothstep(where, 102.0, 142.0))
    resting = int(np.argmin(np.abs(where - 98.0)))
    points[:, 1] += belly[resting] - points[resting, 1]
    points[:, 1] += lying * (belly - points[:, 1])
    points[:, 2] -= points[resting, 2]
    return Midline.through(points, np.tile([1.0, 0.0, 0.0], (len(points), 1)))


MIDLINE = _midline()


def skin(place: float, around: Array) -> Array:
    """Point of the cage: distance from the snout, places around 0..32."""
    gather = 0.9 * (1.0 - float(smoothstep(place, 11.0, 19.0)))
    mouth = np.radians(float(_MOUTH_ANGLE(place)))
    angle = gathered_angles(around, AROUND, MOUTH_COLUMN, mouth, gather)
    close = rounded_end(place, 7.0, 2.2) * rounded_end(LENGTH - place, 8.5, 2.1)
    fuller = 2.0 + 0.25 * (1.0 - smoothstep(place, 10.0, 24.0)) + 0.15 * bell(place, 95.0, 22.0)
    x, y = superellipse(angle, fuller)
    keel = 1.1 * bell(angle, 0.0, 0.2) * smoothstep(place, 78.0, 112.0)
    height = np.where(y > 0.0, float(_TOP(place)), float(_BOTTOM(place)))
    # Sockets: the eyes sit on soft mounds; cheeks round off the corners of the mouth.
    eye = np.radians(_EYE_COLUMN * 360.0 / AROUND)
    mound = bell(place, _EYE_PLACE, 2.3) * bell(np.abs(angle), eye, 0.36)
    swell = 1.0 + 0.12 * mound
    cheek = 0.7 * bell(place, 14.0, 2.0) * bell(np.abs(angle), np.radians(98.0), 0.4)
    centre, side, up = MIDLINE.frame(place)
    across = close * x * (float(_WIDTH(place)) * swell + cheek)
    upward = close * (y * height * swell + keel)
    return centre + across[:, None] * side + upward[:, None] * up


def barbel_loops(points: Array, root: Root) -> tuple[Array, Array]:
    """Shape a thin tapering barbel: out and forward, down, and a curl at the tip."""
    middle, tailward, outward = root_axes(points, root)
    headings = np.array(
        [outward, [0.75, -0.1, 0.65], [0.55, -0.65, 0.55], [0.3, -0.95, 0.15],
         [0.25, -0.95, -0.2], [0.5, -0.55, -0.2], [0.75, 0.1, 0.1]]
    )  # fmt: skip
    t = np.linspace(0.0, 1.0, 25) ** 1.15
    path = steered_curve(middle, headings, 14.5, t)
    radius = 0.24 + 0.42 * (1.0 - t) ** 1.3 + 0.4 * np.exp(-t / 0.035)
    radius *= rounded_end(1.0 - t + 0.02, 0.06)
    loops = swept_loops(
        points, root.angles, path, rotation_minimising(path, tailward),
        np.stack([radius, radius], axis=1), join=4,
    )  # fmt: skip
    return loops, 0.12 * tangents(path)[-1]


def fin_loops(points: Array, root: Root) -> tuple[Array, Array]:
    """Shape a flat leaf that sweeps out and back."""
    middle, tailward, outward = root_axes(points, root)
    dorsal = np.cross(outward, tailward)
    headings = np.array(
        [outward, outward + 0.1 * tailward + 0.15 * dorsal, outward + 0.6 * tailward,
         outward + 1.0 * tailward - 0.3 * dorsal, outward + 1.1 * tailward - 0.6 * dorsal]
    )  # fmt: skip
    even = np.linspace(0.0, 1.0, 18)
    t = 0.4 * even + 0.3 * (1.0 - np.cos(np.pi * even))
    path = steered_curve(middle, headings, 18.5, t)
    breadth = profile([(0, 2.2), (0.2, 2.8), (0.6, 4.7), (0.85, 4.6), (1.0, 4.3)], 0.05)(t)
    breadth = (breadth + 1.0 * np.exp(-t / 0.05)) * rounded_end(1.0 - t + 0.006, 0.5)
    thickness = 0.36 + 0.35 * np.exp(-t / 0.25) + 0.9 * np.exp(-t / 0.05)
    loops = swept_loops(
        points, root.angles, path, rotation_minimising(path, tailward),
        np.stack([breadth, thickness * rounded_end(1.02 - t, 0.1)], axis=1), join=4,
    )  # fmt: skip
    return loops, 0.3 * tangents(path)[-1]


_ATLAS = (
    Rectangle(0.01, 0.01, 0.6, 0.98),
    Rectangle(0.64, 0.83, 0.16, 0.16),
    Rectangle(0.82, 0.83, 0.16, 0.16),
)


_SLOTS = [
    (Rectangle(0.64, bottom, 0.16, 0.25), Rectangle(0.82, bottom, 0.16, 0.25))
    for bottom in (0.02, 0.29, 0.56)
]
_GROWTHS = (
    Growth(rows_at(_PLACES, _EYE_PLACE, 6), slice(2, 6), eye_shape(2.0), ("body", "body"),
           _SLOTS[0]),
    Growth(rows_at(_PLACES, 4.6, 2), slice(6, 8), barbel_loops, ("barbel_l", "barbel_r"),
           _SLOTS[1]),
    Growth(rows_at(_PLACES, 31.5, 6), slice(8, 12), fin_loops, ("fin_l", "fin_r"), _SLOTS[2]),
)  # fmt: skip


def build() -> QuadMesh:
    """Build the lampeel at rest, in the plane x = 0, facing +z."""
    cage = Cage(("body", "barbel_l", "barbel_r", "fin_l", "fin_r"))
    holes = [hole for growth in _GROWTHS for hole in growth.holes(AROUND)]
    body = add_body(cage, skin, _PLACES, _HEAD_CAP, _TAIL_CAP, AROUND, _ATLAS, holes)
    fade = 1.0 - smoothstep(_PLACES, 8.5, 12.5)
    cage.push(crease(body, MOUTH_COLUMN, (0.16, -0.85, 0.10), fade))
    for growth in _GROWTHS:
        grow_pair(cage, body, growth)
    fine = cage.mesh().subdivided()
    return fine.moved(mirrored_exactly(fine.positions))

"""The tentacle: a straight taper whose girth and volume follow from formulas.

It stands on the origin and rises along +y.  Its side is the cone frustum
``radius_at(y)``, 0 <= y <= HEIGHT, and half-ellipsoids close it below and above.  All
vertices lie on this surface, so a ring is a regular polygon in a circle of that radius.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from quadcage import Cage, QuadMesh, Rectangle, add_body

Array = NDArray[np.float64]

HEIGHT = 90.0
BASE_RADIUS = 9.0
TIP_RADIUS = 2.0
BASE_CAP = 3.0
TIP_CAP = 2.5
AROUND = 32
RINGS = 121


def radius_at(y: Array | float) -> Array:
    """Radius of the side, in centimetres, at heights ``y`` in 0..HEIGHT: r0 (1 - s) + r1 s."""
    s = np.asarray(y, dtype=float) / HEIGHT
    return BASE_RADIUS * (1.0 - s) + TIP_RADIUS * s


def solid_volume() -> float:
    """Volume of the smooth solid, in cubic centimetres: a frustum and two half-ellipsoids."""
    r0, r1 = BASE_RADIUS, TIP_RADIUS
    frustum = HEIGHT * (r0 * r0 + r0 * r1 + r1 * r1) / 3.0
    caps = 2.0 / 3.0 * (r0 * r0 * BASE_CAP + r1 * r1 * TIP_CAP)
    return float(np.pi * (frustum + caps))


def skin(y: float, around: Array) -> Array:
    """Point of the surface at height ``y``, with the tip as its front and -z as its back."""
    if y > HEIGHT:
        radius = TIP_RADIUS * np.sqrt(max(1.0 - ((y - HEIGHT) / TIP_CAP) ** 2, 0.0))
    elif y < 0.0:
        radius = BASE_RADIUS * np.sqrt(max(1.0 - (y / BASE_CAP) ** 2, 0.0))
    else:
        radius = float(radius_at(y))
    angle = np.asarray(around, dtype=float) * (2.0 * np.pi / AROUND)
    x, z = radius * np.sin(angle), -radius * np.cos(angle)
    return np.stack([x, np.full_like(x, y), z], axis=1)


def build() -> QuadMesh:
    """Build the tentacle."""
    cage = Cage(("body",))
    # Even steps of latitude, so that the squares of the end grids are about as wide apart.
    latitude = np.linspace(0.0, np.pi / 2.0, AROUND // 8 + 1)[1:]
    atlas = (
        Rectangle(0.01, 0.01, 0.6, 0.98),
        Rectangle(0.64, 0.66, 0.33, 0.33),
        Rectangle(0.64, 0.30, 0.33, 0.33),
    )
    add_body(
        cage, skin, np.linspace(HEIGHT, 0.0, RINGS), HEIGHT + TIP_CAP * np.sin(latitude),
        -BASE_CAP * np.sin(latitude), AROUND, atlas,
    )  # fmt: skip
    return cage.mesh()

"""The coil: a tapered body wound about itself, its neck just over its own tail."""

from __future__ import annotations

import numpy as np
from curves import bell, profile, rounded_end, smoothstep, unit
from features import (
    Growth,
    Midline,
    crease,
    eye_shape,
    gathered_angles,
    grow_pair,
    ring_places,
    rows_at,
    superellipse,
)
from numpy.typing import NDArray
from quadcage import Cage, QuadMesh, Rectangle, add_body

Array = NDArray[np.float64]

AROUND = 24
MOUTH_COLUMN = 7
TURNS = 1.8
WINDING_RADIUS = 15.0
_NECK = 1.61
# Gap between turns that lie on each other, in local body diameters.
GAP = 0.077
# Direction in which the second turn lies on the first: over the ground, inwards.
_SLOPE = np.radians(58.0)

# Radius by turns from the tail's tip.
_RADIUS = profile(
    [(-0.1, 0.0), (0.0, 0.7), (0.12, 1.5), (0.35, 2.7), (0.65, 3.5), (0.95, 3.8), (1.25, 3.5),
     (1.5, 2.9), (1.61, 2.8), (1.68, 3.5), (1.735, 4.0), (1.77, 3.7), (1.8, 3.2)],
    softness=0.016,
)  # fmt: skip


def _midline() -> tuple[Midline, Array]:
    """Build the midline; with the turns from the tail at each of its points."""
    turns = np.linspace(TURNS, 0.0, 6001)
    # The head's swelling must not bend the midline: past the neck its girth counts.
    radius, below = _RADIUS(np.minimum(turns, _NECK)), _RADIUS(turns - 1.0)
    lift = 0.6 * smoothstep(turns, 1.55, TURNS + 0.08)
    apart = (1.0 + GAP + lift) * (radius + below)
    # The first turn climbs from the ground to where it can lie on the tail's tip.
    climb = smoothstep(turns, 0.25, 1.0)
    height = (1.0 - climb) * radius + climb * (below + np.sin(_SLOPE) * apart)
    reach = WINDING_RADIUS - climb * np.cos(_SLOPE) * apart
    # The second lies on the first; the head peels off outwards.
    second = turns > 1.0
    for values, step in ((height, np.sin(_SLOPE)), (reach, -np.cos(_SLOPE))):
        under = np.interp(turns[second] - 1.0, turns[::-1], values[::-1])
        values[second] = under + step * apart[second]
    reach += 3.0 * smoothstep(turns, 1.6, TURNS + 0.1)
    azimuth = 2.0 * np.pi * (turns - TURNS)
    points = np.stack([reach * np.cos(azimuth), height, reach * np.sin(azimuth)], axis=1)
    forwards = -np.gradient(points, axis=0)
    midline = Midline.through(points, unit(np.cross([0.0, 1.0, 0.0], forwards)))
    return midline, turns


MIDLINE, _TURNS = _midline()
_SPACING = profile([(0, 0.72), (10, 0.9), (25, 1.8), (120, 2.1), (MIDLINE.length, 1.1)])
_PLACES = ring_places(_SPACING, 1.9, MIDLINE.length - 0.5)
_HEAD_CAP = (1.3, 0.75, 0.0)
_TAIL_CAP = tuple(MIDLINE.length - place for place in (0.24, 0.07, 0.0))
_MOUTH_ANGLE = profile([(0, 128), (1.9, 117), (3, 98), (4.2, 82), (20, 82)], softness=0.4)
_EYE_PLACE = 5.0


def skin(place: float, around: Array) -> Array:
    """Point of the cage: distance from the snout, places around 0..24."""
    gather = 0.8 * (1.0 - float(smoothstep(place, 7.0, 12.0)))
    mouth = np.radians(float(_MOUTH_ANGLE(place)))
    angle = gathered_angles(around, AROUND, MOUTH_COLUMN, mouth, gather)
    tail = MIDLINE.length - place
    close = rounded_end(place, 8.0, 2.0) * rounded_end(tail, 2.0)
    head = 1.0 - smoothstep(place, 7.0, 16.0)
    mound = 0.5 * bell(place, _EYE_PLACE, 1.5) * bell(np.abs(angle), np.pi / 4, 0.36)
    x, y = superellipse(angle, 2.0 + 0.15 * head)
    reach = close * (float(_RADIUS(np.interp(place, MIDLINE.where, _TURNS))) + mound)
    centre, side, up = MIDLINE.frame(place)
    across, upward = reach * x * (1.0 + 0.15 * head), reach * y * (1.0 - 0.06 * head)
    return centre + across[:, None] * side + upward[:, None] * up


_ATLAS = (
    Rectangle(0.01, 0.01, 0.6, 0.98),
    Rectangle(0.64, 0.83, 0.16, 0.16),
    Rectangle(0.82, 0.83, 0.16, 0.16),
)
_EYES = Growth(
    rows_at(_PLACES, _EYE_PLACE, 4), slice(1, 5), eye_shape(1.4), ("body", "body"),
    (Rectangle(0.64, 0.4, 0.16, 0.4), Rectangle(0.82, 0.4, 0.16, 0.4)),
)  # fmt: skip


def build() -> QuadMesh:
    """Build the coil at rest on the ground, its head over +x, facing +z."""
    cage = Cage(("body",))
    body = add_body(cage, skin, _PLACES, _HEAD_CAP, _TAIL_CAP, AROUND, _ATLAS, _EYES.holes(AROUND))
    fade = 1.0 - smoothstep(_PLACES, 3.2, 5.2)
    cage.push(crease(body, MOUTH_COLUMN, (0.02, -0.42, 0.02), fade))
    grow_pair(cage, body, _EYES, mirror=False)
    fine = cage.mesh().subdivided()
    return fine.moved(fine.positions - [0.0, fine.positions[:, 1].min(), 0.0])

"""The piece of a ribbon that the chosen control bends, as lines in the picture."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.panel.state.ribbon_words import bent_piece
from ribbonsim.panel.work.subject import Subject
from ribbonsim.rig.rig import Rig
from ribbonsim.view.scene import Stage

Line = list[tuple[float, float]]

_ALONG = 33


def piece_lines(
    stage: Stage, subject: Subject, ribbon: Ribbon, positions: NDArray[np.float32]
) -> list[Line]:
    """The piece along the posed ribbon, then the skin's rings at its two ends where they face us.

    Empty if the control turns its ribbon as a whole.
    """
    layout = subject.rig.layout
    name, control = layout.control(subject.selected)
    own = layout.ribbons[name]
    piece = bent_piece(own, control.name)
    if piece is None or not subject.show.controls:
        return []
    lines = [_pixels(stage, ribbon.midline(np.linspace(*piece, _ALONG)))]
    if name == BODY:
        for t in piece:
            if 0.0 < t < 1.0:
                lines += _ring(stage, subject, float(own.ribbon.arc_length(t)), positions)
    return lines


def _pixels(stage: Stage, points: Array) -> Line:
    return [(float(x), float(y)) for x, y in stage.project(points)]


def _ring(
    stage: Stage, subject: Subject, length: float, positions: NDArray[np.float32]
) -> list[Line]:
    """Segments of the ring of the posed skin at a place, those that face the camera."""
    rig = subject.rig
    triangles, edges, shares = _crossings(rig, length)
    if not len(triangles):
        return []
    corners = positions[rig.mesh.triangles[triangles]].astype(float)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    eye = stage.camera.position * rig.mesh.diagonal + rig.mesh.centre
    facing = np.einsum("ij,ij->i", normals, eye - corners[:, 0]) > 0
    starts, ends = positions[edges[facing, :, 0]], positions[edges[facing, :, 1]]
    points = starts + shares[facing, :, None] * (ends - starts)
    seen = stage.project(points.reshape(-1, 3)).reshape(-1, 2, 2)
    return [[(float(x), float(y)) for x, y in segment] for segment in seen]


@lru_cache(maxsize=32)
def _crossings(rig: Rig, length: float) -> tuple[Ints, Ints, Array]:
    """Triangles of the body that a place goes through: (n,), edges (n, 2, 2), shares (n, 2)."""
    triangles = rig.mesh.triangles
    above = rig.places[triangles] > length
    # where places stand still a limb grows: what a limb holds is not the body's
    held = np.any(rig.mesh_weights[:, rig.joints_of[BODY].stop :] > 0.0, axis=1)
    limbs = np.any(np.asarray(held)[triangles], axis=1)
    crossed = np.flatnonzero((above.any(axis=1) & ~above.all(axis=1)) & ~limbs)
    alone = above[crossed].sum(axis=1) == 1
    odd = np.where(alone, above[crossed].argmax(axis=1), above[crossed].argmin(axis=1))
    rows = np.arange(len(crossed))
    corner = triangles[crossed]
    first = corner[rows, odd]
    others = np.stack([corner[rows, (odd + 1) % 3], corner[rows, (odd + 2) % 3]], axis=1)
    edges = np.stack([np.repeat(first[:, None], 2, axis=1), others], axis=2)
    rise = rig.places[edges[:, :, 1]] - rig.places[edges[:, :, 0]]
    shares = (length - rig.places[edges[:, :, 0]]) / np.where(rise == 0.0, 1.0, rise)
    return crossed, edges, shares

"""What is under a pixel: a place on the skin, an edge of a polygon, a point at some depth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.view.camera import Camera


def pixel_of(canvas: Canvas, event: Mapping[str, Any]) -> tuple[float, float]:
    """The pixel of a picture at which the page tells an event of the mouse."""
    wide, high = event.get("boundingRectWidth"), event.get("boundingRectHeight")
    box = (float(wide), float(high)) if wide and high else canvas.size
    return canvas.pixel((event["relativeX"], event["relativeY"]), box)


@dataclass(frozen=True, eq=False)
class Sight:
    """A pixel of a picture, and what the picture is seen from.

    Parameters
    ----------
    size : (width, height)
        Of the picture, pixels.
    """

    camera: Camera
    size: tuple[int, int]
    pixel: tuple[float, float]

    def project(self, mesh: CreatureMesh, points: Array) -> Array:
        """(n, 3) pixels and depths of points in scene units."""
        return self.camera.project((points - mesh.centre) / mesh.diagonal, self.size)


@dataclass(frozen=True, eq=False)
class Hit:
    """A place on the skin.

    Parameters
    ----------
    point : (3,) array
        Scene units.
    edge : (int, int)
        Ends of the polygon's edge that is nearest in the picture.
    """

    point: Array
    edge: tuple[int, int]


def hit_skin(mesh: CreatureMesh, sight: Sight) -> Hit | None:
    """The place of a mesh at rest that is seen at a pixel; None beside the creature."""
    seen = sight.project(mesh, mesh.positions)
    triangles = mesh.triangles
    a, b, c = (seen[triangles[:, k]] for k in range(3))
    at = np.array(sight.pixel)

    def turn(p: Array, q: Array) -> Array:
        return (q[:, 0] - p[:, 0]) * (at[1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (at[0] - p[:, 0])

    shares = np.stack([turn(b, c), turn(c, a), turn(a, b)], axis=1)
    whole = shares.sum(axis=1)
    ahead = np.minimum(np.minimum(a[:, 2], b[:, 2]), c[:, 2]) > 1e-9
    inside = ((shares >= 0).all(axis=1) | (shares <= 0).all(axis=1)) & (np.abs(whole) > 0) & ahead
    found = np.flatnonzero(inside)
    if not len(found):
        return None
    # shares in the picture over depth are shares on the triangle
    share = shares[found] / whole[found, None] / seen[triangles[found], 2]
    depth = 1.0 / share.sum(axis=1)
    front = int(np.argmin(depth))
    corners = mesh.positions[triangles[found[front]]]
    point = depth[front] * share[front] @ corners
    return Hit(point, _edge_near(mesh, int(found[front]), seen[:, :2], at))


def _edge_near(mesh: CreatureMesh, triangle: int, seen: Array, at: Array) -> tuple[int, int]:
    """The edge of a triangle's polygon that is nearest to a pixel."""
    polygon = int(mesh.triangle_polygons[triangle])
    begin, end = mesh.polygon_offsets[polygon : polygon + 2]
    corners = mesh.corner_vertices[begin:end]
    others = np.roll(corners, -1)
    start, along = seen[corners], seen[others] - seen[corners]
    length = np.maximum(np.sum(along**2, axis=1), 1e-12)
    share = np.clip(np.sum((at - start) * along, axis=1) / length, 0.0, 1.0)
    away = np.linalg.norm(start + share[:, None] * along - at, axis=1)
    best = int(np.argmin(away))
    return int(corners[best]), int(others[best])


def at_depth_of(mesh: CreatureMesh, sight: Sight, point: Array) -> Array:
    """The point that is seen at a pixel and stands as far away as another."""
    camera, size, pixel = sight.camera, sight.size, sight.pixel
    depth = float(sight.project(mesh, point)[0, 2])
    half = depth * np.tan(np.radians(camera.view_angle) / 2.0)
    right = (2.0 * pixel[0] / size[0] - 1.0) * half * camera.aspect
    up = (1.0 - 2.0 * pixel[1] / size[1]) * half
    there = camera.position + np.array([right, up, -depth]) @ camera.axes
    return there * mesh.diagonal + mesh.centre

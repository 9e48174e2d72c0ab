"""Light that falls from many directions, and what of it the creature keeps from itself.

A lamp is a disc of directions, the sky a half sphere of them. For each direction the creature
is looked at from there on a coarse grid, and what lies behind the nearest point is in shade
(Williams 1978); many directions make the shade soft. Everything is worked out at the vertices
of a fine mesh, so that a picture costs one drawing without lights.

References
----------
L. Williams, "Casting curved shadows on curved surfaces", SIGGRAPH 1978.
H. Landis, "Production-ready global illumination", SIGGRAPH 2002 course notes, 2002 (ambient
occlusion).
H. Vogel, "A better way to construct the sunflower head", Mathematical Biosciences 44, 1979
(even points on a disc).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse

from ribbonsim.arrays import Ints, Singles

_GOLDEN = np.pi * (3.0 - np.sqrt(5.0))
_CELLS = 128


def towards(azimuth: float, elevation: float) -> Singles:
    """(3,) unit vector to a place in the sky."""
    a, e = np.radians(azimuth), np.radians(elevation)
    return np.array([np.sin(a) * np.cos(e), np.sin(e), np.cos(a) * np.cos(e)], dtype=np.float32)


def disc(azimuth: float, elevation: float, radius: float, count: int) -> Singles:
    """Directions spread over a round lamp."""
    ahead = towards(azimuth, elevation)
    right = towards(azimuth + 90.0, 0.0)
    up = np.cross(ahead, right)
    turn = _GOLDEN * np.arange(count)
    size = np.tan(np.radians(radius)) * np.sqrt((np.arange(count) + 0.5) / count)
    rays = ahead + size[:, None] * (np.cos(turn)[:, None] * right + np.sin(turn)[:, None] * up)
    return (rays / np.linalg.norm(rays, axis=1, keepdims=True)).astype(np.float32)


def half_sphere(count: int) -> Singles:
    """Directions spread evenly over the sky, the same number for the same solid angle."""
    height = (np.arange(count) + 0.5) / count
    turn = _GOLDEN * np.arange(count)
    flat = np.sqrt(1.0 - height**2)
    return np.stack([flat * np.sin(turn), height, flat * np.cos(turn)], axis=1).astype(np.float32)


def neighbour_mean(triangles: Ints, count: int) -> Any:
    """A matrix that gives for each vertex the mean of its own value and its neighbours'."""
    ends = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    rows = np.concatenate([ends[:, 0], ends[:, 1], np.arange(count)])
    columns = np.concatenate([ends[:, 1], ends[:, 0], np.arange(count)])
    near = sparse.csr_array((np.ones(len(rows), np.float32), (rows, columns)), (count, count))
    near.data[:] = 1.0
    return sparse.csr_array(sparse.diags_array(1.0 / near.sum(axis=1)).astype(np.float32) @ near)


def pick_samples(points: Singles, triangles: Ints) -> Ints:
    """Choose the triangles whose middles have to help the vertices to stand for the surface."""
    corners = points[triangles]
    reach = np.linalg.norm(np.ptp(points, axis=0)) / _CELLS
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    return np.flatnonzero(longest > reach)


def seen_from(directions: Singles, normals: Singles, samples: Singles) -> Singles:
    """How much of a light in each direction reaches each point."""
    middle = 0.5 * (samples.min(axis=0) + samples.max(axis=0))
    radius = float(np.linalg.norm(samples - middle, axis=1).max()) or 1.0
    cell = np.float32(2.04 * radius / _CELLS)
    places, facing = _columns((samples - middle) / cell), _columns(normals)
    count = len(normals)
    light = np.empty((len(directions), count), dtype=np.float32)
    for number, ahead in enumerate(directions):
        right, up = _across(ahead)
        depth = _along(places, ahead)
        column = (_along(places, right) + np.float32(_CELLS / 2)).astype(np.int32)
        at = (_along(places, up) + np.float32(_CELLS / 2)).astype(np.int32)
        at *= _CELLS
        at += column
        nearest = np.full(_CELLS * _CELLS, -np.inf, dtype=np.float32)
        np.maximum.at(nearest, at, depth)
        behind = nearest[at[:count]]
        behind -= depth[:count]
        # on a slope a cell holds what is nearer and what is farther of the same skin
        cosine = np.clip(_along(facing, ahead), np.float32(0.12), np.float32(1.0))
        slope = np.sqrt(1.0 - cosine * cosine)
        slope /= cosine
        behind -= np.float32(0.7) + np.float32(1.15) * slope
        behind *= np.float32(0.5)
        np.subtract(1.0, np.clip(behind, 0.0, 1.0), out=light[number])
    return light


def _columns(points: Singles) -> Singles:
    """(3, n) coordinates that lie together: short sums over them need no matrix library."""
    return np.ascontiguousarray(points.T, dtype=np.float32)


def _along(columns: Singles, way: Singles) -> Singles:
    """(n,) dot products with a direction."""
    total = columns[0] * way[0]
    total += columns[1] * way[1]
    total += columns[2] * way[2]
    return total


def facing_light(normals: Singles, directions: Singles) -> Singles:
    """(D, n) cosines between normals and directions."""
    columns = _columns(normals)
    return np.stack([_along(columns, way) for way in directions])


def _across(ahead: Singles) -> tuple[Singles, Singles]:
    """Two unit vectors across a direction."""
    aside = np.array([0.0, 1.0, 0.0] if abs(ahead[1]) < 0.9 else [1.0, 0.0, 0.0], np.float32)
    right = np.cross(aside, ahead)
    right /= np.linalg.norm(right)
    return right.astype(np.float32), np.cross(ahead, right).astype(np.float32)


@dataclass(frozen=True)
class GroundGrid:
    """A square of ground, as a grid of light.

    Parameters
    ----------
    centre : (float, float)
        x and z of its middle.
    height : float
        y.
    reach : float
        Half its side.
    cells : int
        Along a side.
    """

    centre: tuple[float, float]
    height: float
    reach: float
    cells: int = 224

    def shade(self, directions: Singles, samples: Singles, blur: float = 1.0) -> Singles:
        """How much of the light from some directions does not reach the ground."""
        from scipy.ndimage import gaussian_filter

        scale = np.float32(0.5 * self.cells / self.reach)
        across, up, along = _columns(samples)
        x = (across - np.float32(self.centre[0] - self.reach)) * scale
        z = (along - np.float32(self.centre[1] - self.reach)) * scale
        lift = np.maximum(up - np.float32(self.height), 0.0) * scale
        total = np.zeros(self.cells * self.cells, dtype=np.float32)
        hit = np.empty_like(total)
        last = np.float32(self.cells - 1)
        for ahead in directions:
            # what falls beside the square is gathered at its border, and goes with it
            column = np.clip(x - lift * (ahead[0] / ahead[1]), 0.0, last).astype(np.int32)
            cell = np.clip(z - lift * (ahead[2] / ahead[1]), 0.0, last).astype(np.int32)
            cell *= self.cells
            cell += column
            hit[:] = 0.0
            hit[cell] = ahead[1]
            total += hit
        shade = total.reshape(self.cells, self.cells) / directions[:, 1].sum()
        shade[[0, -1]] = shade[:, [0, -1]] = 0.0
        return gaussian_filter(shade, blur) * self._fade

    @cached_property
    def _fade(self) -> Singles:
        """(cells, cells) 1 in the middle and 0 before the border: no shade ends in a line."""
        at = (np.arange(self.cells, dtype=np.float32) + 0.5) * (2.0 / self.cells) - 1.0
        share = np.clip((0.98 - np.hypot(at[:, None], at[None, :])) / 0.45, 0.0, 1.0)
        return share * share * (3.0 - 2.0 * share)

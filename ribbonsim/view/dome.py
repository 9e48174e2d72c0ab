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
from numpy.typing import NDArray
from scipy import sparse

Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

_GOLDEN = np.pi * (3.0 - np.sqrt(5.0))
_CELLS = 128


def towards(azimuth: float, elevation: float) -> Singles:
    """Unit vector to a place in the sky.

    Parameters
    ----------
    azimuth : float
        Degrees about the up axis from +Z towards +X.
    elevation : float
        Degrees above the horizon.

    Returns
    -------
    (3,) array
    """
    a, e = np.radians(azimuth), np.radians(elevation)
    return np.array([np.sin(a) * np.cos(e), np.sin(e), np.cos(a) * np.cos(e)], dtype=np.float32)


def disc(azimuth: float, elevation: float, radius: float, count: int) -> Singles:
    """Directions spread over a round lamp.

    Parameters
    ----------
    azimuth, elevation : float
        Of its middle, degrees.
    radius : float
        Degrees.
    count : int

    Returns
    -------
    (count, 3) array
        Unit vectors.
    """
    ahead = towards(azimuth, elevation)
    right = towards(azimuth + 90.0, 0.0)
    up = np.cross(ahead, right)
    turn = _GOLDEN * np.arange(count)
    size = np.tan(np.radians(radius)) * np.sqrt((np.arange(count) + 0.5) / count)
    rays = ahead + size[:, None] * (np.cos(turn)[:, None] * right + np.sin(turn)[:, None] * up)
    return (rays / np.linalg.norm(rays, axis=1, keepdims=True)).astype(np.float32)


def half_sphere(count: int) -> Singles:
    """Directions spread evenly over the sky, the same number for the same solid angle.

    Parameters
    ----------
    count : int

    Returns
    -------
    (count, 3) array
        Unit vectors with y above 0.
    """
    height = (np.arange(count) + 0.5) / count
    turn = _GOLDEN * np.arange(count)
    flat = np.sqrt(1.0 - height**2)
    return np.stack([flat * np.sin(turn), height, flat * np.cos(turn)], axis=1).astype(np.float32)


def neighbour_mean(triangles: Ints, count: int) -> Any:
    """A matrix that gives for each vertex the mean of its own value and its neighbours'.

    Parameters
    ----------
    triangles : (T, 3) int array
    count : int
        Vertices.

    Returns
    -------
    (count, count) sparse matrix
        Rows sum to one.
    """
    ends = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    rows = np.concatenate([ends[:, 0], ends[:, 1], np.arange(count)])
    columns = np.concatenate([ends[:, 1], ends[:, 0], np.arange(count)])
    near = sparse.csr_array((np.ones(len(rows), np.float32), (rows, columns)), (count, count))
    near.data[:] = 1.0
    return sparse.csr_array(sparse.diags_array(1.0 / near.sum(axis=1)).astype(np.float32) @ near)


def pick_samples(points: Singles, triangles: Ints) -> Ints:
    """Choose the triangles whose middles have to help the vertices to stand for the surface.

    Parameters
    ----------
    points : (V, 3) array
    triangles : (T, 3) int array

    Returns
    -------
    (k,) int array
        Triangles wider than a cell of the shadow grid.
    """
    corners = points[triangles]
    reach = np.linalg.norm(np.ptp(points, axis=0)) / _CELLS
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    return np.flatnonzero(longest > reach)


def seen_from(directions: Singles, points: Singles, normals: Singles, samples: Singles) -> Singles:
    """How much of a light in each direction reaches each point.

    Parameters
    ----------
    directions : (D, 3) array
        Unit vectors to the light.
    points, normals : (n, 3) arrays
    samples : (m, 3) array
        Points all over what throws shadows.

    Returns
    -------
    (n, D) array
        0 in the shade to 1 in the light; the angle to the light is not in it.
    """
    middle = 0.5 * (samples.min(axis=0) + samples.max(axis=0))
    radius = float(np.linalg.norm(samples - middle, axis=1).max()) or 1.0
    cell = np.float32(2.02 * radius / _CELLS)
    near, cast = (points - middle) / cell, (samples - middle) / cell
    light = np.empty((len(directions), len(points)), dtype=np.float32)
    for number, ahead in enumerate(directions):
        right, up = _across(ahead)
        turned = np.stack([right, up, ahead], axis=1)
        seen, own = cast @ turned, near @ turned
        grid = np.full(_CELLS * _CELLS, -np.inf, dtype=np.float32)
        np.maximum.at(grid, _cell_of(seen), seen[:, 2])
        facing = np.clip(normals @ ahead, 0.12, 1.0)
        slope = np.sqrt(1.0 - facing * facing) / facing
        behind = grid[_cell_of(own)] - own[:, 2] - (np.float32(0.7) + np.float32(1.15) * slope)
        light[number] = 1.0 - np.clip(behind * np.float32(0.5), 0.0, 1.0)
    return light.T


def _cell_of(seen: Singles) -> Ints:
    column = np.clip(seen[:, 0] + np.float32(_CELLS / 2), 0, _CELLS - 1).astype(np.int64)
    row = np.clip(seen[:, 1] + np.float32(_CELLS / 2), 0, _CELLS - 1).astype(np.int64)
    return row * _CELLS + column


def _across(ahead: Singles) -> tuple[Singles, Singles]:
    """Two unit vectors across a direction."""
    aside = np.array([0.0, 1.0, 0.0] if abs(ahead[1]) < 0.9 else [1.0, 0.0, 0.0], np.float32)
    right = np.cross(aside, ahead)
    right /= np.linalg.norm(right)
    return right.astype(np.float32), np.cross(ahead, right).astype(np.float32)


@dataclass(frozen=True)
class Floor:
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
        """How much of the light from some directions does not reach the ground.

        Parameters
        ----------
        directions : (D, 3) array
            Unit vectors to the light.
        samples : (m, 3) array
            Points all over what throws the shadow.
        blur : float
            Cells that the shade is softened by.

        Returns
        -------
        (cells, cells) array
            0 to 1; rows along z, columns along x. Directions count by their height, as light
            on level ground does.
        """
        from scipy.ndimage import gaussian_filter

        above = samples[samples[:, 1] >= self.height - 1e-3 * self.reach]
        scale = np.float32(0.5 * self.cells / self.reach)
        x = (above[:, 0] - np.float32(self.centre[0] - self.reach)) * scale
        z = (above[:, 2] - np.float32(self.centre[1] - self.reach)) * scale
        lift = np.maximum(above[:, 1] - np.float32(self.height), 0.0) * scale
        total = np.zeros(self.cells * self.cells, dtype=np.float32)
        for ahead in directions:
            run = lift / ahead[1]
            column, row = x - run * ahead[0], z - run * ahead[2]
            inside = (column >= 0) & (column < self.cells) & (row >= 0) & (row < self.cells)
            hit = np.zeros(self.cells * self.cells, dtype=np.float32)
            hit[row[inside].astype(np.int64) * self.cells + column[inside].astype(np.int64)] = 1.0
            total += ahead[1] * hit
        shade = total.reshape(self.cells, self.cells) / directions[:, 1].sum()
        return gaussian_filter(shade, blur) * self._fade

    @cached_property
    def _fade(self) -> Singles:
        """(cells, cells) 1 in the middle and 0 before the border: no shade ends in a line."""
        at = (np.arange(self.cells, dtype=np.float32) + 0.5) * (2.0 / self.cells) - 1.0
        share = np.clip((0.98 - np.hypot(at[:, None], at[None, :])) / 0.45, 0.0, 1.0)
        return share * share * (3.0 - 2.0 * share)

"""Left and right: the plane of symmetry of a mesh."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh import CreatureMesh

Array = NDArray[np.float64]
Floats = NDArray[np.floating]
Ints = NDArray[np.int64]

# Farthest that a mirrored vertex may lie from its partner, over the mesh's diagonal.
_TOLERANCE = 1e-3
# A first guess of the plane may be this far off.
_GUESS = 0.05
_ROUNDS = 12
_SAMPLE = 1500


@dataclass(frozen=True, eq=False)
class SymmetryPlane:
    """A plane that mirrors a mesh onto itself.

    Parameters
    ----------
    normal : (3,) array
        Unit.
    offset : float
        ``normal @ point`` of the plane's points, scene units.
    pairs : (V,) int array
        The vertex opposite each vertex; itself on the plane.
    residual : float
        Farthest distance of a mirrored vertex from its partner, over the mesh's diagonal.
    loose : int
        Vertices that have no partner; of a plane that was found there are none.
    """

    normal: Array
    offset: float
    pairs: Ints
    residual: float
    loose: int = 0

    def mirror(self, points: Floats) -> Floats:
        """Mirror points.

        Parameters
        ----------
        points : (..., 3) array

        Returns
        -------
        (..., 3) array
        """
        height = points @ self.normal - self.offset
        return points - 2.0 * height[..., None] * self.normal


def find_plane(mesh: CreatureMesh) -> SymmetryPlane | None:
    """Find the plane that parts a mesh's left from its right.

    Tried are planes across the principal axes of the surface, the narrowest first and the
    longest not at all, and across the scene's axes; each is moved to where the vertices say.

    Parameters
    ----------
    mesh : CreatureMesh

    Returns
    -------
    SymmetryPlane or None
        None if no plane pairs all vertices.
    """
    used, points, first, copies = _used_points(mesh)
    tree, size = cKDTree(points), float(np.linalg.norm(np.ptp(points, axis=0)))
    for normal, centre in _guesses(mesh):
        found = _settle(points, tree, normal, float(normal @ centre), size)
        if found is not None:
            normal, offset, partners, residual = found
            side = np.sign(normal[np.argmax(np.abs(normal))])
            pairs = np.arange(len(mesh.positions))
            pairs[used] = used[first[partners[copies]]]
            return SymmetryPlane(side * normal, float(side * offset), pairs, residual)
    return None


def plane_across(mesh: CreatureMesh, normal: ArrayLike, offset: float) -> SymmetryPlane:
    """The plane that a user gives, for a mesh that is not quite its own mirror image.

    Parameters
    ----------
    mesh : CreatureMesh
    normal : (3,) array
        Across the plane, of any length.
    offset : float
        Distance of the plane from the scene's origin along the normal, scene units.

    Returns
    -------
    SymmetryPlane
        Vertices without a partner are paired with themselves and counted as loose.

    Raises
    ------
    RibbonsimError
        If the normal has no direction or a number is not finite.
    """
    direction = np.asarray(normal, dtype=float)
    length = float(np.linalg.norm(direction)) if direction.shape == (3,) else 0.0
    if not np.isfinite([length, offset]).all() or length == 0.0:
        raise RibbonsimError(
            f"a plane with normal {normal!r} at {offset!r} cannot be used: give three numbers "
            "that are not all zero, and a distance"
        )
    plane = SymmetryPlane(direction / length, float(offset), np.arange(len(mesh.positions)), 0.0)
    used, points, first, copies = _used_points(mesh)
    distance, nearest = cKDTree(points).query(plane.mirror(points))
    near = distance <= _TOLERANCE * mesh.diagonal
    near &= nearest[nearest] == np.arange(len(points))
    partner = np.where(near, nearest, np.arange(len(points)))
    pairs = plane.pairs.copy()
    pairs[used] = np.where(near[copies], used[first[partner[copies]]], used)
    residual = float(distance[near].max(initial=0.0)) / mesh.diagonal
    return replace(plane, pairs=pairs, residual=residual, loose=int((~near[copies]).sum()))


def _used_points(mesh: CreatureMesh) -> tuple[Ints, Array, Ints, Ints]:
    """Vertices of faces, their places, for each place one of them, for each its place."""
    used = np.unique(mesh.triangles)
    points, first, copies = np.unique(
        mesh.positions[used], axis=0, return_index=True, return_inverse=True
    )
    return used, points, first, copies.ravel()


def _guesses(mesh: CreatureMesh) -> Iterator[tuple[Array, Array]]:
    """Normals to try and the surface's centroid."""
    corners, areas = mesh.positions[mesh.triangles], mesh.triangle_areas
    middles = corners.mean(axis=1)
    total = max(float(areas.sum()), 1e-300)
    centre = areas @ middles / total
    step = middles - centre
    spread, axes = np.linalg.eigh((areas[:, None] * step).T @ step / total)
    longest = axes[:, 2]
    yield axes[:, 0], centre
    yield axes[:, 1], centre
    # a round body has no second axis of its own; its modeller most likely used the scene's
    for axis in np.eye(3)[np.argsort(np.abs(longest))]:
        if abs(axis @ longest) < 0.9 or spread[2] < 1.01 * spread[0]:
            yield axis, centre


def _settle(
    points: Array, tree: cKDTree, normal: Array, offset: float, size: float
) -> tuple[Array, float, Ints, float] | None:
    """Move a guessed plane until it halves the way between each point and its partner."""
    if size == 0.0:
        return None
    sample = points[:: max(1, len(points) // _SAMPLE)]
    for attempt in range(_ROUNDS):
        mirrored = sample - 2.0 * (sample @ normal - offset)[:, None] * normal
        distance, partner = tree.query(mirrored)
        if attempt == 0 and np.median(distance) > _GUESS * size:
            return None
        opposite = points[partner]
        across = sample - opposite
        # pairs on the plane say nothing of its direction, and in this sum they do not
        values, vectors = np.linalg.eigh(across.T @ across)
        if values[2] <= 0.0:
            return None
        turned = vectors[:, 2] * np.sign(vectors[:, 2] @ normal)
        moved = float(np.mean(0.5 * (sample + opposite) @ turned))
        still = np.linalg.norm(turned - normal) < 1e-14 and abs(moved - offset) < 1e-14 * size
        normal, offset = turned, moved
        if still:
            break
    mirrored = points - 2.0 * (points @ normal - offset)[:, None] * normal
    distance, partner = tree.query(mirrored)
    residual = float(distance.max()) / size
    if residual > _TOLERANCE or (partner[partner] != np.arange(len(points))).any():
        return None
    return normal, offset, partner, residual

"""Left and right: the plane of symmetry of a mesh."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Flags, Floats, Ints
from ribbonsim.body.inside import inside_of
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh

# Farthest that a mirrored vertex may lie from its partner, over the mesh's diagonal.
_TOLERANCE = 1e-3
# A first guess of the plane may be this far off.
_GUESS = 0.05
# partners count if so much of the mesh has one; fewer are chance
_HALF = 0.5
# a ribbon that strays by at most this share of its length lies in a plane
_IN_PLANE = 0.02
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
    matched : (V,) bool array
        Vertices that have a partner; the others are paired with themselves.
    share : float
        Of how much of the skin the mirror image is near the skin, 0 to 1.
    """

    normal: Array
    offset: float
    pairs: Ints
    residual: float
    matched: Flags
    share: float = 1.0

    @property
    def loose(self) -> int:
        """Number of vertices that have no partner."""
        return int(np.count_nonzero(~self.matched))

    def mirror(self, points: Floats) -> Floats:
        """Mirror points."""
        height = points @ self.normal - self.offset
        return points - 2.0 * height[..., None] * self.normal


def find_plane(mesh: CreatureMesh, ribbon: Ribbon | None = None) -> SymmetryPlane | None:
    """Find the plane that parts a mesh's left from its right.

    Tried are planes across the principal axes of the surface, the narrowest first and the
    longest not at all, and across the scene's axes; each is moved to where the vertices say.
    Where no plane pairs all vertices, the one that the thick part of the creature is alike
    across is taken, whatever its limbs do and however its faces lie.

    Parameters
    ----------
    mesh : CreatureMesh
    ribbon : Ribbon, optional
        Of several planes the one that it lies in is taken.

    Returns
    -------
    SymmetryPlane or None
        None if the creature is alike across no plane.
    """
    line = None if ribbon is None else ribbon.midline(np.linspace(0.0, 1.0, 33))
    exact = None
    for plane in exact_planes(mesh):
        if line is None or _lies_in(line, plane.normal, plane.offset):
            return plane
        exact = exact or plane
    return exact or _plane_of_halves(mesh, line)


def laid_into_planes(mesh: CreatureMesh, line: Array) -> Array:
    """A line moved into every plane that mirrors a mesh onto itself and that it nearly lies in.

    On a short thick body a guide that leans a little would part the vertices at its ends unevenly
    between left and right.
    """
    for plane in exact_planes(mesh):
        if _lies_in(line, plane.normal, plane.offset):
            line = line - (line @ plane.normal - plane.offset)[:, None] * plane.normal
    return line


def alike_across_planes(mesh: CreatureMesh, line: Array, values: Array) -> Array:
    """Values of vertices, made alike across every plane of a mesh that a line lies in.

    Where vertices mirror each other their triangles need not, and a field over them then is not
    quite alike on both sides.
    """
    for plane in exact_planes(mesh):
        if _lies_in(line, plane.normal, plane.offset):
            values = 0.5 * (values + values[plane.pairs])
    return values


_PLANES: WeakKeyDictionary[CreatureMesh, tuple[SymmetryPlane, ...]] = WeakKeyDictionary()


def exact_planes(mesh: CreatureMesh) -> tuple[SymmetryPlane, ...]:
    """Planes that pair all vertices of a mesh; found once for each mesh."""
    if mesh not in _PLANES:
        _PLANES[mesh] = tuple(_exact_planes(mesh))
    return _PLANES[mesh]


def _exact_planes(mesh: CreatureMesh) -> Iterator[SymmetryPlane]:
    """Planes that pair all vertices."""
    used, points, first, copies = _used_points(mesh)
    tree, size = cKDTree(points), float(np.linalg.norm(np.ptp(points, axis=0)))
    for normal, centre in _guesses(mesh):
        found = _settle(points, tree, normal, float(normal @ centre), size)
        if found is not None:
            normal, offset, partners, residual = found
            side = np.sign(normal[np.argmax(np.abs(normal))])
            pairs = np.arange(len(mesh.positions))
            pairs[used] = used[first[partners[copies]]]
            every = np.ones(len(pairs), dtype=bool)
            yield SymmetryPlane(side * normal, float(side * offset), pairs, residual, every)


def _plane_of_halves(mesh: CreatureMesh, line: Array | None) -> SymmetryPlane | None:
    """The plane that the thick part of a creature is alike across."""
    inside = inside_of(mesh)
    if inside.solid is None:
        return None
    found = []
    for half in inside.all_halves:
        normal = inside.axes @ half.normal
        found.append((normal, half.offset + float(inside.middle @ normal), half.share))
    if not found:
        return None
    fits = [one for one in found if line is not None and _lies_in(line, one[0], one[1])]
    normal, offset, share = (fits or found)[0]
    side = np.sign(normal[np.argmax(np.abs(normal))])
    plane = replace(plane_across(mesh, side * normal, side * offset), share=share)
    if np.mean(plane.matched) >= _HALF:
        return plane
    # faces that do not mirror each other meet by chance, and say nothing of left and right
    alone = np.arange(len(mesh.positions))
    return replace(plane, pairs=alone, residual=0.0, matched=np.zeros(len(alone), dtype=bool))


def _lies_in(line: Array, normal: Array, offset: float) -> bool:
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    return bool(np.abs(line @ normal - offset).max() <= _IN_PLANE * length)


def plane_across(mesh: CreatureMesh, normal: ArrayLike, offset: float) -> SymmetryPlane:
    """The plane that a user gives, for a mesh that is not quite its own mirror image.

    Parameters
    ----------
    normal : (3,) array
        Across the plane, of any length.
    offset : float
        Distance of the plane from the scene's origin along the normal, scene units.

    Returns
    -------
    SymmetryPlane
        Vertices without a partner are paired with themselves and not matched.

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
    matched = np.ones(len(mesh.positions), dtype=bool)
    alone = np.arange(len(mesh.positions))
    plane = SymmetryPlane(direction / length, float(offset), alone, 0.0, matched)
    used, points, first, copies = _used_points(mesh)
    within = _TOLERANCE * mesh.diagonal
    distance, nearest = cKDTree(points).query(
        plane.mirror(points), distance_upper_bound=2.0 * within
    )
    nearest = np.where(np.isfinite(distance), nearest, np.arange(len(points)))
    near = distance <= within
    near &= nearest[nearest] == np.arange(len(points))
    partner = np.where(near, nearest, np.arange(len(points)))
    pairs = alone.copy()
    pairs[used] = np.where(near[copies], used[first[partner[copies]]], used)
    matched[used] = near[copies]
    residual = float(distance[near].max(initial=0.0)) / mesh.diagonal
    return replace(plane, pairs=pairs, residual=residual, matched=matched)


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
    # no farther than could count: where the sides differ, the nearest is dear to find
    distance, partner = tree.query(mirrored, distance_upper_bound=2.0 * _TOLERANCE * size)
    residual = float(distance.max()) / size
    if residual > _TOLERANCE or (partner[partner] != np.arange(len(points))).any():
        return None
    return normal, offset, partner, residual

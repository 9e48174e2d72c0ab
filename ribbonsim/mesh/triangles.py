"""Polygons to triangles, convex and concave, every corner kept; and what triangles measure.

A polygon of ``n`` corners always gives ``n - 2`` triangles, so the triangles of a watertight mesh
are watertight too. The work is done for all polygons of one size at once; only concave polygons of
more than four corners are taken one by one.
"""

from collections.abc import Iterator
from itertools import pairwise

import mapbox_earcut
import numpy as np

from ribbonsim.arrays import Array, Flags, Ints

_BLOCK_CORNERS = 400_000
_BLOCK_TRIANGLES = 200_000
# A triangle thinner than this, beside the square of its polygon's size, counts as flat.
_FLAT = 1e-12
# The second diagonal of a quad is taken only if shorter by more than this, so that rounding in the
# file does not make the diagonals of a regular mesh flicker.
_DIAGONAL_PREFERENCE = 1e-6


def triangulate(positions: Array, offsets: Ints, corners: Ints) -> tuple[Ints, Ints]:
    """Cut polygons into triangles.

    Parameters
    ----------
    positions : (V, 3) float array
        Vertex positions.
    offsets : (P + 1,) int array
        Polygon ``p`` has the corners ``corners[offsets[p]:offsets[p + 1]]``; at least three.
    corners : (C,) int array
        Vertex of each corner.

    Returns
    -------
    triangles : (C - 2 P, 3) int array
        Vertices of the triangles, polygon by polygon, each turning as its polygon does.
    triangle_polygons : (C - 2 P,) int array
        The polygon each triangle was cut from.

    Notes
    -----
    Quads are cut along the shorter diagonal that lies inside; larger polygons are fanned from
    their first corner where that is right, and cut by ear clipping in their Newell plane [1]_
    where it is not.

    References
    ----------
    .. [1] Sutherland, Sproull, Schumacker, "A characterization of ten hidden-surface algorithms",
       ACM Computing Surveys 6(1), 1974 (the plane is due to M. Newell).
    """
    sizes = np.diff(offsets)
    first_triangle = np.concatenate(([0], np.cumsum(sizes - 2)))
    triangles = np.empty((int(first_triangle[-1]), 3), dtype=np.int64)
    for size in np.unique(sizes).tolist():
        for block in _blocks(np.flatnonzero(sizes == size), size):
            polygons = corners[offsets[block][:, None] + np.arange(size)]
            places = first_triangle[block][:, None] + np.arange(size - 2)
            triangles[places] = _cut(positions[polygons], polygons)
    return triangles, np.repeat(np.arange(len(sizes), dtype=np.int64), sizes - 2)


def newell_normals(points: Array) -> Array:
    """Area vectors of polygons by Newell's formula.

    Parameters
    ----------
    points : (m, n, 3) float array
        Corner positions of ``m`` polygons of ``n`` corners.

    Returns
    -------
    (m, 3) float array
        Normals whose length is the area of the polygon projected on its Newell plane.
    """
    relative = points - points[:, :1]
    return 0.5 * np.cross(relative[:, 1:-1], relative[:, 2:]).sum(axis=1)


def triangle_measures(positions: Array, triangles: Ints) -> tuple[Array, Array]:
    """Areas and longest sides (T,) of triangles."""
    areas, longest = np.empty((2, len(triangles)))
    for start in range(0, len(triangles), _BLOCK_TRIANGLES):
        rows = slice(start, start + _BLOCK_TRIANGLES)
        a, b, c = (positions[triangles[rows, i]] for i in range(3))
        u, v = b - a, c - a
        areas[rows] = 0.5 * np.linalg.norm(np.cross(u, v), axis=1)
        squares = [np.einsum("ij,ij->i", side, side) for side in (u, v, v - u)]
        longest[rows] = np.sqrt(np.maximum.reduce(squares))
    return areas, longest


def signed_volume(positions: Array, triangles: Ints, origin: Array) -> float:
    """Volume of the tetrahedra from a point to triangles.

    It is the volume inside a closed surface, positive if its triangles turn counter-clockwise seen
    from outside; the point is then of no consequence but for rounding.
    """
    total = 0.0
    for start in range(0, len(triangles), _BLOCK_TRIANGLES):
        a, b, c = (
            positions[triangles[start : start + _BLOCK_TRIANGLES, i]] - origin for i in range(3)
        )
        total += float(np.einsum("ij,ij->", a, np.cross(b, c)))
    return total / 6


def _blocks(polygons: Ints, size: int) -> Iterator[Ints]:
    step = max(1, _BLOCK_CORNERS // size)
    for start in range(0, len(polygons), step):
        yield polygons[start : start + step]


def _cut(points: Array, polygons: Ints) -> Ints:
    """Triangles (m, n - 2, 3) of m polygons, whose n corners stand at points (m, n, 3)."""
    size = polygons.shape[1]
    triangles: Ints = polygons[:, [(0, i, i + 1) for i in range(1, size - 1)]]
    if size == 4:
        second = _takes_second_diagonal(points)
        triangles[second] = polygons[second][:, [(1, 2, 3), (1, 3, 0)]]
    elif size > 4:
        area_vectors = newell_normals(points)
        for i in np.flatnonzero(~_fan_is_right(points, area_vectors)):
            triangles[i] = polygons[i, _clip_ears(_project(points[i], area_vectors[i]))]
    return triangles


def _takes_second_diagonal(points: Array) -> Flags:
    """Tell which quads (m, 4, 3) are better cut from corner 1 to 3 than from 0 to 2."""
    normals = newell_normals(points)
    a, b, c, d = np.moveaxis(points, 1, 0)

    def smaller_area(first: tuple[Array, ...], second: tuple[Array, ...]) -> Array:
        areas = [
            np.einsum("ij,ij->i", np.cross(q - p, r - p), normals) for p, q, r in (first, second)
        ]
        return np.minimum(*areas)

    first = smaller_area((a, b, c), (a, c, d))
    second = smaller_area((b, c, d), (b, d, a))
    flat = 1e-9 * np.einsum("ij,ij->i", normals, normals)
    length_first = np.linalg.norm(c - a, axis=1)
    length_second = np.linalg.norm(d - b, axis=1)
    shorter = length_second < length_first * (1 - _DIAGONAL_PREFERENCE)
    both_inside = (first > flat) & (second > flat)
    return np.where(both_inside, shorter, second > first)


def _fan_is_right(points: Array, area_vectors: Array) -> Flags:
    """Tell which polygons (m, n, 3) the fan from corner 0 covers without overlap or flat parts."""
    relative = points - points[:, :1]
    parts = np.cross(relative[:, 1:-1], relative[:, 2:])
    lengths = np.linalg.norm(area_vectors, axis=1)
    unit = area_vectors / np.where(lengths > 0, lengths, 1.0)[:, None]
    signed = np.einsum("ijk,ik->ij", parts, unit)
    flat = _FLAT * np.square(relative).sum(axis=2).max(axis=1)
    return (signed > flat[:, None]).all(axis=1)


def _project(points: Array, area_vector: Array) -> Array:
    """Coordinates (n, 2) of a polygon in its Newell plane, counter-clockwise, of size about 1."""
    relative = points - points.mean(axis=0)
    scale = np.abs(relative).max() or 1.0
    relative = relative / scale
    length = np.linalg.norm(area_vector)
    normal = area_vector / length if length > 0 else np.array([0.0, 0.0, 1.0])
    helper = np.zeros(3)
    helper[np.argmin(np.abs(normal))] = 1.0
    across = np.cross(helper, normal)
    across /= np.linalg.norm(across)
    return np.column_stack([relative @ across, relative @ np.cross(normal, across)])


def _clip_ears(outline: Array) -> Ints:
    """Triangles (n - 2, 3) of one simple polygon (n, 2) given counter-clockwise."""
    size = len(outline)
    rings = np.array([size], dtype=np.uint32)
    flat = mapbox_earcut.triangulate_float64(np.ascontiguousarray(outline), rings)
    triangles = np.asarray(flat, dtype=np.int64).reshape(-1, 3)
    # The clipper does not say which way its triangles turn.
    a, b, c = np.moveaxis(outline[triangles], 1, 0)
    turned = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) < (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    triangles[turned] = triangles[turned][:, ::-1]
    complete = _return_dropped(triangles.tolist(), size)
    if len(complete) == size - 2:
        return np.array(complete, dtype=np.int64)
    # Outlines that cross themselves have no right answer; a fan at least keeps every corner.
    return np.array([(0, i, i + 1) for i in range(1, size - 1)], dtype=np.int64)


def _return_dropped(triangles: list[list[int]], size: int) -> list[list[int]]:
    """Put back corners that the ear clipper left out, as it does where corners coincide.

    Without them a neighbour that uses the corner would leave a crack. Gives an empty list if the
    triangles do not border on the outline as they should.
    """
    ring = sorted({corner for triangle in triangles for corner in triangle})
    if len(ring) == size or not ring:
        return triangles
    owner = {(t[i], t[(i + 1) % 3]): number for number, t in enumerate(triangles) for i in range(3)}
    for start, end in zip(ring, ring[1:] + ring[:1], strict=True):
        chain = [start + i for i in range((end - start) % size + 1)]
        if len(chain) == 2:
            continue
        number = owner.get((start, end))
        if number is None:
            return []
        apex = next(corner for corner in triangles[number] if corner not in (start, end))
        numbers = [number, *range(len(triangles), len(triangles) + len(chain) - 2)]
        fan = [[p % size, q % size, apex] for p, q in pairwise(chain)]
        triangles[number] = fan[0]
        triangles.extend(fan[1:])
        owner[apex, start] = numbers[0]
        owner[end, apex] = numbers[-1]
    return triangles

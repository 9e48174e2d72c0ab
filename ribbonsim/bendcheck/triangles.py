"""Posed triangles against their rest: stretch, area, which turned over, volume inside.

:class:`TriangleGauge` arranges the rest once; each pose then costs a few passes over it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from ribbonsim.arrays import Array, Flags, Floats, Ints

# Triangles measured at once, so that what is found on the way stays in the cache.
_TILE = 10240
# A triangle of less than this share of what its neighbours measure is a sliver: it is hardly seen.
_SLIVER = 0.08


@dataclass(frozen=True, eq=False)
class Sweep:
    """What one pass over posed triangles finds.

    Parameters
    ----------
    stretch : (T, 2) array
        Larger and smaller stretch of each triangle.
    area : (T,) array
        Posed over rest.
    folded : (T,) bool array
        Whether the triangle faces against the direction that the skin carried it to.
    volume : float
        Signed, about the mean of the vertices, cubic scene units.
    """

    stretch: Floats
    area: Floats
    folded: Flags
    volume: float


class TriangleGauge:
    """Rest triangles, arranged so that measuring many poses is cheap.

    Slivers, as surfaces that were cut out of a grid have them, are measured with the triangles
    about them: what is linear on a triangle is exact at its corners to second order, but its slope
    on a thin one may be anything (J. R. Shewchuk, "What is a good linear finite element?", 2002).

    Parameters
    ----------
    rest : (V, 3) array
        Scene units.
    triangles : (T, 3) int array
    leaders : (T,) int array, optional
        For each triangle the vertex whose turning it follows; its first corner if left out.
    slivers : bool
        Whether slivers are measured with the triangles about them.
    """

    def __init__(
        self, rest: Array, triangles: Ints, leaders: Ints | None = None, slivers: bool = True
    ) -> None:
        a, b, c = (rest[triangles[:, k]] for k in range(3))
        first, second = b - a, c - a
        length = np.linalg.norm(first, axis=1)
        across = np.cross(first, second)
        double_area = np.linalg.norm(across, axis=1)
        longest = np.maximum(length, np.linalg.norm(second, axis=1))
        flat = double_area <= 1e-12 * np.maximum(longest, 1e-300) ** 2
        safe_length = np.where(flat, 1.0, length)
        safe_area = np.where(flat, 1.0, double_area)
        # the triangle in its own plane is (length, 0), (lean, height); these rows make its
        # inverse, and zeros keep a flat one out of the sums
        lean = np.sum(first * second, axis=1) / safe_length
        height = safe_area / safe_length
        inverse = np.where(
            flat, 0.0, [1.0 / safe_length, -lean / (safe_length * height), 1.0 / height]
        )
        facing = np.ascontiguousarray(np.where(flat, 0.0, across.T / safe_area))
        self._total = max(float(double_area.sum()), 1e-300)
        # seven rows of each tile lie together in memory
        self._rest = np.concatenate([inverse, facing, double_area[None] / self._total])
        self._flat = np.flatnonzero(flat)
        self.areas = 0.5 * double_area
        self._slivers, self._near, self._about = _slivers(
            len(rest), triangles, self.areas, flat | (not slivers)
        )
        self._count = len(triangles)
        leaders = triangles[:, 0] if leaders is None else leaders
        self._tiles = [
            _Tile(
                at,
                np.ascontiguousarray(triangles[at].T, dtype=np.intp),
                np.ascontiguousarray(leaders[at], dtype=np.intp),
            )
            for at in _tiles(self._count)
        ]
        self._typed: dict[str, list[Floats]] = {}

    def sweep(self, posed: Floats, turns: Floats | None = None) -> Sweep:
        """Measure posed triangles in the precision of ``posed``.

        ``turns`` are quaternions ``w, x, y, z`` of any length, (4, V): how the skin turns at each
        vertex; it does not if they are left out.
        """
        kind, count = posed.dtype, self._count
        points = np.ascontiguousarray(posed.T)
        points -= points.mean(axis=1, dtype=np.float64).astype(kind)[:, None]
        stretch, area = np.empty((2, count), kind), np.empty(count, kind)
        folded, volume = np.empty(count, dtype=bool), 0.0
        space = np.empty((18, min(_TILE, count)), kind)
        for tile, rest in zip(self._tiles, self._rest_as(kind), strict=True):
            at, room = tile.at, space[:, : rest.shape[1]]
            facing, places, room = room[:3], room[3:12].reshape(3, 3, -1), room[3:]
            np.take(points, tile.corners, axis=1, out=places, mode="clip")
            heights = _tile_stretch(places, rest[:3], facing, room[9:], stretch[:, at], area[at])
            volume += float(np.einsum("t,t", heights, rest[6], dtype=float))
            if turns is None:
                sides = _dot(facing, rest[3:6], room)
            else:
                turn = np.take(turns, tile.leaders, axis=1, mode="clip")
                sides = _turned_dot(turn, rest[3:6], facing, room)
            np.less(sides, 0.0, out=folded[at])
        stretch[:, self._flat], area[self._flat] = 1.0, 1.0
        if len(self._slivers):
            near = self._near
            stretch[:, self._slivers] = stretch[:, near].astype(float) @ self._about.T
            area[self._slivers] = self._about @ area[near].astype(float)
            folded[self._slivers] = self._about @ folded[near].astype(float) > 0.5
        return Sweep(stretch.T, area, folded, volume * self._total / 6.0)

    def _rest_as(self, kind: np.dtype) -> list[Floats]:
        if kind.name not in self._typed:
            self._typed[kind.name] = [
                np.ascontiguousarray(self._rest[:, tile.at], dtype=kind) for tile in self._tiles
            ]
        return self._typed[kind.name]


@dataclass(frozen=True, eq=False)
class _Tile:
    """Triangles measured together: which, their corners and the vertices they turn with."""

    at: slice
    corners: NDArray[np.intp]
    leaders: NDArray[np.intp]


def _slivers(
    size: int, triangles: Ints, areas: Array, others: Flags
) -> tuple[Ints, Ints, csr_array]:
    """Which triangles are slivers, which touch any, and by area the shares of these in each."""
    corners = triangles.ravel()
    total = np.bincount(corners, np.repeat(areas, 3), size)
    number = np.bincount(corners, minlength=size)
    usual = (total / np.maximum(number, 1))[triangles].mean(axis=1)
    slivers = np.flatnonzero((areas < _SLIVER * usual) & ~others)
    wanted = np.zeros(size, dtype=bool)
    wanted[triangles[slivers]] = True
    near = np.flatnonzero(wanted[triangles].any(axis=1))
    touching = csr_array(
        (np.ones(3 * len(near)), (np.repeat(np.arange(len(near)), 3), triangles[near].ravel())),
        shape=(len(near), size),
    )
    own = csr_array(
        (np.ones(3 * len(slivers)), triangles[slivers].ravel(), 3 * np.arange(len(slivers) + 1)),
        shape=(len(slivers), size),
    )
    about = (own @ touching.T).tocsr()
    about.data = areas[near][about.indices]
    sums = np.asarray(about.sum(axis=1)).ravel()
    about.data /= np.repeat(sums, np.diff(about.indptr))
    return slivers, near, about


def _tiles(count: int) -> Iterator[slice]:
    for start in range(0, count, _TILE):
        yield slice(start, min(start + _TILE, count))


def _tile_stretch(
    places: Floats, inverse: Floats, facing: Floats, room: Floats, stretch: Floats, area: Floats
) -> Floats:
    """Stretch and area of a tile's triangles, and how high each stands over the origin.

    Parameters
    ----------
    places : (3, 3, n) array
        Axis, corner, triangle; the second and the third corner are overwritten.
    inverse : (3, n) array
        Rows of the rest's inverse.
    facing : (3, n) array
        Written: normals as long as the area ratio.
    room : (6, n) array
        Scratch.
    stretch, area : (2, n), (n,) array
        Written.

    Returns
    -------
    (n,) array
        Height of the posed plane over the origin times the area ratio.
    """
    first, mixed, second = inverse
    start, along, across = places[:, 0], places[:, 1], places[:, 2]
    spare, lines = room[:3], room[3:6]
    along -= start
    across -= start
    across *= second
    across += np.multiply(along, mixed, out=spare)
    along *= first
    _cross(along, across, facing, spare[0])
    np.sqrt(_dot(facing, facing, spare), out=area)
    half, lean, other = lines
    _dot(along, along, spare, half)
    _dot(across, across, spare, other)
    _dot(along, across, spare, lean)
    # the squares of the stretches are the eigenvalues of [[a, b], [b, c]]
    half += other
    half *= 0.5
    other -= half
    other *= other
    lean *= lean
    other += lean
    half += np.sqrt(other, out=other)
    large, small = stretch
    np.sqrt(half, out=large)
    # the small one as area over the large: the difference of squares would lose digits
    np.divide(area, np.maximum(large, 1e-30, out=other), out=small)
    return _dot(facing, start, spare)


def _dot(a: Floats, b: Floats, room: Floats, out: Floats | None = None) -> Floats:
    """(n,) dot products of the columns of two (3, n) arrays, by default into the scratch."""
    product = np.multiply(a, b, out=room[:3])
    product[0] += product[1]
    return np.add(product[0], product[2], out=product[0] if out is None else out)


def _cross(a: Floats, b: Floats, out: Floats, spare: Floats) -> None:
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        np.multiply(a[i], b[j], out=out[k])
        out[k] -= np.multiply(a[j], b[i], out=spare)


def _turned_dot(turn: Floats, rest: Floats, posed: Floats, room: Floats) -> Floats:
    """Dot products of posed directions with rest directions turned by quaternions.

    With ``q = (w, u)``, ``m . (q n q*) = (w^2 - u.u) n.m + 2 (u.n)(u.m) + 2 w u.(n x m)``; only
    its sign is wanted, so ``q`` need not be of unit length.
    """
    w, u = turn[0], turn[1:]
    spare, crossed, lines = room[:3], room[3:6], room[6:]
    _cross(rest, posed, crossed, spare[0])
    swing, other, total = lines[0], lines[1], lines[2]
    _dot(u, rest, spare, swing)
    swing *= _dot(u, posed, spare)
    _dot(u, crossed, spare, other)
    other *= w
    swing += other
    swing *= 2.0
    np.multiply(w, w, out=total)
    total -= _dot(u, u, spare)
    total *= _dot(rest, posed, spare)
    total += swing
    return total


def enclosed_volume(positions: Floats, triangles: Ints) -> float:
    """Signed volume inside a closed surface turned outwards, by the divergence theorem."""
    about = positions.mean(axis=0, dtype=np.float64)
    a, b, c = (positions[triangles[:, k]] - about for k in range(3))
    return float(np.sum(a * np.cross(b, c))) / 6.0

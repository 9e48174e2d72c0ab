"""Measures of a posed skin against its rest: stretch, area, folds, volume, girth, contacts.

:class:`Gauge` arranges the rest once; each pose then costs a few passes over the triangles.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.spatial.transform import Rotation

from ribbonsim.check.contacts import crossing_pairs, new_pairs
from ribbonsim.frames import invert_rigid
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig
from ribbonsim.skin import align_signs

Array = NDArray[np.float64]
Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Triangles measured at once, so that what is found on the way stays in the cache.
_TILE = 8192
# Places between two stations at which the posed midline is asked for.
_SECTIONS = 8
# Multiplications of a matrix product up to which BLAS libraries leave it to one core.
_SMALL_PRODUCT = 200_000
# A surface that encloses less than this share of what its area could has no volume.
_NO_VOLUME = 1e-6


def triangle_stretch(rest: ArrayLike, posed: ArrayLike, triangles: Ints) -> Floats:
    """Stretches of triangles: the singular values of their deformation gradients.

    Parameters
    ----------
    rest, posed : (V, 3) array
        Scene units.
    triangles : (T, 3) int array

    Returns
    -------
    (T, 2) array
        The larger and the smaller factor; 1 where nothing changed. A triangle without area
        at rest counts as unchanged.

    References
    ----------
    J. Bonet, R. Wood, *Nonlinear Continuum Mechanics for Finite Element Analysis*, 2nd ed.,
    Cambridge 2008, chapter 4.
    """
    posed = np.asarray(posed)
    if posed.dtype.kind != "f":
        posed = posed.astype(float)
    return TriangleGauge(np.asarray(rest, dtype=float), triangles).sweep(posed).stretch


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


@dataclass(frozen=True, eq=False)
class _Rest:
    """Rest triangles in one precision: rows of the inverse, unit normals, sides of normals."""

    inverse: Floats
    normals: Floats
    sides: Floats


class TriangleGauge:
    """Rest triangles, arranged so that measuring many poses is cheap.

    Parameters
    ----------
    rest : (V, 3) array
        Scene units.
    triangles : (T, 3) int array
    normals : (V, 3) array, optional
        Normals of the vertices at rest, if :meth:`sweep` will be given posed ones.
    """

    def __init__(self, rest: Array, triangles: Ints, normals: Array | None = None) -> None:
        a, b, c = (rest[triangles[:, k]] for k in range(3))
        one, two = b - a, c - a
        length = np.linalg.norm(one, axis=1)
        across = np.cross(one, two)
        double_area = np.linalg.norm(across, axis=1)
        longest = np.maximum(length, np.linalg.norm(two, axis=1))
        flat = double_area <= 1e-12 * np.maximum(longest, 1e-300) ** 2
        safe_length = np.where(flat, 1.0, length)
        safe_area = np.where(flat, 1.0, double_area)
        # the triangle in its own plane is (length, 0), (lean, height); these rows make its
        # inverse, and zeros keep a flat one out of the sums
        lean = np.sum(one * two, axis=1) / safe_length
        height = safe_area / safe_length
        inverse = np.where(
            flat, 0.0, [1.0 / safe_length, -lean / (safe_length * height), 1.0 / height]
        )
        facing = np.ascontiguousarray(np.where(flat, 0.0, across.T / safe_area))
        # a triangle at a spike may face against its own vertices' normals already at rest
        sides = np.ones(len(triangles))
        if normals is not None:
            sides = np.sign(np.einsum("it,tki->t", facing, normals[triangles]))
        self._rest = _Rest(inverse, facing, sides)
        self._flat = np.flatnonzero(flat)
        self._double_areas = double_area
        self._count = len(triangles)
        self._tiles = [
            (tile, np.ascontiguousarray(triangles[tile].T, dtype=np.intp))
            for tile in _tiles(self._count)
        ]
        self._typed: dict[str, _Rest] = {}

    @cached_property
    def areas(self) -> Array:
        """(T,) areas at rest, square scene units."""
        return 0.5 * self._double_areas

    def sweep(
        self, posed: Floats, turns: Floats | None = None, normals: Floats | None = None
    ) -> Sweep:
        """Measure posed triangles.

        Which way the skin carries a triangle's rest normal is said by ``turns`` or by
        ``normals``; without either it stays as it was.

        Parameters
        ----------
        posed : (V, 3) array
            Its type decides the precision.
        turns : (4, T) array, optional
            Rotation of the skin at each triangle: quaternions ``w, x, y, z`` of any length.
        normals : (V, 3) array, optional
            Normals of the vertices, carried by the skin.

        Returns
        -------
        Sweep
        """
        kind = posed.dtype
        rest = self._rest_as(kind)
        points = np.ascontiguousarray(posed.T)
        points -= points.mean(axis=1, dtype=np.float64).astype(kind)[:, None]
        arrows = None if normals is None else np.ascontiguousarray(normals.T, dtype=kind)
        count = self._count
        stretch, area = np.empty((2, count), kind), np.empty(count, kind)
        folded, volume = np.empty(count, dtype=bool), 0.0
        space = np.empty((24, min(_TILE, count)), kind)
        for tile, corners in self._tiles:
            room = space[:, : corners.shape[1]]
            facing, places, room = room[:3], room[3:12].reshape(3, 3, -1), room[12:]
            np.take(points, corners, axis=1, out=places, mode="clip")
            heights = _tile_stretch(
                places, rest.inverse[:, tile], facing, room, stretch[:, tile], area[tile]
            )
            volume += float(np.einsum("t,t", heights, self._double_areas[tile], dtype=float))
            if arrows is not None:
                np.take(arrows, corners, axis=1, out=places, mode="clip")
                sides = _dot(facing, np.add.reduce(places, axis=1, out=room[3:6]), room)
                sides *= rest.sides[tile]
            elif turns is not None:
                sides = _turned_dot(turns[:, tile], rest.normals[:, tile], facing, room)
            else:
                sides = _dot(facing, rest.normals[:, tile], room)
            np.less(sides, 0.0, out=folded[tile])
        stretch[:, self._flat], area[self._flat] = 1.0, 1.0
        return Sweep(stretch.T, area, folded, volume / 6.0)

    def _rest_as(self, kind: np.dtype) -> _Rest:
        if kind.name not in self._typed:
            rest = self._rest
            self._typed[kind.name] = _Rest(
                rest.inverse.astype(kind), rest.normals.astype(kind), rest.sides.astype(kind)
            )
        return self._typed[kind.name]


def _tiles(count: int) -> Iterator[slice]:
    for start in range(0, count, _TILE):
        yield slice(start, min(start + _TILE, count))


def _tile_stretch(
    places: Floats, inverse: Floats, facing: Floats, room: Floats, stretch: Floats, area: Floats
) -> Floats:
    """Stretch and area of a tile's triangles; how high each stands over the origin, times 2 area.

    Parameters
    ----------
    places : (3, 3, n) array
        Axis, corner, triangle.
    inverse : (3, n) array
        Rows of the rest's inverse.
    facing : (3, n) array
        Written: normals as long as the area ratio.
    room : (12, n) array
        Scratch.
    stretch, area : (2, n), (n,) array
        Written.

    Returns
    -------
    (n,) array
        Height of the posed plane over the origin times the area ratio.
    """
    first, mixed, second = inverse
    along, across, spare, lines = room[:3], room[3:6], room[6:9], room[9:12]
    np.subtract(places[:, 1], places[:, 0], out=along)
    np.subtract(places[:, 2], places[:, 0], out=across)
    across *= second
    across += np.multiply(along, mixed, out=spare)
    along *= first
    _cross(along, across, facing, spare[0])
    area[:] = np.sqrt(_dot(facing, facing, spare))
    half, lean, other = lines
    half[:] = _dot(along, along, spare)
    other[:] = _dot(across, across, spare)
    lean[:] = _dot(along, across, spare)
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
    return _dot(facing, places[:, 0], spare)


def _dot(one: Floats, two: Floats, room: Floats) -> Floats:
    """(n,) dot products of the columns of two (3, n) arrays; overwrites the scratch."""
    product = np.multiply(one, two, out=room[:3])
    product[0] += product[1]
    product[0] += product[2]
    return product[0]


def _cross(one: Floats, two: Floats, out: Floats, spare: Floats) -> None:
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        np.multiply(one[i], two[j], out=out[k])
        out[k] -= np.multiply(one[j], two[i], out=spare)


def _turned_dot(turn: Floats, rest: Floats, posed: Floats, room: Floats) -> Floats:
    """Dot products of posed directions with rest directions turned by quaternions.

    With ``q = (w, u)``, ``m . (q n q*) = (w^2 - u.u) n.m + 2 (u.n)(u.m) + 2 w u.(n x m)``; only
    its sign is wanted, so ``q`` need not be of unit length.
    """
    w, u = turn[0], turn[1:]
    spare, crossed, lines = room[:3], room[3:6], room[6:]
    _cross(rest, posed, crossed, spare[0])
    swing, other, total = lines[0], lines[1], lines[2]
    swing[:] = _dot(u, rest, spare)
    swing *= _dot(u, posed, spare)
    other[:] = _dot(u, crossed, spare)
    other *= w
    swing += other
    swing *= 2.0
    np.multiply(w, w, out=total)
    total -= _dot(u, u, spare)
    total *= _dot(rest, posed, spare)
    total += swing
    return total


def enclosed_volume(positions: Floats, triangles: Ints) -> float:
    """Signed volume inside a closed surface, by the divergence theorem.

    Parameters
    ----------
    positions : (V, 3) array
        Scene units.
    triangles : (T, 3) int array
        Turned outwards.

    Returns
    -------
    float
        Cubic scene units.
    """
    about = positions.mean(axis=0, dtype=np.float64)
    a, b, c = (positions[triangles[:, k]] - about for k in range(3))
    return float(np.sum(a * np.cross(b, c))) / 6.0


@dataclass(frozen=True, eq=False)
class Measures:
    """What a posed skin measures.

    Parameters
    ----------
    stretch : (T, 2) array
        Larger and smaller stretch of each triangle.
    area : (T,) array
        Area of each triangle, posed over rest.
    girth : (N,) array
        Girth at each station, posed over rest.
    volumes : (N,) array
        Volume of a slice at each station, posed over rest: girth squared times stretch.
    volume : float
        Posed over rest; 1 for a surface that encloses none.
    surface : float
        Area of all triangles, posed over rest.
    folded : (T,) bool array
        Triangles that turned over: their normal faces against the direction in which the
        skin carries it.
    """

    stretch: Floats
    area: Floats
    girth: Array
    volumes: Array
    volume: float
    surface: float
    folded: Flags


class Gauge:
    """A rig's rest, arranged for measuring poses.

    Parameters
    ----------
    rig : Rig
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._triangles = TriangleGauge(
            rig.mesh.positions, rig.mesh.triangles, rig.mesh.vertex_normals
        )
        volume = enclosed_volume(rig.mesh.positions, rig.mesh.triangles)
        # a ball of the same area would hold (area / 4 pi)^(3/2) 4 pi / 3
        most = self._triangles.areas.sum() ** 1.5 / (6.0 * np.sqrt(np.pi))
        self._volume = volume if abs(volume) > _NO_VOLUME * most else 0.0

    def measure(self, positions: Floats, ribbon: Ribbon, normals: Floats | None = None) -> Measures:
        """Measure a posed skin.

        Parameters
        ----------
        positions : (V, 3) array
            Posed, scene units; float32 is measured in float32, float64 in float64.
        ribbon : Ribbon
            Posed.
        normals : (V, 3) array, optional
            Vertex normals carried by the skin, as :meth:`Rig.deform_normals` gives them; they
            spare finding how the skin turns, by which folds are told.

        Returns
        -------
        Measures
        """
        frames = ribbon.frames(self._sections[0])
        girth = self._radii(positions, frames) / self._rest_radii
        turns = self._turns(frames[::_SECTIONS]) if normals is None else None
        found = self._triangles.sweep(positions, turns, normals)
        change = found.volume / self._volume if self._volume else 1.0
        speed = np.linalg.norm(ribbon.midline(self.rig.layout.stations, 1), axis=1)
        volumes = girth**2 * (speed / self._rest_speed)
        areas = self._triangles.areas
        surface = float(np.einsum("t,t", found.area, areas, dtype=float)) / max(
            float(areas.sum()), 1e-300
        )
        return Measures(found.stretch, found.area, girth, volumes, change, surface, found.folded)

    def contacts(self, positions: Floats) -> Ints:
        """Pairs of triangles that cross or touch in a pose and do not at rest.

        Neighbours that only share their edge or corner do not count; neighbours that fold
        onto or through each other do.

        Parameters
        ----------
        positions : (V, 3) array
            Posed, scene units.

        Returns
        -------
        (c, 2) int array
            Indices of triangles, the smaller first, in rising order.

        Raises
        ------
        RibbonsimError
            If libigl is not installed.
        """
        triangles = self.rig.mesh.triangles
        pairs = crossing_pairs(positions, triangles)
        return new_pairs(pairs, self._rest_pairs, len(triangles)) if len(pairs) else pairs

    @cached_property
    def _rest_pairs(self) -> Ints:
        return crossing_pairs(self.rig.mesh.positions, self.rig.mesh.triangles)

    def over_vertices(self, values: ArrayLike) -> Array:
        """Spread a value of triangles over their vertices, weighted by area.

        Parameters
        ----------
        values : (T,) array

        Returns
        -------
        (V,) array
        """
        return self._spreading @ np.asarray(values, dtype=float)

    def along_body(self, values: ArrayLike) -> Array:
        """Spread a value of stations over the vertices by their places along the body.

        Parameters
        ----------
        values : (N,) array

        Returns
        -------
        (V,) array
        """
        layout = self.rig.layout
        lengths = layout.ribbon.arc_length(layout.stations)
        return np.interp(self.rig.places, lengths, np.asarray(values, dtype=float))

    @cached_property
    def _spreading(self) -> csr_array:
        triangles, areas = self.rig.mesh.triangles, self._triangles.areas
        rows, columns = triangles.T.ravel(), np.tile(np.arange(len(triangles)), 3)
        table = csr_array(
            (np.tile(np.maximum(areas, 1e-300), 3), (rows, columns)),
            shape=(len(self.rig.mesh.positions), len(triangles)),
        )
        total = np.asarray(table.sum(axis=1)).ravel()
        table.data /= np.repeat(np.where(total > 0, total, 1.0), np.diff(table.indptr))
        return table

    # -- how the skin turns ----------------------------------------------------------------

    @cached_property
    def _joint_back(self) -> Array:
        return invert_rigid(self.rig.joint_rest)

    @cached_property
    def _joint_shares(self) -> NDArray[np.float32]:
        """(N, V) the weights, laid out for one product a pose; only a sign comes of them."""
        return np.ascontiguousarray(self.rig.mesh_weights.T, dtype=np.float32)

    @cached_property
    def _middle_corners(self) -> Ints:
        """(T,) of each triangle's corners the one in the middle along the body."""
        triangles = self.rig.mesh.triangles
        order = np.argsort(self.rig.places[triangles], axis=1, kind="stable")
        return np.take_along_axis(triangles, order[:, 1:2], axis=1)[:, 0].astype(np.intp)

    def _turns(self, frames: Array) -> NDArray[np.float32]:
        """(4, T) rotation of the skin at each triangle: the dual quaternions' real part."""
        turned = (frames @ self._joint_back)[:, :3, :3]
        real = align_signs(Rotation.from_matrix(turned).as_quat()[:, [3, 0, 1, 2]])
        rows, shares = np.ascontiguousarray(real.T, dtype=np.float32), self._joint_shares
        turns = np.empty((4, shares.shape[1]), dtype=np.float32)
        # in small products, which stay on one core: calling up others for so little takes longer
        step = max(1, _SMALL_PRODUCT // rows.size)
        for start in range(0, shares.shape[1], step):
            piece = slice(start, start + step)
            np.matmul(rows, shares[:, piece], out=turns[:, piece])
        return np.take(turns, self._middle_corners, axis=1, mode="clip")

    # -- girth -----------------------------------------------------------------------------

    @cached_property
    def _rest_speed(self) -> Array:
        layout = self.rig.layout
        return np.linalg.norm(layout.ribbon.midline(layout.stations, 1), axis=1)

    @cached_property
    def _sections(self) -> tuple[Array, Ints]:
        """Places along the ribbon, and for each vertex the number of the nearest."""
        ribbon, stations = self.rig.layout.ribbon, self.rig.layout.stations
        lengths = ribbon.arc_length(stations)
        known = np.arange(len(stations))
        fine = np.linspace(0.0, len(stations) - 1.0, _SECTIONS * (len(stations) - 1) + 1)
        nearest = np.rint(_SECTIONS * np.interp(self.rig.places, lengths, known))
        return ribbon.place_at(np.interp(fine, known, lengths)), nearest.astype(np.intp)

    @cached_property
    def _shares(self) -> csr_array:
        """(N, V) what each vertex's area counts for the girth at each station; rows sum to one."""
        rig, layout = self.rig, self.rig.layout
        lengths = layout.ribbon.arc_length(layout.stations)
        last = len(lengths) - 2
        lower = np.clip(np.searchsorted(lengths, rig.places, side="right") - 1, 0, last)
        share = (rig.places - lengths[lower]) / (lengths[lower + 1] - lengths[lower])
        share = np.clip(share, 0.0, 1.0)
        areas = np.bincount(
            rig.mesh.triangles.ravel(),
            np.repeat(self._triangles.areas / 3.0, 3),
            minlength=len(rig.places),
        )
        index = np.arange(len(rig.places))
        counts = csr_array(
            (
                np.r_[areas * (1.0 - share), areas * share],
                (np.r_[lower, lower + 1], np.r_[index, index]),
            ),
            shape=(len(lengths), len(index)),
        )
        total = np.maximum(np.asarray(counts.sum(axis=1)).ravel(), 1e-300)
        counts.data /= np.repeat(total, np.diff(counts.indptr))
        return counts

    def _radii(self, positions: Floats, frames: Array) -> Array:
        """Root mean square distance from the midline, around each station.

        ``frames`` are the ribbon's at the sections. Of a vertex's distance only the part
        across the body counts, so a skin that leans along the body is not thicker for it.
        """
        nearest, kind = self._sections[1], positions.dtype
        origins = np.take(frames[:, :3, 3].T.astype(kind), nearest, axis=1)
        along = np.take(frames[:, :3, 0].T.astype(kind), nearest, axis=1)
        step = np.subtract(positions.T, origins, out=origins)
        depth = np.einsum("iv,iv->v", step, along)
        squares = np.einsum("iv,iv->v", step, step) - depth * depth
        return np.sqrt(np.maximum(self._shares @ squares, 1e-300))

    @cached_property
    def _rest_radii(self) -> Array:
        frames = self.rig.layout.ribbon.frames(self._sections[0])
        return self._radii(self.rig.mesh.positions, frames)

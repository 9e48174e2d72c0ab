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

from ribbonsim.appendages import BODY
from ribbonsim.bendcheck.contacts import crossing_pairs, new_pairs
from ribbonsim.bendcheck.girth import SECTIONS, GirthGauge
from ribbonsim.chains import JointPose
from ribbonsim.errors import RibbonsimError
from ribbonsim.frames import invert_rigid
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig
from ribbonsim.skin import align_tree

Array = NDArray[np.float64]
Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Triangles measured at once, so that what is found on the way stays in the cache.
_TILE = 10240
# Vertices whose turning is blended at once: a product so small that it stays on one core.
_VERTICES_AT_ONCE = 2048
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


class TriangleGauge:
    """Rest triangles, arranged so that measuring many poses is cheap.

    Parameters
    ----------
    rest : (V, 3) array
        Scene units.
    triangles : (T, 3) int array
    leaders : (T,) int array, optional
        For each triangle the vertex whose turning it follows; its first corner if left out.
    """

    def __init__(self, rest: Array, triangles: Ints, leaders: Ints | None = None) -> None:
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
        self._total = max(float(double_area.sum()), 1e-300)
        # seven rows of each tile lie together in memory
        self._rest = np.concatenate([inverse, facing, double_area[None] / self._total])
        self._flat = np.flatnonzero(flat)
        self.areas = 0.5 * double_area
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
        """Measure posed triangles.

        Parameters
        ----------
        posed : (V, 3) array
            Its type decides the precision.
        turns : (4, V) array, optional
            Rotation of the skin at each vertex: quaternions ``w, x, y, z`` of any length;
            none if left out.

        Returns
        -------
        Sweep
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


def _dot(one: Floats, two: Floats, room: Floats, out: Floats | None = None) -> Floats:
    """(n,) dot products of the columns of two (3, n) arrays, by default into the scratch."""
    product = np.multiply(one, two, out=room[:3])
    product[0] += product[1]
    return np.add(product[0], product[2], out=product[0] if out is None else out)


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
        triangles = rig.mesh.triangles
        # a triangle turns with its corner in the middle along the body
        order = np.argsort(rig.places[triangles], axis=1, kind="stable")
        leaders = np.take_along_axis(triangles, order[:, 1:2], axis=1)[:, 0]
        self._triangles = TriangleGauge(rig.mesh.positions, triangles, leaders)
        volume = enclosed_volume(rig.mesh.positions, rig.mesh.triangles)
        # a ball of the same area would hold (area / 4 pi)^(3/2) 4 pi / 3
        areas = self._triangles.areas
        most = areas.sum() ** 1.5 / (6.0 * np.sqrt(np.pi))
        self._area_shares = areas / max(float(areas.sum()), 1e-300)
        self._volume = volume if abs(volume) > _NO_VOLUME * most else 0.0

    def measure(
        self, positions: Floats, ribbon: Ribbon, joints: JointPose | None = None
    ) -> Measures:
        """Measure a posed skin.

        Parameters
        ----------
        positions : (V, 3) array
            Posed, scene units; float32 is measured in float32, float64 in float64.
        ribbon : Ribbon
            The body's, posed.
        joints : JointPose, optional
            Of the pose; the body ribbon tells them where there is no other.

        Returns
        -------
        Measures

        Raises
        ------
        RibbonsimError
            If there are appendages and no joints are given.
        """
        if joints is None and self.rig.layout.appendages:
            raise RibbonsimError("a creature with appendages is measured with its posed joints")
        frames = self._body.frames(ribbon)
        girth = self._body.girth(positions, frames)
        found = self._triangles.sweep(positions, self._turns(frames, joints))
        change = found.volume / self._volume if self._volume else 1.0
        speed = np.linalg.norm(ribbon.midline(self.rig.layout.stations, 1), axis=1)
        volumes = girth**2 * (speed / self._rest_speed)
        surface = float(np.einsum("t,t", found.area, self._area_shares, dtype=float))
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
    def _joint_shares(self) -> list[tuple[slice, Ints, NDArray[np.float32]]]:
        """Some vertices, the joints that hold any of them, and the weights (joints, vertices)."""
        weights, shares = self.rig.mesh_weights, []
        for start in range(0, len(weights), _VERTICES_AT_ONCE):
            piece = slice(start, start + _VERTICES_AT_ONCE)
            joints = np.flatnonzero(weights[piece].any(axis=0))
            held = np.ascontiguousarray(weights[piece, joints].T, dtype=np.float32)
            shares.append((piece, joints, held))
        return shares

    def _turns(self, frames: Array, joints: JointPose | None) -> NDArray[np.float32]:
        """(4, V) rotation of the skin at each vertex: the dual quaternions' real part."""
        rigid = frames[::SECTIONS] @ self._joint_back if joints is None else joints.rigid
        told = Rotation.from_matrix(rigid[:, :3, :3]).as_quat()[:, [3, 0, 1, 2]]
        real = align_tree(told, self.rig.joint_parents)
        rows = np.ascontiguousarray(real.T, dtype=np.float32)
        turns = np.empty((4, len(self.rig.mesh_weights)), dtype=np.float32)
        for piece, held, shares in self._joint_shares:
            np.matmul(rows[:, held], shares, out=turns[:, piece])
        return turns

    # -- girth -----------------------------------------------------------------------------

    @cached_property
    def _rest_speed(self) -> Array:
        layout = self.rig.layout
        return np.linalg.norm(layout.ribbon.midline(layout.stations, 1), axis=1)

    @cached_property
    def _vertex_areas(self) -> Array:
        thirds = np.repeat(self._triangles.areas / 3.0, 3)
        corners = self.rig.mesh.triangles.ravel()
        return np.bincount(corners, thirds, minlength=len(self.rig.places)).astype(float)

    @cached_property
    def _body(self) -> GirthGauge:
        rig = self.rig
        # what an appendage has taken over does not make the body thicker
        areas = self._vertex_areas * rig.mesh_weights[:, rig.joints_of[BODY]].sum(axis=1)
        return GirthGauge(rig.layout, rig.mesh.positions, rig.places, areas)

    @cached_property
    def _limbs(self) -> dict[str, GirthGauge]:
        rig, made = self.rig, {}
        for one in rig.layout.appendages:
            limb = rig.limbs[one.name]
            own = rig.mesh_weights[limb.vertices, rig.joints_of[one.name]].sum(axis=1)
            areas = self._vertex_areas[limb.vertices] * own
            rest = rig.mesh.positions[limb.vertices]
            made[one.name] = GirthGauge(one.layout, rest, limb.places, areas)
        return made

    def girth_of(self, appendage: str, positions: Floats, ribbon: Ribbon) -> Array:
        """Girth of an appendage at each of its stations, posed over rest.

        Parameters
        ----------
        appendage : str
        positions : (V, 3) array
            Posed, scene units.
        ribbon : Ribbon
            The appendage's, posed.

        Returns
        -------
        (N,) array
        """
        gauge, limb = self._limbs[appendage], self.rig.limbs[appendage]
        return gauge.girth(positions[limb.vertices], gauge.frames(ribbon))

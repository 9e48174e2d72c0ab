"""Skinning: linear and dual-quaternion blending of joint transforms over a mesh."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray

from ribbonsim.errors import RibbonsimError

Array = NDArray[np.float64]
Floats = NDArray[np.floating]
Ints = NDArray[np.int64]

# Vertices blended at once: so that a tile's rows stay in the second-level cache.
_TILE = 8192
# More odd sets of joints than this are posed in one run with all joints.
_ODD_SETS = 256


def linear_blend(rest: ArrayLike, weights: ArrayLike, transforms: ArrayLike) -> Floats:
    """Linear blend skinning, ``v' = sum_j w_j (A_j v + b_j)``.

    Parameters
    ----------
    rest : (V, 3) array
        Scene units.
    weights : (V, N) array
        Rows sum to one.
    transforms : (N, 4, 4) array
        From the rest to the posed place of each joint.

    Returns
    -------
    (V, 3) array

    References
    ----------
    N. Magnenat-Thalmann, R. Laperrière, D. Thalmann, "Joint-dependent local deformations
    for hand animation and object grasping", Graphics Interface 1988.
    """
    return Skinner(rest, weights).linear(np.asarray(transforms, dtype=float))


def dual_quaternion_blend(
    rest: ArrayLike, weights: ArrayLike, rigid: ArrayLike, scales: ArrayLike | None = None
) -> Floats:
    """Dual-quaternion linear blending.

    Signs are made consistent from each joint to the next, so the joints are expected in
    chain order with less than a full turn between neighbours.

    Parameters
    ----------
    rest : (V, 3) array
        Scene units.
    weights : (V, N) array
        Rows sum to one.
    rigid : (N, 4, 4) array
        Rotation and translation of each joint.
    scales : (N, 4, 4) array, optional
        Stretch and girth of each joint at its rest place, blended linearly beforehand; the
        whole transform of a joint is ``rigid @ scales``.

    Returns
    -------
    (V, 3) array

    References
    ----------
    L. Kavan, S. Collins, J. Žára, C. O'Sullivan, "Geometric skinning with approximate dual
    quaternion blending", ACM Transactions on Graphics 27(4), 2008.
    """
    matrices = None if scales is None else np.asarray(scales, dtype=float)
    return Skinner(rest, weights).dual_quaternion(np.asarray(rigid, dtype=float), matrices)


def to_dual_quaternions(rigid: Array) -> Array:
    """Unit dual quaternions of rigid transforms.

    Parameters
    ----------
    rigid : (..., 4, 4) array

    Returns
    -------
    (..., 8) array
        Real part ``w, x, y, z``, then the dual part in the same order.
    """
    real = _quaternions(rigid[..., :3, :3])
    return np.concatenate([real, _dual_part(real, rigid[..., :3, 3])], axis=-1)


def _quaternions(rotations: Array) -> Array:
    """(..., 4) unit quaternions ``w, x, y, z`` of rotations, the largest part above zero.

    Each row of four times ``q q^T`` is the quaternion but for its length; the row with the
    largest diagonal is taken. A library that checks its matrices takes longer than all else
    in a pose.

    References
    ----------
    S. W. Shepperd, "Quaternion from rotation matrix", Journal of Guidance and Control 1(3),
    1978.
    """
    m = rotations.reshape(-1, 9)
    xx, yy, zz = m[:, 0], m[:, 4], m[:, 8]
    diagonal = np.stack([xx + yy + zz, xx - yy - zz, yy - xx - zz, zz - xx - yy])
    wx, wy, wz = m[:, 7] - m[:, 5], m[:, 2] - m[:, 6], m[:, 3] - m[:, 1]
    xy, xz, yz = m[:, 3] + m[:, 1], m[:, 2] + m[:, 6], m[:, 7] + m[:, 5]
    ww, xx, yy, zz = diagonal + 1.0
    table = np.array([[ww, wx, wy, wz], [wx, xx, xy, xz], [wy, xy, yy, yz], [wz, xz, yz, zz]])
    rows = table[np.argmax(diagonal, axis=0), :, np.arange(len(m))]
    rows /= np.sqrt(np.einsum("ij,ij->i", rows, rows))[:, None]
    return rows.reshape(*rotations.shape[:-2], 4)


def _dual_part(real: Array, translation: Array) -> Array:
    w, v = real[..., :1], real[..., 1:]
    scalar = -np.sum(translation * v, axis=-1, keepdims=True)
    vector = w * translation + np.cross(translation, v)
    return 0.5 * np.concatenate([scalar, vector], axis=-1)


def align_signs(quaternions: Array) -> Array:
    """Choose the sign of each quaternion so that it agrees with the one before it.

    A quaternion and its opposite are one rotation, but blend differently.

    Parameters
    ----------
    quaternions : (n, ..., 4 or 8) array
        In chain order along the first axis.

    Returns
    -------
    array of the same shape
    """
    agree = np.sum(quaternions[1:, ..., :4] * quaternions[:-1, ..., :4], axis=-1)
    flips = np.cumprod(np.where(agree < 0, -1.0, 1.0), axis=0)
    aligned = quaternions.copy()
    aligned[1:] *= flips[..., None]
    return aligned


def align_tree(quaternions: Array, parents: Sequence[int | None]) -> Array:
    """Choose the sign of each quaternion so that it agrees with its parent's.

    Parameters
    ----------
    quaternions : (N, 4 or 8) array
    parents : (N,) sequence of int or None
        Index of the joint that each follows, before it; most follow the one before them.

    Returns
    -------
    (N, 4 or 8) array
    """
    above = np.array([i if p is None else p for i, p in enumerate(parents)], dtype=np.int64)
    agree = np.sum(quaternions[:, :4] * quaternions[above, :4], axis=1)
    flips = np.where(agree < 0, -1.0, 1.0)
    heads = np.flatnonzero(above != np.arange(len(above)) - 1)
    for start, stop in zip(heads, [*heads[1:], len(above)], strict=True):
        if above[start] != start:
            flips[start] *= flips[above[start]]
        flips[start:stop] = np.cumprod(flips[start:stop])
    return quaternions * flips[:, None]


def from_dual_quaternions(dual: Array) -> Array:
    """Rigid transforms of dual quaternions that need not be of unit length.

    Parameters
    ----------
    dual : (..., 8) array

    Returns
    -------
    (..., 4, 4) array
    """
    size = np.linalg.norm(dual[..., :4], axis=-1, keepdims=True)
    real, moved = dual[..., :4] / size, dual[..., 4:] / size
    w, v = real[..., :1], real[..., 1:]
    out = np.zeros((*dual.shape[:-1], 4, 4))
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    s = real[..., 0]
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - s * z), 2 * (x * z + s * y)],
        [2 * (x * y + s * z), 1 - 2 * (x * x + z * z), 2 * (y * z - s * x)],
        [2 * (x * z - s * y), 2 * (y * z + s * x), 1 - 2 * (x * x + y * y)],
    ]
    out[..., :3, :3] = np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
    out[..., :3, 3] = 2.0 * (w * moved[..., 1:] - moved[..., :1] * v + np.cross(v, moved[..., 1:]))
    out[..., 3, 3] = 1.0
    return out


# Up to so many joints, the products of two weights are few enough to be kept.
_FEW = 6


@dataclass(frozen=True, eq=False)
class _Run:
    """Vertices, side by side in skinning order, that need the same few joints."""

    start: int
    stop: int
    joints: Ints

    @property
    def vertices(self) -> slice:
        return slice(self.start, self.stop)

    @property
    def few(self) -> bool:
        return len(self.joints) <= _FEW

    @property
    def pairs(self) -> tuple[Ints, Ints]:
        """Each two of few joints, and each with itself, as indices among them."""
        one, two = np.triu_indices(len(self.joints) if self.few else 0)
        return one, two


class Skinner:
    """Weights and rest positions, arranged once, posed often.

    Vertices are sorted into runs that share a few joints, so that a run is one small dense
    matrix product with no indices followed. The rotation of a blended quaternion is of
    second order in the weights; it too is a matrix product, with products of two weights.

    Parameters
    ----------
    rest : (V, 3) array
        Scene units.
    weights : (V, N) array
        Rows sum to one.
    normals : (V, 3) array, optional
        Unit normals at rest.
    parents : (N,) sequence of int or None, optional
        The joint that each follows; by default the one before it.

    Raises
    ------
    RibbonsimError
        If shapes do not fit each other.
    """

    def __init__(
        self,
        rest: ArrayLike,
        weights: ArrayLike,
        normals: ArrayLike | None = None,
        parents: Sequence[int | None] | None = None,
    ) -> None:
        points, table = np.asarray(rest, dtype=float), np.asarray(weights, dtype=float)
        if points.ndim != 2 or points.shape[1] != 3 or table.shape[:1] != points.shape[:1]:
            raise RibbonsimError(
                f"positions {points.shape} and weights {table.shape} do not fit: "
                "give (V, 3) and (V, N)"
            )
        self.joints = table.shape[1]
        self._parents = (None, *range(self.joints - 1)) if parents is None else tuple(parents)
        self._order, self._runs = _arrange(table)
        self._inverse = np.argsort(self._order)
        self._pieces = _pieces(self._inverse)
        self._rest = np.ascontiguousarray(points[self._order].T)
        self._normals = None
        if normals is not None:
            self._normals = np.ascontiguousarray(np.asarray(normals, dtype=float)[self._order].T)
        self._weights = [
            np.ascontiguousarray(table[np.ix_(self._order[run.vertices], run.joints)].T)
            for run in self._runs
        ]
        pairs = [
            (run.joints[one], run.joints[two]) for run in self._runs for one, two in [run.pairs]
        ]
        self._pairs = np.concatenate(pairs, axis=1) if pairs else np.zeros((2, 0), dtype=np.int64)
        self._prepared: dict[tuple[str, str], list[Floats]] = {}
        self._scratch: dict[tuple[str, str], Floats] = {}
        self._lock = threading.Lock()  # one scratch, and a drawing thread beside the others

    @cached_property
    def vertices(self) -> int:
        """Number of vertices."""
        return self._rest.shape[1]

    def linear(
        self, transforms: Array, out: Floats | None = None, dtype: DTypeLike = np.float64
    ) -> Floats:
        """Pose by linear blending.

        Parameters
        ----------
        transforms : (N, 4, 4) array
        out : (V, 3) array, optional
            Written in place and returned; its type decides the precision.
        dtype : float64 or float32
            Precision if ``out`` is not given.

        Returns
        -------
        (V, 3) array
            In the order of ``rest``.
        """
        kind, out = self._output(out, dtype)
        with self._lock:
            return self._in_file_order(self._blend_linear(transforms, kind), out)

    def dual_quaternion(
        self,
        rigid: Array,
        scales: Array | None = None,
        out: Floats | None = None,
        dtype: DTypeLike = np.float64,
    ) -> Floats:
        """Pose by dual-quaternion blending.

        Parameters
        ----------
        rigid : (N, 4, 4) array
            Rotation and translation of each joint.
        scales : (N, 4, 4) array, optional
            Applied at the rest place first, blended linearly.
        out, dtype
            As in :meth:`linear`.

        Returns
        -------
        (V, 3) array
        """
        kind, out = self._output(out, dtype)
        with self._lock:
            start = self._typed_rest(kind) if scales is None else self._blend_linear(scales, kind)
            result = self._buffer("posed", (3, self.vertices), kind)
            self._rotate(rigid, start, result, moves=True)
            return self._in_file_order(result, out)

    def normals(
        self,
        rigid: Array,
        scales: Array,
        method: str,
        out: Floats | None = None,
        dtype: DTypeLike = np.float64,
    ) -> Floats:
        """Pose the normals with the skin, without looking at the posed surface.

        Parameters
        ----------
        rigid, scales : (N, 4, 4) array
        method : {"linear", "dual_quaternion"}
        out, dtype
            As in :meth:`linear`.

        Returns
        -------
        (V, 3) array
            Unit vectors.
        """
        if self._normals is None:
            raise RibbonsimError("no normals were given when the skin was bound: bind with them")
        kind, out = self._output(out, dtype)
        with self._lock:
            return self._in_file_order(self._pose_normals(rigid, scales, method, kind), out)

    # -- inside ---------------------------------------------------------------------------

    def _pose_normals(self, rigid: Array, scales: Array, method: str, kind: np.dtype) -> Floats:
        inner = scales if method == "dual_quaternion" else rigid @ scales
        cofactors = np.linalg.inv(inner[:, :3, :3]).transpose(0, 2, 1)
        features = self._features("normals", kind)
        result = self._buffer("blend", (3, self.vertices), kind)
        for run, feature in zip(self._runs, features, strict=True):
            rows = cofactors[run.joints].transpose(1, 0, 2).reshape(3, -1)
            np.matmul(np.ascontiguousarray(rows, kind), feature, out=result[:, run.vertices])
        if method == "dual_quaternion":
            turned = self._buffer("posed", (3, self.vertices), kind)
            self._rotate(rigid, result, turned, moves=False)
            result = turned
        result /= np.maximum(np.sqrt(np.einsum("ij,ij->j", result, result)), 1e-30)
        return result

    def _output(self, out: Floats | None, dtype: DTypeLike) -> tuple[np.dtype, Floats]:
        if out is None:
            out = np.empty((self.vertices, 3), dtype)
        if out.shape != (self.vertices, 3) or out.dtype not in (np.float32, np.float64):
            raise RibbonsimError(
                f"the output has the shape {out.shape} and type {out.dtype}: "
                f"give ({self.vertices}, 3) of float32 or float64"
            )
        return out.dtype, out

    def _buffer(self, name: str, shape: tuple[int, int], kind: np.dtype) -> Floats:
        key = (name, kind.name)
        if key not in self._scratch or self._scratch[key].shape != shape:
            self._scratch[key] = np.empty(shape, kind)
        return self._scratch[key]

    def _typed_rest(self, kind: np.dtype) -> Floats:
        if kind == np.float64:
            return self._rest
        return self._cached("rest", kind, lambda: [self._rest.astype(kind)])[0]

    def _cached(self, name: str, kind: np.dtype, make) -> list[Floats]:  # type: ignore[no-untyped-def]
        key = (name, kind.name)
        if key not in self._prepared:
            self._prepared[key] = make()
        return self._prepared[key]

    def _features(self, name: str, kind: np.dtype) -> list[Floats]:
        """Per run, weight times each coordinate: the matrix that transforms multiply."""

        def make() -> list[Floats]:
            features = []
            for run, weights in zip(self._runs, self._weights, strict=True):
                if name == "normals":
                    coordinates = self._normals[:, run.vertices]  # type: ignore[index]
                else:
                    ones = np.ones((1, run.stop - run.start))
                    coordinates = np.vstack([self._rest[:, run.vertices], ones])
                product = weights[:, None, :] * coordinates[None, :, :]
                features.append(np.ascontiguousarray(product.reshape(-1, product.shape[-1]), kind))
            return features

        return self._cached(name, kind, make)

    def _blend_linear(self, transforms: Array, kind: np.dtype) -> Floats:
        result = self._buffer("blend", (3, self.vertices), kind)
        for run, feature in zip(self._runs, self._features("points", kind), strict=True):
            rows = transforms[run.joints, :3, :].transpose(1, 0, 2).reshape(3, -1)
            np.matmul(np.ascontiguousarray(rows, kind), feature, out=result[:, run.vertices])
        return result

    def _rotate(self, rigid: Array, start: Floats, result: Floats, moves: bool) -> None:
        """Turn and move ``start`` by the blended dual quaternions, tile by tile."""
        kind = start.dtype
        dual = np.ascontiguousarray(align_tree(to_dual_quaternions(rigid), self._parents).T)
        matrices_of_pairs = _pair_matrices(dual, *self._pairs).astype(kind)
        scratch = self._buffer("tile", (13, _TILE), kind)
        done = 0
        for run, table in zip(self._runs, self._turners(kind), strict=True):
            if run.few:
                rows = matrices_of_pairs[:, done : done + len(table)]
                done += len(table)
            else:
                rows = dual[:, run.joints].astype(kind)
            for at in range(run.start, run.stop, _TILE):
                end = min(at + _TILE, run.stop)
                columns = table[:, at - run.start : end - run.start]
                matrices = scratch[:, : end - at]
                if run.few:
                    np.matmul(rows, columns, out=matrices)
                else:
                    blended = rows @ columns
                    matrices[:] = _turn_matrix(blended, blended)
                _apply_matrices(matrices, start[:, at:end], result[:, at:end], moves)

    def _turners(self, kind: np.dtype) -> list[Floats]:
        """Per run, the products of two weights; the weights themselves where joints are many."""

        def make() -> list[Floats]:
            turners = []
            for run, weights in zip(self._runs, self._weights, strict=True):
                one, two = run.pairs
                table = weights[one] * weights[two] if run.few else weights
                turners.append(np.ascontiguousarray(table, kind))
            return turners

        return self._cached("turners", kind, make)

    def _in_file_order(self, result: Floats, out: Floats) -> Floats:
        for axis in range(3):
            row, column = result[axis], out[:, axis]
            if self._pieces is None:
                np.take(row, self._inverse, out=column, mode="clip")
            else:
                for piece, source in self._pieces:
                    column[piece] = row[source]
        return out


def _pieces(order: Ints) -> list[tuple[slice, slice]] | None:
    """Stretches over which an order goes on by ones; None if they are short.

    A mesh that was modelled ring by ring falls into few of them, and copying those is
    quicker than following an index for each vertex.
    """
    cuts = np.flatnonzero(np.diff(order) != 1) + 1
    if len(cuts) > len(order) // 500:
        return None
    starts, ends = np.r_[0, cuts], np.r_[cuts, len(order)]
    return [
        (slice(a, b), slice(order[a], order[a] + b - a))
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
        if b > a
    ]


def _turn_matrix(a: Floats, b: Floats) -> Floats:
    """Numerator of a dual quaternion's matrix, made bilinear, and its denominator.

    With ``a`` equal to ``b`` the rows are the three columns of the rotation matrix, the
    translation and the squared length by which all have to be divided.

    Parameters
    ----------
    a, b : (8, n) arrays

    Returns
    -------
    (13, n) array
    """
    w, x, y, z = a[:4]
    big, e, f, g = b[4:]
    bw, bx, by, bz = b[:4]
    ww, xx, yy, zz = w * bw, x * bx, y * by, z * bz
    return np.stack(
        [
            *(ww + xx - yy - zz, 2.0 * (x * by + w * bz), 2.0 * (x * bz - w * by)),
            *(2.0 * (x * by - w * bz), ww - xx + yy - zz, 2.0 * (y * bz + w * bx)),
            *(2.0 * (x * bz + w * by), 2.0 * (y * bz - w * bx), ww - xx - yy + zz),
            2.0 * (w * e - x * big + y * g - z * f),
            2.0 * (w * f - y * big + z * e - x * g),
            2.0 * (w * g - z * big + x * f - y * e),
            ww + xx + yy + zz,
        ]
    )


def _pair_matrices(dual: Array, one: Ints, two: Ints) -> Array:
    """What each product of two weights contributes to the matrix of the blend.

    Parameters
    ----------
    dual : (8, m) array
    one, two : (p,) int arrays
        The pairs, each once.

    Returns
    -------
    (13, p) array
    """
    a, b = dual[:, one], dual[:, two]
    both = _turn_matrix(a, b) + _turn_matrix(b, a)
    return np.where(one == two, 0.5 * both, both)


def _apply_matrices(matrices: Floats, start: Floats, result: Floats, moves: bool) -> None:
    """Apply matrices from :func:`_turn_matrix` to points or, without moving, to directions."""
    total = matrices[:3]
    total *= start[0]
    for axis in (1, 2):
        column = matrices[3 * axis : 3 * axis + 3]
        column *= start[axis]
        total += column
    if moves:
        total += matrices[9:12]
    np.divide(total, matrices[12], out=result)


def _arrange(weights: Array) -> tuple[Ints, list[_Run]]:
    """Sort vertices into runs that share joints: windows in the chain, or odd sets."""
    busy = weights != 0
    joints = weights.shape[1]
    first = np.argmax(busy, axis=1)
    last = joints - 1 - np.argmax(busy[:, ::-1], axis=1)
    usual = int(np.median(np.count_nonzero(busy, axis=1))) if len(weights) else 1
    usual = min(max(usual, 4), joints)
    key = np.minimum(first, joints - usual)
    sets = [np.arange(j, min(j + usual, joints)) for j in range(joints)]
    wide = last - first >= usual
    if wide.any():
        odd, number = np.unique(busy[wide], axis=0, return_inverse=True)
        if len(odd) > _ODD_SETS:
            odd, number = np.ones((1, joints), dtype=bool), np.zeros(wide.sum(), dtype=int)
        key[wide] = joints + number.ravel()
        sets += [np.flatnonzero(row) for row in odd]
    order = np.argsort(key, kind="stable")
    ends = np.cumsum(np.bincount(key, minlength=len(sets)))
    starts = np.r_[0, ends[:-1]]
    runs = [
        _Run(int(start), int(end), members)
        for start, end, members in zip(starts, ends, sets, strict=True)
        if end > start
    ]
    return order, runs

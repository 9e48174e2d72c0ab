"""Skinning: linear and dual-quaternion blending of joint transforms over a mesh."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, DTypeLike

from ribbonsim.arrays import Array, Floats, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.rig.dual_quaternions import (
    align_tree,
    apply_matrices,
    pair_matrices,
    to_dual_quaternions,
    turn_matrix,
)
from ribbonsim.rig.kernels import kernel_for

# Vertices blended at once: so that a tile's rows stay in the second-level cache.
_TILE = 8192
# Numpy poses a smaller mesh in less than a millisecond; numba takes half a second to import.
WORTH_COMPILING = 20_000
# More odd sets of joints than this are posed in one run with all joints.
_ODD_SETS = 256


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
    compiled : bool, optional
        Pose by compiled kernels where there are any; by default on a mesh so large that
        loading them is worth it.

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
        compiled: bool | None = None,
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
        self._kernel_runs = (
            np.array([0, *(run.stop for run in self._runs)], dtype=np.int64),
            np.cumsum([0, *(len(run.joints) for run in self._runs)], dtype=np.int64),
            np.concatenate([np.zeros(0, np.int64), *(run.joints for run in self._runs)]),
        )
        self._prepared: dict[tuple[str, str], list[Floats]] = {}
        self._scratch: dict[tuple[str, str], Floats] = {}
        self._compiled = len(points) >= WORTH_COMPILING if compiled is None else compiled
        self._lock = threading.Lock()  # one scratch, and a drawing thread beside the others

    @property
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
            if self._by_kernel(self._rest, transforms, None, out):
                return out
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
            if self._by_kernel(self._rest, scales, self._dual(rigid), out):
                return out
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
        inner = scales if method == "dual_quaternion" else rigid @ scales
        cofactors = np.zeros((self.joints, 4, 4))
        cofactors[:, :3, :3] = np.linalg.inv(inner[:, :3, :3]).transpose(0, 2, 1)
        dual = None
        if method == "dual_quaternion":
            dual = self._dual(rigid)
            dual[:, 4:] = 0.0
        with self._lock:
            if self._by_kernel(self._normals, cofactors, dual, out, unit=True):
                return out
            return self._in_file_order(self._pose_normals(rigid, cofactors, method, kind), out)

    # -- inside ---------------------------------------------------------------------------

    def _dual(self, rigid: Array) -> Array:
        return align_tree(to_dual_quaternions(rigid), self._parents)

    def _by_kernel(
        self,
        rest: Array,
        matrices: Array | None,
        dual: Array | None,
        out: Floats,
        unit: bool = False,
    ) -> bool:
        """Fill `out` by a compiled kernel; False if there is none."""
        kernel = kernel_for(out.dtype) if self._compiled else None
        if kernel is None:
            return False
        kind = out.dtype
        whole = out if out.flags.c_contiguous else np.empty(out.shape, kind)
        name = "rest" if rest is self._rest else "rest normals"
        kernel(
            *self._kernel_runs,
            self._cached("flat", kind, lambda: [_flat(self._weights, kind)])[0],
            self._cached(name, kind, lambda: [rest.astype(kind)])[0],
            np.zeros((0, 3, 4), kind) if matrices is None else _rows(matrices[:, :3], kind),
            np.zeros((0, 8), kind) if dual is None else _rows(dual, kind),
            kind.type(2),
            unit,
            self._order,
            whole,
        )
        if whole is not out:
            out[:] = whole
        return True

    def _pose_normals(self, rigid: Array, cofactors: Array, method: str, kind: np.dtype) -> Floats:
        features = self._features("normals", kind)
        result = self._buffer("blend", (3, self.vertices), kind)
        for run, feature in zip(self._runs, features, strict=True):
            rows = cofactors[run.joints, :3, :3].transpose(1, 0, 2).reshape(3, -1)
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
        dual = np.ascontiguousarray(self._dual(rigid).T)
        matrices_of_pairs = pair_matrices(dual, *self._pairs).astype(kind)
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
                    matrices[:] = turn_matrix(blended, blended)
                apply_matrices(matrices, start[:, at:end], result[:, at:end], moves)

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


def _flat(tables: list[Array], kind: np.dtype) -> Floats:
    return np.concatenate([np.zeros(0), *(table.ravel() for table in tables)]).astype(kind)


def _rows(values: Array, kind: np.dtype) -> Floats:
    return np.ascontiguousarray(values, kind)


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

"""Skinning compiled for this machine by numba, where it is installed; numpy is the plain way.

Joints are the outer loop and the vertices of a tile the inner one, which the compiler turns
into vector instructions; a tile's sums stay in the first-level cache.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import DTypeLike

from ribbonsim import threads

_log = logging.getLogger(__name__)
_PRECISIONS = ("float32", "float64")
# No flag by which NaN, infinity or a division would come out otherwise.
_FAST = {"contract", "reassoc", "nsz"}

Kernel = Callable[..., None]


def start_compiling() -> None:
    """Begin to compile in a thread, so that the kernels are there when the first pose is."""
    _futures()


def kernel_for(kind: DTypeLike) -> Kernel | None:
    """:func:`blend` compiled for a precision, once it is; None where numba does not do it.

    It waits: which of two ways a pose takes, and so its last bits, must not hang on timing.
    """
    return _futures()[np.dtype(kind).name].result()


@cache
def _futures() -> dict[str, Future[Kernel | None]]:
    threads.prepare()
    pool = ThreadPoolExecutor(1, thread_name_prefix="kernels")
    futures = {kind: pool.submit(_compiled, kind) for kind in _PRECISIONS}
    pool.shutdown(wait=False)
    return futures


def _compiled(kind: str) -> Kernel | None:
    try:
        try:
            return _compile(kind, keep=True)
        except (RuntimeError, OSError) as error:  # no folder where it may be kept
            _log.debug("compiled kernels cannot be kept: %s", error)
            return _compile(kind, keep=False)
    except Exception as error:  # whatever is wrong with numba, numpy can do it
        _log.debug("skinning by numpy, as numba cannot be used: %r", error)
        return None


def _compile(kind: str, keep: bool) -> Kernel:
    import numba  # heavy, and an extra

    dispatcher: Any = numba.njit(nogil=True, cache=keep, fastmath=_FAST)(blend)
    real = getattr(numba, kind)
    floats, integers = [real[::1], real[:, ::1], real[:, :, ::1]], numba.int64[::1]
    dispatcher.compile(
        (
            *(integers, integers, integers, floats[0], floats[1]),
            *(floats[2], floats[1], real, numba.boolean, integers, floats[1]),
        )
    )
    dispatcher.disable_compile()
    kernel: Kernel = dispatcher
    return kernel


def blend(  # type: ignore[no-untyped-def]
    cuts, joint_cuts, joints, weights, rest, matrices, dual, two, unit, order, out
):
    """Blend matrices, then turn by blended dual quaternions; either may be empty.

    Parameters
    ----------
    cuts : (R + 1,) int array
        Where each run of vertices begins, in skinning order.
    joint_cuts : (R + 1,) int array
        Where each run's joints begin in `joints`.
    joints : (J,) int array
    weights : (W,) array
        Run after run; in a run a row of weights for each joint.
    rest : (3, V) array
        Points or directions in skinning order.
    matrices : (N, 3, 4) or (0, 3, 4) array
    dual : (N, 8) or (0, 8) array
        With zeros in the dual part, directions turn and do not move.
    two : float
        The number, in the precision of the rest: a literal would be float64.
    unit : bool
        Divide each result by its length.
    order : (V,) int array
        Row of `out` for each vertex.
    out : (V, 3) array
    """
    tile = 512
    sums = np.empty((3, tile), out.dtype)
    turns = np.empty((8, tile), out.dtype)
    done = 0
    for run in range(len(cuts) - 1):
        length = cuts[run + 1] - cuts[run]
        count = joint_cuts[run + 1] - joint_cuts[run]
        for begin in range(0, length, tile):
            n = min(tile, length - begin)
            at = cuts[run] + begin
            xs, ys, zs = rest[0, at : at + n], rest[1, at : at + n], rest[2, at : at + n]
            sx, sy, sz = sums[0, :n], sums[1, :n], sums[2, :n]
            if len(matrices):
                sums[:, :n] = 0
                for k in range(count):
                    m = matrices[joints[joint_cuts[run] + k]]
                    row = weights[done + k * length + begin : done + k * length + begin + n]
                    a, b, c, d = m[0, 0], m[0, 1], m[0, 2], m[0, 3]
                    e, f, g, h = m[1, 0], m[1, 1], m[1, 2], m[1, 3]
                    i, j, u, o = m[2, 0], m[2, 1], m[2, 2], m[2, 3]
                    for v in range(n):
                        w, x, y, z = row[v], xs[v], ys[v], zs[v]
                        sx[v] += w * (a * x + b * y + c * z + d)
                        sy[v] += w * (e * x + f * y + g * z + h)
                        sz[v] += w * (i * x + j * y + u * z + o)
            else:
                sx[:], sy[:], sz[:] = xs, ys, zs
            if len(dual):
                turns[:, :n] = 0
                for k in range(count):
                    q = dual[joints[joint_cuts[run] + k]]
                    row = weights[done + k * length + begin : done + k * length + begin + n]
                    for part in range(8):
                        value, column = q[part], turns[part, :n]
                        for v in range(n):
                            column[v] += row[v] * value
                for v in range(n):
                    w, x, y, z = turns[0, v], turns[1, v], turns[2, v], turns[3, v]
                    dw, dx, dy, dz = turns[4, v], turns[5, v], turns[6, v], turns[7, v]
                    px, py, pz = sx[v], sy[v], sz[v]
                    # what is turned by q and moved: p + 2 (q x (q x p + w p + d) + w d - dw q)
                    share = two / (w * w + x * x + y * y + z * z)
                    ux = y * pz - z * py + w * px + dx
                    uy = z * px - x * pz + w * py + dy
                    uz = x * py - y * px + w * pz + dz
                    sx[v] = px + share * (y * uz - z * uy + w * dx - dw * x)
                    sy[v] = py + share * (z * ux - x * uz + w * dy - dw * y)
                    sz[v] = pz + share * (x * uy - y * ux + w * dz - dw * z)
            if unit:
                for v in range(n):
                    size = np.sqrt(sx[v] * sx[v] + sy[v] * sy[v] + sz[v] * sz[v])
                    if size > 0:
                        sx[v] /= size
                        sy[v] /= size
                        sz[v] /= size
            for v in range(n):
                place = order[at + v]
                out[place, 0] = sx[v]
                out[place, 1] = sy[v]
                out[place, 2] = sz[v]
        done += count * length

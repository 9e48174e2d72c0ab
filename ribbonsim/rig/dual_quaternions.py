"""Dual quaternions of rigid motions: from and to matrices, signs that agree, blends."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.arrays import Array, Floats, Ints


def to_dual_quaternions(rigid: Array) -> Array:
    """Unit dual quaternions of rigid transforms.

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
    """Rigid transforms of dual quaternions that need not be of unit length."""
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


def turn_matrix(a: Floats, b: Floats) -> Floats:
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


def pair_matrices(dual: Array, one: Ints, two: Ints) -> Array:
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
    both = turn_matrix(a, b) + turn_matrix(b, a)
    return np.where(one == two, 0.5 * both, both)


def apply_matrices(matrices: Floats, start: Floats, result: Floats, moves: bool) -> None:
    """Apply matrices from :func:`turn_matrix` to points or, without moving, to directions."""
    total = matrices[:3]
    total *= start[0]
    for axis in (1, 2):
        column = matrices[3 * axis : 3 * axis + 3]
        column *= start[axis]
        total += column
    if moves:
        total += matrices[9:12]
    np.divide(total, matrices[12], out=result)

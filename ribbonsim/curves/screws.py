"""Screws, many at once: turns as pairs of complex numbers, the quickest form to multiply.

A unit quaternion ``w + x i + y j + z k`` is kept as ``a = w + x i`` and ``b = y + z i``, so
that it is ``a + b j``. A screw is a rotation vector (radians) with the translation part of the
twist after it, the first axis of an array: (6, m).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import cubic_share, log_factor, rigid_log

Complex = NDArray[np.complex128]

_SMALL = 1e-8


def screw_steps(screws: Array) -> tuple[Complex, Complex, Array]:
    """Turn and shift of each screw motion.

    References
    ----------
    R. Murray, Z. Li, S. Sastry, *A Mathematical Introduction to Robotic Manipulation*,
    CRC Press 1994, chapter 2.
    """
    x, y, z, p, q, r = screws
    square = x * x + y * y + z * z
    # below this the series' second term is under the last bit
    safe = np.maximum(square, _SMALL * _SMALL)
    angle = np.sqrt(safe)
    half = 0.5 * angle
    sine, cosine = np.sin(half), np.cos(half)
    share = sine / angle
    # (1 - cos t) / t^2 without loss
    once = 2.0 * share * share
    twice = cubic_share(angle)
    a = cosine + (share * x) * 1j
    b = share * y + (share * z) * 1j
    ux, uy, uz = y * r - z * q, z * p - x * r, x * q - y * p
    shifts = np.empty((3, *x.shape))
    shifts[0] = p + once * ux + twice * (y * uz - z * uy)
    shifts[1] = q + once * uy + twice * (z * ux - x * uz)
    shifts[2] = r + once * uz + twice * (x * uy - y * ux)
    return a, b, shifts


def products(a: Complex, b: Complex) -> tuple[Complex, Complex]:
    """Each turn after all those before it, the first one none: prefix products.

    References
    ----------
    W. D. Hillis, G. L. Steele, "Data parallel algorithms", Communications of the ACM 29(12),
    1986.
    """
    count = a.shape[-1] + 1
    left, right = np.empty((2, *a.shape[:-1], count), complex)
    left[..., 0], right[..., 0] = 1.0, 0.0
    left[..., 1:], right[..., 1:] = a, b
    reach = 1
    while reach < count:
        a0, b0 = left[..., :-reach], right[..., :-reach]
        a1, b1 = left[..., reach:], right[..., reach:]
        left[..., reach:], right[..., reach:] = a0 * a1 - b0 * b1.conj(), a0 * b1 + b0 * a1.conj()
        reach *= 2
    return left, right


def turn_matrices(a: Complex, b: Complex) -> Array:
    """Rotation matrices of turns."""
    w, x, y, z = a.real, a.imag, b.real, b.imag
    matrices = np.empty((*a.shape, 3, 3))
    xx, yy, zz, ww = x * x, y * y, z * z, w * w
    xy, xz, yz, wx, wy, wz = x * y, x * z, y * z, w * x, w * y, w * z
    matrices[..., 0, 0] = ww + xx - yy - zz
    matrices[..., 1, 1] = ww - xx + yy - zz
    matrices[..., 2, 2] = ww - xx - yy + zz
    matrices[..., 0, 1], matrices[..., 1, 0] = 2.0 * (xy - wz), 2.0 * (xy + wz)
    matrices[..., 0, 2], matrices[..., 2, 0] = 2.0 * (xz + wy), 2.0 * (xz - wy)
    matrices[..., 1, 2], matrices[..., 2, 1] = 2.0 * (yz - wx), 2.0 * (yz + wx)
    return matrices


def walk(screws: Array) -> tuple[Array, Array]:
    """Go along screw after screw, from no turn at the origin; (6, F, m) goes F ways at once."""
    a, b, shifts = screw_steps(screws)
    turns = turn_matrices(*products(a, b))
    points = np.zeros((*turns.shape[:-2], 3))
    steps = np.moveaxis(shifts, 0, -1)[..., None]
    moved = np.matmul(turns[..., :-1, :, :], steps)[..., 0]
    np.cumsum(moved, axis=-2, out=points[..., 1:, :])
    return turns, points


def rigid_log_near(transforms: Array, near: Array) -> Array:
    """Logarithm of rigid transforms, on the branch whose rotation is nearest to a wanted one."""
    screws = rigid_log(transforms)
    angle = np.linalg.norm(screws[:, :3], axis=1)
    turned = angle > 1e-12
    # where nothing is turned any axis will do: the wanted one's
    size = np.linalg.norm(near, axis=1)
    wanted_axis = near / np.maximum(size, 1e-300)[:, None]
    axis = np.where(
        turned[:, None], screws[:, :3] / np.maximum(angle, 1e-300)[:, None], wanted_axis
    )
    along = np.einsum("mi,mi->m", axis, near)
    # a tie between two branches goes to the smaller turn
    whole = np.round((along - angle) / (2.0 * np.pi) * (1.0 - 1e-9))
    full = angle + 2.0 * np.pi * whole
    changed = whole != 0
    if not changed.any():
        return screws
    omega = np.where(changed[:, None], full[:, None] * axis, screws[:, :3])
    moved = transforms[:, :3, 3]
    factor = log_factor(np.abs(full))
    once = np.cross(omega, moved)
    velocity = moved - 0.5 * once + factor[:, None] * np.cross(omega, once)
    return np.where(changed[:, None], np.concatenate([omega, velocity], axis=1), screws)

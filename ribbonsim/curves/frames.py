"""Moving frames and rigid transforms along a curve.

A frame is a 4x4 matrix whose columns are *along*, *across*, *normal* and *origin*: a
right-handed orthonormal triad riding at a point of a ribbon.
"""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.errors import RibbonsimError

ALONG, ACROSS, NORMAL = 0, 1, 2
# below this angle closed forms lose digits and short series lose none
_SERIES = 0.3


def cross(a: Array, b: Array) -> Array:
    """Cross products over the last axis; several times as quick as numpy's on small arrays."""
    x, y, z = a[..., 0], a[..., 1], a[..., 2]
    p, q, r = b[..., 0], b[..., 1], b[..., 2]
    return np.stack([y * r - z * q, z * p - x * r, x * q - y * p], axis=-1)


def cross_columns(a: Array, b: Array) -> Array:
    """Cross products over the last axis but one, as of columns of vectors."""
    x, y, z = a[..., 0, :], a[..., 1, :], a[..., 2, :]
    p, q, r = b[..., 0, :], b[..., 1, :], b[..., 2, :]
    return np.stack([y * r - z * q, z * p - x * r, x * q - y * p], axis=-2)


def make_frames(along: Array, across: Array, origin: Array) -> Array:
    """Build frames from a direction along, a rough direction across and an origin."""
    x = along / np.linalg.norm(along, axis=-1, keepdims=True)
    y = across - np.sum(across * x, axis=-1, keepdims=True) * x
    y = y / np.linalg.norm(y, axis=-1, keepdims=True)
    frames = np.zeros((*x.shape[:-1], 4, 4))
    frames[..., :3, ALONG] = x
    frames[..., :3, ACROSS] = y
    frames[..., :3, NORMAL] = cross(x, y)
    frames[..., :3, 3] = origin
    frames[..., 3, 3] = 1.0
    return frames


def invert_rigid(frames: Array) -> Array:
    """Invert rigid 4x4 transforms."""
    inverse = np.zeros_like(frames)
    rotation = np.swapaxes(frames[..., :3, :3], -1, -2)
    inverse[..., :3, :3] = rotation
    inverse[..., :3, 3] = -np.einsum("...ij,...j->...i", rotation, frames[..., :3, 3])
    inverse[..., 3, 3] = 1.0
    return inverse


def axis_rotation(axis: int, degrees: float | Array) -> Array:
    """Rotation about a coordinate axis by the right-hand rule."""
    angle = np.radians(np.asarray(degrees, dtype=float))
    c, s = np.cos(angle), np.sin(angle)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    matrix = np.zeros((*angle.shape, 4, 4))
    matrix[..., axis, axis] = matrix[..., 3, 3] = 1.0
    matrix[..., i, i] = matrix[..., j, j] = c
    matrix[..., i, j] = -s
    matrix[..., j, i] = s
    return matrix


def rotation_minimising_across(points: Array, tangents: Array, first: Array) -> Array:
    """Carry a direction along a curve without turning it about the tangent.

    The double reflection method: two reflections take one frame to the next, with a
    global error of fourth order in the step.

    References
    ----------
    W. Wang, B. Jüttler, D. Zheng, Y. Liu, "Computation of rotation minimizing frames",
    ACM Transactions on Graphics 27(1), article 2, 2008.
    """
    direction = first - (first @ tangents[0]) * tangents[0]
    steps = np.diff(points, axis=0)
    to_next = _mirrors(steps / np.linalg.norm(steps, axis=1, keepdims=True))
    mirrored = np.einsum("nij,nj->ni", to_next, tangents[:-1])
    turns = _mirrors(tangents[1:] - mirrored) @ to_next
    x, y, z = (direction / np.linalg.norm(direction)).tolist()
    carried = [(x, y, z)]
    # on plain numbers: arrays of three cost ten times as much a step
    for (a, b, c), (d, e, f), (g, h, i) in turns.tolist():
        x, y, z = a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z
        carried.append((x, y, z))
    across = np.array(carried)
    # the reflections keep the angle; this only removes what rounding adds
    across -= np.sum(across * tangents, axis=1, keepdims=True) * tangents
    return across / np.linalg.norm(across, axis=1, keepdims=True)


def _mirrors(normals: Array) -> Array:
    """Reflections (n, 3, 3) across planes by their normals (n, 3); none where a normal is zero."""
    squares = np.sum(normals**2, axis=1)
    scale = np.where(squares > 1e-30, 2.0, 0.0) / np.maximum(squares, 1e-30)
    return np.eye(3) - scale[:, None, None] * normals[:, :, None] * normals[:, None, :]


def flattest_across(points: Array, tangents: Array, up: Array) -> Array:
    """Rotation-minimising directions across, turned as a whole to lie as level as they can.

    With ``a`` and ``b`` two carried directions, ``cos(x) a + sin(x) b`` is most level for the
    ``x`` that minimises its mean squared height: the small eigenvector of a 2x2 matrix.
    """
    size = np.linalg.norm(up)
    if not np.isfinite(up).all() or size == 0:
        raise RibbonsimError("the up direction is not a direction: give three numbers, not all 0")
    up = up / size
    helper = np.eye(3)[np.argmin(np.abs(tangents[0]))]
    a = rotation_minimising_across(points, tangents, np.cross(tangents[0], helper))
    b = np.cross(tangents, a)
    heights = np.stack([a @ up, b @ up], axis=1)
    values, vectors = np.linalg.eigh(heights.T @ heights / len(heights))
    if values[1] - values[0] > 1e-6:
        x, y = vectors[:, 0]
    else:  # a vertical body: every direction across is level, so face the first axis
        axis = np.array([1.0, 0.0, 0.0]) if abs(up[0]) < 0.9 else np.array([0.0, 0.0, 1.0])
        x, y = a[0] @ axis, b[0] @ axis
        size = np.hypot(x, y)
        x, y = x / size, y / size
        return x * a + y * b
    across = x * a + y * b
    return across if np.mean(np.cross(tangents, across) @ up) >= 0 else -across


def rigid_log(transforms: Array) -> Array:
    """Logarithm of rigid transforms whose rotation is below a half turn.

    References
    ----------
    R. Murray, Z. Li, S. Sastry, *A Mathematical Introduction to Robotic Manipulation*,
    CRC Press 1994, appendix A.
    """
    omega = rotation_vectors(transforms[..., :3, :3])
    factor = log_factor(np.linalg.norm(omega, axis=-1))
    moved = transforms[..., :3, 3]
    once = cross(omega, moved)
    velocity = moved - 0.5 * once + factor[..., None] * cross(omega, once)
    return np.concatenate([omega, velocity], axis=-1)


def rigid_exp(twists: Array) -> Array:
    """Exponential of twists: the inverse of :func:`rigid_log`.

    The rotation is Rodrigues' formula, ``1 + sin(t) / t W + (1 - cos t) / t^2 W^2``.
    """
    omega, velocity = twists[..., :3], twists[..., 3:]
    square = np.sum(omega * omega, axis=-1)[..., None]
    theta = np.sqrt(square)
    first = 0.5 * np.sinc(theta / (2.0 * np.pi)) ** 2
    second = cubic_share(theta)
    once = cross(omega, velocity)
    result = np.zeros((*twists.shape[:-1], 4, 4))
    rotation = result[..., :3, :3]
    rotation += first[..., None] * omega[..., :, None] * omega[..., None, :]
    turned = np.sinc(theta / np.pi) * omega
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        rotation[..., i, i] += 1.0 - first[..., 0] * square[..., 0]
        rotation[..., j, i] += turned[..., k]
        rotation[..., i, j] -= turned[..., k]
    result[..., :3, 3] = velocity + first * once + second * cross(omega, once)
    result[..., 3, 3] = 1.0
    return result


def rotation_vectors(rotations: Array) -> Array:
    """(..., 3) rotation vectors of matrices, radians.

    Up to a third of a turn from the antisymmetric part, which is ``sin(t)`` times the axis;
    beyond, where that loses digits, by quaternions.
    """
    axis = 0.5 * np.stack(
        [rotations[..., k, j] - rotations[..., j, k] for j, k in ((1, 2), (2, 0), (0, 1))], axis=-1
    )
    cosine = 0.5 * (rotations[..., 0, 0] + rotations[..., 1, 1] + rotations[..., 2, 2] - 1.0)
    if cosine.min(initial=1.0) > -0.5:
        sine = np.sqrt(np.sum(axis * axis, axis=-1))
        share = np.arctan2(sine, cosine) / np.maximum(sine, 1e-300)
        return np.where(sine > 0.0, share, 1.0)[..., None] * axis
    from scipy.spatial.transform import Rotation

    flat = Rotation.from_matrix(rotations.reshape(-1, 3, 3)).as_rotvec()
    return flat.reshape((*rotations.shape[:-2], 3))


def cubic_share(theta: Array) -> Array:
    """``(t - sin t) / t^3`` of angles of 0 or more, to the last digits also where t is small."""
    square = theta * theta
    inner = 1.0 / 362880.0 - square * (1.0 / 39916800.0 - square / 6227020800.0)
    series = 1.0 / 6.0 - square * (1.0 / 120.0 - square * (1.0 / 5040.0 - square * inner))
    if theta.max(initial=0.0) < _SERIES:
        return series
    safe = np.maximum(theta, _SERIES)
    return np.where(theta < _SERIES, series, (safe - np.sin(safe)) / safe**3)


def log_factor(theta: Array) -> Array:
    """``(1 - t / 2 cot(t / 2)) / t^2`` of angles from 0 up, none of them a whole turn but 0."""
    square = theta * theta
    inner = 1.0 / 1209600.0 + square * (1.0 / 47900160.0 + square * 691.0 / 1307674368000.0)
    series = 1.0 / 12.0 + square * (1.0 / 720.0 + square * (1.0 / 30240.0 + square * inner))
    safe = np.maximum(theta, _SERIES)
    sine = np.sin(0.5 * safe)
    sine = np.where(np.abs(sine) < 1e-9, 1e-9, sine)
    closed = (1.0 - 0.5 * safe * np.cos(0.5 * safe) / sine) / safe**2
    return np.where(theta < _SERIES, series, closed)

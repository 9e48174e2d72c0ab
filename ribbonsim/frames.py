"""Moving frames and rigid transforms along a curve.

A frame is a 4x4 matrix whose columns are *along*, *across*, *normal* and *origin*: a
right-handed orthonormal triad riding at a point of a ribbon.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ALONG, ACROSS, NORMAL = 0, 1, 2


def make_frames(along: Array, across: Array, origin: Array) -> Array:
    """Build frames from a direction along, a rough direction across and an origin.

    Parameters
    ----------
    along, across : (..., 3) arrays
        Directions; they need not be of unit length nor orthogonal. ``across`` is made
        orthogonal to ``along``.
    origin : (..., 3) array
        Scene units.

    Returns
    -------
    (..., 4, 4) array
        Columns along, across, normal, origin.
    """
    x = along / np.linalg.norm(along, axis=-1, keepdims=True)
    y = across - np.sum(across * x, axis=-1, keepdims=True) * x
    y = y / np.linalg.norm(y, axis=-1, keepdims=True)
    frames = np.zeros((*x.shape[:-1], 4, 4))
    frames[..., :3, ALONG] = x
    frames[..., :3, ACROSS] = y
    frames[..., :3, NORMAL] = np.cross(x, y)
    frames[..., :3, 3] = origin
    frames[..., 3, 3] = 1.0
    return frames


def invert_rigid(frames: Array) -> Array:
    """Invert rigid 4x4 transforms.

    Parameters
    ----------
    frames : (..., 4, 4) array
        Rotations with a translation.

    Returns
    -------
    (..., 4, 4) array
    """
    inverse = np.zeros_like(frames)
    rotation = np.swapaxes(frames[..., :3, :3], -1, -2)
    inverse[..., :3, :3] = rotation
    inverse[..., :3, 3] = -np.einsum("...ij,...j->...i", rotation, frames[..., :3, 3])
    inverse[..., 3, 3] = 1.0
    return inverse


def axis_rotation(axis: int, degrees: float | Array) -> Array:
    """Rotation about a coordinate axis by the right-hand rule.

    Parameters
    ----------
    axis : {0, 1, 2}
        In a control's own frame: along, across, normal.
    degrees : float or (...) array

    Returns
    -------
    (..., 4, 4) array
    """
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

    Parameters
    ----------
    points : (n, 3) array
        Points of the curve, in order, no two neighbours equal.
    tangents : (n, 3) array
        Unit tangents at the points.
    first : (3,) array
        The direction at the first point; made orthogonal to its tangent.

    Returns
    -------
    (n, 3) array
        Unit directions, each orthogonal to its tangent.

    References
    ----------
    W. Wang, B. Jüttler, D. Zheng, Y. Liu, "Computation of rotation minimizing frames",
    ACM Transactions on Graphics 27(1), article 2, 2008.
    """
    across = np.empty_like(points)
    direction = first - (first @ tangents[0]) * tangents[0]
    across[0] = direction / np.linalg.norm(direction)
    steps = np.diff(points, axis=0)
    for i, step in enumerate(steps):
        square = step @ step
        reflected = across[i] - (2.0 / square) * (step @ across[i]) * step
        tangent = tangents[i] - (2.0 / square) * (step @ tangents[i]) * step
        between = tangents[i + 1] - tangent
        square = between @ between
        if square > 1e-30:
            reflected = reflected - (2.0 / square) * (between @ reflected) * between
        # the reflections keep the angle; this only removes what rounding adds
        reflected = reflected - (reflected @ tangents[i + 1]) * tangents[i + 1]
        across[i + 1] = reflected / np.linalg.norm(reflected)
    return across


def rigid_log(transforms: Array) -> Array:
    """Logarithm of rigid transforms whose rotation is below a half turn.

    Parameters
    ----------
    transforms : (..., 4, 4) array

    Returns
    -------
    (..., 6) array
        Rotation vector (radians), then the translation part of the twist.

    References
    ----------
    R. Murray, Z. Li, S. Sastry, *A Mathematical Introduction to Robotic Manipulation*,
    CRC Press 1994, appendix A.
    """
    from scipy.spatial.transform import Rotation

    rotation = transforms[..., :3, :3].reshape(-1, 3, 3)
    omega = Rotation.from_matrix(rotation).as_rotvec().reshape((*transforms.shape[:-2], 3))
    theta = np.linalg.norm(omega, axis=-1)
    small = theta < 1e-4
    safe = np.where(small, 1.0, theta)
    factor = np.where(
        small,
        1.0 / 12.0 + theta**2 / 720.0,
        (1.0 - safe * np.sin(safe) / (2.0 * (1.0 - np.cos(safe)))) / safe**2,
    )
    moved = transforms[..., :3, 3]
    once = np.cross(omega, moved)
    velocity = moved - 0.5 * once + factor[..., None] * np.cross(omega, once)
    return np.concatenate([omega, velocity], axis=-1)


def rigid_exp(twists: Array) -> Array:
    """Exponential of twists: the inverse of :func:`rigid_log`.

    Parameters
    ----------
    twists : (..., 6) array
        Rotation vector (radians), then the translation part.

    Returns
    -------
    (..., 4, 4) array
    """
    from scipy.spatial.transform import Rotation

    omega, velocity = twists[..., :3], twists[..., 3:]
    theta = np.linalg.norm(omega, axis=-1)[..., None]
    small = theta < 1e-4
    safe = np.where(small, 1.0, theta)
    first = np.where(small, 0.5 - theta**2 / 24.0, (1.0 - np.cos(safe)) / safe**2)
    second = np.where(small, 1.0 / 6.0 - theta**2 / 120.0, (safe - np.sin(safe)) / safe**3)
    once = np.cross(omega, velocity)
    result = np.zeros((*twists.shape[:-1], 4, 4))
    rotation = Rotation.from_rotvec(omega.reshape(-1, 3)).as_matrix()
    result[..., :3, :3] = rotation.reshape((*twists.shape[:-1], 3, 3))
    result[..., :3, 3] = velocity + first * once + second * np.cross(omega, once)
    result[..., 3, 3] = 1.0
    return result

"""Poses as bytes: ten numbers for each joint, then the control points of all ribbons."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ribbonsim.arrays import Array, Singles
from ribbonsim.inpage.blocks import Steps16, pack_blocks
from ribbonsim.inpage.creature_bytes import to_stage
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.dual_quaternions import to_dual_quaternions
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import DEFAULT_FPS, Take

JOINT_NUMBERS = 10


def pose_numbers(rig: Rig, pose: Pose) -> Singles:
    """One pose of a rig, in stage units.

    Parameters
    ----------
    rig : Rig
    pose : Pose

    Returns
    -------
    (10 N + 6 n,) array of float32
        For each joint its dual quaternion from rest to pose, stretch and girth; then the
        (n, 2, 3) control points of all ribbons.
    """
    posed, mesh = rig.posed(pose), rig.mesh
    joints = posed.joints
    rigid = joints.rigid.copy()
    moved = rigid[:, :3, :3] @ mesh.centre + rigid[:, :3, 3] - mesh.centre
    rigid[:, :3, 3] = moved / mesh.diagonal
    table = np.column_stack([to_dual_quaternions(rigid), joints.stretch, joints.girth])
    points = [to_stage(mesh, one.control_points) for one in posed.ribbons.values()]
    return np.concatenate([table.ravel(), *(each.ravel() for each in points)]).astype(np.float32)


def pack_steps(
    rig: Rig, pose_at: Callable[[float], Pose], amounts: Sequence[float], small: bool = False
) -> bytes:
    """Pack a pose at even steps of its amount, for a browser to go between.

    Parameters
    ----------
    rig : Rig
    pose_at : callable
        The pose at an amount.
    amounts : sequence of float
        Even steps, at least two.
    small : bool
        In 16 bits, for a page; float32 otherwise.

    Returns
    -------
    bytes
    """
    table = np.stack([pose_numbers(rig, pose_at(amount)) for amount in amounts])
    joints = JOINT_NUMBERS * len(rig.joint_rest)
    turns = _continued(table[:, :joints].reshape(len(table), -1, JOINT_NUMBERS))
    arrays: dict[str, Array | Singles | Steps16]
    if small:
        arrays = {
            "turns": Steps16(turns[:, :, :4].reshape(len(table), -1), 16, -1.0, 1.0),
            "moves": Steps16(turns[:, :, 4:8].reshape(len(table), -1)),
            "sizes": Steps16(turns[:, :, 8:].reshape(len(table), -1)),
            # of the ribbon alone, to a tenth of a pixel
            "points": Steps16(table[:, joints:], 12),
        }
    else:
        arrays = {
            "turns": turns[:, :, :4],
            "moves": turns[:, :, 4:8],
            "sizes": turns[:, :, 8:],
            "points": table[:, joints:],
        }
    facts = {"low": float(amounts[0]), "high": float(amounts[-1]), "count": len(amounts)}
    return pack_blocks(arrays, facts)


def pack_loop(take: Take, fps: float = DEFAULT_FPS, small: bool = False) -> bytes:
    """A loop's poses as bytes for a browser to go between, at even shares of the loop.

    The last pose stands once more before the first, and the first two behind the last: a cubic
    through four neighbours is then smooth where the loop closes.

    Parameters
    ----------
    take : Take
    fps : float
        Frames a second.
    small : bool
        In 16 bits, for a page; float32 otherwise.

    Returns
    -------
    bytes
        As of :func:`pack_steps`; an amount is a share of the loop.
    """
    instants = take.frames(fps)
    count = len(instants)

    def pose_at(share: float) -> Pose:
        return instants[round(share * count) % count].pose

    return pack_steps(take.rig, pose_at, [k / count for k in range(-1, count + 2)], small)


def _continued(joints: Singles) -> Singles:
    """Each dual quaternion with the sign that continues the step before; blends choose theirs."""
    table = joints.copy()
    agree = np.sum(table[1:, :, :4] * table[:-1, :, :4], axis=-1)
    table[1:, :, :8] *= np.cumprod(np.where(agree < 0.0, -1.0, 1.0), axis=0)[:, :, None]
    return table

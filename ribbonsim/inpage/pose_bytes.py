"""Poses as bytes: ten numbers for each joint, then the control points of all ribbons."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ribbonsim.arrays import Array, Singles
from ribbonsim.inpage.blocks import Steps16, pack_blocks
from ribbonsim.inpage.creature_bytes import four_points, to_stage
from ribbonsim.layout.pose import Pose
from ribbonsim.motion.ground import Pressed
from ribbonsim.rig.dual_quaternions import to_dual_quaternions
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import DEFAULT_FPS, Take

JOINT_NUMBERS = 10
# in a page the ribbon and what the ground does are kept to a tenth of a pixel
_BITS = {"points": 12, "pressed": 12}


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
    return _packed(rig, table, amounts, small)


def _packed(
    rig: Rig, table: Singles, amounts: Sequence[float], small: bool, pressed: Singles | None = None
) -> bytes:
    joints = JOINT_NUMBERS * len(rig.joint_rest)
    turns = _continued(table[:, :joints].reshape(len(table), -1, JOINT_NUMBERS))
    parts = {
        "turns": turns[:, :, :4],
        "moves": turns[:, :, 4:8],
        "sizes": turns[:, :, 8:],
        "points": table[:, joints:],
    }
    if pressed is not None:
        parts["pressed"] = pressed
    arrays: dict[str, Array | Singles | Steps16] = dict(parts)
    if small:
        flat = {name: part.reshape(len(table), -1) for name, part in parts.items()}
        arrays = {name: Steps16(part, _BITS.get(name, 16)) for name, part in flat.items()}
        arrays["turns"] = Steps16(flat["turns"], 16, -1.0, 1.0)
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
    around = [k % count for k in range(-1, count + 2)]
    table = np.stack([pose_numbers(take.rig, one.pose) for one in instants])[around]
    told = [one.pressed for one in instants]
    pressed = [_pressed_numbers(take.rig, each) for each in told if each is not None]
    ground = np.stack(pressed)[around] if pressed else None
    return _packed(take.rig, table, [k / count for k in range(-1, count + 2)], small, ground)


def _pressed_numbers(rig: Rig, pressed: Pressed) -> Singles:
    """(S + (3 + P) L,) what each section lost; for each limb carried and raised, stage units."""
    limbs = np.column_stack([pressed.carried, pressed.raised]) / rig.mesh.diagonal
    return np.concatenate([pressed.lost, limbs.ravel()]).astype(np.float32)


def pack_seats(rig: Rig, small: bool = False) -> bytes:
    """Pack where each vertex belongs on the ground: its section, its limb, how far out on it.

    With it go the sections' centres, as four control points of the body's ribbon and weights.
    """
    seats = rig.stage.ground.seats
    sections = seats.sections.astype(np.float32)
    starts, weights = four_points(rig.layout.ribbon.basis(rig.stage.sections))
    return pack_blocks(
        {
            "starts": starts.astype(np.uint16),
            "weights": weights.astype(np.float32),
            "sections": Steps16(sections, 13) if small else sections,
            "limbs": seats.limbs.astype(np.uint8),
            "away": Steps16(seats.away, 8) if small else seats.away.astype(np.float32),
        },
        {"limbs": int(seats.limbs.max(initial=0))},
    )


def _continued(joints: Singles) -> Singles:
    """Each dual quaternion with the sign that continues the step before; blends choose theirs."""
    table = joints.copy()
    agree = np.sum(table[1:, :, :4] * table[:-1, :, :4], axis=-1)
    table[1:, :, :8] *= np.cumprod(np.where(agree < 0.0, -1.0, 1.0), axis=0)[:, :, None]
    return table

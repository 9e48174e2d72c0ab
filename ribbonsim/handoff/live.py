"""The live rig: what controls, joints and tables built in another package do with a pose.

Under ``skinned`` the ribbon's control points are blended linearly between the control joints by
a weight table, which is what the rig itself does. Under ``shares`` the ribbon joints form a
chain from the station of the control that carries the others, outwards both ways. From one
station to the next the chain turns twice by half of what the shares give: once before the
offset that the joint has at rest, and once after it.

References
----------
G. Strang, *On the construction and comparison of difference schemes*, SIAM Journal on Numerical
Analysis 5, 1968: halves before and after make a step exact to second order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import ALONG, axis_rotation, invert_rigid
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.layout.rates import own_motion, slider_table
from ribbonsim.rig.chain import Chain
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.rig import Rig

Turning = Literal["vectors", "mirrored", "angles"]


def live_joints(rig: Rig, pose: Pose, turning: Turning = "vectors") -> JointPose:
    """Joints of the live rig in a pose.

    ``turning`` says how a chain joint turns: by rotation vectors, or by two angles, bend and
    then sway, whose order is mirrored in the half turn after the offset or the same in both.
    Ribbons whose controls stand in no chain are skinned.
    """
    if rig.layout.drive == "skinned":
        return rig.joint_pose(pose)
    posed = rig.posed(pose)
    chains, home = posed.chains, rig.under("skinned").posed(pose).driven
    frames, stretch, girth = home.frames.copy(), home.stretch.copy(), home.girth.copy()
    for number, (own, controls) in enumerate(
        zip(chains.joint_slices, chains.control_slices, strict=True)
    ):
        chain = chains.chain(number)
        if chain.root is not None:
            values = posed.values[controls]
            frames[own], stretch[own], girth[own] = _chain(chain, chain.root, values, turning)
    moved = replace(home, frames=frames, stretch=stretch, girth=girth)
    joints, _ = chains.carry(chains.joints(moved, pose.keep_volume))
    return joints.with_tied(posed.tied) if len(posed.tied) else joints


def live_deform(rig: Rig, pose: Pose, turning: Turning = "vectors") -> Array:
    """(V, 3) the mesh posed by the live rig, blended linearly."""
    return np.asarray(rig.skin_joints(live_joints(rig, pose, turning), "linear"))


def live_parents(rig: Rig) -> tuple[int | None, ...]:
    """For each joint of the live rig the index of its parent; None where it has none."""
    parents = list(rig.joint_parents)
    if rig.layout.drive == "skinned":
        return tuple(parents)
    for name, own in rig.joints_of.items():
        chain = rig.part(name).chain
        if chain.root is None:
            continue
        first = own.start + chain.layout.controls[chain.root].station - 1
        parents[first] = rig.joint_parents[own.start]
        parents[own.start : first] = range(own.start + 1, first + 1)
    return tuple(parents)


def pieces_of(chain: Chain, root: int) -> tuple[Array, Array]:
    """For each piece between controls the control whose sliders turn it, and with what sign."""
    piece = np.arange(len(chain.control_rest) - 1)
    outer = piece >= root
    return np.where(outer, piece + 1, piece), np.where(outer, 1.0, -1.0)


def stretch_table(chain: Chain) -> Array:
    """(N, K) weights of the controls' stretch at the stations; rows sum to one."""
    return chain.path.stretching[chain.path.stations]


def _chain(
    chain: Chain, root: int, values: Sequence[ControlPose], turning: Turning
) -> tuple[Array, Array, Array]:
    """Frames, stretch and girth of one ribbon's joints, as if its carrier were at rest."""
    table, rest, shares = slider_table(values), chain.joint_rest, chain.share_table
    driver, sign = pieces_of(chain, root)
    told = sign[:, None] * table[driver]
    steps = np.diff(shares, axis=0)
    turns = np.zeros((len(steps), 3))
    turns[:, 1:] = np.radians(steps @ told[:, :2])
    shifts = steps @ told[:, 3:6]
    stretch = 1.0 + stretch_table(chain) @ (table[:, 6] - 1.0)
    offsets = invert_rigid(rest[:-1]) @ rest[1:]
    offsets[:, :3, 3] *= 0.5 * (stretch[1:] + stretch[:-1])[:, None]
    offsets[:, :3, 3] += shifts
    half = _HALVES[turning]
    before, after = half(turns, False), half(turns, True)
    local = before @ offsets @ after
    first = chain.layout.controls[root].station - 1
    frames = np.empty_like(rest)
    frames[first] = rest[first] @ own_motion(table[root])
    for j in range(first + 1, len(rest)):
        frames[j] = frames[j - 1] @ local[j - 1]
    for j in range(first - 1, -1, -1):
        frames[j] = frames[j + 1] @ invert_rigid(local[j][None])[0]
    rolls = (shares - shares[first]) @ told[:, 2]
    girth = table[0, 7] + shares @ np.diff(table[:, 7])
    return frames @ axis_rotation(ALONG, rolls), stretch, girth


def _by_vector(turns: Array, second: bool) -> Array:
    return _framed(Rotation.from_rotvec(0.5 * turns))


def _by_mirrored_angles(turns: Array, second: bool) -> Array:
    if second:
        return _framed(Rotation.from_euler("YZ", 0.5 * turns[:, [1, 2]]))
    return _by_angles(turns, second)


def _by_angles(turns: Array, second: bool) -> Array:
    return _framed(Rotation.from_euler("ZY", 0.5 * turns[:, [2, 1]]))


_HALVES: dict[Turning, Callable[[Array, bool], Array]] = {
    "vectors": _by_vector,
    "mirrored": _by_mirrored_angles,
    "angles": _by_angles,
}


def _framed(turns: Rotation) -> Array:
    frames = np.tile(np.eye(4), (len(turns), 1, 1))
    frames[:, :3, :3] = turns.as_matrix()
    return frames

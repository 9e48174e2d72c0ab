"""What poses become where a package or a format cannot tell all of them, measured."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ribbonsim.chains import JointPose
from ribbonsim.handoff.baking import measure_difference
from ribbonsim.handoff.plain import plain_joints
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig

Array = NDArray[np.float64]
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Way:
    """A way of posing that is not the rig's own.

    Parameters
    ----------
    title : str
    meaning : str
        What it is; goes on after the title and a colon.
    """

    title: str
    meaning: str


WAYS = {
    "key": Way(
        "glTF and USD",
        "their joints at the pose's key. They are baked so that linear blending, stretch and "
        "volume keeping come out as here; USD rounds scales to half precision besides, which is "
        "at most some 0.005 % of the body.",
    ),
    "between": Way(
        "between keys",
        "the same half way between two keys, where a program goes straight from one to the next.",
    ),
    "rigid": Way(
        "no joint scale",
        "the same joints where a package lets them neither stretch nor thin.",
    ),
    "volume": Way(
        "volume not kept",
        "joints stretch along and are not thinned or thickened for it.",
    ),
    "dual_quaternion": Way(
        "dual quaternions",
        "the skin blended by dual quaternions in place of linearly.",
    ),
    "by_hand": Way(
        "by hand",
        "the rig that this sheet describes. Its ribbon is blended linearly between the controls: "
        "that pulls it inwards where it turns, and carries no twist as an angle.",
    ),
}


@dataclass(frozen=True)
class Discrepancy:
    """How far other ways are from linear blending by the rig, in one pose.

    Parameters
    ----------
    pose : str
    largest : dict of str to float
        By way: the largest distance of a vertex, over the mesh's diagonal.
    mean : dict of str to float
        Root mean square over all vertices; not for ``between``.
    joint : dict of str to str
        The joint that holds most of the vertex that is farthest off; not for ``between``.
    """

    pose: str
    largest: dict[str, float]
    mean: dict[str, float]
    joint: dict[str, str]


def measure_discrepancies(
    rig: Rig, poses: Mapping[str, Pose], tell: Progress | None = None
) -> tuple[Discrepancy, ...]:
    """Measure what other ways make of poses.

    Parameters
    ----------
    rig : Rig
    poses : mapping of str to Pose
    tell : callable, optional
        Called as ``tell(stage, done, total)``.

    Returns
    -------
    tuple of Discrepancy
    """
    found = []
    for done, (name, pose) in enumerate(poses.items()):
        if tell is not None:
            tell("measure", done, len(poses))
        found.append(_measure(rig, name, pose))
    if tell is not None:
        tell("measure", len(poses), len(poses))
    return tuple(found)


def _measure(rig: Rig, name: str, pose: Pose) -> Discrepancy:
    joints = rig.joint_pose(pose)
    # single precision: a ten-millionth of the body is more than anybody reads
    truth = rig.skin_joints(joints, "linear", dtype=np.float32)
    whole = np.broadcast_to(np.eye(4), joints.scales.shape)
    ones = np.ones_like(joints.stretch)
    swollen = rig.joint_pose(Pose(pose.controls, keep_volume=0.0))
    ways: dict[str, tuple[JointPose, Method]] = {
        "rigid": (JointPose(joints.rigid, whole, ones, ones), "linear"),
        "volume": (swollen, "linear"),
        "dual_quaternion": (joints, "dual_quaternion"),
        "by_hand": (plain_joints(rig, pose), "linear"),
    }
    baked = measure_difference(rig, name, pose)
    strongest = np.argmax(rig.mesh_weights, axis=1)
    largest = {"key": baked.told, "between": baked.between}
    mean = {"key": baked.root_mean_square}
    joint = {"key": rig.joint_names[int(strongest[baked.vertex])]}
    for way, (held, method) in ways.items():
        apart = rig.skin_joints(held, method, dtype=np.float32) - truth
        squares = np.einsum("vi,vi->v", apart, apart)
        worst = int(np.argmax(squares))
        largest[way] = float(np.sqrt(squares[worst])) / rig.mesh.diagonal
        mean[way] = float(np.sqrt(np.mean(squares, dtype=float))) / rig.mesh.diagonal
        joint[way] = rig.joint_names[int(strongest[worst])]
    return Discrepancy(name, largest, mean, joint)

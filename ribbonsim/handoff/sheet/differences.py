"""What poses become where a package or a format cannot tell all of them, measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Progress
from ribbonsim.handoff.baking import Baked, Skeleton, bake, chain_order
from ribbonsim.handoff.clips import Clip
from ribbonsim.handoff.live import live_joints
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.rig import Method, Rig


@dataclass(frozen=True)
class Way:
    """A way of posing that is not the rig's own.

    Parameters
    ----------
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
        "the live rig that this sheet describes. Skinned to its controls it is the same; a chain "
        "of joints goes straight from station to station where the body is an arc.",
    ),
    "mirrored": Way(
        "two angles, mirrored",
        "the same chain where a joint turns by two angles, bend before sway in the half turn "
        "before the offset and sway before bend in the one after it.",
    ),
    "angles": Way(
        "two angles",
        "the same with bend before sway in both half turns.",
    ),
}


@dataclass(frozen=True)
class Discrepancy:
    """How far other ways are from linear blending by the rig, in one pose.

    Parameters
    ----------
    largest : dict of str to float
        By way: the largest distance of a vertex, over the mesh's diagonal.
        Without ``mirrored`` and ``angles`` where no chain of joints turns.
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
    rig: Rig, poses: Mapping[str, Pose], progress: Progress | None = None
) -> tuple[Discrepancy, ...]:
    """Measure what other ways make of poses."""
    found = []
    for done, (name, pose) in enumerate(poses.items()):
        if progress is not None:
            progress("measure", done, len(poses))
        found.append(_measure(rig, name, pose))
    if progress is not None:
        progress("measure", len(poses), len(poses))
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
        "by_hand": (live_joints(rig, pose), "linear"),
    }
    if rig.layout.drive == "shares":
        ways["mirrored"] = live_joints(rig, pose, "mirrored"), "linear"
        ways["angles"] = live_joints(rig, pose, "angles"), "linear"
    keys = key_difference(rig, pose)
    strongest = np.argmax(rig.mesh_weights, axis=1)
    largest = {"key": keys.largest, "between": keys.between}
    mean = {"key": keys.mean}
    joint = {"key": rig.joint_names[int(strongest[keys.vertex])]}
    for way, (held, method) in ways.items():
        apart = rig.skin_joints(held, method, dtype=np.float32) - truth
        squares = np.einsum("vi,vi->v", apart, apart)
        worst = int(np.argmax(squares))
        largest[way] = float(np.sqrt(squares[worst])) / rig.mesh.diagonal
        mean[way] = float(np.sqrt(np.mean(squares, dtype=float))) / rig.mesh.diagonal
        joint[way] = rig.joint_names[int(strongest[worst])]
    return Discrepancy(name, largest, mean, joint)


# -- keys ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class KeyDifference:
    """How far linear blending by a pose's keys is from this rig's own skin.

    Distances are shares of the body's size, the diagonal of its bounding box.

    Parameters
    ----------
    largest, mean : float
        At the pose's key: of the farthest vertex, and root mean square over all.
    vertex : int
        The farthest, from 0.
    between : float
        Of the farthest vertex half way between two keys on the way from rest, at the worst.
    """

    largest: float
    mean: float
    vertex: int
    between: float


def key_difference(rig: Rig, pose: Pose, method: Method = "linear") -> KeyDifference:
    """Measure what keys that are baked for a way of blending cannot tell of a pose."""
    skeleton, size = Skeleton.of(rig), rig.mesh.diagonal
    keys = bake(rig, skeleton, [pose], method)
    skin = rig.skinner.linear(keys.transforms[0])
    far = np.linalg.norm(skin - rig.deform(pose, method), axis=1) / size
    return KeyDifference(
        largest=float(far.max()),
        mean=float(np.sqrt(np.mean(far**2))),
        vertex=int(far.argmax()),
        between=_between(rig, skeleton, pose, method),
    )


def _between(rig: Rig, skeleton: Skeleton, pose: Pose, method: Method) -> float:
    """Worst distance half way between keys, at most eight places looked at."""
    clip = Clip.there_and_back("", pose)
    steps = (len(clip.times) - 1) // 2
    worst = 0.0
    for k in np.unique(np.linspace(0, steps - 1, min(steps, 8)).round().astype(int)).tolist():
        keys = bake(rig, skeleton, [clip.poses[k], clip.poses[k + 1]], method)
        middle = rig.skinner.linear(halfway(keys).transforms[0])
        meant = rig.deform(pose.scaled((k + 0.5) / steps), method)
        worst = max(worst, float(np.linalg.norm(middle - meant, axis=1).max()) / rig.mesh.diagonal)
    return worst


def halfway(keys: Baked) -> Baked:
    """What a program shows half way between two keys, by the rules of glTF 2.0.

    Translations and scales in the middle, rotations half way along the shorter arc.
    """
    skeleton = keys.skeleton
    local = np.zeros((len(skeleton.names), 4, 4))
    local[:, 3, 3] = 1.0
    # half way along the arc is the sum of the two, made of unit length again
    turns = Rotation.from_quat(keys.rotations.sum(axis=0))
    local[:, :3, :3] = turns.as_matrix()
    local[:, :3, 3] = keys.translations.mean(axis=0)
    frames = local.copy()
    for i in chain_order(skeleton.parents):
        parent = skeleton.parents[i]
        if parent is not None:
            frames[i] = frames[parent] @ local[i]
    return Baked(frames[None], keys.scales.mean(axis=0)[None], skeleton)

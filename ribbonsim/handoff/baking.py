"""Joint motions as open formats hold them: translation, rotation and scale of each node.

A ribbon joint stretches along and swells across, and its neighbours must not inherit that: a
scale above a rotation shears what hangs below it. So each ribbon joint becomes two nodes. The
*chain node* is rigid and hangs on the chain node before it; the *skin node* hangs on its chain
node, carries the scale alone and is the one that the skin is bound to. What linear blending
does with the ribbon joints is then exact at every key.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.errors import RibbonsimError
from ribbonsim.handoff.fit import KeyFit
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.units import Units
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import Method, Rig

_TOLERANCE = 1e-12


@dataclass(frozen=True, eq=False)
class Skeleton:
    """The nodes of a rig's ribbon joints at rest.

    Parameters
    ----------
    names, skin_names : (N,) tuples of str
        Of the chain nodes and the skin nodes, safe and unique, in the order of the columns
        of the rig's ``mesh_weights``.
    parents : (N,) tuple of int or None
        Index of the chain node that each chain node hangs on.
    rest : (N, 4, 4) array
        Where each stands at rest, in the units written; a chain node and its skin node stand
        at one place.
    """

    names: tuple[str, ...]
    skin_names: tuple[str, ...]
    parents: tuple[int | None, ...]
    rest: Array
    units: Units

    @classmethod
    def of(cls, rig: Rig, units: Units | None = None, taken: Sequence[str] = ()) -> Skeleton:
        """Take the skeleton of a rig; ``taken`` are names that are in use already."""
        units = units or Units(up=rig.layout.up)
        count = len(rig.joint_names)
        wanted = [*rig.joint_names, *(f"{name}_skin" for name in rig.joint_names)]
        names = tuple(unique_names(wanted, taken))
        rest = units.frames(rig.joint_rest)
        return cls(names[:count], names[count:], tuple(rig.joint_parents), rest, units)

    @property
    def inverse_bind(self) -> Array:
        """(N, 4, 4) from where the mesh stands at rest into each skin node."""
        return invert_rigid(self.rest)

    def local(self, frames: Array) -> Array:
        """(..., N, 4, 4) frames of the chain nodes, each seen from the one it hangs on."""
        local = np.array(frames)
        hung = [i for i, parent in enumerate(self.parents) if parent is not None]
        on = [parent for parent in self.parents if parent is not None]
        local[..., hung, :, :] = invert_rigid(frames[..., on, :, :]) @ frames[..., hung, :, :]
        return local


@dataclass(frozen=True, eq=False)
class Baked:
    """Keys of a skeleton's nodes.

    Parameters
    ----------
    frames : (K, N, 4, 4) array
        Rigid; where the chain nodes stand at each key, in the units written.
    scales : (K, N, 3) array
        Of the skin nodes, along, across and normal.
    """

    frames: Array
    scales: Array
    skeleton: Skeleton

    @cached_property
    def _local(self) -> Array:
        return self.skeleton.local(self.frames)

    @property
    def translations(self) -> Array:
        """(K, N, 3) of the chain nodes, from the one that each hangs on."""
        return self._local[..., :3, 3]

    @cached_property
    def rotations(self) -> Array:
        """(K, N, 4) unit quaternions x, y, z, w of the same; signs agree from key to key."""
        turns = self._local[..., :3, :3]
        found = Rotation.from_matrix(turns.reshape(-1, 3, 3)).as_quat().reshape(*turns.shape[:2], 4)
        found[0] *= np.where(found[0, :, 3:] < 0, -1.0, 1.0)
        agree = np.sum(found[1:] * found[:-1], axis=-1, keepdims=True)
        found[1:] *= np.cumprod(np.where(agree < 0, -1.0, 1.0), axis=0)
        return found

    @property
    def transforms(self) -> Array:
        """(K, N, 4, 4) from rest to each key: what linear blending is done with."""
        whole = np.array(self.frames)
        whole[..., :3, :3] *= self.scales[..., None, :]
        return whole @ self.skeleton.inverse_bind


def bake(rig: Rig, skeleton: Skeleton, poses: Sequence[Pose], method: Method = "linear") -> Baked:
    """Find the keys of a skeleton's nodes for poses of its rig.

    The keys are for programs that blend linearly. Linear blending they give exactly. Dual
    quaternions no keys can give: they are then those with the least sum of squared
    differences over the vertices.
    """
    # the way back of a motion is made of the same poses as the way there
    first = {id(pose): k for k, pose in reversed(list(enumerate(poses)))}
    once = sorted(set(first.values()))
    joints = [rig.joint_pose(poses[k]) for k in once]
    whole = np.array([joint.transforms @ rig.joint_rest for joint in joints])
    turns = np.array([joint.rigid[:, :3, :3] @ rig.joint_rest[:, :3, :3] for joint in joints])
    frames, scales = split_scales(whole, turns)
    if method == "dual_quaternion":
        fit = KeyFit.of(rig)
        for k, joint in enumerate(joints):
            frames[k], scales[k] = fit.solve(joint, frames[k], scales[k])
    keys = np.searchsorted(once, [first[id(pose)] for pose in poses])
    return Baked(skeleton.units.frames(frames)[keys], scales[keys], skeleton)


def split_scales(whole: Array, turns: Array) -> tuple[Array, Array]:
    """Part (..., 4, 4) affine frames into rigid ones and (..., 3) scales along their own axes.

    ``turns`` are rotations to try first. A rigid frame times the diagonal of its scales is the
    affine frame; where a shear forbids that, it is as near as can be in the sum of squares.
    """
    matrices = whole[..., :3, :3].reshape(-1, 3, 3)
    turn = turns.reshape(-1, 3, 3).copy()
    scale = np.einsum("kij,kij->kj", turn, matrices)
    left = np.abs(turn * scale[:, None, :] - matrices).max(axis=(1, 2))
    sheared = np.flatnonzero(left > _TOLERANCE * np.abs(matrices).max(axis=(1, 2)))
    for _ in range(50 if len(sheared) else 0):
        u, _, v = np.linalg.svd(matrices[sheared] * scale[sheared, None, :])
        u[..., 2] *= np.linalg.det(u @ v)[:, None]
        turn[sheared] = u @ v
        scale[sheared] = np.einsum("kij,kij->kj", turn[sheared], matrices[sheared])
    frames = whole.copy()
    frames[..., :3, :3] = turn.reshape(turns.shape)
    return frames, scale.reshape(*turns.shape[:-1])


def chain_order(parents: Sequence[int | None]) -> list[int]:
    """Order nodes so that each comes after the one that it hangs on."""
    order: list[int] = []
    done: set[int | None] = {None}
    while len(order) < len(parents):
        ready = [i for i, parent in enumerate(parents) if i not in done and parent in done]
        if not ready:
            raise RibbonsimError("ribbon joints hang on each other in a circle: break the circle")
        order += ready
        done.update(ready)
    return order

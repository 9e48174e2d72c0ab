"""Chains: controls move ribbons, and ribbons their joints; all of a creature's at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import block_diag

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.rig.chain import Chain, slices_of
from ribbonsim.rig.drives import DRIVES, Driven
from ribbonsim.rig.dual_quaternions import align_signs, from_dual_quaternions, to_dual_quaternions


@dataclass(frozen=True, eq=False)
class JointPose:
    """Posed ribbon joints.

    Parameters
    ----------
    rigid : (N, 4, 4) array
        Rotation and translation from rest to pose.
    scales : (N, 4, 4) array
        Stretch and girth at the rest place; the whole transform is ``rigid @ scales``.
    stretch, girth : (N,) arrays
        Factors along and across.
    """

    rigid: Array
    scales: Array
    stretch: Array
    girth: Array

    @property
    def transforms(self) -> Array:
        """(N, 4, 4) whole transforms from rest to pose."""
        return self.rigid @ self.scales

    def with_tied(self, joints: Ints) -> JointPose:
        """Add joints that move as some of these and keep their size.

        Parameters
        ----------
        joints : (T,) int array
            Those they move with.
        """
        whole = np.ones(len(joints))
        return JointPose(
            np.concatenate([self.rigid, self.rigid[joints]]),
            np.concatenate([self.scales, np.tile(np.eye(4), (len(joints), 1, 1))]),
            np.concatenate([self.stretch, whole]),
            np.concatenate([self.girth, whole]),
        )


@dataclass(frozen=True, eq=False)
class Mount:
    """How an appendage rides on the joints of what carries it.

    Parameters
    ----------
    shares : (N,) array
        Weights of all joints at its base; they sum to one.
    base : (3,) array
        The base's middle at rest, scene units.
    depth : int
        1 on the body, 2 on an appendage of the body, and so on.
    """

    shares: Array
    base: Array
    depth: int


@dataclass(frozen=True, eq=False)
class _Level:
    """Ribbons that ride at one depth: (k, r) carrying joints and their shares, and bases."""

    ribbons: Ints
    carriers: Ints
    shares: Array
    base: Array
    riding: Ints


class Chains:
    """All ribbons of a creature, the body's first, posed together.

    Parameters
    ----------
    mounts : sequence of Mount
        One for each chain but the first, each after what carries it.
    drive : {"shares", "skinned"}
    """

    def __init__(
        self, chains: Sequence[Chain], mounts: Sequence[Mount] = (), drive: str = "shares"
    ) -> None:
        self._chains, self._mounts = tuple(chains), tuple(mounts)
        joints = [len(chain.joint_rest) for chain in chains]
        points = [len(chain.surface_weights) for chain in chains]
        self.control_slices = slices_of([len(chain.control_rest) for chain in chains])
        self.point_slices = slices_of(points)
        self.joint_slices = slices_of(joints)
        self.joint_rest = np.concatenate([chain.joint_rest for chain in chains])
        self.drive = DRIVES[drive](self._chains)
        self._back = invert_rigid(self.joint_rest)
        self._ribbon_of_joint = np.repeat(np.arange(len(joints)), joints)
        self._ribbon_of_point = np.repeat(np.arange(len(points)), points)

    def chain(self, number: int) -> Chain:
        """One ribbon at rest."""
        return self._chains[number]

    @cached_property
    def control_of_point(self) -> Array:
        """(n, K) weights of all controls over the control points of all ribbons."""
        return block_diag(*(chain.surface_weights for chain in self._chains))

    @cached_property
    def basis(self) -> Array:
        """(N, n) stations of all ribbons from the control points of all ribbons."""
        return block_diag(*(chain.station_basis for chain in self._chains))

    def joints(self, driven: Driven, keep_volume: float) -> JointPose:
        """Joints of all ribbons, each as if what carries it were at rest."""
        stretch = driven.stretch
        girth = driven.girth * stretch ** (-0.5 * keep_volume)
        factors = np.zeros((len(stretch), 4, 4))
        factors[:, 0, 0], factors[:, 3, 3] = stretch, 1.0
        factors[:, 1, 1] = factors[:, 2, 2] = girth
        scales = self.joint_rest @ factors @ self._back
        return JointPose(driven.frames @ self._back, scales, stretch, girth)

    def carry(self, joints: JointPose) -> tuple[JointPose, Array]:
        """Let appendages ride on what carries them.

        An appendage's base goes where the skin of its carrier goes there, and turns as the
        blend of the carrier's joints.

        Parameters
        ----------
        joints : JointPose
            Each ribbon's as if what carries it were at rest.

        Returns
        -------
        joints : JointPose
        motions : (R, 4, 4) array
            Motion of each ribbon as a whole; that of the body is none.
        """
        motions = np.tile(np.eye(4), (len(self._chains), 1, 1))
        if not self._mounts:
            return joints, motions
        rigid = joints.rigid.copy()
        for level in self._levels:
            # joint after joint, so that signs agree along the carrier's ribbon
            carriers = rigid[level.carriers]
            dual = align_signs(to_dual_quaternions(carriers))
            motion = from_dual_quaternions(np.einsum("kr,krc->rc", level.shares, dual))
            whole = carriers @ joints.scales[level.carriers]
            points = whole[..., :3, :3] @ level.base[:, :, None] + whole[..., :3, 3:]
            there = np.einsum("kr,krij->ri", level.shares, points)
            motion[:, :3, 3] = there - (motion[:, :3, :3] @ level.base[:, :, None])[..., 0]
            motions[level.ribbons] = motion
            riders = self._ribbon_of_joint[level.riding]
            rigid[level.riding] = motions[riders] @ joints.rigid[level.riding]
        return JointPose(rigid, joints.scales, joints.stretch, joints.girth), motions

    @cached_property
    def _levels(self) -> list[_Level]:
        """Ribbons that ride at each depth, what carries them first."""
        depths = range(1, max(mount.depth for mount in self._mounts) + 1)
        return [self._level(depth) for depth in depths]

    def _level(self, depth: int) -> _Level:
        ribbons = [r for r, mount in enumerate(self._mounts, 1) if mount.depth == depth]
        mounts = [self._mounts[r - 1] for r in ribbons]
        held = [np.flatnonzero(mount.shares) for mount in mounts]
        most = max(len(joints) for joints in held)
        # the last joint stands in, with no share, where fewer carry
        carriers = np.stack([np.pad(joints, (0, most - len(joints)), "edge") for joints in held])
        shares = np.zeros(carriers.shape)
        for row, (mount, joints) in enumerate(zip(mounts, held, strict=True)):
            shares[row, : len(joints)] = mount.shares[joints]
        return _Level(
            ribbons=np.array(ribbons),
            carriers=carriers.T,
            shares=shares.T,
            base=np.stack([mount.base for mount in mounts]),
            riding=np.flatnonzero(np.isin(self._ribbon_of_joint, ribbons)),
        )

    def moved_points(self, points: Array, motions: Array) -> Array:
        """Move the control points of ribbons with what carries them.

        Parameters
        ----------
        points : (n, 2, 3) array
        motions : (R, 4, 4) array

        Returns
        -------
        (n, 2, 3) array
        """
        motion = motions[self._ribbon_of_point]
        return np.einsum("nij,nuj->nui", motion[:, :3, :3], points) + motion[:, None, :3, 3]

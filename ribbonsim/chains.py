"""Chains: controls move ribbons, and ribbons their joints; all of a creature's at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import block_diag

from ribbonsim.frames import ALONG, axis_rotation, invert_rigid, make_frames
from ribbonsim.layout import Layout
from ribbonsim.pose import ControlFrames, ControlPose, ControlTree
from ribbonsim.ribbon import Ribbon
from ribbonsim.skin import align_signs, from_dual_quaternions, to_dual_quaternions
from ribbonsim.weights import twist_weights

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


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

        Returns
        -------
        JointPose
        """
        whole = np.ones(len(joints))
        return JointPose(
            np.concatenate([self.rigid, self.rigid[joints]]),
            np.concatenate([self.scales, np.tile(np.eye(4), (len(joints), 1, 1))]),
            np.concatenate([self.stretch, whole]),
            np.concatenate([self.girth, whole]),
        )


@dataclass(frozen=True, eq=False)
class Chain:
    """One ribbon at rest: its layout and the weights of its controls.

    Parameters
    ----------
    layout : Layout
    surface_weights : (n, K) array
        Weights of controls over the ribbon's control points.
    """

    layout: Layout
    surface_weights: Array

    @cached_property
    def control_rest(self) -> Array:
        """(K, 4, 4) rest frames of the controls."""
        return self.layout.ribbon.frames(self.layout.control_places)

    @cached_property
    def joint_rest(self) -> Array:
        """(N, 4, 4) rest frames of the ribbon joints."""
        return self.layout.ribbon.frames(self.layout.stations)

    @cached_property
    def twist_weights(self) -> Array:
        """(n, K) weights by which twist and girth spread over the ribbon's control points."""
        return twist_weights(self.layout)

    @cached_property
    def station_basis(self) -> Array:
        """(N, n) posing the ribbon at its stations is this matrix times control points."""
        return self.layout.ribbon.basis(self.layout.stations).toarray()

    @cached_property
    def station_slopes(self) -> Array:
        """(N, n) the same for derivatives along."""
        ribbon = self.layout.ribbon
        each = np.eye(len(ribbon.control_points))
        return BSpline(ribbon.knots, each, ribbon.degree)(self.layout.stations, 1)

    @cached_property
    def rest_speed(self) -> Array:
        """(N,) lengths of the derivatives along at the stations."""
        return np.linalg.norm(self.station_slopes @ self.layout.ribbon.midline.c, axis=1)

    @cached_property
    def point_rest(self) -> PointRest:
        """The ribbon at rest, seen from its control points' places."""
        return PointRest.of(self.layout.ribbon)


@dataclass(frozen=True, eq=False)
class PointRest:
    """A ribbon at rest, seen from its control points' places.

    Parameters
    ----------
    frames : (n, 4, 4) array
        Frames there.
    offsets : (n, 3) array
        The midline's control points in those frames.
    halves, half_values : (n, 3) arrays
        Half widths in those frames, and in the scene.
    half_points : (n, 3) array
        Their control points.
    collocation : (n, n) array
        Turns values at the places into control points.
    """

    frames: Array
    offsets: Array
    halves: Array
    half_values: Array
    half_points: Array
    collocation: Array

    @classmethod
    def of(cls, ribbon: Ribbon) -> PointRest:
        """Look at a ribbon.

        Parameters
        ----------
        ribbon : Ribbon

        Returns
        -------
        PointRest
        """
        places = ribbon.greville
        frames = ribbon.frames(places)
        back = invert_rigid(frames)
        middles = ribbon.control_points.mean(axis=1)
        half_points = 0.5 * (ribbon.control_points[:, 1] - ribbon.control_points[:, 0])
        basis = ribbon.basis(places).toarray()
        half_values = basis @ half_points
        return cls(
            frames=frames,
            offsets=np.einsum("kij,kj->ki", back[:, :3, :3], middles) + back[:, :3, 3],
            halves=np.einsum("kij,kj->ki", back[:, :3, :3], half_values),
            half_values=half_values,
            half_points=half_points,
            collocation=np.linalg.inv(basis),
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
    chains : sequence of Chain
    mounts : sequence of Mount
        One for each chain but the first, each after what carries it.
    """

    def __init__(self, chains: Sequence[Chain], mounts: Sequence[Mount] = ()) -> None:
        self._chains, self._mounts = tuple(chains), tuple(mounts)
        controls = [len(chain.control_rest) for chain in chains]
        points = [len(chain.surface_weights) for chain in chains]
        joints = [len(chain.joint_rest) for chain in chains]
        self.control_slices = _slices(controls)
        self.point_slices = _slices(points)
        self.joint_slices = _slices(joints)
        self.joint_rest = np.concatenate([chain.joint_rest for chain in chains])
        carriers: list[int | None] = []
        for chain, own in zip(chains, self.control_slices, strict=True):
            order = dict(chain.layout.carry_order())
            above = [order[i] for i in range(len(order))]
            carriers += [None if c is None else c + own.start for c in above]
        rest = np.concatenate([chain.control_rest for chain in chains])
        self._tree = ControlTree(rest, carriers, controls)
        self._seats, self._weights, self._twist_weights = self._seat(controls, points)
        parts = [chain.point_rest for chain in chains]
        frames = np.concatenate([part.frames for part in parts])
        self._in_controls = invert_rigid(rest)[self._seats] @ frames[:, None]
        self._offsets = np.concatenate([part.offsets for part in parts])
        self._halves = np.concatenate([part.halves for part in parts])
        self._half_values = np.concatenate([part.half_values for part in parts])
        self._half_points = np.concatenate([part.half_points for part in parts])
        self._collocation = block_diag(*(part.collocation for part in parts))
        self._basis = block_diag(*(chain.station_basis for chain in chains))
        self._slopes = block_diag(*(chain.station_slopes for chain in chains))
        self._rest_speed = np.concatenate([chain.rest_speed for chain in chains])
        self._back = invert_rigid(self.joint_rest)
        self._ribbon_of_joint = np.repeat(np.arange(len(joints)), joints)
        self._ribbon_of_point = np.repeat(np.arange(len(points)), points)

    def _seat(self, controls: list[int], points: list[int]) -> tuple[Ints, Array, Array]:
        """Controls that each control point listens to, and both weights of each."""
        most, total = max(controls), sum(points)
        seats = np.zeros((total, most), dtype=np.int64)
        weights, turning = np.zeros((total, most)), np.zeros((total, most))
        for chain, rows, own in zip(
            self._chains, self.point_slices, self.control_slices, strict=True
        ):
            count = own.stop - own.start
            seats[rows] = own.start + np.minimum(np.arange(most), count - 1)
            weights[rows, :count] = chain.surface_weights
            turning[rows, :count] = chain.twist_weights
        return seats, weights, turning

    @cached_property
    def control_of_point(self) -> Array:
        """(n, K) weights of all controls over the control points of all ribbons."""
        return block_diag(*(chain.surface_weights for chain in self._chains))

    @property
    def basis(self) -> Array:
        """(N, n) stations of all ribbons from the control points of all ribbons."""
        return self._basis

    def controls(self, values: Sequence[ControlPose]) -> ControlFrames:
        """Frames of all controls, each ribbon's as if what carries it were at rest.

        Parameters
        ----------
        values : (K,) sequence of ControlPose

        Returns
        -------
        ControlFrames
        """
        return self._tree.frames(values)

    def points(self, controls: ControlFrames) -> Array:
        """Control points of all ribbons, each as if what carries it were at rest.

        Parameters
        ----------
        controls : ControlFrames

        Returns
        -------
        (n, 2, 3) array
        """
        seats = self._seats
        motion = self._blend_frames(controls)
        stretch = np.einsum("nk,nk->n", self._weights, controls.stretches[seats])
        girth = np.einsum("nk,nk->n", self._twist_weights, controls.girths[seats])
        turn = motion[:, :3, :3]
        offsets = np.einsum("kij,kj->ki", turn, self._offsets)
        middle = motion[:, :3, 3] + stretch[:, None] * offsets
        held = girth[:, None] * np.einsum("kij,kj->ki", turn, self._halves)
        half = self._half_points + self._collocation @ (held - self._half_values)
        return np.stack([middle - half, middle + half], axis=1)

    def _blend_frames(self, controls: ControlFrames) -> Array:
        """(n, 4, 4) frame of the ribbon at each control point's place, blended.

        Each control says where it would carry the frame. Its twist is taken out before the
        blend and the blended angle put back after it.
        """
        carried = self._in_controls.copy()
        carried[..., :3, 3] *= controls.stretches[self._seats][..., None]
        told = controls.untwisted[self._seats] @ carried
        dual = align_signs(np.moveaxis(to_dual_quaternions(told), 1, 0))
        blended = np.einsum("nk,knc->nc", self._weights, dual)
        twist = np.einsum("nk,nk->n", self._twist_weights, controls.twists[self._seats])
        return from_dual_quaternions(blended) @ axis_rotation(ALONG, twist)

    def joints(self, controls: ControlFrames, points: Array, keep_volume: float) -> JointPose:
        """Joints of all ribbons, each as if what carries it were at rest.

        Parameters
        ----------
        controls : ControlFrames
        points : (n, 2, 3) array
        keep_volume : float

        Returns
        -------
        JointPose
        """
        middle, across = points.mean(axis=1), points[:, 1] - points[:, 0]
        along = self._slopes @ middle
        frames = make_frames(along, self._basis @ across, self._basis @ middle)
        stretch = np.linalg.norm(along, axis=1) / self._rest_speed
        told = np.einsum("nk,nk->n", self._twist_weights, controls.girths[self._seats])
        girth = (self._basis @ told) * stretch ** (-0.5 * keep_volume)
        factors = np.zeros((len(frames), 4, 4))
        factors[:, 0, 0], factors[:, 3, 3] = stretch, 1.0
        factors[:, 1, 1] = factors[:, 2, 2] = girth
        scales = self.joint_rest @ factors @ self._back
        return JointPose(frames @ self._back, scales, stretch, girth)

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


def _slices(counts: Sequence[int]) -> tuple[slice, ...]:
    ends = np.cumsum(counts).tolist()
    return tuple(slice(end - count, end) for end, count in zip(ends, counts, strict=True))

"""The rig: controls move a ribbon, the ribbon carries joints, the joints carry the skin."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline

from ribbonsim.errors import RibbonsimError
from ribbonsim.frames import ALONG, axis_rotation, invert_rigid, make_frames
from ribbonsim.layout import BODY, Layout
from ribbonsim.mesh import CreatureMesh
from ribbonsim.place import body_places
from ribbonsim.pose import ControlFrames, Pose, control_frames, values_for
from ribbonsim.ribbon import Ribbon
from ribbonsim.skin import (
    Floats,
    Skinner,
    align_signs,
    from_dual_quaternions,
    to_dual_quaternions,
)
from ribbonsim.targets import Target, make_target
from ribbonsim.weights import mesh_weights, surface_weights, twist_weights

Array = NDArray[np.float64]
Method = Literal["linear", "dual_quaternion"]
METHODS: tuple[Method, ...] = ("linear", "dual_quaternion")


def bind(mesh: CreatureMesh, layout: Layout) -> Rig:
    """Bind a mesh to a layout: find all weights once.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout

    Returns
    -------
    Rig

    Raises
    ------
    RibbonsimError
        If the mesh's body cannot be measured along the ribbon.
    """
    places = body_places(mesh, layout.ribbon)
    return Rig(mesh, layout, places, surface_weights(layout), mesh_weights(mesh, layout, places))


def rebind(rig: Rig, layout: Layout) -> Rig:
    """Bind a rig's mesh to another layout, keeping what the change does not touch.

    Parameters
    ----------
    rig : Rig
    layout : Layout

    Returns
    -------
    Rig
        The same as ``bind(rig.mesh, layout)``.
    """
    old, new = rig.layout, layout
    same_ribbon = np.array_equal(old.ribbon.knots, new.ribbon.knots) and np.array_equal(
        old.ribbon.control_points, new.ribbon.control_points
    )
    if not same_ribbon:
        return bind(rig.mesh, layout)
    over_ribbon = surface_weights(layout)
    if np.array_equal(old.stations, new.stations) and old.mesh_weights == new.mesh_weights:
        fresh = Rig(rig.mesh, layout, rig.places, over_ribbon, rig.mesh_weights)
        fresh.__dict__["skinner"] = (
            rig.skinner
        )  # fills the cached property: same weights, same mesh
        return fresh
    return Rig(
        rig.mesh, layout, rig.places, over_ribbon, mesh_weights(rig.mesh, layout, rig.places)
    )


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


@dataclass(frozen=True, eq=False)
class Rig:
    """A mesh bound to a layout; made by :func:`bind`, asked with poses.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout
    places : (V,) array
        Arc length along the ribbon that each vertex belongs to, scene units.
    surface_weights : (n, K) array
        Weights of controls over the ribbon's control points.
    mesh_weights : (V, N) array
        Weights of ribbon joints over vertices.
    """

    mesh: CreatureMesh
    layout: Layout
    places: Array
    surface_weights: Array
    mesh_weights: Array

    # -- what the rest gives, found once ---------------------------------------------------

    @cached_property
    def skinner(self) -> Skinner:
        """The mesh arranged for posing."""
        return Skinner(self.mesh.positions, self.mesh_weights, self.mesh.vertex_normals)

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
    def _point_rest(self) -> _PointRest:
        return _PointRest.of(self.layout.ribbon, self.control_rest)

    @cached_property
    def _station_basis(self) -> Array:
        """(N, n) posing the ribbon at its stations is this matrix times control points."""
        return self.layout.ribbon.basis(self.layout.stations).toarray()

    @cached_property
    def _station_slopes(self) -> Array:
        """(N, n) the same for derivatives along."""
        ribbon = self.layout.ribbon
        each = np.eye(len(ribbon.control_points))
        return BSpline(ribbon.knots, each, ribbon.degree)(self.layout.stations, 1)

    @cached_property
    def _rest_speed(self) -> Array:
        return np.linalg.norm(self._station_slopes @ self.layout.ribbon.midline.c, axis=1)

    @cached_property
    def _joint_back(self) -> Array:
        return invert_rigid(self.joint_rest)

    @cached_property
    def control_influence(self) -> Array:
        """(V, K) how much each control moves each vertex, through the ribbon; rows sum to one."""
        return self.mesh_weights @ (self._station_basis @ self.surface_weights)

    # -- what every ribbon of the creature has ---------------------------------------------

    @property
    def joint_names(self) -> tuple[str, ...]:
        """Names of all ribbon joints, in the order of the columns of ``mesh_weights``."""
        return tuple(f"joint{number}" for number in range(1, len(self.layout.stations) + 1))

    @property
    def joint_parents(self) -> tuple[int | None, ...]:
        """For each ribbon joint the index of the joint before it; None for the first."""
        return (None, *range(len(self.layout.stations) - 1))

    def pose_ribbons(self, pose: Pose) -> dict[str, Ribbon]:
        """Pose every ribbon.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        dict of str to Ribbon
            By name, ``body`` first.
        """
        return {BODY: self.pose_ribbon(pose)}

    # -- controls to ribbon ----------------------------------------------------------------

    def control_frames(self, pose: Pose) -> ControlFrames:
        """Frames that the controls take in a pose.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        ControlFrames

        Raises
        ------
        RibbonsimError
            If the pose names a control that this layout does not have.
        """
        names = self.layout.control_names
        for name in pose.controls:
            self.layout.control_index(name)
        values = [pose[name] for name in names]
        return control_frames(self.control_rest, self.layout.carry_order(), values)

    def pose_ribbon(self, pose: Pose) -> Ribbon:
        """Pose the ribbon.

        Each control point is moved by the blend of its controls' frames. Twist is blended as
        an angle and applied about the tangent; the width is held at the control points'
        places, so that several turns narrow nothing.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        Ribbon
        """
        points = self._move_points(self.control_frames(pose))
        return Ribbon(points, self.layout.ribbon.knots)

    def _move_points(self, controls: ControlFrames) -> Array:
        """(n, 2, 3) control points of the posed ribbon."""
        rest, weights = self._point_rest, self.surface_weights
        motion = self._blend_frames(controls)
        stretch, girth = weights @ controls.stretches, self.twist_weights @ controls.girths
        turn = motion[:, :3, :3]
        middle = motion[:, :3, 3] + stretch[:, None] * np.einsum("kij,kj->ki", turn, rest.offsets)
        held = girth[:, None] * np.einsum("kij,kj->ki", turn, rest.halves)
        half = rest.half_points + rest.collocation @ (held - rest.half_values)
        return np.stack([middle - half, middle + half], axis=1)

    def _blend_frames(self, controls: ControlFrames) -> Array:
        """(n, 4, 4) frame of the ribbon at each control point's place, blended.

        Each control says where it would carry the frame. Its twist is taken out before the
        blend and the blended angle put back after it.
        """
        rest = self._point_rest
        carried = rest.in_controls.copy()
        carried[..., :3, 3] *= controls.stretches[None, :, None]
        told = controls.untwisted[None] @ carried
        dual = align_signs(np.moveaxis(to_dual_quaternions(told), 1, 0))
        blended = np.einsum("nk,knc->nc", self.surface_weights, dual)
        twist = self.twist_weights @ controls.twists
        return from_dual_quaternions(blended) @ axis_rotation(ALONG, twist)

    def frames_in(self, pose: Pose, t: ArrayLike) -> ControlFrames:
        """Frames that controls standing elsewhere would need for the same pose.

        Parameters
        ----------
        pose : Pose
        t : (k,) array
            Places along the ribbon, 0 to 1.

        Returns
        -------
        ControlFrames
            Of the posed ribbon at those places.
        """
        places = np.asarray(t, dtype=float)
        controls = self.control_frames(pose)
        basis = self.layout.ribbon.basis(places)
        held = basis @ self.twist_weights
        return ControlFrames(
            self.pose_ribbon(pose).frames(places),
            held @ controls.twists,
            basis @ (self.surface_weights @ controls.stretches),
            held @ controls.girths,
        )

    # -- ribbon to joints ------------------------------------------------------------------

    def joint_pose(self, pose: Pose) -> JointPose:
        """Pose the ribbon joints.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        JointPose
        """
        controls = self.control_frames(pose)
        points = self._move_points(controls)
        middle, across = points.mean(axis=1), points[:, 1] - points[:, 0]
        along = self._station_slopes @ middle
        frames = make_frames(along, self._station_basis @ across, self._station_basis @ middle)
        stretch = np.linalg.norm(along, axis=1) / self._rest_speed
        girth = self._station_basis @ (self.twist_weights @ controls.girths)
        girth = girth * stretch ** (-0.5 * pose.keep_volume)
        back = self._joint_back
        factors = np.zeros((len(frames), 4, 4))
        factors[:, 0, 0], factors[:, 3, 3] = stretch, 1.0
        factors[:, 1, 1] = factors[:, 2, 2] = girth
        return JointPose(frames @ back, self.joint_rest @ factors @ back, stretch, girth)

    def joint_frames(self, pose: Pose) -> Array:
        """Posed frames of the ribbon joints.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        (N, 4, 4) array
            Columns along, across, normal, origin.
        """
        return self.pose_ribbon(pose).frames(self.layout.stations)

    # -- joints to skin --------------------------------------------------------------------

    def deform(
        self,
        pose: Pose,
        method: Method = "linear",
        out: Floats | None = None,
        dtype: type[np.floating] = np.float64,
    ) -> Floats:
        """Pose the mesh.

        Parameters
        ----------
        pose : Pose
        method : {"linear", "dual_quaternion"}
        out : (V, 3) array of float32 or float64, optional
            Written in place and returned, so that a caller can pose without allocating.
        dtype : float64 or float32
            Precision if ``out`` is not given.

        Returns
        -------
        (V, 3) array
            Scene units, in the order of the mesh's file.

        Raises
        ------
        RibbonsimError
            If the method or a control is unknown.
        """
        return self.skin_joints(self.joint_pose(pose), method, out, dtype)

    def skin_joints(
        self,
        joints: JointPose,
        method: Method = "linear",
        out: Floats | None = None,
        dtype: type[np.floating] = np.float64,
    ) -> Floats:
        """Pose the mesh by posed ribbon joints: the last step of :meth:`deform`.

        Parameters
        ----------
        joints : JointPose
        method, out, dtype
            As in :meth:`deform`.

        Returns
        -------
        (V, 3) array
        """
        _check_method(method)
        if method == "linear":
            return self.skinner.linear(joints.transforms, out, dtype)
        return self.skinner.dual_quaternion(joints.rigid, joints.scales, out, dtype)

    def deform_normals(
        self,
        pose: Pose,
        method: Method = "linear",
        out: Floats | None = None,
        dtype: type[np.floating] = np.float64,
    ) -> Floats:
        """Pose the vertex normals along with the skin.

        Parameters
        ----------
        pose : Pose
        method, out, dtype
            As in :meth:`deform`.

        Returns
        -------
        (V, 3) array
            Unit vectors.
        """
        _check_method(method)
        joints = self.joint_pose(pose)
        return self.skinner.normals(joints.rigid, joints.scales, method, out, dtype)

    # -- test poses ------------------------------------------------------------------------

    def pose_for(self, name: str, amount: float | None = None) -> Pose:
        """A test pose, expressed in this layout's controls.

        Each control is put on the target's frame at its own place along the body.

        Parameters
        ----------
        name : str
            One of :data:`ribbonsim.TEST_POSES`.
        amount : float, optional
            Degrees, turns or a factor, as the test pose says; its usual amount if left out.

        Returns
        -------
        Pose

        Raises
        ------
        RibbonsimError
            If the name is unknown or the amount cannot be used.
        """
        target = make_target(self.layout.ribbon, name, amount)
        return self.fit(target)

    def fit(self, target: Target) -> Pose:
        """Put each control on a target's frame at its place along the body.

        Parameters
        ----------
        target : Target

        Returns
        -------
        Pose
        """
        wanted = target.at(self.layout.ribbon.arc_length(self.layout.control_places))
        values = values_for(self.control_rest, self.layout.carry_order(), wanted)
        return Pose(dict(zip(self.layout.control_names, values, strict=True)))

    def shape_error(self, target: Target, pose: Pose) -> float:
        """How far a pose stays from a target's midline.

        Parameters
        ----------
        target : Target
        pose : Pose

        Returns
        -------
        float
            Root mean square distance at equal places along the body, over its rest length.
        """
        ribbon = self.layout.ribbon
        achieved = self.pose_ribbon(pose).midline(ribbon.place_at(target.lengths))
        squares = np.sum((achieved - target.frames[:, :3, 3]) ** 2, axis=1)
        return float(np.sqrt(squares.mean()) / ribbon.length)


@dataclass(frozen=True, eq=False)
class _PointRest:
    """The ribbon at rest, seen from its control points' places.

    ``in_controls`` are the frames there in each control's frame, ``offsets`` the midline's
    control points in those frames, ``halves`` the half widths in them, ``half_values`` the
    same in the scene, ``half_points`` their control points, and ``collocation`` turns values
    at the places into control points.
    """

    in_controls: Array
    offsets: Array
    halves: Array
    half_values: Array
    half_points: Array
    collocation: Array

    @classmethod
    def of(cls, ribbon: Ribbon, control_rest: Array) -> _PointRest:
        places = ribbon.greville
        frames = ribbon.frames(places)
        back = invert_rigid(frames)
        middles = ribbon.control_points.mean(axis=1)
        half_points = 0.5 * (ribbon.control_points[:, 1] - ribbon.control_points[:, 0])
        basis = ribbon.basis(places).toarray()
        half_values = basis @ half_points
        return cls(
            in_controls=invert_rigid(control_rest)[None] @ frames[:, None],
            offsets=np.einsum("kij,kj->ki", back[:, :3, :3], middles) + back[:, :3, 3],
            halves=np.einsum("kij,kj->ki", back[:, :3, :3], half_values),
            half_values=half_values,
            half_points=half_points,
            collocation=np.linalg.inv(basis),
        )


def _check_method(method: str) -> None:
    if method not in METHODS:
        raise RibbonsimError(f"method = {method!r} is not known: choose {' or '.join(METHODS)}")

"""The rig: controls move a ribbon, the ribbon carries joints, the joints carry the skin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.appendage_targets import APPENDAGE_POSES, appendage_target
from ribbonsim.appendages import BODY
from ribbonsim.chains import Chain, Chains, JointPose, Mount
from ribbonsim.errors import RibbonsimError
from ribbonsim.joined import find_limbs, join_weights, joint_slices, mounts_of, tied_joints
from ribbonsim.layout import Layout
from ribbonsim.limbs import Limb
from ribbonsim.mesh import CreatureMesh
from ribbonsim.place import body_places
from ribbonsim.pose import ControlFrames, ControlPose, Pose, values_for
from ribbonsim.posed import Posed
from ribbonsim.ribbon import Ribbon
from ribbonsim.skin import Floats, Skinner
from ribbonsim.targets import Target, make_target, shape_error
from ribbonsim.weights import mesh_weights, surface_weights

Array = NDArray[np.float64]
Method = Literal["linear", "dual_quaternion"]
_SAMPLES, _SAME_LINE = 201, 1e-7
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
        If the mesh's body cannot be measured along the ribbon, an appendage is not on a limb
        of the mesh, or a tied part is not there.
    """
    places = body_places(mesh, layout.ribbon)
    return _bound(mesh, layout, places, mesh_weights(mesh, layout, places), {})


def rebind(rig: Rig, layout: Layout) -> Rig:
    """Bind a rig's mesh to another layout, keeping what the change does not touch.

    Parameters
    ----------
    rig : Rig
    layout : Layout

    Returns
    -------
    Rig
        The same as ``bind(rig.mesh, layout)``; to rounding, where a new ribbon runs along the
        old one's midline.
    """
    old, new = rig.layout, layout
    places = _kept_places(rig, layout)
    if places is None:
        return bind(rig.mesh, layout)
    limbs = _unchanged_limbs(rig, layout)
    same_rows = (
        _same_ribbon(old, new)
        and np.array_equal(old.stations, new.stations)
        and old.mesh_weights == new.mesh_weights
    )
    body = rig.body_weights if same_rows else mesh_weights(rig.mesh, layout, places)
    fresh = _bound(rig.mesh, layout, places, body, limbs)
    if np.array_equal(fresh.mesh_weights, rig.mesh_weights):
        # fills the cached property: same weights, same mesh
        fresh.__dict__["skinner"] = rig.skinner
    return fresh


def _bound(
    mesh: CreatureMesh, layout: Layout, places: Array, body: Array, known: Mapping[str, Limb]
) -> Rig:
    limbs = find_limbs(mesh, layout, places, known)
    joined = join_weights(mesh, layout, body, limbs)
    return Rig(mesh, layout, places, surface_weights(layout), joined, limbs, body)


def _same_ribbon(one: Layout, other: Layout) -> bool:
    return np.array_equal(one.ribbon.knots, other.ribbon.knots) and np.array_equal(
        one.ribbon.control_points, other.ribbon.control_points
    )


def _kept_places(rig: Rig, layout: Layout) -> Array | None:
    """Places along the body under a new layout whose ribbon runs where the old one did.

    Places depend on the midline alone: not on the ribbon's width, roll or knots.
    """
    old, new = rig.layout.ribbon, layout.ribbon
    if _same_ribbon(rig.layout, layout):
        return rig.places
    shares = np.linspace(0.0, 1.0, _SAMPLES)
    before = old.midline(old.place_at(shares * old.length))
    after = new.midline(new.place_at(shares * new.length))
    return rig.places if np.abs(before - after).max() < _SAME_LINE * old.length else None


def _unchanged_limbs(rig: Rig, layout: Layout) -> dict[str, Limb]:
    """Limbs that a new layout, with the same midline of the body, need not find again."""
    before = {one.name: one for one in rig.layout.appendages}
    kept: dict[str, Limb] = {}
    for one in layout.appendages:
        old = before.get(one.name)
        if old is None or old.rides_on != one.rides_on:
            continue
        if _same_ribbon(old.layout, one.layout) and one.rides_on in (BODY, *kept):
            kept[one.name] = rig.limbs[one.name]
    return kept


@dataclass(frozen=True, eq=False)
class Rig:
    """A mesh bound to a layout; made by :func:`bind`, asked with poses.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout
    places : (V,) array
        Arc length along the body ribbon that each vertex belongs to, scene units.
    surface_weights : (n, K) array
        Weights of the body's controls over its ribbon's control points.
    mesh_weights : (V, N) array
        Weights of all ribbon joints over vertices: the body's, then each appendage's.
    limbs : mapping of str to Limb
        Skin of each appendage.
    body_weights : (V, B) array, optional
        Weights of the body's joints as if there were no appendages.
    """

    mesh: CreatureMesh
    layout: Layout
    places: Array
    surface_weights: Array
    mesh_weights: Array
    limbs: Mapping[str, Limb] = field(default_factory=dict)
    body_weights: Array = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        if self.body_weights is None:
            object.__setattr__(self, "body_weights", self.mesh_weights)

    # -- what the rest gives, found once ---------------------------------------------------

    @cached_property
    def skinner(self) -> Skinner:
        """The mesh arranged for posing."""
        return Skinner(
            self.mesh.positions, self.mesh_weights, self.mesh.vertex_normals, self.joint_parents
        )

    @cached_property
    def _parts(self) -> dict[str, Chain]:
        """Every ribbon with its weights, by name."""
        parts = {BODY: Chain(self.layout, self.surface_weights)}
        for one in self.layout.appendages:
            parts[one.name] = Chain(one.layout, surface_weights(one.layout))
        return parts

    @cached_property
    def _mounts(self) -> list[Mount]:
        return mounts_of(self.mesh, self.layout, self.limbs)

    @cached_property
    def _chains(self) -> Chains:
        return Chains(tuple(self._parts.values()), self._mounts)

    @property
    def control_rest(self) -> Array:
        """(K, 4, 4) rest frames of the body's controls."""
        return self._parts[BODY].control_rest

    @property
    def joint_rest(self) -> Array:
        """(N, 4, 4) rest frames of all joints."""
        return self._chains.joint_rest[self._with_tied]

    @cached_property
    def _with_tied(self) -> NDArray[np.int64]:
        """For each joint, the ribbon joint that it moves with: itself, or where it is tied."""
        return np.r_[np.arange(len(self._chains.joint_rest)), tied_joints(self.layout)]

    @property
    def twist_weights(self) -> Array:
        """(n, K) weights by which twist and girth spread over the body ribbon's control points."""
        return self._parts[BODY].twist_weights

    @cached_property
    def control_influence(self) -> Array:
        """(V, A) how much each of all controls moves each vertex; rows sum to one.

        An appendage's joints count for its own controls, not for those that carry it.
        """
        told = self._chains.basis @ self._chains.control_of_point
        return self.mesh_weights @ told[self._with_tied]

    # -- all ribbons -----------------------------------------------------------------------

    @cached_property
    def joint_names(self) -> tuple[str, ...]:
        """Names of all joints, in the order of the columns of ``mesh_weights``.

        Rigid parts follow a joint of their own, called ``tied`` after that of its station.
        """
        names: list[str] = []
        for ribbon, one in self.layout.ribbons.items():
            lead = "" if ribbon == BODY else f"{ribbon}."
            names += [f"{lead}joint{number}" for number in range(1, len(one.stations) + 1)]
        return (*names, *(f"{names[joint]}.tied" for joint in tied_joints(self.layout)))

    @cached_property
    def joint_parents(self) -> tuple[int | None, ...]:
        """For each joint the index of its parent; None for the first.

        The parent is the joint before it; at the base of an appendage the one that has the
        greatest share in carrying it; of a tied joint that of its station.
        """
        parents: list[int | None] = [None, *range(len(self.layout.stations) - 1)]
        for mount, own in zip(self._mounts, self._chains.joint_slices[1:], strict=True):
            parents += [int(np.argmax(mount.shares)), *range(own.start, own.stop - 1)]
        return (*parents, *tied_joints(self.layout).tolist())

    @cached_property
    def joints_of(self) -> dict[str, slice]:
        """Columns of ``mesh_weights`` that belong to each ribbon."""
        return joint_slices(self.layout)

    def part(self, ribbon: str) -> Rig:
        """One ribbon as a rig of its own, as if what carries it were at rest.

        Parameters
        ----------
        ribbon : str

        Returns
        -------
        Rig
            Its controls have their own names, without the ribbon's in front.

        Raises
        ------
        RibbonsimError
            If there is no such ribbon.
        """
        if ribbon not in self._part_rigs:
            self._part_rigs[ribbon] = self._part_rig(ribbon)
        return self._part_rigs[ribbon]

    @cached_property
    def _part_rigs(self) -> dict[str, Rig]:
        return {}

    def _part_rig(self, ribbon: str) -> Rig:
        if ribbon == BODY:
            bare, places = replace(self.layout, appendages=(), ties=(), poses={}), self.places
        else:
            bare = self.layout.appendage(ribbon).layout
            places = np.zeros(len(self.places))
            places[self.limbs[ribbon].vertices] = self.limbs[ribbon].places
        chain = self._parts[ribbon]
        rows = self.mesh_weights[:, self.joints_of[ribbon]]
        part = Rig(self.mesh, bare, places, chain.surface_weights, rows)
        part.__dict__["_parts"] = {BODY: chain}  # fills the cached property: the same ribbon
        return part

    # -- controls to ribbons ---------------------------------------------------------------

    def posed(self, pose: Pose) -> Posed:
        """Take a pose: what of it is asked for is worked out once and kept.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        Posed
            Controls, ribbons and joints of the pose.

        Raises
        ------
        RibbonsimError
            If the pose names a control that this layout does not have.
        """
        names = self.layout.all_control_names
        for name in pose.controls:
            if name not in names:
                self.layout.index_of_control(name)  # says what there is
        values = [pose[name] for name in names]
        tied = self._with_tied[len(self._chains.joint_rest) :]
        return Posed(self.layout, self._chains, tied, values, pose.keep_volume)

    def control_frames(self, pose: Pose, ribbon: str = BODY) -> ControlFrames:
        """Frames that the controls of one ribbon take in a pose.

        Parameters
        ----------
        pose : Pose
        ribbon : str

        Returns
        -------
        ControlFrames

        Raises
        ------
        RibbonsimError
            If there is no such ribbon, or the pose names a control that is not there.
        """
        if ribbon != BODY:
            self.layout.appendage(ribbon)  # says what there is
        return self.posed(pose).control_frames(ribbon)

    def pose_ribbon(self, pose: Pose) -> Ribbon:
        """Pose the body ribbon.

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
        return self.posed(pose).at_home[BODY]

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
        return self.posed(pose).ribbons

    def frames_in(self, pose: Pose, t: ArrayLike) -> ControlFrames:
        """Frames that controls of the body standing elsewhere would need for the same pose.

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
        posed = self.posed(pose)
        controls = posed.control_frames(BODY)
        basis = self.layout.ribbon.basis(places)
        held = basis @ self.twist_weights
        return ControlFrames(
            posed.at_home[BODY].frames(places),
            held @ controls.twists,
            basis @ (self.surface_weights @ controls.stretches),
            held @ controls.girths,
        )

    # -- ribbons to joints -----------------------------------------------------------------

    def joint_pose(self, pose: Pose) -> JointPose:
        """Pose all joints.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        JointPose
        """
        return self.posed(pose).joints

    def joint_frames(self, pose: Pose) -> Array:
        """Posed frames of all ribbon joints.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        (N, 4, 4) array
            Columns along, across, normal, origin.
        """
        return self.joint_pose(pose).rigid @ self.joint_rest

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

    def pose_for(self, name: str, amount: float | None = None, ribbon: str = BODY) -> Pose:
        """A test pose, expressed in this layout's controls.

        Each control is put on the target's frame at its own place along its ribbon.

        Parameters
        ----------
        name : str
            One of :data:`ribbonsim.TEST_POSES`, or of the test poses of all appendages.
        amount : float, optional
            Degrees, turns or a factor, as the test pose says; its usual amount if left out.
        ribbon : str
            The ribbon that takes the pose; all appendages take theirs together.

        Returns
        -------
        Pose

        Raises
        ------
        RibbonsimError
            If a name is unknown or the amount cannot be used.
        """
        return self.fit_all(self.targets_for(name, amount, ribbon))

    def targets_for(
        self, name: str, amount: float | None = None, ribbon: str = BODY
    ) -> dict[str, Target]:
        """Target shapes of a test pose.

        Parameters
        ----------
        name, amount, ribbon
            As in :meth:`pose_for`.

        Returns
        -------
        dict of str to Target
            For each ribbon that takes the pose.

        Raises
        ------
        RibbonsimError
            If a name is unknown or the amount cannot be used.
        """
        layout = self.layout
        if name in APPENDAGE_POSES:
            if not layout.appendages:
                raise RibbonsimError(
                    f"the pose {name!r} moves appendages and this layout has none: add one first"
                )
            riders = layout.appendages
            return {one.name: appendage_target(layout, one, name, amount) for one in riders}
        if ribbon != BODY:
            layout.appendage(ribbon)  # says what there is
        return {ribbon: make_target(layout.ribbons[ribbon].ribbon, name, amount)}

    def fit_all(self, targets: Mapping[str, Target]) -> Pose:
        """Fit several ribbons at once.

        Parameters
        ----------
        targets : mapping of str to Target
            By ribbon.

        Returns
        -------
        Pose
        """
        controls: dict[str, ControlPose] = {}
        for ribbon, target in targets.items():
            controls |= self.fit(target, ribbon).controls
        return Pose(controls)

    def fit(self, target: Target, ribbon: str = BODY) -> Pose:
        """Put each control of a ribbon on a target's frame at its place along it.

        Twist is counted from the control that carries the others: what it turns by itself
        rolls the whole body instead of twisting it.

        Parameters
        ----------
        target : Target
        ribbon : str

        Returns
        -------
        Pose
        """
        one = self.layout.ribbons[ribbon]
        lengths = one.ribbon.arc_length(one.control_places)
        free = [i for i, carrier in one.carry_order() if carrier is None]
        if len(free) == 1:
            target = target.twisted_from(lengths[free[0]])
        wanted = target.at(lengths)
        values = values_for(self._parts[ribbon].control_rest, one.carry_order(), wanted)
        return Pose(dict(zip(self.layout.control_names_of(ribbon), values, strict=True)))

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
        return shape_error(self.layout.ribbon, self.pose_ribbon(pose), target)


def _check_method(method: str) -> None:
    if method not in METHODS:
        raise RibbonsimError(f"method = {method!r} is not known: choose {' or '.join(METHODS)}")

"""The rig: controls move a ribbon, the ribbon carries joints, the joints carry the skin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np

from ribbonsim.arrays import Array, Floats
from ribbonsim.body.standing import standing_seat
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import APPENDAGE_POSES, appendage_target
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.control_frames import ControlFrames
from ribbonsim.layout.fit import fit_many
from ribbonsim.layout.motions import changed
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.layout.settings import Drive
from ribbonsim.layout.targets import TEST_POSES, Target, held_target, make_target, shape_error
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.jointed import Jointed
from ribbonsim.rig.own_motions import motion_of
from ribbonsim.rig.skin import Skinner
from ribbonsim.rig.sweep import swept_skin
from ribbonsim.rig.take import Stage, Take

Method = Literal["linear", "dual_quaternion"]
METHODS: tuple[Method, ...] = ("linear", "dual_quaternion")


@dataclass(frozen=True, eq=False)
class Rig(Jointed):
    """A mesh bound to a layout; made by :func:`ribbonsim.bind`, asked with poses.

    Its ribbons, controls and joints are those of :class:`Jointed`, and so are its parameters.
    """

    @cached_property
    def skinner(self) -> Skinner:
        """The mesh arranged for posing."""
        return Skinner(
            self.mesh.positions, self.mesh_weights, self.mesh.vertex_normals, self.joint_parents
        )

    def __getstate__(self) -> dict[str, Any]:
        """What a copy on disk, or in another process, is made from: whatever was not derived."""
        kept = (*(each.name for each in fields(self)), "_standing")
        return {name: vars(self)[name] for name in kept if name in vars(self)}

    @cached_property
    def control_influence(self) -> Array:
        """(V, A) how much each of all controls moves each vertex; rows sum to one.

        An appendage's joints count for its own controls, not for those that carry it.
        """
        told = self._chains.basis @ self._chains.control_of_point
        return self.mesh_weights @ told[self._with_tied]

    def under(self, drive: Drive) -> Rig:
        """The same mesh and weights with controls that drive the ribbons the other way.

        Parameters
        ----------
        drive : {"shares", "skinned"}

        Returns
        -------
        Rig
        """
        if drive == self.layout.drive:
            return self
        other = replace(self, layout=self.layout.with_drive(drive))
        for name in ("skinner", "_parts", "_mounts"):  # cached properties that stay the same
            other.__dict__[name] = getattr(self, name)
        return other

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
        alone, places = self.layout.only(ribbon), self.places
        if ribbon != BODY:
            places = np.zeros(len(self.places))
            places[self.limbs[ribbon].vertices] = self.limbs[ribbon].places
        chain = self._parts[ribbon]
        rows = self.mesh_weights[:, self.joints_of[ribbon]]
        part = Rig(self.mesh, alone, places, chain.surface_weights, rows)
        if ribbon != BODY:
            part.__dict__["_standing"] = None  # likewise: it stands on its base
        part.__dict__["_parts"] = {BODY: chain}  # fills the cached property: the same ribbon
        return part

    # -- joints to skin ------------------------------------------------------------------

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

    def sweep(self, pose: Pose) -> Array:
        """Pose the mesh without joints: each vertex rides the ribbon's frame at its own place.

        What a ribbon with joints at every place would do: the truth that the joints of the
        stations stand in for, and so the measure of what their number costs.

        Parameters
        ----------
        pose : Pose

        Returns
        -------
        (V, 3) array
            Scene units, in the order of the mesh's file.

        Raises
        ------
        RibbonsimError
            If the pose names a control that is not there.
        """
        posed = self.posed(pose)
        return swept_skin(self.mesh, posed, self.mesh_weights, self.places, dict(self.limbs))

    # -- motions --------------------------------------------------------------------------

    @cached_property
    def stage(self) -> Stage:
        """The body as motions see it, and the ground it is on."""
        return Stage.of(self)

    def motion(
        self,
        name: str,
        seconds: float | None = None,
        *,
        amount: float | None = None,
        lag: float | None = None,
        swing: float | None = None,
        weight: float | None = None,
        slide: float | None = None,
        travels: bool = False,
    ) -> Take:
        """A motion on this rig; cheap, until its frames are asked.

        Parameters
        ----------
        name : str
            One of :data:`ribbonsim.MOTIONS`, or a motion that the layout keeps.
        seconds : float, optional
            How long the loop takes; what is usual for it, if left out, as with all that follow.
        amount : float, optional
            Share of what is usual, 0 to 3.
        lag : float, optional
            Seconds before the free end has made half of a sudden move.
        swing : float, optional
            How far it swings past, as a share of the move, 0 to 0.6.
        weight : float, optional
            How far it settles into the ground, 0 to 1.
        slide : float, optional
            Resistance along the body over that across it; 1 travels nowhere.
        travels : bool
            Go over the ground. Else it stays on the spot, and the loop closes.

        Returns
        -------
        Take

        Raises
        ------
        RibbonsimError
            If no motion is called so, or a value cannot be used.

        Examples
        --------
        >>> for frame in rig.motion("swim", seconds=2).frames(24):  # doctest: +SKIP
        ...     skin = frame.skin()
        """
        told = motion_of(self, name)
        return Take(self, changed(told, seconds, amount, lag, swing, weight, slide), travels)

    # -- test poses ----------------------------------------------------------------------

    def pose_for(self, name: str, amount: float | None = None, ribbon: str = BODY) -> Pose:
        """A test pose, expressed in this layout's controls.

        Its bends bring each ribbon as near to the target as they can; :meth:`fit` says how.

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
        own = layout.ribbons[ribbon].ribbon
        target = make_target(own, name, amount)
        still = self.still_place(ribbon, TEST_POSES[name].lifts)
        if still is not None:
            target = held_target(target, own, still)
        return {ribbon: target}

    def still_place(self, ribbon: str, lifts: float = 1.0) -> float | None:
        """Arc length of the place that a test pose leaves where it rests; None if none does.

        Where the body stands, if the control that carries the others is the nearest to it, so
        that layouts of one body are asked for one shape at one place; else at that control. A
        pose that lifts the body from a place on leaves what rests before that.
        """
        own, root = self.layout.ribbons[ribbon], self._parts[ribbon].root
        if root is None:
            return None
        stands = own.control_lengths
        place = self._standing if ribbon == BODY else None
        if place is not None and standing_seat(stands, place, own.ribbon.length) == root:
            return place if lifts == 1.0 else self._resting_before(lifts)
        return float(stands[root])

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
        return self.fit_many([targets])[0]

    def fit_many(self, asked: Sequence[Mapping[str, Target]]) -> list[Pose]:
        """As :meth:`fit_all` for many poses: quicker than one after the other.

        Parameters
        ----------
        asked : (F,) sequence of mapping of str to Target
            By ribbon.

        Returns
        -------
        (F,) list of Pose
        """
        controls: list[dict[str, ControlPose]] = [{} for _ in asked]
        for ribbon in dict.fromkeys(name for targets in asked for name in targets):
            numbers = [k for k, targets in enumerate(asked) if ribbon in targets]
            found = self._fitted([asked[k][ribbon] for k in numbers], ribbon)
            for k, values in zip(numbers, found, strict=True):
                controls[k] |= values
        return [Pose(each) for each in controls]

    def fit(self, target: Target, ribbon: str = BODY) -> Pose:
        """Bring a ribbon as near to a target as its controls can.

        Where ``shares`` drive it, bends are fitted by least squares to the whole midline.
        Controls that stand alone, or whose surface is skinned to them, are put on the target's
        frames at their places.

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
        return Pose(self._fitted([target], ribbon)[0])

    def _fitted(self, targets: Sequence[Target], ribbon: str) -> list[dict[str, ControlPose]]:
        """Values of one ribbon's controls, by name, for each of some targets."""
        part = self._parts[ribbon]
        if self.layout.drive == "shares" and part.root is not None:
            at = part.path.lengths
            wanted = ControlFrames.stacked([part.counted(target).at(at) for target in targets])
            # an appendage's base stays on what carries it
            found = fit_many(part.path, part.root, wanted, held_root=ribbon != BODY)
        else:
            found = [part.on_frames(target) for target in targets]
        names = self.layout.control_names_of(ribbon)
        return [dict(zip(names, values, strict=True)) for values in found]

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

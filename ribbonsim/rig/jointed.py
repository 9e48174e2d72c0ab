"""Controls move ribbons, and ribbons carry joints: a bound mesh's rig up to its skin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.arrays import Array
from ribbonsim.body.limbs import Limb
from ribbonsim.body.standing import standing_place
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.control_frames import ControlFrames
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import Pose
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.chain import Chain
from ribbonsim.rig.chains import Chains, JointPose, Mount
from ribbonsim.rig.joined import joint_slices, mounts_of, tied_joints
from ribbonsim.rig.posed import Posed
from ribbonsim.rig.weights import surface_weights


@dataclass(frozen=True, eq=False)
class Jointed:
    """The ribbons of a bound mesh, their controls and joints: a rig without its skin.

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

    # -- at rest -------------------------------------------------------------------------

    @cached_property
    def _parts(self) -> dict[str, Chain]:
        """Every ribbon with its weights, by name."""
        kept: dict[str, Chain] = self.__dict__.get("_kept_chains", {})
        weights = {BODY: self.surface_weights}
        return {
            name: kept[name]
            if name in kept
            else Chain(own, weights[name] if name in weights else surface_weights(own))
            for name, own in self.layout.ribbons.items()
        }

    def keep_chains(self, other: Jointed) -> None:
        """Take over what another rig has worked out of the ribbons that both have."""
        had = other.layout.ribbons
        kept = {
            name: other._parts[name]
            for name, own in self.layout.ribbons.items()
            if name in had and had[name] is own
        }
        self.__dict__["_kept_chains"] = kept

    @property
    def chain(self) -> Chain:
        """The body's ribbon with its controls, joints and weights."""
        return self._parts[BODY]

    def chain_of(self, ribbon: str) -> Chain:
        """One ribbon with its controls, joints and weights.

        Parameters
        ----------
        ribbon : str
            One that the layout has.

        Returns
        -------
        Chain
        """
        return self._parts[ribbon]

    @cached_property
    def _mounts(self) -> list[Mount]:
        return mounts_of(self.mesh, self.layout, self.limbs)

    @cached_property
    def _chains(self) -> Chains:
        return Chains(tuple(self._parts.values()), self._mounts, self.layout.drive)

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
    def share_table(self) -> Array:
        """(N, K - 1) share of each piece between controls that each of the body's joints has.

        What a control adds to the piece that leads to it has been done by so much at the
        joint: 0 before the piece, 1 after it.
        """
        return self._parts[BODY].share_table

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
        for mount, own in zip(self._mounts, list(self.joints_of.values())[1:], strict=True):
            parents += [int(np.argmax(mount.shares)), *range(own.start, own.stop - 1)]
        return (*parents, *tied_joints(self.layout).tolist())

    @cached_property
    def joints_of(self) -> dict[str, slice]:
        """Columns of ``mesh_weights`` that belong to each ribbon."""
        return joint_slices(self.layout)

    @cached_property
    def _standing(self) -> float | None:
        """Arc length where the body stands; None for an appendage on its own."""
        return self._resting_before(1.0)

    def _resting_before(self, share: float) -> float:
        """Arc length where what lies before a place, as a share of the body, rests."""
        known: dict[float, float] = self.__dict__.setdefault("_rested", {})
        if share not in known:
            ribbon, up = self.layout.ribbon, self.layout.up
            known[share] = standing_place(self.mesh, ribbon, up, share)
        return known[share]

    # -- controls to ribbons -------------------------------------------------------------

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
        """Pose the body ribbon, as the layout's drive moves it.

        Where ``shares`` drive it, each control turns and shifts the piece of body that leads
        to it, and the surface is fitted through the path of these; twist goes about the
        tangent, and the width is held at the control points' places, so that several turns
        narrow nothing. Where it is ``skinned``, control points are blended linearly between
        the controls by ``surface_weights``.

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
        return self.posed(pose).frames_at(BODY, t)

    # -- ribbons to joints ---------------------------------------------------------------

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

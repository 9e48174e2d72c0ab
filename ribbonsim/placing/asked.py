"""What a layout is sought for: poses with their weights, as target shapes of ribbons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.bendcheck.cases import PoseList, Wish, wishes, with_amounts
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.layout.targets import Target
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Instant

_SAMPLES = 513


@dataclass(frozen=True, eq=False)
class Asked:
    """One pose that is asked for.

    Parameters
    ----------
    wish : Wish
    weight : float
        How much its error counts beside the others', above 0.
    targets : mapping of str to Target
        Of the ribbons that take the pose.
    """

    wish: Wish
    weight: float
    targets: Mapping[str, Target]

    @property
    def name(self) -> str:
        """Of the pose."""
        return self.wish.name


def read_poses(
    gauge: Gauge, poses: PoseList, weights: Mapping[str, float] | None = None
) -> tuple[Asked, ...]:
    """Read poses as a caller gives them.

    Parameters
    ----------
    gauge : Gauge
        Of the rig that the poses are asked of.
    poses : Pose, mapping, sequence of str or None
        As for :func:`ribbonsim.check`; a name may also be that of a pose kept with the layout.
    weights : mapping of str to float, optional
        By pose; 1 where nothing is said.

    Returns
    -------
    tuple of Asked

    Raises
    ------
    RibbonsimError
        If a pose is unknown, moves nothing, or has a weight that cannot be used.
    """
    rig, given = gauge.rig, {} if weights is None else dict(weights)
    listed = with_amounts(wishes(_kept_poses(rig, poses), rig.layout), gauge)
    if not listed:
        raise RibbonsimError("no pose to place controls for: give at least one")
    unknown = [name for name in given if name not in [wish.name for wish in listed]]
    if unknown:
        raise RibbonsimError(
            f"a weight is given for {unknown[0]!r}, which is not among the poses: "
            f"choose from {', '.join(wish.name for wish in listed)}"
        )
    asked = []
    for wish in listed:
        weight = float(given.get(wish.name, 1.0))
        if not (np.isfinite(weight) and weight >= 0.0):
            raise RibbonsimError(f"the weight {weight:g} of {wish.name} cannot be used: give 0 up")
        if weight > 0.0:
            asked.append(Asked(wish, weight, _targets_of(rig, wish)))
    if not asked:
        raise RibbonsimError("all poses have the weight 0: give one of them more")
    return tuple(asked)


def _kept_poses(rig: Rig, poses: PoseList) -> PoseList:
    """The same poses, with names of kept ones replaced by what these say."""
    kept = rig.layout.poses
    if poses is None or isinstance(poses, Pose):
        return poses
    pairs: Mapping[str, Pose | Instant | float | None] | Sequence[str] = poses
    named = dict(pairs) if isinstance(pairs, Mapping) else dict.fromkeys(pairs)
    return {
        name: kept[name] if value is None and name in kept else value
        for name, value in named.items()
    }


def _targets_of(rig: Rig, wish: Wish) -> Mapping[str, Target]:
    if wish.instant is not None:
        return wish.instant.targets
    if wish.pose is None:
        return rig.targets_for(wish.name, wish.amount)
    return targets_of_pose(rig, wish.pose, wish.name)


def targets_of_pose(rig: Rig, pose: Pose, name: str = "pose") -> dict[str, Target]:
    """The shapes that a pose of a rig's own controls brings its ribbons into.

    Parameters
    ----------
    rig : Rig
    pose : Pose
    name : str
        What the pose is called in the message.

    Returns
    -------
    dict of str to Target
        Of the ribbons whose controls it moves. What it says of girth is left out.

    Raises
    ------
    RibbonsimError
        If it moves nothing.
    """
    posed = rig.posed(pose)
    targets = {}
    for ribbon, own in rig.layout.ribbons.items():
        controls = rig.layout.control_names_of(ribbon)
        if all(pose[control] == ControlPose() for control in controls):
            continue
        lengths = np.linspace(0.0, own.ribbon.length, _SAMPLES)
        told = posed.frames_at(ribbon, own.ribbon.place_at(lengths))
        targets[ribbon] = Target(lengths, told.untwisted, told.twists, told.stretches)
    if not targets:
        raise RibbonsimError(f"the pose {name!r} moves nothing: leave it out")
    return targets


def groups_of(rig: Rig, asked: Sequence[Asked]) -> list[tuple[str, ...]]:
    """Ribbons that take a pose; left and right of a pair together, as they are laid out alike."""
    moved = {ribbon for one in asked for ribbon in one.targets}
    partners = {one.name: one.partner for one in rig.layout.appendages}
    groups: list[tuple[str, ...]] = []
    for name, own in rig.layout.ribbons.items():
        if name not in moved or any(name in group for group in groups):
            continue
        partner = partners.get(name)
        alike = (
            partner is not None
            and partner in moved
            and abs(rig.layout.ribbons[partner].ribbon.length / own.ribbon.length - 1.0) < 0.02
        )
        groups.append((name, str(partner)) if alike and name != BODY else (name,))
    return groups

"""What the other drive makes of the same layout, in one line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from ribbonsim.bendcheck.cases import Wish
from ribbonsim.bendcheck.figures import figure
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.layout.settings import OTHER_DRIVE, Drive
from ribbonsim.layout.targets import Target, shape_error
from ribbonsim.rig.rig import Rig

INSTEAD: dict[Drive, str] = {
    "skinned": "Skinned to the surface instead",
    "shares": "Driven by shares instead",
}
_SAMPLES = 65


@dataclass(frozen=True)
class UnderOtherDrive:
    """How far a layout under the other drive misses a pose.

    Parameters
    ----------
    drive : {"shares", "skinned"}
        The other one.
    pose : str
        Name of the test pose; empty for a pose of the layout's own controls.
    error : float
        Root mean square distance from the target over the ribbon's length. Of a pose of the
        layout's own: from where the same values put the ribbon under the layout's drive.
    own_error : float or None
        The same distance under the layout's own drive, for a test pose.
    ribbon : str
        The one that misses it most.
    """

    drive: Drive
    pose: str
    error: float
    own_error: float | None
    ribbon: str = BODY

    @property
    def sentence(self) -> str:
        """The figure in words."""
        who = "the body" if self.ribbon == BODY else self.ribbon
        missed, instead = figure("shape", self.error), INSTEAD[self.drive]
        if self.own_error is None:
            return f"{instead}, the same values put {who} {missed} of its length off this pose."
        return (
            f"{instead}, the same layout misses {self.pose.replace('_', ' ')} by {missed} of the "
            f"length of {who} (now {figure('shape', self.own_error)})."
        )


def under_other_drive(rig: Rig, wishes: Iterable[Wish]) -> UnderOtherDrive | None:
    """Measure where the other drive misses poses most; None if no pose moves anything."""
    other = rig.under(OTHER_DRIVE[rig.layout.drive])
    found: list[UnderOtherDrive] = []
    for wish in wishes:
        if wish.instant is not None:
            found += _of_targets(rig, other, wish.name, wish.instant.targets)
        elif wish.pose is None:
            targets = rig.targets_for(wish.name, wish.amount)
            found += _of_targets(rig, other, wish.name, targets)
        elif any(values != ControlPose() for values in wish.pose.controls.values()):
            found += _of_own_pose(rig, other, wish.pose)
    return max(found, key=lambda one: one.error, default=None)


def _of_targets(
    rig: Rig, other: Rig, pose: str, targets: Mapping[str, Target]
) -> list[UnderOtherDrive]:
    ours, theirs = (one.posed(one.fit_all(targets)).at_home for one in (rig, other))
    return [
        UnderOtherDrive(
            other.layout.drive,
            pose,
            shape_error(rig.layout.ribbons[name].ribbon, theirs[name], target),
            shape_error(rig.layout.ribbons[name].ribbon, ours[name], target),
            name,
        )
        for name, target in targets.items()
    ]


def _of_own_pose(rig: Rig, other: Rig, pose: Pose) -> list[UnderOtherDrive]:
    ours, theirs = rig.posed(pose).at_home, other.posed(pose).at_home
    return [
        UnderOtherDrive(
            other.layout.drive, "", _apart(own.ribbon, ours[name], theirs[name]), None, name
        )
        for name, own in rig.layout.ribbons.items()
    ]


def _apart(rest: Ribbon, one: Ribbon, other: Ribbon) -> float:
    """Root mean square distance at equal places along a ribbon, over its rest length."""
    t = rest.place_at(np.linspace(0.0, rest.length, _SAMPLES))
    squares = np.sum((one.midline(t) - other.midline(t)) ** 2, axis=1)
    return float(np.sqrt(squares.mean()) / rest.length)

"""Keep a pose when the layout under it changes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.frames import invert_rigid
from ribbonsim.pose import ControlFrames, ControlPose, Pose, values_for
from ribbonsim.rig import Rig

Array = NDArray[np.float64]

# a ribbon fitted anew puts a place a little elsewhere
_SAME_PLACE = 2e-3


def carry_over(old: Rig, new: Rig, pose: Pose, turned: bool = False) -> Pose:
    """Express a pose of one layout in the controls of another, by place along the body.

    Parameters
    ----------
    old, new : Rig
        Of one mesh.
    pose : Pose
        Of the old rig.
    turned : bool
        Whether root and tip have changed places.

    Returns
    -------
    Pose
        Of the new rig. Where nothing that matters changed it is the pose itself.
    """
    if all(values == ControlPose() for values in pose.controls.values()):
        return Pose({}, pose.keep_volume)
    if not turned and _same_controls(old, new):
        return pose
    share = new.layout.ribbon.arc_length(new.layout.control_places) / new.layout.ribbon.length
    share = 1.0 - share if turned else share
    places = old.layout.ribbon.place_at(share * old.layout.ribbon.length)
    told = _told(old, pose, places)
    motion = told.frames @ invert_rigid(old.layout.ribbon.frames(places))
    twists = -told.twists if turned else told.twists
    wanted = ControlFrames(motion @ new.control_rest, twists, told.stretches, told.girths)
    values = values_for(new.control_rest, new.layout.carry_order(), wanted)
    tidy = [_tidy(value, new.layout.ribbon.length) for value in values]
    return Pose(dict(zip(new.layout.control_names, tidy, strict=True)), pose.keep_volume)


def _told(old: Rig, pose: Pose, places: Array) -> ControlFrames:
    """Frames at places: a control's own where one stands, the posed ribbon's elsewhere.

    The ribbon runs near its controls, not through them; asking it where a control stands
    would let the pose creep with each change.
    """
    told, own = old.frames_in(pose, places), old.control_frames(pose)
    apart = np.abs(places[:, None] - old.layout.control_places)
    nearest = np.argmin(apart, axis=1)
    here = np.flatnonzero(apart.min(axis=1) < _SAME_PLACE)
    for to, source in (
        (told.frames, own.frames),
        (told.twists, own.twists),
        (told.stretches, own.stretches),
        (told.girths, own.girths),
    ):
        to[here] = source[nearest[here]]
    return told


def _same_controls(old: Rig, new: Rig) -> bool:
    def seats(rig: Rig) -> list[tuple[str, str | None]]:
        return [(control.name, control.carried_by) for control in rig.layout.controls]

    return seats(old) == seats(new) and np.array_equal(old.control_rest, new.control_rest)


def _tidy(value: ControlPose, length: float) -> ControlPose:
    """Put to rest what differs from it by rounding alone."""

    def settle(number: float, rest: float, size: float) -> float:
        return rest if abs(number - rest) < 1e-9 * size else number

    along, across, normal = (settle(shift, 0.0, length) for shift in value.shift)
    return ControlPose(
        bend=settle(value.bend, 0.0, 360.0),
        sway=settle(value.sway, 0.0, 360.0),
        twist=settle(value.twist, 0.0, 360.0),
        shift=(along, across, normal),
        stretch=settle(value.stretch, 1.0, 1.0),
        girth=settle(value.girth, 1.0, 1.0),
    )

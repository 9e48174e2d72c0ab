"""Keep a pose when the layout under it changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.control_frames import ControlFrames, values_for
from ribbonsim.layout.fit import fit_shares
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.rig.rig import Rig

# a ribbon fitted anew puts a place a little elsewhere
_SAME_PLACE = 2e-3
_SAMPLES, _TRIES, _GAIN, _CLOSE = 65, 4, 0.97, 1e-6


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
    controls: dict[str, ControlPose] = {}
    for ribbon in new.layout.ribbons:
        if ribbon in old.layout.ribbons:
            own = pose_of_ribbon(old.layout, pose, ribbon)
            kept = _kept(old.part(ribbon), new.part(ribbon), own, turned and ribbon == BODY)
            controls |= {
                new.layout.control_name(ribbon, name): values
                for name, values in kept.controls.items()
            }
    return Pose(controls, pose.keep_volume)


def pose_of_ribbon(layout: Layout, pose: Pose, ribbon: str) -> Pose:
    """What a pose says to the controls of one ribbon.

    Returns
    -------
    Pose
        Of the controls' own names, without the ribbon's in front.
    """
    own = layout.ribbons[ribbon].control_names
    moved = {
        name: pose.controls[whole]
        for name, whole in zip(own, layout.control_names_of(ribbon), strict=True)
        if whole in pose.controls
    }
    return Pose(moved, pose.keep_volume)


def _kept(old: Rig, new: Rig, pose: Pose, turned: bool) -> Pose:
    """The pose of one ribbon, in the controls of another."""
    if all(values == ControlPose() for values in pose.controls.values()):
        return Pose({}, pose.keep_volume)
    if not turned and _same_controls(old, new):
        return pose
    if new.chain.root is not None and new.layout.drive == "shares":
        return _refitted(old, new, pose, turned)
    places = _same_places(old, new, new.layout.control_places, turned)
    told = _told(old, pose, places)
    motion = told.frames @ invert_rigid(old.layout.ribbon.frames(places))
    twists = -told.twists if turned else told.twists
    wanted = ControlFrames(motion @ new.control_rest, twists, told.stretches, told.girths)
    return _nearest(old, new, pose, wanted, turned)


def _refitted(old: Rig, new: Rig, pose: Pose, turned: bool) -> Pose:
    """The values of a chain of controls that bring the new ribbon where the old one is posed."""
    path, root = new.chain.path, int(new.chain.root or 0)
    places = _same_places(old, new, path.places, turned)
    told = old.frames_in(pose, places)
    motion = told.frames @ invert_rigid(old.layout.ribbon.frames(places))
    twists = -told.twists if turned else told.twists
    wanted = ControlFrames(motion @ path.frames, twists, told.stretches, told.girths)
    shifts = _shifts(old, pose)
    values = fit_shares(path, root, wanted, shifts=shifts, fine=True)
    tidy = [_tidy(value, new.layout.ribbon.length) for value in values]
    return Pose(dict(zip(new.layout.control_names, tidy, strict=True)), pose.keep_volume)


def _shifts(rig: Rig, pose: Pose) -> bool:
    """Whether a pose shifts what controls carry, or cannot be told from one that does."""
    if rig.chain.root is None or rig.layout.drive != "shares":
        return True
    root = rig.layout.control_names[rig.chain.root]
    return any(
        value.shift != (0.0, 0.0, 0.0) for name, value in pose.controls.items() if name != root
    )


def _same_places(old: Rig, new: Rig, t: Array, turned: bool) -> Array:
    """Places ``t`` of the new ribbon as places of the old one."""
    ribbon = new.layout.ribbon
    share = ribbon.arc_length(t) / ribbon.length
    share = 1.0 - share if turned else share
    return old.layout.ribbon.place_at(share * old.layout.ribbon.length)


def _nearest(old: Rig, new: Rig, pose: Pose, wanted: ControlFrames, turned: bool) -> Pose:
    """Of poses that put controls about wanted frames the one that keeps the body best.

    The ribbon runs near its controls, so controls that stand elsewhere bend it a little
    otherwise. What the ribbon lacks at their places is put on top of their frames, a few
    times over; each time the midline tells whether it has helped.
    """
    t = np.linspace(0.0, 1.0, _SAMPLES)
    body = old.pose_ribbon(pose).midline(_same_places(old, new, t, turned))
    seats = new.layout.control_places
    there = _same_places(old, new, seats, turned)
    back = invert_rigid(old.layout.ribbon.frames(there)) @ new.control_rest
    target = old.frames_in(pose, there).frames @ back
    best, lowest = pose, np.inf
    for _ in range(_TRIES):
        values = values_for(new.control_rest, new.layout.carry_order(), wanted)
        tidy = [_tidy(value, new.layout.ribbon.length) for value in values]
        tried = Pose(dict(zip(new.layout.control_names, tidy, strict=True)), pose.keep_volume)
        away = float(np.linalg.norm(new.pose_ribbon(tried).midline(t) - body, axis=1).max())
        if away < _GAIN * lowest:
            best, lowest = tried, away
        if away < _CLOSE * new.layout.ribbon.length:
            break
        lack = target @ invert_rigid(new.frames_in(tried, seats).frames)
        wanted = replace(wanted, frames=lack @ wanted.frames)
    return best


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

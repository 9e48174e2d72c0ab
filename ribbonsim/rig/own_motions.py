"""Motions of the user's own: kept poses at times, as what they add to the body piece by piece."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import invert_rigid, rigid_log
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.keyed import looped
from ribbonsim.layout.motions import MOTIONS, Motion, Moves, OwnMotion
from ribbonsim.layout.pose import Pose

if TYPE_CHECKING:
    from ribbonsim.rig.rig import Rig


def motion_of(rig: Rig, name: str) -> Motion:
    """A motion of every creature, or one that the layout keeps.

    Raises
    ------
    RibbonsimError
        If no motion is called so.
    """
    own = rig.layout.motions
    if name in own:
        return _of_own(rig, name, own[name])
    if name not in MOTIONS:
        known = ", ".join([*MOTIONS, *own])
        raise RibbonsimError(f"no motion is called {name!r}: choose one of {known}")
    if MOTIONS[name].beats is not None and not rig.layout.appendages:
        raise RibbonsimError(
            f"the motion {name!r} moves appendages and this layout has none: add one first"
        )
    return MOTIONS[name]


def motions_of(rig: Rig) -> list[str]:
    """Names of the motions that make sense for a rig, its own last."""
    fit = [n for n, one in MOTIONS.items() if one.beats is None or rig.layout.appendages]
    return [*fit, *rig.layout.motions]


def motions_asked(rig: Rig, names: Sequence[str]) -> list[str]:
    """Names of motions, where ``all`` stands for those that make sense for a rig."""
    return motions_of(rig) if "all" in names else list(names)


def _of_own(rig: Rig, name: str, own: OwnMotion) -> Motion:
    """A motion through kept poses: what each of them adds, eased from key to key."""
    poses = [Pose() if key == "rest" else rig.layout.poses[key] for key in own.poses]
    keys = tuple(time / own.seconds for time in own.times)
    anchor = rig.stage.figure.anchor((0.0, 1.0))

    def adds(ends: Array, times: Array) -> Moves:
        told = [_added(rig, pose, BODY, ends) for pose in poses]
        moved = [_moved(rig, pose, float(ends[anchor])) for pose in poses]
        return Moves.of(
            len(times),
            len(ends) - 1,
            turns=looped(keys, np.array([turns for turns, _ in told]), times),
            stretches=looped(keys, np.array([stretch for _, stretch in told]), times),
            shifts=looped(keys, np.array([shift for shift, _ in moved]), times),
            spins=looped(keys, np.array([spin for _, spin in moved]), times),
        )

    def beats(ribbon: str, at: float, ends: Array, times: Array) -> Array:
        told = [_added(rig, pose, ribbon, ends)[0] for pose in poses]
        return looped(keys, np.array(told), times)

    words = ", ".join(own.poses)
    return Motion(
        name,
        f"goes through {words}",
        adds,
        own.seconds,
        lag=own.lag,
        swing=own.swing,
        weight=own.weight,
        keys=keys,
        beats=beats if rig.layout.appendages else None,
    )


def _added(rig: Rig, pose: Pose, ribbon: str, ends: Array) -> tuple[Array, Array]:
    """(n, 3) turns and (n,) logarithms of stretch that a pose adds to a ribbon's pieces."""
    rest = rig.layout.ribbons[ribbon].ribbon
    t = rest.place_at(ends * rest.length)
    there, before = rig.posed(pose).frames_at(ribbon, t), rest.frames(t)
    steps = _steps(there.untwisted) - _steps(before)
    turns = np.column_stack([np.radians(np.diff(there.twists)), steps[:, 1:3]])
    logs = np.log(there.stretches)
    return turns, 0.5 * (logs[1:] + logs[:-1])


def _steps(frames: Array) -> Array:
    return rigid_log(invert_rigid(frames[:-1]) @ frames[1:])


def _moved(rig: Rig, pose: Pose, place: float) -> tuple[Array, Array]:
    """(3,) shift, seen ahead, to the left and up in body lengths, and (3,) turn of one place."""
    rest, figure = rig.layout.ribbon, rig.stage.figure
    t = rest.place_at([place * rest.length])
    motion = rig.frames_in(pose, t).untwisted[0] @ invert_rigid(rest.frames(t))[0]
    base = rest.midline(t)[0]
    shift = motion[:3, :3] @ base + motion[:3, 3] - base
    axes = np.stack([*figure.ahead, figure.up])
    return axes @ shift / rest.length, Rotation.from_matrix(motion[:3, :3]).as_rotvec()

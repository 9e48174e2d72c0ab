"""What moves in what leaves: poses by name, and clips through them over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.bendcheck.amounts import usual_pose
from ribbonsim.checks import check_choice, check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import test_poses_of
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Instant, Take
from ribbonsim.show.moves import Movement, blend, moments

# A key each time that all controls together have turned so far, at the latest.
_DEGREES_A_KEY = 45.0
_FRAMES_A_SECOND = 24.0
_MOST_KEYS = 20_000
# frames of a motion at which its flattening is measured, and what is none, of the length
_LOOKED_AT, _NOTHING = 12, 1e-4


@dataclass(frozen=True, eq=False)
class Clip:
    """Poses over time.

    Parameters
    ----------
    name : str
    times : (K,) array
        Rising, seconds, from 0.
    poses : (K,) tuple of Pose
    note : str
        What has to be known to use it.
    """

    name: str
    times: Array
    poses: tuple[Pose, ...]
    note: str = ""

    def __post_init__(self) -> None:
        times = np.array(self.times, dtype=float)
        if times.ndim != 1 or not len(times) or len(times) != len(self.poses):
            raise RibbonsimError(
                f"the clip {self.name!r} has {times.size} times for {len(self.poses)} poses: "
                "give one time for each, and at least one"
            )
        if times[0] < 0 or not np.isfinite(times).all() or (np.diff(times) <= 0).any():
            raise RibbonsimError(
                f"the times of the clip {self.name!r} do not rise: give seconds in order, from 0"
            )
        object.__setattr__(self, "times", times)
        object.__setattr__(self, "poses", tuple(self.poses))

    @classmethod
    def there_and_back(
        cls,
        name: str,
        pose: Pose,
        seconds: float = 1.0,
        frames_a_second: float = _FRAMES_A_SECOND,
    ) -> Clip:
        """From rest to a pose and back.

        Parameters
        ----------
        name : str
        pose : Pose
            Reached at ``seconds``, in shares as :meth:`Pose.scaled` makes them.
        seconds : float
            For one way.
        frames_a_second : float
            Keys are set as often, and more often where joints turn quickly.

        Returns
        -------
        Clip

        Raises
        ------
        RibbonsimError
            If a number cannot be used or there would be too many keys.
        """
        check_number("seconds", seconds, 0.01, 3600.0)
        check_number("frames a second", frames_a_second, 0.1, 1000.0)
        turn = sum(abs(c.bend) + abs(c.sway) + abs(c.twist) for c in pose.controls.values())
        steps = max(1, round(seconds * frames_a_second), int(np.ceil(turn / _DEGREES_A_KEY)))
        if steps > _MOST_KEYS:
            raise RibbonsimError(
                f"the clip {name!r} would have {steps} keys one way: give fewer seconds or "
                "frames a second"
            )
        shares = np.linspace(0.0, 1.0, steps + 1)
        there = [Pose(keep_volume=pose.keep_volume), *(pose.scaled(a) for a in shares[1:-1]), pose]
        times = seconds * np.r_[shares, 1.0 + shares[1:]]
        return cls(name, times, tuple([*there, *there[-2::-1]]))

    @classmethod
    def sequence(
        cls, name: str, poses: Sequence[Pose], frames_a_second: float = _FRAMES_A_SECOND
    ) -> Clip:
        """Poses at even steps.

        Parameters
        ----------
        name : str
        poses : sequence of Pose
            At least one.
        frames_a_second : float

        Returns
        -------
        Clip

        Raises
        ------
        RibbonsimError
            If there is no pose.
        """
        check_number("frames a second", frames_a_second, 0.1, 1000.0)
        if not len(poses):
            raise RibbonsimError(f"the clip {name!r} has no poses: give at least one")
        return cls(name, np.arange(len(poses)) / frames_a_second, tuple(poses))


def choose_poses(rig: Rig, poses: Mapping[str, Pose] | Sequence[str] | None) -> dict[str, Pose]:
    """Settle which poses leave, and under which names.

    Poses are given by name, or chosen by the names of kept poses and test poses; None takes all of
    those, test poses in the amounts that fit the creature.
    """
    kept, tests = rig.layout.poses, test_poses_of(rig.layout)
    if isinstance(poses, Mapping):
        chosen = {str(name): pose for name, pose in poses.items()}
        for name, pose in chosen.items():
            if not isinstance(pose, Pose):
                raise RibbonsimError(f"{name!r} is not a pose but {pose!r}: give a Pose")
    else:
        if isinstance(poses, str):
            poses = [poses]
        names = [*kept, *tests] if poses is None else poses
        chosen = {}
        for name in names:
            if not isinstance(name, str):
                raise RibbonsimError(
                    "poses without names cannot be told apart: give a mapping of names to poses"
                )
            if name not in kept and name not in tests:
                raise RibbonsimError(
                    f"no pose is called {name!r}: choose from {', '.join([*kept, *tests])}"
                )
            chosen[name] = kept[name] if name in kept else usual_pose(rig, name)
    for name, pose in chosen.items():
        _check_controls(rig, name, pose)
    return chosen


def _check_controls(rig: Rig, name: str, pose: Pose) -> None:
    known = rig.layout.all_control_names
    for control in pose.controls:
        if control not in known:
            raise RibbonsimError(
                f"the pose {name!r} moves {control!r}, which is not there: "
                f"choose from {', '.join(known)}"
            )


def clips_of(
    rig: Rig,
    poses: Mapping[str, Pose] | Sequence[str] | None,
    clips: Mapping[str, Clip | Sequence[Pose]] | None,
    seconds: float,
    frames_a_second: float,
) -> list[Clip]:
    """Motions that leave: one for each pose, there and back, and then the further ones."""
    there_and_back = [
        Clip.there_and_back(name, pose, seconds, frames_a_second)
        for name, pose in choose_poses(rig, poses).items()
    ]
    further = [
        clip if isinstance(clip, Clip) else Clip.sequence(name, clip, frames_a_second)
        for name, clip in (clips or {}).items()
    ]
    return [*there_and_back, *further]


def motion_clip(take: Take, fps: float = _FRAMES_A_SECOND) -> Clip:
    """A motion as a clip: every frame of its loop, and the first once more behind the last.

    Where the whole creature is stands in the control that nobody carries, and so in the joints.

    Parameters
    ----------
    take : Take
    fps : float
        Frames a second.

    Returns
    -------
    Clip
        Its note says what of the motion is not in the joints.
    """
    instants = take.frames(fps)
    poses = [one.pose for one in instants]
    times = take.seconds * np.arange(len(poses) + 1) / len(poses)
    if not take.travels:
        return Clip(take.name, times, (*poses, poses[0]), _not_in_joints(take, instants))
    return Clip(take.name, times[:-1], tuple(poses), _not_in_joints(take, instants))


def _not_in_joints(take: Take, instants: Sequence[Instant]) -> str:
    rig, most = take.rig, 0.0
    for one in instants[:: max(1, len(instants) // _LOOKED_AT)]:
        posed = rig.deform(one.pose)
        most = max(most, float(np.abs(one.settled(posed) - posed).max()))
    if most <= _NOTHING * rig.layout.ribbon.length:
        return "The joints hold all of it."
    share = 100.0 * most / rig.layout.ribbon.length
    return (
        "The joints hold all but the flattening on the ground, which moves skin by up to "
        f"{share:.1f} % of the body's length."
    )


def turntable_clip(
    poses: Mapping[str, Pose],
    motion: Movement = "sequence",
    frames: int = 72,
    fps: float = 24.0,
) -> Clip:
    """Move as :func:`ribbonsim.turntable` does, frame by frame.

    Parameters
    ----------
    poses : mapping of str to Pose
    motion : {"ease", "sequence"}
        From rest into the poses and back to rest; through all poses and back to the first.
    frames : int
        Of one round; the first stands behind the last once more, so that the motion is closed.
    fps : float
        Frames a second.

    Returns
    -------
    Clip
        Named ``turntable``.

    Raises
    ------
    RibbonsimError
        If there is nothing that moves, or a number cannot be used.
    """
    check_choice("motion", motion, ("ease", "sequence"))
    check_number("frames", frames, 2, 100_000, whole=True)
    held = list(poses.values())
    if motion == "ease":
        held = [Pose(), *held]
    if len(held) < 2:
        raise RibbonsimError("a sequence needs two poses or more: name more, or let it ease")
    path = [
        blend(held[moment.before], held[moment.after], moment.share)
        for moment in moments(motion, len(held), int(frames))
    ]
    return Clip.sequence("turntable", [*path, path[0]], fps)

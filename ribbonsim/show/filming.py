"""How a creature is filmed: the options, and who is shown in which pose, when and from where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ribbonsim.arrays import Floats
from ribbonsim.bendcheck.cases import PoseList, wish_for
from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Instant, Take
from ribbonsim.show.moves import (
    MOVEMENTS,
    CameraPath,
    Moment,
    Movement,
    blend,
    check_moves,
    moments,
)
from ribbonsim.show.shots import check_rigs, names_of, pose_of, pose_words, read_poses
from ribbonsim.show.slate import Slate
from ribbonsim.show.studio import LARGEST, SMALLEST, Look
from ribbonsim.view.camera import telling_view

Overlay = Literal["ribbon", "strip"]

SIZES: dict[str, tuple[int, int]] = {
    "720p": (1280, 720),
    "1080p": (1920, 1080),
    "square": (1080, 1080),
}
USUAL_FRAMES = 72
_MOST_LAYOUTS, _MOST_FRAMES = 4, 20000


@dataclass(frozen=True)
class FilmOptions:
    """The options of :func:`ribbonsim.turntable`, which says what each of them means.

    Raises
    ------
    RibbonsimError
        If one of them cannot be used.
    """

    motion: Movement | str | Take | None = None
    names: Sequence[str] | None = None
    camera: CameraPath = field(default_factory=CameraPath)
    look: Look = field(default_factory=Look)
    slate: Slate = field(default_factory=Slate)
    overlays: Sequence[Overlay] = ()
    size: str | tuple[int, int] = "720p"
    frames: int = USUAL_FRAMES
    fps: int = 24
    method: Method = "linear"
    standing: bool = True

    def __post_init__(self) -> None:
        check_number("frames", self.frames, 2, _MOST_FRAMES, whole=True)
        check_number("fps (frames a second)", self.fps, 1, 120, whole=True)
        read_size(self.size)
        for name in self.overlays:
            if name not in ("ribbon", "strip"):
                raise RibbonsimError(f"overlay {name!r} is not known: choose from ribbon, strip")

    @property
    def pixels(self) -> tuple[int, int]:
        """Width and height of the whole frame."""
        return read_size(self.size)


def read_size(size: str | tuple[int, int]) -> tuple[int, int]:
    """Width and height of a size that is named, or given as it is."""
    known = f"choose one of {', '.join(SIZES)}, or width and height in pixels such as 1600x900"
    if isinstance(size, str):
        if size in SIZES:
            return SIZES[size]
        try:
            width, height = (int(part) for part in size.lower().split("x"))
        except ValueError:
            raise RibbonsimError(f"size = {size!r} is not known: {known}") from None
        return read_size((width, height))
    try:
        width, height = size
    except (TypeError, ValueError):
        raise RibbonsimError(f"size = {size!r} is not known: {known}") from None
    for side, value in (("width", width), ("height", height)):
        check_number(f"{side} in pixels", value, SMALLEST, LARGEST, whole=True)
    return int(width), int(height)


@dataclass(frozen=True, eq=False)
class FilmPlan:
    """Who is shown in which pose, when and from where.

    Parameters
    ----------
    poses : tuple of tuple of Pose
        Of each rig, those that the film goes through.
    words : str
        What the poses are called.
    moments, azimuths : list
        Of each frame.
    instants : tuple of tuple of Instant
        Of each rig, those of a motion, in place of ``poses``; none if poses are filmed.
    """

    rigs: tuple[Rig, ...]
    names: tuple[str, ...]
    poses: tuple[tuple[Pose, ...], ...]
    words: str
    moments: list[Moment]
    azimuths: list[float]
    filming: FilmOptions
    instants: tuple[tuple[Instant, ...], ...] = ()

    def pose(self, rig: int, frame: int) -> Pose:
        """A rig's pose in a frame."""
        moment = self.moments[frame]
        return self.pose_at(rig, moment)

    def pose_at(self, rig: int, moment: Moment) -> Pose:
        """A rig's pose between two of those that the film goes through."""
        if self.instants:
            return self.instants[rig][moment.before].pose
        return blend(self.poses[rig][moment.before], self.poses[rig][moment.after], moment.share)

    def on_ground(self, rig: int, moment: Moment, positions: Floats) -> Floats:
        """Skin as it lies on the ground, in a motion; else as it is."""
        return self.instants[rig][moment.before].settled(positions) if self.instants else positions


def plan_film(rigs: Rig | Sequence[Rig], pose: PoseList | str, filming: FilmOptions) -> FilmPlan:
    """Plan a film; raises RibbonsimError where rigs, poses and options do not go together."""
    held = (rigs,) if isinstance(rigs, Rig) else tuple(rigs)
    check_rigs(held)
    if len(held) > _MOST_LAYOUTS:
        raise RibbonsimError(
            f"{len(held)} layouts are too many side by side: give {_MOST_LAYOUTS} at most"
        )
    if filming.motion is not None and filming.motion not in MOVEMENTS:
        return _plan_motion(held, pose, filming)
    first, camera = held[0], filming.camera
    asked = read_poses(first, pose)
    motion: Movement = filming.motion or ("hold" if len(asked) == 1 else "sequence")
    poses = [
        tuple(pose_of(rig, wish if rig is first else wish_for(wish, first, rig)) for wish in asked)
        for rig in held
    ]
    check_moves(motion, camera, poses[0])
    if motion == "ease":
        poses = [(Pose(), *eased) for eased in poses]
    start = camera.start
    if start is None:
        middle = first.pose_ribbon(poses[0][-1]).midline(np.linspace(0.0, 1.0, 65))
        start = telling_view(middle, camera.elevation, first.layout.up).azimuth
    return FilmPlan(
        held,
        _shown_names(held, filming),
        tuple(poses),
        " to ".join(pose_words(wish) for wish in asked),
        moments(motion, len(poses[0]), filming.frames),
        camera.azimuths(filming.frames, start),
        filming,
    )


def _shown_names(rigs: Sequence[Rig], filming: FilmOptions) -> tuple[str, ...]:
    several = len(rigs) > 1 or filming.names
    return names_of(rigs, filming.names) if several else (rigs[0].layout.name,)


def _plan_motion(rigs: Sequence[Rig], pose: PoseList | str, filming: FilmOptions) -> FilmPlan:
    """A film of whole loops of a motion, on the spot, so that it loops without a jump."""
    if pose is not None:
        raise RibbonsimError("a motion has its own poses: leave out the pose, or the motion")
    first, camera = rigs[0], filming.camera
    take = take_of(first, filming.motion)
    loops = loops_in(filming.frames, take.count(filming.fps))
    count = filming.frames // loops
    takes = [take, *(take.on(rig) for rig in rigs[1:])]
    instants = tuple(one.instants(count) for one in takes)
    start = camera.start
    if start is None:
        middle = instants[0][count // 3].targets[BODY].frames[:, :3, 3]
        start = telling_view(middle, camera.elevation, first.layout.up).azimuth
    return FilmPlan(
        tuple(rigs),
        _shown_names(rigs, filming),
        (),
        take.motion.shown,
        [Moment(k % count, k % count, 0.0) for k in range(filming.frames)],
        camera.azimuths(filming.frames, start),
        filming,
        instants,
    )


def take_of(rig: Rig, motion: str | Take | None) -> Take:
    """A motion that is named, on the spot; or the take that is given."""
    if isinstance(motion, Take):
        if motion.travels:
            raise RibbonsimError(
                f"{motion.name} travels and would jump at the end of its loop: film it on the spot"
            )
        return motion
    return rig.motion(str(motion))


def loops_in(frames: int, wanted: int) -> int:
    """How many whole loops of about so many frames a film has."""
    fit = [loops for loops in range(1, frames // 2 + 1) if frames % loops == 0]
    return min(fit or [1], key=lambda loops: abs(np.log(frames / loops / wanted)))


def frames_for(take: Take, fps: int, turns: float) -> int:
    """Frames of a film of a motion that is told neither frames nor seconds.

    One loop where the camera stands, else as many as take three seconds.
    """
    count = take.count(fps)
    return count * max(1, round(3.0 * fps / count) if turns else 1)

"""Turntables: the camera goes round a creature, or the creature moves, or both, into a film."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.bendcheck.cases import PoseList
from ribbonsim.checks import check_number
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Take
from ribbonsim.show.film import Film, check_film
from ribbonsim.show.film_set import FilmSet
from ribbonsim.show.filming import (
    USUAL_FRAMES,
    FilmOptions,
    Overlay,
    frames_for,
    plan_film,
    take_of,
)
from ribbonsim.show.moves import MOVEMENTS, CameraPath, Movement
from ribbonsim.show.slate import Slate
from ribbonsim.show.studio import Look


@dataclass(frozen=True)
class Turntable:
    """A turntable that was written.

    Parameters
    ----------
    path : Path
    frames : int
        Drawn.
    fps : int
        Frames a second.
    size : (int, int)
        Pixels, as drawn.
    seconds : float
        What it took.
    posing_seconds : float
        How much of that went into posing skin and normals.
    words : str
        What the file holds, for the user.
    """

    path: Path
    frames: int
    fps: int
    size: tuple[int, int]
    seconds: float
    posing_seconds: float
    words: str


def turntable(
    rigs: Rig | Sequence[Rig],
    path: str | os.PathLike[str],
    pose: PoseList | str = None,
    *,
    motion: Movement | str | Take | None = None,
    names: Sequence[str] | None = None,
    camera: CameraPath | None = None,
    look: Look | None = None,
    slate: Slate | None = None,
    overlays: Sequence[Overlay] = (),
    size: str | tuple[int, int] = "720p",
    frames: int | None = None,
    fps: int = 24,
    method: Method = "linear",
    standing: bool = True,
    force: bool = False,
    progress: Progress | None = None,
) -> Turntable:
    """Film a creature while the camera goes round it.

    The camera keeps its distance; all poses stay in the picture from every side. The last
    frame is one step before the first, so that the film loops without a jump.

    Parameters
    ----------
    rigs : Rig or sequence of Rig
        Two to four layouts of one mesh stand side by side and move in step.
    path : path
        ``.mp4`` (H.264), ``.gif``, ``.webp`` or ``.apng``; without an ending a folder of
        numbered PNG files.
    pose : Pose, str, mapping, sequence of str or None
        As for :func:`ribbonsim.check`; None is the creature at rest. A name may also be that
        of a pose kept in the layout.
    motion : {"hold", "ease", "sequence"}, str or Take, optional
        Hold the pose; ease from rest into it and out again; go through all poses and back to
        the first. One pose is held and several are a sequence if left out. Or a motion, by its
        name or as :meth:`ribbonsim.Rig.motion` makes it: a whole number of loops, on the spot,
        and no pose beside it.
    names : sequence of str, optional
        Of the layouts.
    camera : CameraPath, optional
        How the camera goes round; with ``turns=0`` it stands.
    look : Look, optional
        Backdrop, light and material.
    slate : Slate, optional
        What is written under the picture.
    overlays : sequence of {"ribbon", "strip"}
        The posed ribbons over the skin; a strip along the body that holds the girth the pose
        asks for against that of the skin.
    size : {"720p", "1080p", "square"} or (width, height)
        Pixels.
    frames : int, optional
        2 to 20000; 72, or whole loops of a motion, if left out.
    fps : int
        Frames a second, 1 to 120.
    method : {"linear", "dual_quaternion"}
    standing : bool
        In every frame the creature stands on the ground with its lowest point. Otherwise it
        stays where its poses put it, and the ground is under the lowest of them.
    force : bool
        Replace what is there.
    progress : callable, optional
        Called as ``progress(stage, done, total)``; what it raises stops the film, and then no
        file is left.

    Returns
    -------
    Turntable

    Raises
    ------
    RibbonsimError
        If something cannot be used, drawn or written.

    Examples
    --------
    >>> rs.turntable(rig, "turn.mp4", pose="s_bend", motion="ease")  # doctest: +SKIP
    """
    path_of_camera = camera or CameraPath()
    if frames is None:
        frames = _usual_frames(rigs, motion, fps, path_of_camera.turns)
    filming = FilmOptions(
        motion,
        names,
        path_of_camera,
        look or Look(),
        slate or Slate(),
        overlays,
        size,
        frames,
        fps,
        method,
        standing,
    )
    return film_turntable(rigs, path, pose, filming, force=force, progress=progress)


def _usual_frames(
    rigs: Rig | Sequence[Rig], motion: str | Take | None, fps: int, turns: float
) -> int:
    if motion is None or motion in MOVEMENTS or not rigs:
        return USUAL_FRAMES
    first = rigs if isinstance(rigs, Rig) else rigs[0]
    return frames_for(take_of(first, motion), fps, turns)


def film_turntable(
    rigs: Rig | Sequence[Rig],
    path: str | os.PathLike[str],
    pose: PoseList | str,
    filming: FilmOptions,
    *,
    force: bool = False,
    progress: Progress | None = None,
) -> Turntable:
    """Film as :func:`turntable` does, with its options in one piece."""
    begin = time.perf_counter()
    tell: Progress = progress or (lambda stage, done, total: None)
    pixels, frames, fps = filming.pixels, filming.frames, filming.fps
    check_film(path, pixels, force)
    plan = plan_film(rigs, pose, filming)
    tell("frame the poses", 0, 1)
    with FilmSet(plan) as film_set, Film(path, pixels, fps, frames, force) as film:
        drawing = time.perf_counter()
        for number in range(frames):
            tell(_with_time_left(drawing, number, frames), number, frames)
            film.add(film_set.frame(number))
        tell("finish the file", 0, 1)
        posing = film_set.posing_seconds
    tell("finish the file", 1, 1)
    taken = time.perf_counter() - begin
    return Turntable(film.path, frames, fps, pixels, taken, posing, film.words)


def draw_frame(
    rigs: Rig | Sequence[Rig],
    number: int = 1,
    pose: PoseList | str = None,
    filming: FilmOptions | None = None,
) -> Bytes:
    """(height, width, 3) one frame, numbered from 1, of what :func:`film_turntable` films."""
    options = filming or FilmOptions()
    check_number("number of the frame", number, 1, options.frames, whole=True)
    with FilmSet(plan_film(rigs, pose, options)) as film_set:
        return film_set.frame(number - 1)


def _with_time_left(begin: float, done: int, total: int) -> str:
    if done < 3:
        return "draw the turntable"
    left = (time.perf_counter() - begin) / done * (total - done)
    shown = f"{left:.0f} s" if left < 90.0 else f"{left / 60.0:.0f} min"
    return f"draw the turntable, {shown} left"

"""Turntables: the camera goes round a creature, or the creature moves, or both, into a film."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ribbonsim.bendcheck.cases import PoseList, Wish, wish_for
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.pose import Pose
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Method, Rig
from ribbonsim.shots import check_rigs, names_of, pose_of, pose_words, read_poses
from ribbonsim.version import version
from ribbonsim.view.camera import Insets, telling_view
from ribbonsim.view.film import Film, check_film
from ribbonsim.view.heat_strip import HeatStrip, strip_height
from ribbonsim.view.motion import CameraPath, Moment, Motion, blend, check_moves, moments
from ribbonsim.view.slate import Slate, SlateWriter, name_height, slate_height, write_name
from ribbonsim.view.studio import LARGEST, SMALLEST, Look, Posed, Studio

Floats = NDArray[np.floating]
Bytes = NDArray[np.uint8]
Progress = Callable[[str, int, int], None]
Overlay = Literal["ribbon", "strip"]

SIZES: dict[str, tuple[int, int]] = {
    "720p": (1280, 720),
    "1080p": (1920, 1080),
    "square": (1080, 1080),
}
_MOST_LAYOUTS, _MOST_FRAMES = 4, 20000
_FRAMED_POSES = 24


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


@dataclass(frozen=True, eq=False)
class _Plan:
    """What is shown: who, in which poses, when, and from where."""

    rigs: tuple[Rig, ...]
    names: tuple[str, ...]
    poses: tuple[tuple[Pose, ...], ...]
    words: str
    moments: list[Moment]
    azimuths: list[float]
    method: Method
    size: tuple[int, int]
    standing: bool

    @property
    def frames(self) -> int:
        """How many there are."""
        return len(self.moments)

    def pose(self, rig: int, frame: int) -> Pose:
        """A rig's pose in a frame."""
        moment = self.moments[frame]
        held = self.poses[rig]
        return blend(held[moment.before], held[moment.after], moment.share)


def turntable(
    rigs: Rig | Sequence[Rig],
    path: str | os.PathLike[str],
    pose: PoseList | str = None,
    *,
    motion: Motion | None = None,
    names: Sequence[str] | None = None,
    camera: CameraPath | None = None,
    look: Look | None = None,
    slate: Slate | None = None,
    overlays: Sequence[Overlay] = (),
    size: str | tuple[int, int] = "720p",
    frames: int = 72,
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
    motion : {"hold", "ease", "sequence"}, optional
        Hold the pose; ease from rest into it and out again; go through all poses and back to
        the first. One pose is held and several are a sequence if left out.
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
    frames : int
        2 to 20000.
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
    begin = time.perf_counter()
    tell: Progress = progress or (lambda stage, done, total: None)
    shown, way, written = look or Look(), camera or CameraPath(), slate or Slate()
    check_number("frames", frames, 2, _MOST_FRAMES, whole=True)
    check_number("fps (frames a second)", fps, 1, 120, whole=True)
    pixels = read_size(size)
    _check_overlays(overlays)
    check_film(path, pixels, force)
    held = (rigs,) if isinstance(rigs, Rig) else tuple(rigs)
    plan = _plan(held, pose, motion, names, way, frames, method, pixels, standing)
    tell("frame the poses", 0, 1)
    with (
        _Set(plan, shown, written, overlays, way) as scene,
        Film(path, pixels, fps, frames, force) as film,
    ):
        drawing = time.perf_counter()
        for number in range(frames):
            tell(_with_time_left(drawing, number, frames), number, frames)
            film.add(scene.frame(number))
        tell("finish the file", 0, 1)
        posing = scene.posing_seconds
    tell("finish the file", 1, 1)
    taken = time.perf_counter() - begin
    return Turntable(film.path, frames, fps, pixels, taken, posing, film.words)


def draw_frame(
    rigs: Rig | Sequence[Rig],
    number: int = 1,
    pose: PoseList | str = None,
    *,
    motion: Motion | None = None,
    names: Sequence[str] | None = None,
    camera: CameraPath | None = None,
    look: Look | None = None,
    slate: Slate | None = None,
    overlays: Sequence[Overlay] = (),
    size: str | tuple[int, int] = "720p",
    frames: int = 72,
    method: Method = "linear",
    standing: bool = True,
) -> Bytes:
    """Draw one frame of a turntable, as :func:`turntable` would.

    Parameters
    ----------
    rigs, pose, motion, names, camera, look, slate, overlays, size, frames, method, standing
        As in :func:`turntable`.
    number : int
        Of the frame, from 1.

    Returns
    -------
    (height, width, 3) array of uint8

    Raises
    ------
    RibbonsimError
        If something cannot be used or drawn.
    """
    check_number("frames", frames, 2, _MOST_FRAMES, whole=True)
    check_number("number of the frame", number, 1, frames, whole=True)
    _check_overlays(overlays)
    way = camera or CameraPath()
    held = (rigs,) if isinstance(rigs, Rig) else tuple(rigs)
    plan = _plan(held, pose, motion, names, way, frames, method, read_size(size), standing)
    with _Set(plan, look or Look(), slate or Slate(), overlays, way) as scene:
        return scene.frame(number - 1)


def read_size(size: str | tuple[int, int]) -> tuple[int, int]:
    """Width and height of a size that is named, or given as it is.

    Parameters
    ----------
    size : {"720p", "1080p", "square"}, "WIDTHxHEIGHT" or (width, height)

    Returns
    -------
    (int, int)
        Pixels.

    Raises
    ------
    RibbonsimError
        If it is not known, or too small or large.
    """
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


# -- what is shown -------------------------------------------------------------------------------


def _plan(
    rigs: tuple[Rig, ...],
    pose: PoseList | str,
    motion: Motion | None,
    names: Sequence[str] | None,
    path: CameraPath,
    frames: int,
    method: Method,
    size: tuple[int, int],
    standing: bool,
) -> _Plan:
    check_rigs(rigs)
    if len(rigs) > _MOST_LAYOUTS:
        raise RibbonsimError(
            f"{len(rigs)} layouts are too many side by side: give {_MOST_LAYOUTS} at most"
        )
    asked = read_poses(rigs[0], pose)
    moves: Motion = motion or ("hold" if len(asked) == 1 else "sequence")
    poses = [tuple(pose_of(rig, _wish_of(wish, rigs[0], rig)) for wish in asked) for rig in rigs]
    check_moves(moves, path, poses[0])
    if moves == "ease":
        poses = [(Pose(), *held) for held in poses]
    words = " to ".join(pose_words(wish) for wish in asked)
    start = path.start
    if start is None:
        middle = rigs[0].pose_ribbon(poses[0][-1]).midline(np.linspace(0.0, 1.0, 65))
        start = telling_view(middle, path.elevation).azimuth
    called = names_of(rigs, names) if len(rigs) > 1 or names else (rigs[0].layout.name,)
    return _Plan(
        rigs,
        called,
        tuple(poses),
        words,
        moments(moves, len(poses[0]), frames),
        path.azimuths(frames, start),
        method,
        size,
        standing,
    )


def _wish_of(wish: Wish, first: Rig, rig: Rig) -> Wish:
    return wish if rig is first else wish_for(wish, first, rig)


def _check_overlays(overlays: Sequence[Overlay]) -> None:
    for name in overlays:
        if name not in ("ribbon", "strip"):
            raise RibbonsimError(f"overlay {name!r} is not known: choose from ribbon, strip")


def _with_time_left(begin: float, done: int, total: int) -> str:
    if done < 3:
        return "draw the turntable"
    left = (time.perf_counter() - begin) / done * (total - done)
    shown = f"{left:.0f} s" if left < 90.0 else f"{left / 60.0:.0f} min"
    return f"draw the turntable, {shown} left"


# -- drawing it ----------------------------------------------------------------------------------


class _Set:
    """A studio with one to four parts of the frame, each for a layout."""

    def __init__(
        self,
        plan: _Plan,
        look: Look,
        slate: Slate,
        overlays: Sequence[Overlay],
        path: CameraPath,
    ) -> None:
        self.plan, self.look, self.overlays = plan, look, overlays
        self.posing_seconds = 0.0
        clouds = self._clouds()
        columns, rows = _arrange(len(plan.rigs), plan.size, clouds)
        self._tile = plan.size[0] // columns, plan.size[1] // rows
        self._corners = [
            (column * self._tile[0], row * self._tile[1])
            for row in range(rows)
            for column in range(columns)
        ]
        self._foot = slate_height(plan.size) if slate.shown else 0
        self._strip_height = strip_height(plan.size) if "strip" in overlays else 0
        self._head = name_height(plan.size) if len(plan.rigs) > 1 else 0
        _check_room(self._tile, self._head + self._foot + self._strip_height)
        self._studio = Studio(plan.rigs[0].mesh, self._tile, look)
        try:
            room = Insets(
                top=self._head / self._tile[1],
                bottom=(self._foot + self._strip_height) / self._tile[1],
            )
            self._studio.frame(
                clouds,
                path.elevation,
                path.view_angle,
                room,
                None if path.turns else [plan.azimuths[0]],
            )
            self._writer = self._slate_writer(slate)
        except BaseException:
            self._studio.close()
            raise
        self._held: dict[int, tuple[Moment, Posed, Floats]] = {}
        self._gauges = [Gauge(rig) for rig in plan.rigs] if self._strip_height else []

    def __enter__(self) -> _Set:
        return self

    def __exit__(self, *error: object) -> None:
        self._studio.close()

    def frame(self, number: int) -> Bytes:
        """Draw a frame.

        Parameters
        ----------
        number : int
            From 0.

        Returns
        -------
        (height, width, 3) array of uint8
        """
        width, height = self.plan.size
        picture = np.empty((height, width, 3), dtype=np.uint8)
        if self._tile[0] * self._tile[1] * len(self._corners) < width * height:
            picture[:] = _colour_of(self._studio.finish.bottom)
        for rig, corner in enumerate(self._corners):
            part = picture[corner[1] :, corner[0] :][: self._tile[1], : self._tile[0]]
            if rig >= len(self.plan.rigs):
                part[:] = self._studio.empty()
                continue
            self._draw_part(part, rig, number)
            if self._strip_height:
                bottom = corner[1] + self._tile[1] - self._foot
                rows = self._girths(rig, number)
                self._strip.draw(picture, (corner[0], bottom - self._strip_height), rows)
            if self._head:
                ink = self._studio.finish
                write_name(picture, self.plan.names[rig], corner, self._tile[0], ink)
        self._draw_lines(picture)
        if self._writer is not None:
            self._writer.write(picture, number + 1)
        return picture

    # -- inside --------------------------------------------------------------------------------

    def _draw_part(self, part: Bytes, rig: int, number: int) -> None:
        plan = self.plan
        posed, lift = self._posed(rig, number)
        ribbons: list[Ribbon] = []
        if "ribbon" in self.overlays:
            ribbons = [
                Ribbon(ribbon.control_points + lift, ribbon.knots)
                for ribbon in plan.rigs[rig].pose_ribbons(plan.pose(rig, number)).values()
            ]
        shot = self._studio.shoot(plan.azimuths[number], ribbons, posed=posed)
        if int(shot.mask.max(initial=0)) < 128:
            raise RibbonsimError(
                f"frame {number + 1} came out blank: give a larger size, or look at the mesh"
            )
        part[:] = shot.picture

    def _posed(self, rig: int, number: int) -> tuple[Posed, Floats]:
        """The creature in a frame's pose, and how it was lifted; kept while it does not change."""
        moment = self.plan.moments[number]
        held = self._held.get(rig)
        if held is not None and held[0] == moment:
            return held[1], held[2]
        positions, normals = self._skin(rig, number)
        lift = self._lift(rig, positions)
        posed = self._studio.pose(positions + lift.astype(np.float32), normals)
        self._held[rig] = moment, posed, lift
        return posed, lift

    def _lift(self, rig: int, positions: Floats) -> Floats:
        """(3,) the way up or down to where the creature stands on the ground, as at rest."""
        mesh = self.plan.rigs[rig].mesh
        if not self.plan.standing:
            return np.zeros(3)
        lowest = float(positions[_used(self.plan.rigs[rig]), 1].min())
        return np.array([0.0, float(mesh.bounds[0, 1]) - lowest, 0.0])

    def _skin(self, rig: int, number: int) -> tuple[Floats, Floats]:
        begin = time.perf_counter()
        held, method = self.plan.rigs[rig], self.plan.method
        joints = held.joint_pose(self.plan.pose(rig, number))
        positions = held.skin_joints(joints, method, dtype=np.float32)
        normals = held.skinner.normals(joints.rigid, joints.scales, method, dtype=np.float32)
        self.posing_seconds += time.perf_counter() - begin
        return positions, normals

    def _clouds(self) -> list[Floats]:
        """Vertices of some of the poses, enough to frame all."""
        plan = self.plan
        distinct = list(dict.fromkeys(plan.moments))
        chosen = distinct[:: max(1, -(-len(distinct) // _FRAMED_POSES))]
        ends = {moment.before for moment in plan.moments} | {m.after for m in plan.moments}
        chosen += [Moment(k, k, 0.0) for k in sorted(ends)]
        clouds: list[Floats] = []
        for number, (rig, poses) in enumerate(zip(plan.rigs, plan.poses, strict=True)):
            for moment in dict.fromkeys(chosen):
                pose = blend(poses[moment.before], poses[moment.after], moment.share)
                skin = rig.deform(pose, plan.method)
                clouds.append((skin + self._lift(number, skin))[_used(rig)])
        return clouds

    def _girths(self, rig: int, number: int) -> tuple[Floats, Floats]:
        """Girth over rest at the body's stations: as the pose asks, and of the skin."""
        held, pose = self.plan.rigs[rig], self.plan.pose(rig, number)
        joints = held.joint_pose(pose)
        positions = held.skin_joints(joints, self.plan.method, dtype=np.float32)
        found = self._gauges[rig].measure(positions, held.pose_ribbon(pose), joints)
        return joints.girth[: len(held.layout.stations)], found.girth

    @cached_property
    def _strip(self) -> HeatStrip:
        stations = self.plan.rigs[0].layout.stations
        return HeatStrip(self.plan.size, self._tile[0], self._studio.finish, stations)

    def _slate_writer(self, slate: Slate) -> SlateWriter | None:
        plan = self.plan
        if not self._foot:
            return None
        layouts = [name for name in plan.names if name]
        label = "layout " if len(layouts) == 1 else "layouts "
        upper = (slate.project, plan.rigs[0].mesh.name, plan.words)
        lower = (
            label + ", ".join(layouts) if layouts else "",
            slate.day,
            f"ribbonsim {version()}",
            slate.note,
        )
        return SlateWriter(plan.size, self._studio.finish, (upper, lower), plan.frames)

    def _draw_lines(self, picture: Bytes) -> None:
        """A thin line between neighbours."""
        tone = _colour_of(self._studio.finish.soft_ink)
        for x, y in self._corners:
            if x:
                lowest = min(y + self._tile[1], picture.shape[0] - self._foot)
                part = picture[y:lowest, x : x + 1]
                part[:] = (0.6 * part + 0.4 * tone).astype(np.uint8)
            if y:
                part = picture[y : y + 1, x : x + self._tile[0]]
                part[:] = (0.6 * part + 0.4 * tone).astype(np.uint8)


def _arrange(count: int, size: tuple[int, int], clouds: Sequence[Floats]) -> tuple[int, int]:
    """Columns and rows in which a creature that turns is largest."""
    if count == 1:
        return 1, 1
    low = np.min([cloud.min(axis=0) for cloud in clouds], axis=0)
    high = np.max([cloud.max(axis=0) for cloud in clouds], axis=0)
    wide, tall = float(np.hypot(*(high - low)[[0, 2]])), float(high[1] - low[1])

    def scale(columns: int) -> float:
        rows = -(-count // columns)
        return min(size[0] / columns / max(wide, 1e-9), size[1] / rows / max(tall, 1e-9))

    best = max(range(1, count + 1), key=lambda columns: (round(scale(columns), 6), columns))
    return best, -(-count // best)


def _check_room(tile: tuple[int, int], taken: int) -> None:
    if min(tile) < SMALLEST or tile[1] - taken < 0.4 * tile[1]:
        raise RibbonsimError(
            f"{tile[0]} x {tile[1]} pixels for each creature leave no room beside what is written: "
            "give a larger size, or leave out the slate or the strip"
        )


def _used(rig: Rig) -> NDArray[np.int64]:
    return np.unique(rig.mesh.corner_vertices)


def _colour_of(code: str) -> NDArray[np.float64]:
    return np.array([int(code[i : i + 2], 16) for i in (1, 3, 5)], dtype=float)

"""The set of a film: a studio, and a part of the frame for each of one to four layouts."""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Bytes, Floats
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import up_direction
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version
from ribbonsim.rig.rig import Rig
from ribbonsim.show.filming import FilmPlan
from ribbonsim.show.heat_strip import HeatStrip, strip_height
from ribbonsim.show.lighting import LitPose
from ribbonsim.show.moves import Moment
from ribbonsim.show.slate import SlateWriter, name_height, slate_height, write_name
from ribbonsim.show.studio import SMALLEST, Studio
from ribbonsim.view.camera import Insets
from ribbonsim.view.lettering import tone

_FRAMED_POSES = 24


class FilmSet:
    """A studio with one to four parts of the frame, each for a layout."""

    def __init__(self, plan: FilmPlan) -> None:
        filming = plan.filming
        self.plan, self.overlays, self._size = plan, filming.overlays, filming.pixels
        self.posing_seconds = 0.0
        clouds = self._clouds()
        columns, rows = _arrange(len(plan.rigs), self._size, clouds)
        self._tile = self._size[0] // columns, self._size[1] // rows
        self._corners = [
            (column * self._tile[0], row * self._tile[1])
            for row in range(rows)
            for column in range(columns)
        ]
        self._foot = slate_height(self._size) if filming.slate.shown else 0
        self._strip_height = strip_height(self._size) if "strip" in self.overlays else 0
        self._head = name_height(self._size) if len(plan.rigs) > 1 else 0
        _check_room(self._tile, self._head + self._foot + self._strip_height)
        self._studio = Studio(plan.rigs[0].mesh, self._tile, filming.look, plan.rigs[0].layout.up)
        try:
            room = Insets(
                top=self._head / self._tile[1],
                bottom=(self._foot + self._strip_height) / self._tile[1],
            )
            self._studio.frame(
                clouds,
                filming.camera.elevation,
                filming.camera.view_angle,
                room,
                None if filming.camera.turns else [plan.azimuths[0]],
            )
            self._writer = self._slate_writer()
        except BaseException:
            self._studio.close()
            raise
        self._held: dict[int, tuple[Moment, LitPose, Floats]] = {}
        self._gauges = [Gauge(rig) for rig in plan.rigs] if self._strip_height else []

    def __enter__(self) -> FilmSet:
        return self

    def __exit__(self, *error: object) -> None:
        self._studio.close()

    def frame(self, number: int) -> Bytes:
        """Draw a frame: (height, width, 3) bytes."""
        width, height = self._size
        picture = np.empty((height, width, 3), dtype=np.uint8)
        if self._tile[0] * self._tile[1] * len(self._corners) < width * height:
            picture[:] = tone(self._studio.finish.bottom)
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

    def _posed(self, rig: int, number: int) -> tuple[LitPose, Floats]:
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
        if not self.plan.filming.standing or self.plan.instants:
            return np.zeros(3)
        way = up_direction(self.plan.rigs[rig].layout.up)
        used = _used(self.plan.rigs[rig])
        lowest = float((positions[used] @ way).min())
        return (float((mesh.positions[used] @ way).min()) - lowest) * way

    def _skin(self, rig: int, number: int) -> tuple[Floats, Floats]:
        begin = time.perf_counter()
        held, method = self.plan.rigs[rig], self.plan.filming.method
        joints = held.joint_pose(self.plan.pose(rig, number))
        positions = held.skin_joints(joints, method, dtype=np.float32)
        positions = self.plan.on_ground(rig, self.plan.moments[number], positions)
        normals = held.skinner.normals(joints.rigid, joints.scales, method, dtype=np.float32)
        self.posing_seconds += time.perf_counter() - begin
        return positions, normals

    def _clouds(self) -> list[Floats]:
        """Vertices of some of the poses, enough to frame all."""
        plan = self.plan
        distinct = list(dict.fromkeys(plan.moments))
        chosen = distinct[:: max(1, -(-len(distinct) // _FRAMED_POSES))]
        ends = {moment.before for moment in plan.moments} | {m.after for m in plan.moments}
        ends = set() if plan.instants else ends
        chosen += [Moment(k, k, 0.0) for k in sorted(ends)]
        clouds: list[Floats] = []
        for number, rig in enumerate(plan.rigs):
            for moment in dict.fromkeys(chosen):
                skin = rig.deform(plan.pose_at(number, moment), plan.filming.method)
                skin = plan.on_ground(number, moment, skin)
                clouds.append((skin + self._lift(number, skin))[_used(rig)])
        if plan.instants:  # what floats has the ground far below
            clouds.append(np.array([plan.rigs[0].stage.figure.foot]))
        return clouds

    def _girths(self, rig: int, number: int) -> tuple[Floats, Floats]:
        """Girth over rest at the body's stations: as the pose asks, and of the skin."""
        held, pose = self.plan.rigs[rig], self.plan.pose(rig, number)
        joints = held.joint_pose(pose)
        positions = held.skin_joints(joints, self.plan.filming.method, dtype=np.float32)
        found = self._gauges[rig].measure(positions, held.pose_ribbon(pose), joints)
        return joints.girth[: len(held.layout.stations)], found.girth

    @cached_property
    def _strip(self) -> HeatStrip:
        stations = self.plan.rigs[0].layout.stations
        return HeatStrip(self._size, self._tile[0], self._studio.finish, stations)

    def _slate_writer(self) -> SlateWriter | None:
        plan, slate = self.plan, self.plan.filming.slate
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
        return SlateWriter(self._size, self._studio.finish, (upper, lower), plan.filming.frames)

    def _draw_lines(self, picture: Bytes) -> None:
        """A thin line between neighbours."""
        line = tone(self._studio.finish.soft_ink)
        for x, y in self._corners:
            if x:
                lowest = min(y + self._tile[1], picture.shape[0] - self._foot)
                part = picture[y:lowest, x : x + 1]
                part[:] = (0.6 * part + 0.4 * line).astype(np.uint8)
            if y:
                part = picture[y : y + 1, x : x + self._tile[0]]
                part[:] = (0.6 * part + 0.4 * line).astype(np.uint8)


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

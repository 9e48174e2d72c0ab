"""From where the panel's picture is seen, how large it is, and what is under a pixel of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ribbonsim.arrays import Array, Floats
from ribbonsim.curves.up import Up
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.state.guide_draft import GuideDraft
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.work.bare import FILL
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.panel.work.subject import Orbit, Show, Spot
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Take
from ribbonsim.view.camera import Camera, View, fit_camera, named_view

# units of the canvas within which a dot or a vertex is under the pointer
_DOT, _NEAR = 14.0, 12.0
# so many moments of a motion, and so many vertices of each, tell where it goes
_MOMENTS, _ENOUGH = 8, 10_000


class Vantage:
    """Where a panel's model is seen from.

    Attributes
    ----------
    canvas : Canvas
        What a picture at rest is drawn on.
    orbit : Orbit
        The camera.
    """

    def __init__(self, model: PanelModel, canvas: Canvas) -> None:
        self.model = model
        self.canvas = canvas
        self.show = Show()
        self.spot: Spot | None = None
        self.draft: GuideDraft | None = None
        self.pointed = ""  # the control under the pointer
        self.orbit = Orbit(named_view("three_quarter"), np.zeros(3), 3.0)
        # what was framed last: where that put the camera, the points and how they were framed
        self._framed: tuple[Orbit, Array, float] | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of a picture at rest, in pixels."""
        return self.canvas.size

    @property
    def aspect(self) -> float:
        """Width over height."""
        return self.canvas.aspect

    @property
    def up(self) -> Up:
        """The axis that points up."""
        return self.model.layout.up

    @property
    def camera(self) -> Camera:
        """The camera as it stands."""
        return self.orbit.camera(self.aspect)

    def take_canvas(self, canvas: Canvas) -> None:
        """Have pictures drawn on another canvas; who saw the whole creature sees all of it again.

        What was framed, and not looked at otherwise since, is framed again.
        """
        if not self.model.is_open:
            self.canvas = canvas
            return
        whole, framed = self.shows_all(), self._framed
        self.canvas = canvas
        if framed is not None and framed[0] is self.orbit:
            self._stand(framed[1], self.orbit.view, framed[2])
        if whole and not self.shows_all():
            self.frame_all()

    def frame_all(self, view: str | View | None = None) -> None:
        """Stand where the posed creature fills the picture."""
        side = self.orbit.view if view is None else view
        side = replace(named_view(side) if isinstance(side, str) else side, up=self.up)
        self._stand(self._staged(), side, FILL)

    def frame_loop(self, take: Take) -> None:
        """Stand where the creature stays in the picture all through a motion."""
        frames, clouds = take.frames(), [self._staged()]
        few = max(1, take.rig.mesh.positions.shape[0] // _ENOUGH)  # the margin is wide
        for instant in frames[:: max(1, len(frames) // _MOMENTS)]:
            clouds.append(self._in_stage(instant.skin(self.model.method)[::few]))
        points = np.vstack(clouds)
        if not self._shows(points):
            self._stand(points, self.orbit.view, FILL)

    def _staged(self) -> Array:
        """The creature as it is shown, in stage units: at rest while a guide is drawn."""
        mesh = self.model.rig.mesh
        drawing = self.draft is not None and self.draft.mesh is mesh
        points = mesh.positions if drawing else self.model.deform()
        if self.show.rest and not drawing:
            points = np.vstack([points, mesh.positions])
        return self._in_stage(points)

    def _in_stage(self, points: Floats) -> Array:
        mesh = self.model.rig.mesh
        return (np.asarray(points, dtype=float) - mesh.centre) / mesh.diagonal

    def shows_all(self) -> bool:
        """Whether the posed creature is wholly in the picture."""
        return self._shows(self._staged())

    def _shows(self, points: Array) -> bool:
        x, y, depth = self.camera.project(points, self.size).T
        wide, high = self.size
        return bool(((x >= 0) & (x <= wide) & (y >= 0) & (y <= high) & (depth > 0)).all())

    def frame_points(self, points: Array, side: View, fill: float) -> None:
        """Stand where some points fill the picture."""
        self._stand(self._in_stage(points), side, fill)

    def _stand(self, points: Array, side: View, fill: float) -> None:
        camera = fit_camera(points, side, self.aspect, fill=fill)
        middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
        distance = float((camera.position - middle) @ side.axes[2])
        self.orbit = Orbit(side, camera.position - distance * side.axes[2], distance)
        self._framed = self.orbit, points, fill

    # -- what is under a pixel -----------------------------------------------------------------

    def vertex_at(self, x: float, y: float) -> int | None:
        """The vertex under a pixel."""
        rig = self.model.rig
        positions = self.model.deform()
        normals = rig.deform_normals(self.model.pose, self.model.method)
        points = (positions - rig.mesh.centre) / rig.mesh.diagonal
        camera = self.camera
        seen = camera.project(points, self.size)
        facing = np.einsum("vi,vi->v", camera.position - points, normals) > 0
        away = np.hypot(seen[:, 0] - x, seen[:, 1] - y)
        near = facing & (away < _NEAR * self.canvas.grain) & (seen[:, 2] > 0)
        if not near.any():
            return None
        # of those under the pointer the front ones, and of these the nearest to it
        front = seen[near, 2].min()
        score = away + np.where(near & (seen[:, 2] < front + 0.03), 0.0, np.inf)
        return int(np.argmin(score))

    def control_at(self, x: float, y: float) -> str | None:
        """The control whose dot is under a pixel."""
        return self.find_control(self.model.rig, self.model.pose, self.size, (x, y))

    def pointed_at(self, x: float, y: float) -> str:
        """The control whose name is to be shown while the pointer is at a pixel."""
        return self.control_at(x, y) or ""

    def find_control(
        self, rig: Rig, pose: Pose, size: tuple[int, int], pixel: tuple[float, float]
    ) -> str | None:
        """The control of a posed rig whose dot is under a pixel of its picture."""
        if not self.show.controls:
            return None
        ribbons = rig.posed(pose).ribbons
        seats = np.vstack(
            [ribbons[name].midline(own.control_places) for name, own in rig.layout.ribbons.items()]
        )
        points = (seats - rig.mesh.centre) / rig.mesh.diagonal
        seen = self.orbit.camera(size[0] / size[1]).project(points, size)
        away = np.hypot(seen[:, 0] - pixel[0], seen[:, 1] - pixel[1]) + np.where(
            seen[:, 2] > 0, 0.0, np.inf
        )
        nearest = int(np.argmin(away))
        near = away[nearest] < _DOT * self.canvas.grain
        return rig.layout.all_control_names[nearest] if near else None

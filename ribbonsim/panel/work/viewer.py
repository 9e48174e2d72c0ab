"""The panel's picture: what is shown, from where, and how fine."""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.arrays import Array, Bytes
from ribbonsim.bendcheck.measures import Measures
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import Pose
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.state.beside import asked_of_both
from ribbonsim.panel.state.guide_draft import GuideDraft
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.work.bare import FILL, draw_bare
from ribbonsim.panel.work.heat import measures_shown, weights_shown
from ribbonsim.panel.work.live import LiveSender, Shown
from ribbonsim.panel.work.marks import Marker, scale_patch
from ribbonsim.panel.work.seen_marks import make_marks, spotted
from ribbonsim.panel.work.subject import MEASURED, Frame, Orbit, Show, Spot, Subject
from ribbonsim.panel.work.trouble import Trouble, trouble_of
from ribbonsim.panel.work.two_sides import TwoSides
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.rig import Rig
from ribbonsim.view.camera import Camera, View, fit_camera, named_view
from ribbonsim.view.look import Scale
from ribbonsim.view.scene import Stage
from ribbonsim.view.stripes import twist_stripes

_REST_BEFORE_FINE = 0.18
# the picture that stays in a saved notebook: while a browser draws, nobody waits for it
_REST_BEFORE_STILL = 1.5
_DOT = 14.0
_OLD_NUMBERS = 0.25
_PICTURE_OUT = 0.012
# six shifts within a pixel, no two in one row or column
_NUDGES = tuple(
    ((column - 2.5) / 6.0, (row - 2.5) / 6.0) for column, row in enumerate((1, 4, 0, 3, 5, 2))
)
PLAIN_QUALITY, FINE_QUALITY = 85, 93


@dataclass(frozen=True, eq=False)
class _Painted:
    """A picture without marks, and what was posed for it."""

    picture: Bytes
    positions: NDArray[np.float32]
    joints: JointPose
    ribbons: Mapping[str, Ribbon]
    measures: Measures | None
    scale: Scale | None


class Viewer:
    """Draws a panel's model.

    Parameters
    ----------
    deliver : callable
        Takes each finished :class:`Frame`, on the drawing thread.
    tell : callable
        Takes the numbers beside the view, on the drawing thread.
    fail : callable
        Takes what went wrong, on the drawing thread.
    size : (width, height)
        Pixels.
    """

    tells = True  # whether numbers are told beside the view

    def __init__(
        self,
        model: PanelModel,
        deliver: Callable[[Frame], None],
        tell: Callable[[Readout], None],
        fail: Callable[[Trouble], None],
        size: tuple[int, int] = (900, 600),
    ) -> None:
        self.model = model
        self.show = Show()
        self.spot: Spot | None = None
        self.draft: GuideDraft | None = None
        self.size = size
        self.orbit = Orbit(named_view("three_quarter"), np.zeros(3), 3.0)
        self.live: LiveSender | None = None  # what draws in the browser instead
        self.sides = TwoSides()  # before and after, where another layout stands beside
        self.asked_at = -np.inf  # when a picture was asked for last, by the monotonic clock
        self._deliver, self._tell, self._fail = deliver, tell, fail
        self._stage: Stage | None = None
        self._told_at = -np.inf
        self._marker = Marker(size)
        self._settled: Orbit | None = None
        self._buffers: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None
        self._closed = False

    # -- from where ------------------------------------------------------------------------

    def frame_all(self, view: str | View | None = None) -> None:
        """Stand where the posed creature fills the picture."""
        side = self.orbit.view if view is None else view
        side = replace(named_view(side) if isinstance(side, str) else side, up=self.up)
        self._stand(self._staged(), side, FILL)

    @property
    def up(self) -> Up:
        """The axis that points up."""
        return self.model.layout.up

    def _staged(self) -> Array:
        """The creature as it is shown, in stage units: at rest while a guide is drawn."""
        mesh = self.model.rig.mesh
        drawing = self.draft is not None and self.draft.mesh is mesh
        points = mesh.positions if drawing else self.model.deform()
        if self.show.rest and not drawing:
            points = np.vstack([points, mesh.positions])
        return (points - mesh.centre) / mesh.diagonal

    def shows_all(self) -> bool:
        """Whether the posed creature is wholly in the picture."""
        x, y, depth = self.camera.project(self._staged(), self.size).T
        wide, high = self.size
        return bool(((x >= 0) & (x <= wide) & (y >= 0) & (y <= high) & (depth > 0)).all())

    def frame_points(self, points: Array, side: View, fill: float) -> None:
        """Stand where some points fill the picture."""
        mesh = self.model.rig.mesh
        self._stand((points - mesh.centre) / mesh.diagonal, side, fill)

    def _stand(self, points: Array, side: View, fill: float) -> None:
        camera = fit_camera(points, side, self.aspect, fill=fill)
        middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
        distance = float((camera.position - middle) @ side.axes[2])
        self.orbit = Orbit(side, camera.position - distance * side.axes[2], distance)

    @property
    def aspect(self) -> float:
        """Width over height."""
        return self.size[0] / self.size[1]

    def vertex_at(self, x: float, y: float) -> int | None:
        """The vertex under a pixel."""
        rig = self.model.rig
        positions = self.model.deform()
        normals = rig.deform_normals(self.model.pose, self.model.method)
        points = (positions - rig.mesh.centre) / rig.mesh.diagonal
        camera = self.orbit.camera(self.aspect)
        seen = camera.project(points, self.size)
        facing = np.einsum("vi,vi->v", camera.position - points, normals) > 0
        away = np.hypot(seen[:, 0] - x, seen[:, 1] - y)
        near = facing & (away < 12.0) & (seen[:, 2] > 0)
        if not near.any():
            return None
        # of those under the pointer the front ones, and of these the nearest to it
        front = seen[near, 2].min()
        score = away + np.where(near & (seen[:, 2] < front + 0.03), 0.0, np.inf)
        return int(np.argmin(score))

    def control_at(self, x: float, y: float) -> str | None:
        """The control whose dot is under a pixel."""
        return self.find_control(self.model.rig, self.model.pose, self.size, (x, y))

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
        return rig.layout.all_control_names[nearest] if away[nearest] < _DOT else None

    # -- drawing -----------------------------------------------------------------------------

    def ask(self) -> None:
        """Ask for a picture of the state as it is now; a fine one follows when it rests."""
        if self._closed or not self.model.is_open:
            return
        if self.orbit.view.up != self.up:  # another way up was chosen or taken back
            self.frame_all()
        self.asked_at = time.monotonic()
        subject = self.subject_of(self.model)
        PICTURES.ask(self, lambda: self._draw(subject))

    def subject_of(self, model: PanelModel) -> Subject:
        """All that a picture of a model depends on, as it is now."""
        drawn, pose = None, model.pose
        if self.draft is not None and self.draft.mesh is model.rig.mesh:
            drawn, pose = self.draft.drawn(), Pose()  # a guide is drawn in the creature at rest
        beside = None
        if model.beside is not None and drawn is None:
            beside = model.beside, asked_of_both(model, model.beside)
        return Subject(
            *(model, model.rig, pose, model.method, model.selected),
            *(self.show, self.orbit, self.spot, drawn, beside),
        )

    def preview(self, mesh: CreatureMesh) -> None:
        """Show a mesh as it is read, before anything is found in it."""
        PICTURES.ask(self, lambda: self._draw_bare(mesh))

    def _draw_bare(self, mesh: CreatureMesh) -> None:
        if self._closed:
            return
        begin = time.perf_counter()
        try:
            picture = draw_bare(self._stage_for(mesh), self.aspect)
        except Exception as error:  # nothing above this but the thread of all panels
            self._fail(trouble_of(error, "the mesh could not be drawn"))
            return
        jpeg = encode(picture, None, self.size, FINE_QUALITY)
        self._deliver(Frame(jpeg, time.perf_counter() - begin, fine=False))

    @property
    def camera(self) -> Camera:
        """The camera as it stands."""
        return self.orbit.camera(self.aspect)

    def rest(self) -> None:
        """Free the drawing context until a picture is asked for again."""
        PICTURES.ask(self, self._drop)

    def close(self) -> None:
        """Free the drawing context for good."""
        self._closed = True
        self.spot = self.draft = None
        PICTURES.ask(self, self._drop)

    def _drop(self) -> None:
        if self._stage is not None:
            self._stage.close()
            self._stage = self._buffers = None

    def _draw(self, subject: Subject, fine: bool = False) -> None:
        if self._closed:
            return
        live = self.live
        try:
            if live is None or fine:
                self._make(subject, fine)
            else:
                self._send(subject, live)
        except Exception as error:  # nothing above this but the thread of all panels
            failed = "the picture could not be drawn"
            self._fail(trouble_of(error, failed, "the last one stays"))
            return
        if not fine:
            rest = _REST_BEFORE_FINE if live is None else _REST_BEFORE_STILL
            PICTURES.ask_later(self, lambda: self._draw(subject, fine=True), rest)

    def _send(self, subject: Subject, live: LiveSender) -> None:
        """Let the browser draw: the pose goes out first, then what is measured of it."""
        begin = time.perf_counter()
        shown = self._shown(subject)
        live.pose(shown, self._front(subject))
        spent = time.perf_counter() - begin
        PICTURES.pause(self, _PICTURE_OUT)
        for number, each in enumerate(shown):
            if PICTURES.waits(self):
                return
            measures = None
            if each.subject.show.heat in MEASURED:
                measures = self.measured(each.subject)
            live.colour(number, self._heat(each.subject, measures), measures is not None)
            if self.tells and number == self._front(subject) and self._may_measure():
                begin = time.perf_counter()
                measures = measures or self.measured(each.subject)
                self._tell(Readout.of(measures, spent + time.perf_counter() - begin))

    def _shown(self, subject: Subject) -> list[Shown]:
        """The layouts that are to be seen."""
        if subject.beside is None:
            return [Shown(subject, subject.rig.layout.name)]
        here, there = self.sides.names(subject)
        return [Shown(subject, here), Shown(self.sides.other(subject), there)]

    def _front(self, subject: Subject) -> int:
        """The number of the chosen one of them."""
        return 0

    def choose_layout(self, number: int) -> None:
        """Choose one of the layouts that are seen."""

    def measured(self, subject: Subject) -> Measures:
        """What its pose measures."""
        rig, posed = subject.rig, subject.rig.posed(subject.pose)
        positions = rig.skin_joints(posed.joints, subject.method, dtype=np.float32)
        return subject.model.measures_of(rig, positions, posed.ribbons[BODY], posed.joints)

    def _make(self, subject: Subject, fine: bool) -> None:
        """Draw and deliver a picture, and tell what it measures."""
        rig = subject.rig
        stage = self._stage_for(rig.mesh)
        begin = time.perf_counter()
        other = None
        if subject.beside is not None:
            other = self._paint(stage, self.sides.other(subject), fine)
            if other is None:
                return
        done = self._paint(stage, subject, fine)
        if done is None:
            return
        picture, positions, joints, ribbons = (
            done.picture,
            done.positions,
            done.joints,
            done.ribbons,
        )
        measures, scale = done.measures, done.scale
        marks = make_marks(stage, subject, ribbons, positions)
        if subject.spot is not None:
            marks = spotted(stage, subject.spot, positions, picture, marks)
        if fine:
            body = stage.project(positions[:: max(1, len(positions) // 4000)])
            self._marker.settle(marks, body, self._settled is not subject.orbit)
            self._settled = subject.orbit
        if other is None:
            picture = self._marker.draw(picture, marks)
        else:
            picture = self.sides.join(subject, self._marker, picture, other.picture, marks)
        jpeg = encode(picture, scale, self.size, FINE_QUALITY if fine else PLAIN_QUALITY)
        spent = time.perf_counter() - begin
        self._deliver(Frame(jpeg, spent, fine))
        if fine:
            return
        # the picture goes out first: Python runs one thread at a time
        PICTURES.pause(self, _PICTURE_OUT)
        if self._may_measure():
            begin = time.perf_counter()
            if measures is None:
                measures = subject.model.measures_of(rig, positions, ribbons[BODY], joints)
            self._tell(Readout.of(measures, spent + time.perf_counter() - begin))

    def _paint(self, stage: Stage, subject: Subject, fine: bool) -> _Painted | None:
        """Pose and colour the skin and draw it, without marks; None if a new one is asked for."""
        rig, show = subject.rig, subject.show
        posed = rig.posed(subject.pose)
        joints, ribbons = posed.joints, posed.ribbons
        positions, normals = self._pose(subject, joints)
        stage.update(positions, normals)
        measures = None
        if show.heat in MEASURED:
            measures = subject.model.measures_of(rig, positions, ribbons[BODY], joints)
        stage.hurry(not fine)
        scale = self._dress(stage, subject, measures)
        stage.show_edges(show.edges)
        stage.show_ghost(rig.mesh.positions if show.rest and subject.guide is None else None)
        stage.show_ribbon(list(ribbons.values()) if show.ribbon else None)
        stage.set_camera(subject.orbit.camera(self.aspect))
        picture = self._smooth_image(stage) if fine else stage.image(labels=False)
        if picture is None:
            return None
        return _Painted(picture, positions, joints, ribbons, measures, scale)

    def _smooth_image(self, stage: Stage) -> Bytes | None:
        """The mean of pictures shifted by parts of a pixel; None if a new one is asked for."""
        width, height = stage.size
        total = np.zeros((height, width, 3), dtype=np.uint16)
        for right, down in _NUDGES:
            if PICTURES.waits(self):
                return None
            stage.nudge(right, down)
            total += stage.image(labels=False)
        return ((total + len(_NUDGES) // 2) // len(_NUDGES)).astype(np.uint8)

    def _may_measure(self) -> bool:
        """Whether there is time for the numbers: if nothing waits, or they are old."""
        now = time.monotonic()
        if PICTURES.waits(self) and now - self._told_at < _OLD_NUMBERS:
            return False
        self._told_at = now
        return True

    def _stage_for(self, mesh: CreatureMesh) -> Stage:
        if self._stage is not None and self._stage.mesh is not mesh:
            self._drop()
        if self._stage is None:
            self._stage = Stage(mesh, self.size, smooth_edges=False)
            shape = (len(mesh.positions), 3)
            self._buffers = np.empty(shape, np.float32), np.empty(shape, np.float32)
        return self._stage

    def _pose(
        self, subject: Subject, joints: JointPose
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        if self._buffers is None:
            raise RuntimeError("the stage is set before the creature is posed")
        positions, normals = self._buffers
        subject.rig.skin_joints(joints, subject.method, positions)
        subject.rig.skinner.normals(joints.rigid, joints.scales, subject.method, normals)
        return positions, normals

    def _dress(self, stage: Stage, subject: Subject, measures: Measures | None) -> Scale | None:
        """Colour the skin; the scale of the colours if they mean something."""
        rig, show = subject.rig, subject.show
        heat = self._heat(subject, measures)
        if heat is None:
            if show.glass:
                stage.show_glass()
            else:
                stage.show_clay(twist_stripes(rig, subject.pose))
            return None
        values, scale = heat
        spotted = subject.spot is not None and subject.spot.mesh is rig.mesh
        stage.show_values(values, scale, None if spotted else twist_stripes(rig, subject.pose))
        return scale if scale.title else None

    @staticmethod
    def _heat(subject: Subject, measures: Measures | None) -> tuple[Array, Scale] | None:
        """Values of the skin's colours with their scale; None where it is clay."""
        spot = subject.spot
        if spot is not None and spot.mesh is subject.rig.mesh:
            return spot.values, spot.scale
        if subject.show.heat == "clay":
            return None
        if measures is None:
            return weights_shown(subject.rig, subject)
        return measures_shown(subject.rig, subject, measures)


def encode(
    picture: Bytes,
    scale: Scale | None,
    size: tuple[int, int],
    quality: int,
    moved: tuple[int, int] = (0, 0),
) -> bytes:
    """A picture as a JPEG file."""
    sheet = Image.fromarray(picture)
    if scale is not None:
        patch, (left, top) = scale_patch(scale, size)
        sheet.paste(patch, (left + moved[0], top - moved[1]), patch)
    stream = io.BytesIO()
    sheet.save(stream, "JPEG", quality=quality)
    return stream.getvalue()

"""The panel's picture: what is shown, from where, and how fine. Drawn on the easel's thread."""

from __future__ import annotations

import io
import logging
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.appendages import BODY
from ribbonsim.bendcheck.measures import Measures
from ribbonsim.chains import JointPose
from ribbonsim.mesh import CreatureMesh
from ribbonsim.panel.branches import ribbon_of
from ribbonsim.panel.easel import EASEL
from ribbonsim.panel.fields import short
from ribbonsim.panel.marks import Marker, Marks, scale_patch
from ribbonsim.panel.model import PanelModel, Readout
from ribbonsim.pose import Pose
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Method, Rig
from ribbonsim.view.camera import VIEW_ANGLE, Camera, View, fit_camera, named_view
from ribbonsim.view.look import Scale
from ribbonsim.view.pictures import shows_mark
from ribbonsim.view.scene import Stage

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

Heat = Literal["clay", "control weights", "station weights", "stretch", "girth", "volume"]
HEATS: tuple[Heat, ...] = (
    "clay",
    "control weights",
    "station weights",
    "stretch",
    "girth",
    "volume",
)
_REST_BEFORE_FINE = 0.18
MEASURED: tuple[Heat, ...] = ("stretch", "girth", "volume")
_DOT = 14.0
_SPOT_TONE = 0.62
_OLD_NUMBERS = 0.25
_PICTURE_OUT = 0.012
# six shifts within a pixel, no two in one row or column
_NUDGES = tuple(
    ((column - 2.5) / 6.0, (row - 2.5) / 6.0) for column, row in enumerate((1, 4, 0, 3, 5, 2))
)
PLAIN_QUALITY, FINE_QUALITY = 85, 93
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class Show:
    """What the picture shows besides the skin.

    Parameters
    ----------
    ribbon, stations, controls, edges, glass : bool
    heat : str
        One of :data:`HEATS`.
    station : int
        Of the chosen ribbon: whose weights are shown, if a station's are.
    place : float, optional
        A place along the chosen ribbon to be marked, 0 to 1.
    """

    ribbon: bool = False
    stations: bool = False
    controls: bool = True
    edges: bool = False
    glass: bool = False
    heat: Heat = "clay"
    station: int = 1
    place: float | None = None


@dataclass(frozen=True, eq=False)
class Spot:
    """Vertices that stand out by colour, the rest of the body faint.

    Parameters
    ----------
    mesh : CreatureMesh
        Shown while this one is.
    vertices : (m,) int array
    values : (V,) array
    scale : Scale
        One without a title has no bar.
    """

    mesh: CreatureMesh
    vertices: NDArray[np.int64]
    values: Array
    scale: Scale

    def plain(self) -> Spot:
        """The same vertices in one colour, for when the values are of another pose."""
        if not self.scale.title:
            return self
        values = np.zeros(len(self.values))
        values[self.vertices] = _SPOT_TONE
        return replace(self, values=values, scale=Scale(""))


@dataclass(frozen=True, eq=False)
class Orbit:
    """A camera that goes round a point.

    Parameters
    ----------
    view : View
    focus : (3,) array
        Stage units.
    distance : float
    """

    view: View
    focus: Array
    distance: float

    def camera(self, aspect: float) -> Camera:
        """The camera where it stands now."""
        return Camera(self.view, self.focus + self.distance * self.view.axes[2], aspect)

    def turned(self, right: float, up: float) -> Orbit:
        """Go round by degrees."""
        elevation = float(np.clip(self.view.elevation - up, -89.0, 89.0))
        return replace(self, view=View((self.view.azimuth - right) % 360.0, elevation))

    def moved(self, right: float, up: float) -> Orbit:
        """Shift the picture by shares of its height."""
        size = 2.0 * self.distance * np.tan(np.radians(VIEW_ANGLE) / 2.0)
        step = right * self.view.axes[0] + up * self.view.axes[1]
        return replace(self, focus=self.focus - size * step)

    def nearer(self, factor: float) -> Orbit:
        """Go nearer by a factor."""
        return replace(self, distance=float(np.clip(self.distance / factor, 0.02, 50.0)))


@dataclass(frozen=True, eq=False)
class Frame:
    """A finished picture.

    Parameters
    ----------
    jpeg : bytes
    seconds : float
        What the picture took, from pose to JPEG.
    fine : bool
    """

    jpeg: bytes
    seconds: float
    fine: bool


@dataclass(frozen=True, eq=False)
class Subject:
    """All that a picture depends on, held together while the panel goes on changing."""

    model: PanelModel
    rig: Rig
    pose: Pose
    method: Method
    selected: str
    show: Show
    orbit: Orbit
    spot: Spot | None


class Viewer:
    """Draws a panel's model.

    Parameters
    ----------
    model : PanelModel
    deliver : callable
        Takes each finished :class:`Frame`, on the drawing thread.
    tell : callable
        Takes the numbers beside the view, on the drawing thread.
    fail : callable
        Takes what went wrong, in words, on the drawing thread.
    size : (width, height)
        Pixels.
    """

    def __init__(
        self,
        model: PanelModel,
        deliver: Callable[[Frame], None],
        tell: Callable[[Readout], None],
        fail: Callable[[str], None],
        size: tuple[int, int] = (900, 600),
    ) -> None:
        self.model = model
        self.show = Show()
        self.spot: Spot | None = None
        self.size = size
        self.orbit = Orbit(named_view("three_quarter"), np.zeros(3), 3.0)
        self._deliver, self._tell, self._fail = deliver, tell, fail
        self._stage: Stage | None = None
        self._told_at = -np.inf
        self._marker = Marker(size)
        self._settled: Orbit | None = None
        self._buffers: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None
        self._closed = False

    # -- from where ------------------------------------------------------------------------

    def frame_all(self, view: str | View | None = None) -> None:
        """Stand where the posed creature fills the picture.

        Parameters
        ----------
        view : str or View, optional
            The side; that of now if left out.
        """
        side = self.orbit.view if view is None else view
        side = named_view(side) if isinstance(side, str) else side
        mesh = self.model.rig.mesh
        points = (self.model.deform() - mesh.centre) / mesh.diagonal
        self._stand(points, side, 0.86)

    def shows_all(self) -> bool:
        """Whether the posed creature is wholly in the picture.

        Returns
        -------
        bool
        """
        mesh = self.model.rig.mesh
        points = (self.model.deform() - mesh.centre) / mesh.diagonal
        x, y, depth = self.orbit.camera(self.aspect).project(points, self.size).T
        wide, high = self.size
        return bool(((x >= 0) & (x <= wide) & (y >= 0) & (y <= high) & (depth > 0)).all())

    def frame_points(self, points: Array, side: View, fill: float) -> None:
        """Stand where some points fill the picture.

        Parameters
        ----------
        points : (n, 3) array
            Scene units.
        side : View
        fill : float
            Share of the picture.
        """
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
        """The vertex under a pixel.

        Parameters
        ----------
        x, y : float
            Pixels from the left and from the top.

        Returns
        -------
        int or None
            None if no vertex that faces the camera is near.
        """
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
        """The control whose dot is under a pixel.

        Parameters
        ----------
        x, y : float
            Pixels from the left and from the top.

        Returns
        -------
        str or None
            Its name; None if none is near or controls are not shown.
        """
        return self.find_control(self.model.rig, self.model.pose, self.size, (x, y))

    def find_control(
        self, rig: Rig, pose: Pose, size: tuple[int, int], pixel: tuple[float, float]
    ) -> str | None:
        """The control of a posed rig whose dot is under a pixel of its picture.

        Parameters
        ----------
        rig : Rig
        pose : Pose
        size : (width, height)
            Of the picture that the rig stands in.
        pixel : (float, float)
            From the left and from the top.

        Returns
        -------
        str or None
            Its name; None if none is near or controls are not shown.
        """
        if not self.show.controls:
            return None
        ribbons = rig.posed(pose).ribbons
        seats = np.vstack(
            [ribbons[name].midline(one.control_places) for name, one in rig.layout.ribbons.items()]
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
        subject = self._subject(self.model)
        EASEL.ask(self, lambda: self._draw(subject))

    def _subject(self, model: PanelModel) -> Subject:
        return Subject(
            *(model, model.rig, model.pose, model.method, model.selected),
            *(self.show, self.orbit, self.spot),
        )

    def rest(self) -> None:
        """Free the drawing context until a picture is asked for again."""
        EASEL.ask(self, self._drop)

    def close(self) -> None:
        """Free the drawing context for good."""
        self._closed = True
        EASEL.ask(self, self._drop)

    def _drop(self) -> None:
        if self._stage is not None:
            self._stage.close()
            self._stage = None

    def _draw(self, subject: Subject, fine: bool = False) -> None:
        if self._closed:
            return
        try:
            self._make(subject, fine)
        except Exception as error:  # nothing above this but the thread of all panels
            _LOG.debug("a picture failed", exc_info=True)
            kind = type(error).__name__
            self._fail(f"the picture could not be drawn ({kind}: {error}); the last one stays")
            return
        if not fine:
            EASEL.ask_later(self, lambda: self._draw(subject, fine=True), _REST_BEFORE_FINE)

    def _make(self, subject: Subject, fine: bool) -> None:
        """Draw and deliver a picture, and tell what it measures."""
        rig, show = subject.rig, subject.show
        stage = self._stage_for(rig.mesh)
        begin = time.perf_counter()
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
        stage.show_ribbon(list(ribbons.values()) if show.ribbon else None)
        stage.set_camera(subject.orbit.camera(self.aspect))
        marks = make_marks(stage, subject, ribbons)
        picture = self._smooth_image(stage) if fine else stage.image(labels=False)
        if picture is None:
            return
        if subject.spot is not None:
            marks = _spotted(stage, subject.spot, positions, picture, marks)
        if fine:
            body = stage.project(positions[:: max(1, len(positions) // 4000)])
            self._marker.settle(marks, body, self._settled is not subject.orbit)
            self._settled = subject.orbit
        picture = self._marker.draw(picture, marks)
        jpeg = encode(picture, scale, self.size, FINE_QUALITY if fine else PLAIN_QUALITY)
        spent = time.perf_counter() - begin
        self._deliver(Frame(jpeg, spent, fine))
        if fine:
            return
        # the picture goes out first: Python runs one thread at a time
        EASEL.pause(self, _PICTURE_OUT)
        if self._may_measure():
            begin = time.perf_counter()
            if measures is None:
                measures = subject.model.measures_of(rig, positions, ribbons[BODY], joints)
            self._tell(PanelModel.readout(measures, spent + time.perf_counter() - begin))

    def _smooth_image(self, stage: Stage) -> Bytes | None:
        """The mean of pictures shifted by parts of a pixel; None if a new wish comes between."""
        width, height = stage.size
        total = np.zeros((height, width, 3), dtype=np.uint16)
        for right, down in _NUDGES:
            if EASEL.waits(self):
                return None
            stage.nudge(right, down)
            total += stage.image(labels=False)
        return ((total + len(_NUDGES) // 2) // len(_NUDGES)).astype(np.uint8)

    def _may_measure(self) -> bool:
        """Whether there is time for the numbers: if nothing waits, or they are old."""
        now = time.monotonic()
        if EASEL.waits(self) and now - self._told_at < _OLD_NUMBERS:
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
        rig, show, spot = subject.rig, subject.show, subject.spot
        if spot is not None and spot.mesh is rig.mesh:
            stage.show_values(spot.values, spot.scale)
            return spot.scale if spot.scale.title else None
        if show.heat == "clay":
            if show.glass:
                stage.show_glass()
            else:
                stage.show_clay()
            return None
        if measures is None:
            values, scale = _weights(rig, subject)
        else:
            values, scale = _measured(rig, subject, measures)
        stage.show_values(values, scale)
        return scale


def _weights(rig: Rig, subject: Subject) -> tuple[Array, Scale]:
    """Weight of a control or a station at each vertex, and the scale that shows it."""
    selected = subject.selected
    if subject.show.heat == "control weights":
        values = rig.control_influence[:, rig.layout.index_of_control(selected)]
        return values, _scale(f"weight of {short(selected)}", 0.0, 1.0, False)
    ribbon, _ = ribbon_of(rig.layout, selected)
    joints = rig.joints_of[ribbon]
    number = min(subject.show.station, joints.stop - joints.start)
    where = "" if ribbon == BODY else f" of {short(ribbon, 16)}"
    title = f"weight of station {number}{where}"
    return rig.mesh_weights[:, joints.start + number - 1], _scale(title, 0.0, 1.0, False)


def _measured(rig: Rig, subject: Subject, measures: Measures) -> tuple[Array, Scale]:
    """Value at each vertex, and the scale that shows it."""
    gauge = subject.model.gauge_of(rig)
    if subject.show.heat == "stretch":
        values = gauge.over_vertices(measures.stretch[:, 0])
        return values, _scale("largest stretch", 0.5, 1.5, True)
    if subject.show.heat == "girth":
        return gauge.along_body(measures.girth), _scale("girth over rest", 0.6, 1.4, True)
    return gauge.along_body(measures.volumes), _scale("volume over rest", 0.6, 1.4, True)


@lru_cache(maxsize=64)
def _scale(title: str, low: float, high: float, diverging: bool) -> Scale:
    """One scale for one title, so that its bar is drawn once."""
    return Scale(title, low, high, diverging)


def make_marks(stage: Stage, subject: Subject, ribbons: Mapping[str, Ribbon]) -> Marks:
    """What is to be marked in a picture: stations and controls that are in it, and a place.

    Parameters
    ----------
    stage : Stage
        Its camera set.
    subject : Subject
    ribbons : mapping of str to Ribbon
        Posed; of the chosen one stations and names are marked.

    Returns
    -------
    Marks
    """
    show, whole = subject.show, subject.rig.layout
    chosen, _ = ribbon_of(whole, subject.selected)
    layout, ribbon = whole.ribbons[chosen], ribbons[chosen]
    places = _pixels(stage, ribbon, layout.stations)
    place = None
    if show.place is not None:
        (place,) = _pixels(stage, ribbon, np.array([show.place]))
    # a name without its dot in the picture would only stick to the border
    width, height = stage.size
    inside = [-20 < x < width + 20 and -20 < y < height + 20 for x, y in places]
    seats = [control.station - 1 for control in layout.controls]
    named = zip(whole.control_names_of(chosen), seats, strict=True)
    others: list[tuple[float, float]] = []
    if show.controls:
        for name, one in whole.ribbons.items():
            if name != chosen:
                others += _pixels(stage, ribbons[name], one.control_places)
    return Marks(
        controls=[(name, places[seat]) for name, seat in named if show.controls and inside[seat]],
        chosen=subject.selected,
        stations=list(enumerate(places, start=1)) if show.stations else (),
        place=place,
        others=others,
    )


def _pixels(stage: Stage, ribbon: Ribbon, t: Array) -> list[tuple[float, float]]:
    """Where places along a ribbon are in the picture."""
    return [(float(x), float(y)) for x, y in stage.project(ribbon.midline(t))]


def _spotted(
    stage: Stage, spot: Spot, positions: NDArray[np.float32], picture: Bytes, marks: Marks
) -> Marks:
    """Marks with dots on the spot's vertices where the body hides nearly all of them."""
    chosen = spot.vertices
    if spot.mesh is not stage.mesh or not len(chosen):
        return marks
    places = stage.project(positions[chosen[:: max(1, -(-len(chosen) // 300))]])
    if shows_mark(picture, places):
        return marks
    few = places[:: max(1, -(-len(places) // 60))]
    return replace(marks, spots=[(float(x), float(y)) for x, y in few])


def encode(
    picture: Bytes,
    scale: Scale | None,
    size: tuple[int, int],
    quality: int,
    moved: tuple[int, int] = (0, 0),
) -> bytes:
    """A picture as a JPEG file.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8
    scale : Scale or None
        Its bar is put at the bottom left.
    size : (width, height)
    quality : int
    moved : (right, up)
        Pixels that the bar stands elsewhere.

    Returns
    -------
    bytes
    """
    sheet = Image.fromarray(picture)
    if scale is not None:
        patch, (left, top) = scale_patch(scale, size)
        sheet.paste(patch, (left + moved[0], top - moved[1]), patch)
    stream = io.BytesIO()
    sheet.save(stream, "JPEG", quality=quality)
    return stream.getvalue()

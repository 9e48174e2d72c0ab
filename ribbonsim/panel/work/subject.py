"""What a picture of the panel shows, and from where."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array
from ribbonsim.layout.pose import Pose
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.state.before_after import BeforeAfter
from ribbonsim.panel.state.bench import PoseRequest
from ribbonsim.panel.state.guide_draft import DrawnGuide
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.view.camera import VIEW_ANGLE, Camera, View
from ribbonsim.view.look import Scale

Heat = Literal[
    "clay", "control weights", "all weights", "station weights", "stretch", "girth", "volume"
]
HEATS: tuple[Heat, ...] = get_args(Heat)
MEASURED: tuple[Heat, ...] = ("stretch", "girth", "volume")
_SPOT_TONE = 0.62
# what is coloured by the chosen control or ribbon
_OF_THE_CHOSEN: tuple[Heat, ...] = ("control weights", "all weights", "station weights")


@dataclass(frozen=True)
class Show:
    """What the picture shows besides the skin.

    Parameters
    ----------
    rest : bool
        The creature at rest, faint, behind its pose.
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
    rest: bool = False
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
    words : str
        What is marked.
    """

    mesh: CreatureMesh
    vertices: NDArray[np.int64]
    values: Array
    scale: Scale
    words: str = "what is marked"

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
    focus : (3,) array
        Stage units.
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
        return replace(
            self,
            view=replace(
                self.view, azimuth=(self.view.azimuth - right) % 360.0, elevation=elevation
            ),
        )

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
    seconds : float
        What the picture took, from pose to JPEG.
    """

    jpeg: bytes
    seconds: float
    fine: bool


@dataclass(frozen=True, eq=False)
class Subject:
    """All that a picture depends on, held together while the panel goes on changing.

    Parameters
    ----------
    beside : tuple or None
        Another layout in the same picture, and the pose as it is asked of that one.
    canvas : Canvas
        Of the picture at rest.
    pointed : str
        The control under the pointer.
    """

    model: PanelModel
    rig: Rig
    pose: Pose
    method: Method
    selected: str
    show: Show
    orbit: Orbit
    spot: Spot | None
    guide: DrawnGuide | None
    beside: tuple[BeforeAfter, PoseRequest] | None
    canvas: Canvas
    pointed: str

    def same_skin(self, other: Subject) -> bool:
        """Whether two pictures differ in nothing but what is marked in them."""
        if self.beside is not None or other.beside is not None:
            return False
        mine, its = self._painted(), other._painted()
        return all(a is b or a == b for a, b in zip(mine, its, strict=True))

    def _painted(self) -> tuple[object, ...]:
        coloured = self.selected if self.show.heat in _OF_THE_CHOSEN else ""
        painted = replace(self.show, controls=True, stations=False, place=None)
        return (
            *(self.model, self.rig, self.pose, self.method, coloured, painted, self.orbit),
            *(self.spot, self.guide is None, self.canvas),
        )

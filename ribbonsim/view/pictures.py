"""The pictures of a preview, each drawn on a stage that is there already."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.layout import Layout
from ribbonsim.pose import Pose
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Method, Rig
from ribbonsim.view.camera import Insets, View
from ribbonsim.view.look import Scale
from ribbonsim.view.overlay import Layer, Mark
from ribbonsim.view.scene import Stage

Bytes = NDArray[np.uint8]

_BAR_ROOM = Insets(bottom=0.12)
_POSE_FILL = 0.88


def draw_rest(stage: Stage, rig: Rig, view: View) -> Bytes:
    """Draw the creature at rest in clay.

    Parameters
    ----------
    stage : Stage
    rig : Rig
    view : View

    Returns
    -------
    (height, width, 3) array of uint8
    """
    _clear(stage)
    stage.update(rig.mesh.positions, rig.mesh.vertex_normals)
    stage.show_clay()
    stage.set_view(view)
    return stage.image()


def draw_ribbon(stage: Stage, rig: Rig, view: View, pose: Pose | None = None) -> Bytes:
    """Draw ribbon, stations and controls inside the creature, its skin as glass.

    Parameters
    ----------
    stage : Stage
    rig : Rig
    view : View
    pose : Pose, optional
        Rest if left out.

    Returns
    -------
    (height, width, 3) array of uint8
    """
    _clear(stage)
    held = pose or Pose()
    ribbon = rig.pose_ribbon(held)
    stage.update(rig.deform(held), rig.deform_normals(held))
    stage.show_glass()
    stage.show_ribbon(ribbon)
    stage.set_view(view)
    mark_layout(stage, rig.layout, ribbon)
    return stage.image()


def mark_layout(stage: Stage, layout: Layout, ribbon: Ribbon) -> None:
    """Mark stations by number and controls by name, for the camera as it stands.

    Parameters
    ----------
    stage : Stage
    layout : Layout
    ribbon : Ribbon
        The layout's ribbon as it is shown, posed or at rest.
    """
    controls = {control.station: control for control in layout.controls}
    marks = []
    places = stage.project(ribbon.midline(layout.stations))
    for number, (x, y) in enumerate(places, start=1):
        place = (float(x), float(y))
        if number in controls:
            marks.append(Mark(place, "control", controls[number].name, f"station {number}"))
        else:
            marks.append(Mark(place, "station", str(number)))
    stage.layer.marks = marks
    t, u = np.linspace(0.0, 1.0, 400)[:, None], np.linspace(0.0, 1.0, 9)
    stage.layer.keep_clear = stage.project(ribbon.evaluate(u, t).reshape(-1, 3))


def draw_pose(stage: Stage, rig: Rig, pose: Pose, view: View, method: Method = "linear") -> Bytes:
    """Draw a pose in clay, with the rest as a ghost behind it.

    Parameters
    ----------
    stage : Stage
    rig : Rig
    pose : Pose
    view : View
    method : {"linear", "dual_quaternion"}

    Returns
    -------
    (height, width, 3) array of uint8
    """
    _clear(stage)
    positions = rig.deform(pose, method)
    stage.update(positions, rig.deform_normals(pose, method))
    stage.show_clay()
    stage.show_ghost(rig.mesh.positions)
    stage.set_view(view, np.vstack([positions, rig.mesh.positions]), fill=_POSE_FILL)
    return stage.image()


def draw_influence(stage: Stage, rig: Rig, name: str, view: View) -> Bytes:
    """Draw how much a control moves each vertex.

    Parameters
    ----------
    stage : Stage
    rig : Rig
    name : str
        The control's name.
    view : View

    Returns
    -------
    (height, width, 3) array of uint8

    Raises
    ------
    RibbonsimError
        If there is no such control.
    """
    values = rig.control_influence[:, rig.layout.control_index(name)]
    return draw_values(stage, rig, values, Scale(f"weight of {name}"), view)


def draw_values(
    stage: Stage, rig: Rig, values: NDArray[np.float64], scale: Scale, view: View
) -> Bytes:
    """Draw a value at each vertex of the creature at rest as colour.

    Parameters
    ----------
    stage : Stage
    rig : Rig
    values : (V,) array
    scale : Scale
    view : View

    Returns
    -------
    (height, width, 3) array of uint8
    """
    _clear(stage)
    stage.update(rig.mesh.positions, rig.mesh.vertex_normals)
    stage.show_values(values, scale)
    stage.set_view(view, insets=_BAR_ROOM)
    return stage.image()


def _clear(stage: Stage) -> None:
    stage.layer = Layer()
    stage.show_ghost(None)
    stage.show_ribbon(None)

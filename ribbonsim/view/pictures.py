"""Pictures of a rig and of a measured pose, each drawn on a stage that is there already."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array, Bytes
from ribbonsim.bendcheck.cases import Case
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.view.camera import Insets, View
from ribbonsim.view.look import Scale
from ribbonsim.view.overlay import Layer, Mark
from ribbonsim.view.scene import Stage
from ribbonsim.view.stripes import twist_stripes

BAR_ROOM = Insets(bottom=0.14)
_POSE_FILL = 0.88

# Stretch of the skin, the same in every picture: squeezed, as the pose asks, stretched.
STRETCH_SCALE = Scale(
    "stretch over what the pose asks for", 0.25, 1.75, diverging=True, ticks=(0.25, 1.0, 1.75)
)


def draw_rest(stage: Stage, rig: Rig, view: View) -> Bytes:
    """Draw the creature at rest in clay: (height, width, 3) bytes."""
    clear_stage(stage)
    stage.update(rig.mesh.positions, rig.mesh.vertex_normals)
    stage.show_clay()
    stage.set_view(view)
    return stage.image()


def draw_ribbon(stage: Stage, rig: Rig, view: View, pose: Pose | None = None) -> Bytes:
    """Draw ribbon, stations and controls inside the creature, its skin as glass."""
    clear_stage(stage)
    held = pose or Pose()
    ribbons = rig.pose_ribbons(held)
    stage.update(rig.deform(held), rig.deform_normals(held))
    stage.show_glass()
    stage.show_ribbon(list(ribbons.values()))
    stage.set_view(view)
    mark_layout(stage, rig.layout, ribbons)
    return stage.image()


def mark_layout(stage: Stage, layout: Layout, ribbons: Mapping[str, Ribbon]) -> None:
    """Mark the body's stations by number and all controls by name, as the camera stands."""
    marks: list[Mark] = []
    clear = []
    t, u = np.linspace(0.0, 1.0, 400)[:, None], np.linspace(0.0, 1.0, 9)
    for name, ribbon in ribbons.items():
        marks += _marks_of(stage, layout, name, ribbon)
        clear.append(stage.project(ribbon.evaluate(u, t).reshape(-1, 3)))
    stage.layer.marks = marks
    stage.layer.keep_clear = np.vstack(clear)


def _marks_of(stage: Stage, layout: Layout, name: str, ribbon: Ribbon) -> list[Mark]:
    one = layout.ribbons[name]
    controls = {control.station: control.name for control in one.controls}
    marks = []
    for number, (x, y) in enumerate(stage.project(ribbon.midline(one.stations)), start=1):
        place = (float(x), float(y))
        if number in controls and name == BODY:
            marks.append(Mark(place, "control", controls[number], f"station {number}"))
        elif number in controls:
            marks.append(Mark(place, "control", layout.control_name(name, controls[number])))
        elif name == BODY:
            marks.append(Mark(place, "station", str(number)))
    return marks


def draw_pose(stage: Stage, rig: Rig, pose: Pose, view: View, method: Method = "linear") -> Bytes:
    """Draw a pose in clay, with the rest as a ghost behind it: (height, width, 3) bytes."""
    clear_stage(stage)
    positions = rig.deform(pose, method)
    stage.update(positions, rig.deform_normals(pose, method))
    stage.show_clay(twist_stripes(rig, pose))
    stage.show_ghost(rig.mesh.positions)
    stage.set_view(view, np.vstack([positions, rig.mesh.positions]), fill=_POSE_FILL)
    return stage.image()


def draw_influence(stage: Stage, rig: Rig, name: str, view: View) -> Bytes:
    """Draw how much a control moves each vertex: (height, width, 3) bytes."""
    values = rig.control_influence[:, rig.layout.index_of_control(name)]
    return draw_values(stage, rig, values, Scale(f"weight of {name}"), view)


def draw_values(
    stage: Stage, rig: Rig, values: NDArray[np.float64], scale: Scale, view: View
) -> Bytes:
    """Draw a value at each vertex of the creature at rest as colour: (height, width, 3) bytes."""
    clear_stage(stage)
    stage.update(rig.mesh.positions, rig.mesh.vertex_normals)
    stage.show_values(values, scale)
    stage.set_view(view, insets=BAR_ROOM)
    return stage.image()


def draw_apart(
    stage: Stage, first: Case, other: Case, values: Array, scale: Scale, view: View, points: Array
) -> Bytes:
    """Draw one layout's pose over another's, coloured by a value at each vertex: (h, w, 3) bytes.

    The first one's stands behind as a ghost, as the rest does behind a pose; the scale's bar is
    not in the picture.
    """
    clear_stage(stage)
    stage.update(other.positions, other.rig.deform_normals(other.pose, other.method))
    stage.show_values(values, scale)
    stage.layer.scale = None
    stage.show_ghost(np.asarray(first.positions, dtype=float))
    stage.set_view(view, points, fill=_POSE_FILL)
    return stage.image()


def draw_shape(
    stage: Stage, case: Case, view: View, points: Array, shade: Array | None = None
) -> Bytes:
    """Draw a measured pose in clay, for a camera that several layouts share: (h, w, 3) bytes.

    ``shade`` is that of stripes.
    """
    clear_stage(stage)
    stage.update(case.positions, case.rig.deform_normals(case.pose, case.method))
    stage.show_clay(shade)
    stage.set_view(view, points, fill=_POSE_FILL)
    return stage.image()


def draw_stretch(
    stage: Stage, case: Case, view: View, points: Array, shade: Array | None = None
) -> Bytes:
    """Draw how far the skin of a measured pose is stretched or squeezed: (height, width, 3) bytes.

    At each vertex the triangle counts that is farthest from what the pose asks for. The
    colours are those of :data:`STRETCH_SCALE`; its bar is not in the picture. ``shade`` is
    that of stripes.
    """
    clear_stage(stage)
    stage.update(case.positions, case.rig.deform_normals(case.pose, case.method))
    large, small = case.relative_stretch
    up, down = worst_around(case, large), worst_around(case, 1.0 / np.maximum(small, 1e-3))
    values = np.where(up >= down, up, 1.0 / down)
    stage.show_values(values, STRETCH_SCALE, shade)
    stage.layer.scale = None
    stage.set_view(view, points, fill=_POSE_FILL)
    return stage.image()


def worst_around(case: Case, values: Array) -> Array:
    """(V,) the largest value of the triangles around each vertex."""
    triangles = case.rig.mesh.triangles
    worst = np.zeros(len(case.positions))
    np.maximum.at(worst, triangles.ravel(), np.repeat(np.asarray(values, dtype=float), 3))
    return np.where(worst == 0.0, 1.0, worst)


def clear_stage(stage: Stage) -> None:
    """Take away labels, ghost and ribbons of the picture before."""
    stage.layer = Layer()
    stage.show_ghost(None)
    stage.show_ribbon(None)

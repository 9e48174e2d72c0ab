"""The pictures of a preview, each drawn on a stage that is there already."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from ribbonsim.appendages import BODY
from ribbonsim.bendcheck.cases import Case
from ribbonsim.bendcheck.findings import Finding, relative_stretch
from ribbonsim.bendcheck.weights import bleed
from ribbonsim.layout import Layout
from ribbonsim.pose import Pose
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Method, Rig
from ribbonsim.view.camera import Camera, Insets, View, fit_camera, telling_view
from ribbonsim.view.look import Scale
from ribbonsim.view.overlay import Layer, Mark
from ribbonsim.view.scene import Stage

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_BAR_ROOM = Insets(bottom=0.14)
_POSE_FILL = 0.88
_CLOSE_FILL = 0.8
_MARKED = 0.62
_CELLS = (64, 48)
# enough points to tell what hides what
_FEW, _MANY = 300, 15000
_ENOUGH_SEEN = 0.15

# Stretch of the skin, the same in every picture: squeezed, as the pose asks, stretched.
STRETCH_SCALE = Scale(
    "stretch over what the pose asks for", 0.25, 1.75, diverging=True, ticks=(0.25, 1.0, 1.75)
)


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
    ribbons = rig.pose_ribbons(held)
    stage.update(rig.deform(held), rig.deform_normals(held))
    stage.show_glass()
    stage.show_ribbon(list(ribbons.values()))
    stage.set_view(view)
    mark_layout(stage, rig.layout, ribbons)
    return stage.image()


def mark_layout(stage: Stage, layout: Layout, ribbons: Mapping[str, Ribbon]) -> None:
    """Mark the body's stations by number and all controls by name, as the camera stands.

    Parameters
    ----------
    stage : Stage
    layout : Layout
    ribbons : mapping of str to Ribbon
        The layout's ribbons as they are shown, posed or at rest.
    """
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
    values = rig.control_influence[:, rig.layout.index_of_control(name)]
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


def draw_shape(stage: Stage, case: Case, view: View, points: Floats) -> Bytes:
    """Draw a measured pose in clay, for a camera that several layouts share.

    Parameters
    ----------
    stage : Stage
    case : Case
    view : View
    points : (n, 3) array
        What the camera has to see, scene units.

    Returns
    -------
    (height, width, 3) array of uint8
    """
    _clear(stage)
    stage.update(case.positions, case.rig.deform_normals(case.pose, case.method))
    stage.show_clay()
    stage.set_view(view, points, fill=_POSE_FILL)
    return stage.image()


def draw_stretch(stage: Stage, case: Case, view: View, points: Floats) -> Bytes:
    """Draw how far the skin of a measured pose is stretched or squeezed.

    At each vertex the triangle counts that is farthest from what the pose asks for. The
    colours are those of :data:`STRETCH_SCALE`; its bar is not in the picture.

    Parameters
    ----------
    stage, case, view, points
        As in :func:`draw_shape`.

    Returns
    -------
    (height, width, 3) array of uint8
    """
    _clear(stage)
    stage.update(case.positions, case.rig.deform_normals(case.pose, case.method))
    large, small = relative_stretch(case)
    up, down = _worst(case, large), _worst(case, 1.0 / np.maximum(small, 1e-3))
    values = np.where(up >= down, up, 1.0 / down)
    stage.show_values(values, STRETCH_SCALE)
    stage.layer.scale = None
    stage.set_view(view, points, fill=_POSE_FILL)
    return stage.image()


# -- findings, close up --------------------------------------------------------------------------


def draw_finding(stage: Stage, case: Case, finding: Finding) -> Bytes:
    """Draw the place of a finding close up, its vertices coloured, the rest of the body faint.

    Parameters
    ----------
    stage : Stage
    case : Case
        The pose it was found in; for a finding of the layout itself any pose, best at rest.
    finding : Finding

    Returns
    -------
    (height, width, 3) array of uint8
        All vertices that the finding concerns are inside the picture. Where the body hides
        nearly all of them, as in a crease, they are dotted over it.
    """
    _clear(stage)
    stage.update(case.positions, case.rig.deform_normals(case.pose, case.method))
    values, scale = finding_heat(case, finding)
    stage.show_values(values, scale)
    barred = scale.title != ""
    if not barred:
        stage.layer.scale = None
    width, height = stage.size
    room = _BAR_ROOM if barred else Insets()
    view, points = close_view(case, finding, width / height, room)
    stage.set_view(view, points, _CLOSE_FILL, room)
    picture = stage.image()
    places = stage.project(case.positions[_thinned(finding.vertices, _FEW)])
    if shows_mark(picture, places):
        return picture
    return _dotted(picture, places, scale)


def shows_mark(picture: Bytes, places: Floats) -> bool:
    """Whether enough places have a mark's colour in a picture; the faint body is near to grey.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8
    places : (n, 2 or more) array
        Pixels.

    Returns
    -------
    bool
    """
    height, width = picture.shape[:2]
    x = np.clip(places[:, 0].astype(int), 0, width - 1)
    y = np.clip(places[:, 1].astype(int), 0, height - 1)
    if not len(x):
        return True
    return bool(np.mean(np.ptp(picture[y, x].astype(int), axis=1) > 45) >= _ENOUGH_SEEN)


def _dotted(picture: Bytes, places: Floats, scale: Scale) -> Bytes:
    """Dots over a picture, in a mark's colour with a pale rim."""
    fine = 3
    sheet = Image.fromarray(picture).resize(
        (picture.shape[1] * fine, picture.shape[0] * fine), Image.Resampling.BILINEAR
    )
    pen = ImageDraw.Draw(sheet)
    inner = tuple(int(tone) for tone in scale.table[158])
    radius = max(2.5, picture.shape[0] / 150.0) * fine
    for grown, colour in ((1.5, "#ffffff"), (1.0, inner)):
        for x, y in places[:: max(1, len(places) // 80)] * fine:
            size = grown * radius
            pen.ellipse((x - size, y - size, x + size, y + size), fill=colour)
    small = sheet.resize((picture.shape[1], picture.shape[0]), Image.Resampling.BOX)
    return np.asarray(small)


def finding_heat(case: Case, finding: Finding) -> tuple[Floats, Scale]:
    """What a finding is about, at each vertex it concerns; the pale end elsewhere.

    Parameters
    ----------
    case : Case
    finding : Finding

    Returns
    -------
    (V,) array, Scale
        A scale without a title only marks, and carries no numbers.
    """
    rig, kind = case.rig, finding.kind
    limit, value = finding.limit, finding.value
    if kind in ("pinch", "bulge"):
        ratio = case.measures.girth / case.asked_girth
        lengths = rig.layout.ribbon.arc_length(rig.layout.stations)
        values = np.interp(rig.places, lengths, ratio)
        scale = _beyond("girth over what it should be", 1.0, limit, value)
    elif kind == "stretch":
        values = _worst(case, relative_stretch(case)[0])
        scale = _beyond("stretch over what the pose asks for", 1.0, limit, value)
    elif kind == "squeeze":
        values = 1.0 / _worst(case, 1.0 / np.maximum(relative_stretch(case)[1], 1e-3))
        scale = _beyond("stretch over what the pose asks for", 1.0, limit, value)
    elif kind == "bleed":
        values = 100.0 * bleed(rig)
        scale = _beyond("weight from far along the body", 0.0, 100 * limit, 100 * value, " %")
    elif kind in ("volume", "kink", "shape") and finding.place.ribbon == BODY:
        return _MARKED * _band(rig, finding), Scale("")
    else:
        values, scale = np.full(len(rig.places), _MARKED), Scale("")
    concerned = np.zeros(len(values), dtype=bool)
    concerned[finding.vertices] = True
    return np.where(concerned, values, scale.low), scale


def _band(rig: Rig, finding: Finding) -> Floats:
    """How far each vertex is marked, 0 to 1: a stretch of the body with soft, even ends.

    The vertices alone would end it in steps where the mesh's loops lie askew to the ribbon.
    """
    places = rig.places[finding.vertices]
    low, high = np.quantile(places, (0.02, 0.98))
    soft = 0.2 * max(high - low, 1e-9)
    outside = np.maximum(low - rig.places, rig.places - high)
    near = np.clip(0.5 - outside / soft, 0.0, 1.0)
    # of what the body carries only that which is marked itself
    limb = rig.mesh_weights.argmax(axis=1) >= len(rig.layout.stations)
    limb[finding.vertices] = False
    return np.where(limb, 0.0, near * near * (3.0 - 2.0 * near))


def _beyond(title: str, rest: float, limit: float, value: float, unit: str = "") -> Scale:
    """From what is right, pale, to the worst, dark; it may fall."""
    marks = [rest, limit, value]
    span = abs(value - rest) or 1.0
    if abs(limit - value) < 0.2 * span or abs(limit - rest) < 0.2 * span:
        marks = [rest, value]
    return Scale(title, rest, value, unit=unit, ticks=tuple(round(m, 2) for m in marks))


def _worst(case: Case, values: Floats) -> Floats:
    """(V,) the largest value of the triangles around each vertex."""
    triangles = case.rig.mesh.triangles
    worst = np.zeros(len(case.positions))
    np.maximum.at(worst, triangles.ravel(), np.repeat(np.asarray(values, dtype=float), 3))
    return np.where(worst == 0.0, 1.0, worst)


def close_view(
    case: Case, finding: Finding, aspect: float, room: Insets | None = None
) -> tuple[View, Floats]:
    """Choose the side from which most of a finding's place is seen close up.

    Parameters
    ----------
    case : Case
    finding : Finding
    aspect : float
        Width of the picture over its height.
    room : Insets, optional
        Kept free at the borders.

    Returns
    -------
    View
    (n, 3) array
        What the camera has to see: the vertices concerned and some surroundings, scene units.
    """
    points = _with_surroundings(case, finding)
    # to the size of one, so that the camera's smallest distances mean the same in any unit
    centre, size = points.mean(axis=0), float(np.ptp(points, axis=0).max()) or 1.0
    near, body = (points - centre) / size, (case.positions - centre) / size
    chosen = _thinned(finding.vertices, _FEW)
    normals = case.rig.deform_normals(case.pose, case.method)[chosen].astype(float)
    # between the vertices there is skin too
    skin = body[case.rig.mesh.triangles].mean(axis=1)
    skin = skin[_thinned(np.arange(len(skin)), _MANY)]
    start = telling_view(case.ribbon.midline(np.linspace(0.0, 1.0, 65)))
    best, most = start, -1.0
    for elevation in (start.elevation, 48.0, -12.0, 78.0, -48.0):
        for turn in range(0, 360, 30):
            view = View((start.azimuth + turn + 180.0) % 360.0 - 180.0, elevation)
            camera = fit_camera(near, view, aspect, _CLOSE_FILL, room)
            # the first is the picture's usual side; another has to show clearly more
            seen = _share_seen(camera, skin, body[chosen], normals)
            seen -= 0.06 if most >= 0.0 else 0.0
            if seen > most:
                best, most = view, seen
    return best, points


def _thinned(indices: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    return indices[:: max(1, -(-len(indices) // most))]


def _with_surroundings(case: Case, finding: Finding) -> Floats:
    """The vertices concerned, and as much about them as shows where on the body they are."""
    rig, concerned = case.rig, case.positions[finding.vertices]
    middle = float(np.median(rig.places[finding.vertices]))
    ring = case.positions[np.abs(rig.places - middle) <= 0.02 * rig.layout.ribbon.length]
    centre = case.ribbon.midline(rig.layout.ribbon.place_at(np.array([middle])))[0]
    reach = np.linalg.norm((ring if len(ring) else concerned) - centre, axis=1)
    corners = np.array(np.meshgrid(*[[-1.0, 1.0]] * 3)).reshape(3, -1).T / np.sqrt(3.0)
    extent = float(np.ptp(concerned, axis=0).max())
    radius = max(1.1 * float(np.median(reach)), 0.9 * extent)
    about = 0.5 * (concerned.min(axis=0) + concerned.max(axis=0)) + radius * corners
    return np.vstack([concerned, about])


def _share_seen(camera: Camera, skin: Floats, chosen: Floats, normals: Floats) -> float:
    """Share of points that face the camera and that nothing else hides, on a coarse picture.

    Parameters
    ----------
    camera : Camera
    skin : (n, 3) array
        Points all over the body.
    chosen, normals : (m, 3) array

    Returns
    -------
    float
        0 to 1; what is seen squarely counts more than what is seen from the side.
    """
    columns, rows = _CELLS
    seen = camera.project(skin, _CELLS)
    inside = (seen[:, 2] > 0) & (seen[:, :2] >= 0).all(axis=1) & (seen[:, 0] < columns)
    inside &= seen[:, 1] < rows
    nearest = np.full((rows, columns), np.inf)
    x, y = seen[inside, :2].astype(int).T
    np.minimum.at(nearest, (y, x), seen[inside, 2])
    own = camera.project(chosen, _CELLS)
    x = np.clip(own[:, 0], 0, columns - 1).astype(int)
    y = np.clip(own[:, 1], 0, rows - 1).astype(int)
    rays = camera.position - chosen
    distance = np.linalg.norm(rays, axis=1)
    square = np.clip(np.sum(rays * normals, axis=1) / distance, 0.0, 1.0)
    # a cell is wide, and skin that slopes away in it does not hide itself
    free = own[:, 2] <= nearest[y, x] + 0.015 * distance
    return float(np.mean(np.where(free, np.sqrt(square), 0.0)))


def _clear(stage: Stage) -> None:
    stage.layer = Layer()
    stage.show_ghost(None)
    stage.show_ribbon(None)

"""A finding close up: from where its place is seen, and what is coloured there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.arrays import Array, Bytes
from ribbonsim.bendcheck.cases import Case
from ribbonsim.bendcheck.findings import Finding
from ribbonsim.bendcheck.weights import bleed
from ribbonsim.layout.appendages import BODY
from ribbonsim.rig.rig import Rig
from ribbonsim.view.camera import Camera, Insets, View, fit_camera, telling_view
from ribbonsim.view.lettering import Pen
from ribbonsim.view.look import Scale
from ribbonsim.view.pictures import BAR_ROOM, clear_stage, worst_around
from ribbonsim.view.scene import Stage

_CLOSE_FILL = 0.8
_MARKED = 0.62
_CELLS = (64, 48)
# enough points to tell what hides what
_FEW, _MANY = 300, 15000
_ENOUGH_SEEN = 0.15


def draw_finding(stage: Stage, case: Case, finding: Finding) -> Bytes:
    """Draw the place of a finding close up, its vertices coloured, the rest of the body faint."""
    clear_stage(stage)
    stage.update(case.positions, case.rig.deform_normals(case.pose, case.method))
    values, scale = finding_heat(case, finding)
    stage.show_values(values, scale)
    barred = scale.title != ""
    if not barred:
        stage.layer.scale = None
    width, height = stage.size
    room = BAR_ROOM if barred else Insets()
    view, points = close_view(case, finding, width / height, room)
    stage.set_view(view, points, _CLOSE_FILL, room)
    picture = stage.image()
    places = stage.project(case.positions[_thinned(finding.vertices, _FEW)])
    if shows_mark(picture, places):
        return picture
    return _dotted(picture, places, scale)


def shows_mark(picture: Bytes, places: Array) -> bool:
    """Whether enough places have a mark's colour in a picture; the faint body is near to grey."""
    height, width = picture.shape[:2]
    x = np.clip(places[:, 0].astype(int), 0, width - 1)
    y = np.clip(places[:, 1].astype(int), 0, height - 1)
    if not len(x):
        return True
    return bool(np.mean(np.ptp(picture[y, x].astype(int), axis=1) > 45) >= _ENOUGH_SEEN)


def _dotted(picture: Bytes, places: Array, scale: Scale) -> Bytes:
    """Dots over a picture, in a mark's colour with a pale rim."""
    fine = 3
    sheet = Image.fromarray(picture).resize(
        (picture.shape[1] * fine, picture.shape[0] * fine), Image.Resampling.BILINEAR
    )
    pen = Pen(sheet, fine, fine)
    inner = "#{:02x}{:02x}{:02x}".format(*scale.table[158])
    radius = max(2.5, picture.shape[0] / 150.0)
    for grown, colour in ((1.5, "#ffffff"), (1.0, inner)):
        for x, y in places[:: max(1, len(places) // 80)]:
            pen.disc((x, y), grown * radius, colour)
    small = sheet.resize((picture.shape[1], picture.shape[0]), Image.Resampling.BOX)
    return np.asarray(small)


def finding_heat(case: Case, finding: Finding) -> tuple[Array, Scale]:
    """What a finding is about, at each vertex it concerns; the pale end elsewhere."""
    rig, kind = case.rig, finding.kind
    limit, value = finding.limit, finding.value
    if kind in ("pinch", "bulge"):
        ratio = case.measures.girth / case.asked_girth
        lengths = rig.layout.body.station_lengths
        values = np.interp(rig.places, lengths, ratio)
        scale = _beyond("girth over what it should be", 1.0, limit, value)
    elif kind == "stretch":
        values = worst_around(case, case.relative_stretch[0])
        scale = _beyond("stretch over what the pose asks for", 1.0, limit, value)
    elif kind == "squeeze":
        values = 1.0 / worst_around(case, 1.0 / np.maximum(case.relative_stretch[1], 1e-3))
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


def _band(rig: Rig, finding: Finding) -> Array:
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


def close_view(
    case: Case, finding: Finding, aspect: float, room: Insets | None = None
) -> tuple[View, Array]:
    """Choose the side from which most of a finding's place is seen close up."""
    points = _with_surroundings(case, finding)
    # to the size of one, so that the camera's smallest distances mean the same in any unit
    centre, size = points.mean(axis=0), float(np.ptp(points, axis=0).max()) or 1.0
    near, body = (points - centre) / size, (case.positions - centre) / size
    chosen = _thinned(finding.vertices, _FEW)
    normals = case.rig.deform_normals(case.pose, case.method)[chosen].astype(float)
    # between the vertices there is skin too
    skin = body[case.rig.mesh.triangles].mean(axis=1)
    skin = skin[_thinned(np.arange(len(skin)), _MANY)]
    up = case.rig.layout.up
    start = telling_view(case.ribbon.midline(np.linspace(0.0, 1.0, 65)), up=up)
    best, most = start, -1.0
    for elevation in (start.elevation, 48.0, -12.0, 78.0, -48.0):
        for turn in range(0, 360, 30):
            view = View((start.azimuth + turn + 180.0) % 360.0 - 180.0, elevation, up)
            camera = fit_camera(near, view, aspect, _CLOSE_FILL, room)
            # the first is the picture's usual side; another has to show clearly more
            seen = _share_seen(camera, skin, body[chosen], normals)
            seen -= 0.06 if most >= 0.0 else 0.0
            if seen > most:
                best, most = view, seen
    return best, points


def _thinned(indices: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    return indices[:: max(1, -(-len(indices) // most))]


def _with_surroundings(case: Case, finding: Finding) -> Array:
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


def _share_seen(camera: Camera, skin: Array, chosen: Array, normals: Array) -> float:
    """Share of points that face the camera and that nothing else hides, on a coarse picture."""
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

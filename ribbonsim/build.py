"""From a mesh to a layout: the building steps that every door of the program shares."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendages import BODY
from ribbonsim.errors import RibbonsimError
from ribbonsim.find_limbs import find_appendages
from ribbonsim.guide import body_triangles, find_guide
from ribbonsim.layout import DEFAULT_CONTROLS, DEFAULT_STATIONS, Layout, free_name
from ribbonsim.mesh import CreatureMesh, load_mesh
from ribbonsim.mirror import pair_appendages
from ribbonsim.plane import find_plane
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig, bind

Array = NDArray[np.float64]
End = int | tuple[float, float, float]

DEFAULT_SPANS = 16
# an appendage that stands out less for its width is left for the user to choose
_CONFIDENT = 0.5


@dataclass(frozen=True)
class LimbTip:
    """An appendage to add.

    Parameters
    ----------
    tip : int or (float, float, float)
        A vertex out on it, counted from 0, or a point in scene units.
    name : str, optional
        That of its group in the file, or ``appendage`` with a number, if left out.
    """

    tip: End
    name: str | None = None


@dataclass(frozen=True)
class BuildOptions:
    """How to make a layout for a mesh.

    Parameters
    ----------
    root, tip : int or (float, float, float), optional
        A vertex counted from 0, or a point in scene units; found if left out.
    swap : bool
        Exchange root and tip.
    width : float, optional
        Width of the ribbon, scene units; half the body's radius if left out.
    spans : int
        Spans of the ribbon.
    stations : int
    controls : int or tuple of int
        How many, or the numbers of their stations, from 1.
    appendages : bool
        Add every appendage that is found with confidence.
    appendage : tuple of LimbTip
        Appendages to add by their tips, and what to call them.
    """

    root: End | None = None
    tip: End | None = None
    swap: bool = False
    width: float | None = None
    spans: int = DEFAULT_SPANS
    stations: int = DEFAULT_STATIONS
    controls: int | tuple[int, ...] = DEFAULT_CONTROLS
    appendages: bool = False
    appendage: tuple[LimbTip, ...] = ()


def build_layout(mesh: CreatureMesh, options: BuildOptions | None = None) -> Layout:
    """Find the guide of a mesh, run a ribbon along it and lay it out.

    Parameters
    ----------
    mesh : CreatureMesh
    options : BuildOptions, optional

    Returns
    -------
    Layout
        Named after the mesh.

    Raises
    ------
    RibbonsimError
        If an option cannot be used on this mesh.
    """
    wanted = options or BuildOptions()
    for end in (wanted.root, wanted.tip):
        if isinstance(end, int):
            _check_vertex(mesh, end)
    if isinstance(wanted.root, int) and wanted.root == wanted.tip:
        raise RibbonsimError(
            f"root and tip of {mesh.name} are one vertex ({wanted.root + 1}, counted from 1, as in "
            "the file): choose two ends of the body"
        )
    guide = find_guide(mesh, wanted.root, wanted.tip)
    if wanted.swap:
        guide = guide[::-1].copy()
    width = default_width(mesh, guide) if wanted.width is None else wanted.width
    ribbon = Ribbon.along(guide, width=width, spans=wanted.spans)
    if width > ribbon.length:
        raise RibbonsimError(
            f"ribbon width = {width:g} is more than the body's length ({ribbon.length:.4g}): "
            "give less"
        )
    controls = wanted.controls if isinstance(wanted.controls, int) else list(wanted.controls)
    layout = Layout.from_ribbon(ribbon, wanted.stations, controls, name=mesh.name)
    if wanted.appendages or wanted.appendage:
        return _with_limbs(mesh, layout, wanted)
    return layout


def _with_limbs(mesh: CreatureMesh, layout: Layout, options: BuildOptions) -> Layout:
    """Add the appendages that options ask for, left and right paired where they match."""
    for limb in options.appendage:
        if isinstance(limb.tip, int):
            _check_vertex(mesh, limb.tip)
    proposals = find_appendages(mesh, layout.ribbon, least=0.0)
    taken: dict[int, str | None] = {}
    for limb in options.appendage:
        vertex = _vertex_at(mesh, limb.tip)
        on = next((i for i, one in enumerate(proposals) if vertex in one.vertices), None)
        if on is None:
            raise RibbonsimError(
                f"vertex {vertex + 1} of {mesh.name} (counted from 1, as in the file) is not on an "
                "appendage: choose one that stands out of the body"
            )
        if on in taken:
            raise RibbonsimError(
                f"vertex {vertex + 1} of {mesh.name} (counted from 1, as in the file) is on an "
                "appendage that was chosen before: choose one tip for each"
            )
        taken[on] = limb.name
    if options.appendages:
        sure = [i for i, one in enumerate(proposals) if one.confidence >= _CONFIDENT]
        taken |= {i: None for i in sure if i not in taken}
    for i, name in sorted(taken.items(), key=lambda pair: (pair[1] is None, pair[0])):
        if name is not None and name in layout.ribbons:
            raise RibbonsimError(f"two ribbons are called {name!r}: choose another name")
        label = proposals[i].name if name is None else name
        if label in layout.ribbons:
            label = free_name("appendage", list(layout.ribbons))
        layout = layout.with_appendage(proposals[i].appendage(label))
    plane = find_plane(mesh)
    return layout if plane is None else pair_appendages(layout, plane)[0]


def _vertex_at(mesh: CreatureMesh, tip: End) -> int:
    """A vertex as given, or the body's nearest to a point."""
    if isinstance(tip, int):
        return tip
    used = np.unique(body_triangles(mesh))
    return int(used[np.argmin(np.linalg.norm(mesh.positions[used] - np.asarray(tip), axis=1))])


def ribbon_tree(layout: Layout) -> list[str]:
    """Describe the ribbons of a layout, each below what carries it and set in.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    list of str
        A line for each ribbon, the body's first.
    """
    lines: list[str] = []

    def tell(name: str, depth: int, words: str) -> None:
        one = layout.ribbons[name]
        size = (
            f"{one.ribbon.length:.5g} long, {len(one.stations)} stations, "
            f"{len(one.controls)} controls"
        )
        lines.append(f"{'  ' * depth}{name}: {size}{words}")
        for rider in layout.appendages:
            if rider.rides_on == name:
                carrier = one.ribbon.place_at(rider.at * one.ribbon.length)
                station = int(np.argmin(np.abs(one.stations - carrier))) + 1
                across = f", opposite {rider.partner}" if rider.partner else ""
                tell(
                    rider.name,
                    depth + 1,
                    f", by station {station} of {name}, blends over {rider.blend:.4g}{across}",
                )

    tell(BODY, 0, "")
    return lines


def _check_vertex(mesh: CreatureMesh, vertex: int) -> None:
    """Complain in the file's numbers, which count from 1."""
    count = len(mesh.positions)
    if not 0 <= vertex < count:
        raise RibbonsimError(
            f"{mesh.name} has no vertex {vertex + 1} (counted from 1, as in the file): "
            f"give 1 to {count}"
        )
    if mesh.components[vertex] != mesh.body:
        raise RibbonsimError(
            f"vertex {vertex + 1} of {mesh.name} (counted from 1, as in the file) is not on the "
            "body: choose another"
        )


def load_rig(
    mesh_path: str | os.PathLike[str],
    layout_path: str | os.PathLike[str] | None = None,
    options: BuildOptions | None = None,
) -> Rig:
    """Read a mesh and bind it to a layout file, or to a layout made for it.

    Parameters
    ----------
    mesh_path : path
    layout_path : path, optional
    options : BuildOptions, optional
        Used without a layout file.

    Returns
    -------
    Rig

    Raises
    ------
    RibbonsimError
    """
    mesh = load_mesh(mesh_path)
    layout = build_layout(mesh, options) if layout_path is None else Layout.load(layout_path)
    return bind(mesh, layout)


def body_radius(mesh: CreatureMesh, guide: Array) -> float:
    """Distance of the body's surface from its guide: the median over the area.

    Parameters
    ----------
    mesh : CreatureMesh
    guide : (n, 3) array
        Points from root to tip, evenly spaced.

    Returns
    -------
    float
        Scene units.
    """
    from scipy.spatial import cKDTree

    corners = mesh.positions[body_triangles(mesh)]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    areas = np.linalg.norm(np.cross(one, two), axis=1)
    places = np.linspace(0.0, 1.0, 4 * len(guide))
    known = np.linspace(0.0, 1.0, len(guide))
    line = np.stack([np.interp(places, known, guide[:, k]) for k in range(3)], axis=1)
    distance, _ = cKDTree(line).query(corners.mean(axis=1))
    order = np.argsort(distance)
    share = np.cumsum(areas[order])
    return float(distance[order][np.searchsorted(share, 0.5 * share[-1])])


def default_width(mesh: CreatureMesh, guide: Array) -> float:
    """A ribbon width that shows well inside the body: half the body's radius.

    Parameters
    ----------
    mesh : CreatureMesh
    guide : (n, 3) array

    Returns
    -------
    float
        Scene units.

    Raises
    ------
    RibbonsimError
        If the body has no thickness.
    """
    width = 0.5 * body_radius(mesh, guide)
    if not width > 0.0:
        raise RibbonsimError(f"{mesh.name} has no thickness about its guide: give a ribbon width")
    return width


@dataclass(frozen=True)
class StationRow:
    """One line of the table of stations.

    Parameters
    ----------
    station : int
        Number, from 1 at the root end.
    t : float
        Place along the ribbon, 0 to 1.
    arc_length : float
        From the root end, scene units.
    spacing : float or None
        Arc length since the station before.
    point : (float, float, float)
        Scene units.
    control, carried_by : str or None
        The control that stands here, and what takes it along.
    reach : float or None
        The control's reach.
    """

    station: int
    t: float
    arc_length: float
    spacing: float | None
    point: tuple[float, float, float]
    control: str | None
    reach: float | None
    carried_by: str | None


def station_table(layout: Layout) -> list[StationRow]:
    """List the stations of a layout with the controls that stand at them.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    list of StationRow
        From the root end.
    """
    lengths = layout.ribbon.arc_length(layout.stations)
    points = layout.ribbon.midline(layout.stations)
    controls = {control.station: control for control in layout.controls}
    rows = []
    for i, t in enumerate(layout.stations):
        control = controls.get(i + 1)
        x, y, z = (float(value) for value in points[i])
        rows.append(
            StationRow(
                station=i + 1,
                t=float(t),
                arc_length=float(lengths[i]),
                spacing=float(lengths[i] - lengths[i - 1]) if i else None,
                point=(x, y, z),
                control=control.name if control else None,
                reach=control.reach if control else None,
                carried_by=control.carried_by if control else None,
            )
        )
    return rows

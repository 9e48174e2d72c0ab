"""From a mesh to a layout: the building steps that every door of the program shares."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ribbonsim.errors import RibbonsimError
from ribbonsim.guide import body_triangles, find_guide
from ribbonsim.layout import DEFAULT_CONTROLS, DEFAULT_STATIONS, Layout
from ribbonsim.mesh import CreatureMesh, load_mesh
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig, bind

Array = NDArray[np.float64]
End = int | tuple[float, float, float]

DEFAULT_SPANS = 16


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
    """

    root: End | None = None
    tip: End | None = None
    swap: bool = False
    width: float | None = None
    spans: int = DEFAULT_SPANS
    stations: int = DEFAULT_STATIONS
    controls: int | tuple[int, ...] = DEFAULT_CONTROLS


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
    guide = find_guide(mesh, wanted.root, wanted.tip)
    if wanted.swap:
        guide = guide[::-1].copy()
    width = default_width(mesh, guide) if wanted.width is None else wanted.width
    ribbon = Ribbon.along(guide, width=width, spans=wanted.spans)
    controls = wanted.controls if isinstance(wanted.controls, int) else list(wanted.controls)
    return Layout.from_ribbon(ribbon, wanted.stations, controls, name=mesh.name)


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

"""From a mesh to a layout: the building steps that every door of the program shares."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.body.field import body_triangles
from ribbonsim.body.guide import find_guide
from ribbonsim.body.plane import find_plane
from ribbonsim.body.propose import find_appendages
from ribbonsim.body.standing import standing_place, standing_seat
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up, up_direction
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import (
    DEFAULT_CONTROLS,
    DEFAULT_STATIONS,
    OneRibbon,
    free_name,
)
from ribbonsim.layout.settings import Drive
from ribbonsim.layout.spans import ribbon_of_even_bend
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.rig.bind import bind
from ribbonsim.rig.mirror import pair_appendages
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.small_parts import ties_of_small_pieces

End = int | tuple[float, float, float]

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
        That of its group in the file, or by its shape and side, if left out.
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
    up : {"x", "y", "z", "-x", "-y", "-z"}
        The axis of the mesh's file that points up.
    width : float, optional
        Width of the ribbon, scene units; half the body's radius if left out.
    spans : int, optional
        Spans of the ribbon; as many as it needs to bend evenly on top of its own curves, 16 or
        more, if left out.
    controls : int or tuple of int
        How many, or the numbers of their stations, from 1.
    sections : tuple of int
        Ribbon joints of sections that share the joint where they meet, in the place of
        stations and controls; none if empty.
    controls_per_section : int
        Spread over each section, its ends included.
    drive : {"shares", "skinned"}
        How controls move the ribbons; :meth:`ribbonsim.Layout.with_drive` says more.
    appendages : bool
        Add every appendage that is found with confidence.
    appendage : tuple of LimbTip
        Appendages to add by their tips, and what to call them.
    ties : bool
        Tie small pieces, such as eyes and teeth, to the nearest stations.
    """

    root: End | None = None
    tip: End | None = None
    swap: bool = False
    up: Up = "y"
    width: float | None = None
    spans: int | None = None
    stations: int = DEFAULT_STATIONS
    controls: int | tuple[int, ...] = DEFAULT_CONTROLS
    sections: tuple[int, ...] = ()
    controls_per_section: int = 3
    drive: Drive = "shares"
    appendages: bool = False
    appendage: tuple[LimbTip, ...] = ()
    ties: bool = False


def build_layout(mesh: CreatureMesh, options: BuildOptions | None = None) -> Layout:
    """Find the guide of a mesh, run a ribbon along it and lay it out.

    The control nearest to where the body rests on the ground, or else to the middle of its
    mass, stands still and carries the others.

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
    guide = find_guide(mesh, wanted.root, wanted.tip, wanted.up)
    if wanted.swap:
        guide = guide[::-1].copy()
    width = default_width(mesh, guide) if wanted.width is None else wanted.width
    if wanted.spans is None:
        ribbon = ribbon_of_even_bend(guide, width, wanted.up)
    else:
        ribbon = Ribbon.along(guide, width, wanted.spans, up=up_direction(wanted.up))
    if width > ribbon.length:
        raise RibbonsimError(
            f"ribbon width = {width:g} is more than the body's length ({ribbon.length:.4g}): "
            "give less"
        )
    if wanted.sections:
        body = OneRibbon.in_sections(ribbon, wanted.sections, wanted.controls_per_section)
    else:
        body = OneRibbon.spread(ribbon, wanted.stations, wanted.controls)
    stands = body.control_lengths
    seat = standing_seat(stands, standing_place(mesh, ribbon, wanted.up), ribbon.length)
    body = body.with_root(seat + 1)
    layout = Layout(body=body, name=mesh.name, drive=wanted.drive, up=wanted.up)
    if wanted.appendages or wanted.appendage:
        layout = _with_limbs(mesh, layout, wanted)
    if wanted.ties:
        layout = replace(layout, ties=ties_of_small_pieces(mesh, layout))
    return layout


def _with_limbs(mesh: CreatureMesh, layout: Layout, options: BuildOptions) -> Layout:
    """Add the appendages that options ask for, left and right paired where they match."""
    for limb in options.appendage:
        if isinstance(limb.tip, int):
            _check_vertex(mesh, limb.tip)
    proposals = find_appendages(mesh, layout.ribbon, 0.0, layout.up)
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
    plane = find_plane(mesh, layout.ribbon)
    return layout if plane is None else pair_appendages(layout, plane)[0]


def _vertex_at(mesh: CreatureMesh, tip: End) -> int:
    """A vertex as given, or the body's nearest to a point."""
    if isinstance(tip, int):
        return tip
    used = np.unique(body_triangles(mesh))
    return int(used[np.argmin(np.linalg.norm(mesh.positions[used] - np.asarray(tip), axis=1))])


def ribbon_tree(layout: Layout) -> list[str]:
    """Describe the ribbons of a layout, each below what carries it and set in.

    Returns
    -------
    list of str
        A line for each ribbon, the body's first.
    """
    lines: list[str] = []

    def tell(name: str, depth: int, words: str) -> None:
        own = layout.ribbons[name]
        size = (
            f"{own.ribbon.length:.5g} long, {len(own.stations)} stations, "
            f"{len(own.controls)} controls"
        )
        lines.append(f"{'  ' * depth}{name}: {size}{words}")
        for rider in layout.appendages:
            if rider.rides_on == name:
                station = own.station_near(float(own.ribbon.place_at(rider.at * own.ribbon.length)))
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
    options : BuildOptions, optional
        Used without a layout file.
    """
    mesh = load_mesh(mesh_path)
    layout = build_layout(mesh, options) if layout_path is None else Layout.load(layout_path)
    return bind(mesh, layout)


def body_radius(mesh: CreatureMesh, guide: Array) -> float:
    """Distance of the body's surface from its guide: the median over the area.

    Parameters
    ----------
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

    Returns
    -------
    list of StationRow
        From the root end.
    """
    lengths = layout.body.station_lengths
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

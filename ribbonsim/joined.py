"""Weights across ribbons: the body's, those of appendages, and rigid parts, in one table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendages import BODY, Appendage, Tie
from ribbonsim.chains import Mount
from ribbonsim.errors import RibbonsimError
from ribbonsim.falloff import limit_influences, prune, smooth
from ribbonsim.guide import body_triangles
from ribbonsim.layout import Layout
from ribbonsim.limb_skins import Skin, limb_skins
from ribbonsim.limbs import Limb, base_share, find_limb
from ribbonsim.mesh import CreatureMesh
from ribbonsim.place import homes
from ribbonsim.weights import station_weights

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def find_limbs(
    mesh: CreatureMesh, layout: Layout, places: Array, known: Mapping[str, Limb] | None = None
) -> dict[str, Limb]:
    """Find the skin of every appendage of a layout.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout
    places : (V,) array
        Arc length along the body ribbon.
    known : mapping of str to Limb, optional
        Limbs found before, that have not changed.

    Returns
    -------
    dict of str to Limb

    Raises
    ------
    RibbonsimError
        If an appendage is not on a limb, or two are on one.
    """
    found = dict(known or {})
    skins: dict[str, list[Skin]] = {}
    for appendage in layout.appendages:
        if appendage.name in found:
            continue
        carrier = appendage.rides_on
        if carrier not in skins:
            skins[carrier] = _skins_on(mesh, layout, places, carrier, found)
        found[appendage.name] = find_limb(mesh.positions, skins[carrier], appendage)
    limbs = {appendage.name: found[appendage.name] for appendage in layout.appendages}
    _check_apart(layout.appendages, limbs)
    return limbs


def _skins_on(
    mesh: CreatureMesh, layout: Layout, places: Array, carrier: str, found: Mapping[str, Limb]
) -> list[Skin]:
    """Skins of all limbs that grow from one ribbon's skin."""
    if carrier == BODY:
        triangles, along = body_triangles(mesh), places
    else:
        limb = found[carrier]
        triangles, along = limb.triangles, np.zeros(len(places))
        along[limb.vertices] = limb.places
    length = layout.ribbons[carrier].ribbon.length
    return limb_skins(mesh.positions, triangles, along, length)


def _check_apart(appendages: Sequence[Appendage], limbs: Mapping[str, Limb]) -> None:
    for i, one in enumerate(appendages):
        for other in appendages[:i]:
            if one.rides_on != other.rides_on:
                continue
            if len(np.intersect1d(limbs[one.name].vertices, limbs[other.name].vertices)):
                raise RibbonsimError(
                    f"{other.name!r} and {one.name!r} are on one limb: take one of them away"
                )


def join_weights(
    mesh: CreatureMesh, layout: Layout, body: Array, limbs: Mapping[str, Limb]
) -> Array:
    """Weights of all ribbon joints over the mesh.

    Along the base of an appendage its weights take over from those of what carries it;
    beyond the base the skin is the appendage's alone.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout
    body : (V, N) array
        Weights of the body's joints.
    limbs : mapping of str to Limb

    Returns
    -------
    (V, M) array
        The body's joints, then those of each appendage, then tied joints; rows sum to one.
    """
    if not layout.appendages and not layout.ties:
        return body
    slices = joint_slices(layout)
    table = np.zeros((len(body), slices[list(slices)[-1]].stop))
    table[:, slices[BODY]] = body
    home = homes(mesh)
    for appendage in layout.appendages:
        limb, own = limbs[appendage.name], appendage.layout
        rows = station_weights(mesh.positions[limb.vertices], own, limb.places)
        rules = own.mesh_weights
        rows = smooth(rows, _edges_among(mesh.edges, limb.vertices), rules.smoothing)
        rows = prune(limit_influences(rows, rules.influences), rules.prune)
        share = base_share(limb, appendage.blend, len(table))[limb.vertices, None]
        table[limb.vertices] *= 1.0 - share
        table[limb.vertices, slices[appendage.name]] = share * rows
    if layout.appendages:
        table = table[home]
        limit = max(one.mesh_weights.influences for one in layout.ribbons.values())
        mixed = np.count_nonzero(table, axis=1) > limit
        table[mixed] = limit_influences(table[mixed], limit)
    seats = tie_seats(layout)
    table = np.hstack([table, np.zeros((len(table), len(seats)))])
    for tie in layout.ties:
        tied = tied_vertices(mesh, tie)
        table[tied] = 0.0
        table[tied, table.shape[1] - len(seats) + seats.index((tie.ribbon, tie.station))] = 1.0
    return table


def tie_seats(layout: Layout) -> list[tuple[str, int]]:
    """Stations that rigid parts are tied to, each once.

    A part that is tied follows a joint of its own there, which moves as the station's does
    and neither stretches nor swells.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    list of (ribbon, station)
        In the order of the tied joints' columns, which come after all others.
    """
    return list(dict.fromkeys((tie.ribbon, tie.station) for tie in layout.ties))


def tied_joints(layout: Layout) -> Ints:
    """Index of the ribbon joint that each tied joint moves with.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    (T,) int array
    """
    slices = joint_slices(layout)
    joints = [slices[ribbon].start + station - 1 for ribbon, station in tie_seats(layout)]
    return np.array(joints, dtype=np.int64)


def joint_slices(layout: Layout) -> dict[str, slice]:
    """Columns of each ribbon's joints in the table of weights; tied joints come after them.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    dict of str to slice
    """
    slices, start = {}, 0
    for name, one in layout.ribbons.items():
        slices[name] = slice(start, start + len(one.stations))
        start += len(one.stations)
    return slices


def mounts_of(mesh: CreatureMesh, layout: Layout, limbs: Mapping[str, Limb]) -> list[Mount]:
    """How each appendage of a layout rides on what carries it.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout
    limbs : mapping of str to Limb

    Returns
    -------
    list of Mount
    """
    slices = joint_slices(layout)
    total = max(own.stop for own in slices.values())
    depth = {BODY: 0}
    mounts = []
    for appendage in layout.appendages:
        depth[appendage.name] = depth[appendage.rides_on] + 1
        carrier = layout.ribbons[appendage.rides_on]
        base = mesh.positions[limbs[appendage.name].base].mean(axis=0)
        place = np.array([appendage.at * carrier.ribbon.length])
        row = station_weights(base[None], carrier, place)
        shares = np.zeros(total)
        shares[slices[appendage.rides_on]] = limit_influences(row, carrier.mesh_weights.influences)[
            0
        ]
        mounts.append(Mount(shares, base, depth[appendage.name]))
    return mounts


def tied_vertices(mesh: CreatureMesh, tie: Tie) -> Ints:
    """Vertices of a rigid part.

    Parameters
    ----------
    mesh : CreatureMesh
    tie : Tie

    Returns
    -------
    (m,) int array

    Raises
    ------
    RibbonsimError
        If the mesh has no such part.
    """
    if tie.component is not None:
        count = int(mesh.components.max()) + 1
        if tie.component > count:
            raise RibbonsimError(f"{mesh.name} has no component {tie.component}: give 1 to {count}")
        return np.flatnonzero(mesh.components == tie.component - 1)
    if tie.group not in mesh.group_names:
        raise RibbonsimError(
            f"{mesh.name} has no group {tie.group!r}: choose from {', '.join(mesh.group_names)}"
        )
    number = list(mesh.group_names).index(tie.group)
    members = [mesh.polygons[i] for i in np.flatnonzero(np.asarray(mesh.polygon_groups) == number)]
    return np.unique(np.concatenate(members)) if members else np.empty(0, dtype=np.int64)


def _edges_among(edges: Ints, vertices: Ints) -> Ints:
    """Edges between given vertices, as indices among them."""
    index = np.searchsorted(vertices, edges)
    index = np.minimum(index, len(vertices) - 1)
    return index[(vertices[index] == edges).all(axis=1)]

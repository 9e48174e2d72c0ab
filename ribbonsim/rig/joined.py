"""Weights across ribbons: the body's, those of appendages, and rigid parts, in one table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.sparse import csr_array

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.field import body_surface, body_triangles, edge_graph
from ribbonsim.body.guide import find_guide
from ribbonsim.body.limbs import Limb, Skin, base_share, find_limb, limb_skins, skin_at
from ribbonsim.body.place import body_places, homes
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY, Appendage, Tie
from ribbonsim.layout.falloff import limit_influences, prune, smooth
from ribbonsim.layout.layout import Layout
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.chains import Mount
from ribbonsim.rig.weights import station_weights


def limbs_of_appendages(
    mesh: CreatureMesh, layout: Layout, places: Array, known: Mapping[str, Limb] | None = None
) -> dict[str, Limb]:
    """The limb that each appendage of a layout is on; ``known`` are those that have not changed.

    ``places`` (V,) are along the body. Raises if an appendage is on no limb, or two are on one.
    """
    found = dict(known or {})
    carriers: dict[str, tuple[csr_array, list[Skin]]] = {}
    for appendage in layout.appendages:
        if appendage.name in found:
            continue
        carrier = appendage.rides_on
        if carrier not in carriers:
            carriers[carrier] = _skins_on(mesh, layout, places, carrier, found)
        graph, on = carriers[carrier]
        if carrier == BODY and skin_at(mesh.positions, graph, on, appendage) is None:
            on = _skins_of_mesh(mesh)
        found[appendage.name] = find_limb(mesh.positions, graph, on, appendage)
    limbs = {appendage.name: found[appendage.name] for appendage in layout.appendages}
    _check_apart(layout.appendages, limbs)
    return limbs


def _skins_on(
    mesh: CreatureMesh, layout: Layout, places: Array, carrier: str, found: Mapping[str, Limb]
) -> tuple[csr_array, list[Skin]]:
    """Edges of one ribbon's skin, and the skins of all limbs that grow from it."""
    ribbon = layout.ribbons[carrier].ribbon
    if carrier == BODY:
        triangles, along, graph = body_triangles(mesh), places, body_surface(mesh).graph
    else:
        limb = found[carrier]
        triangles, along = limb.triangles, np.zeros(len(places))
        along[limb.vertices] = limb.places
        graph = edge_graph(mesh.positions, triangles)
    return graph, limb_skins(mesh.positions, triangles, along, ribbon)


def _skins_of_mesh(mesh: CreatureMesh) -> list[Skin]:
    """Skins of the limbs of a body by its own centreline.

    Where a ribbon ends short, skin beyond its end may be told from it badly; whether one is
    beyond hangs on the smallest move of the ribbon.
    """
    ribbon = Ribbon.along(find_guide(mesh), mesh.diagonal / 50.0)
    return limb_skins(mesh.positions, body_triangles(mesh), body_places(mesh, ribbon), ribbon)


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
    body : (V, N) array
        Weights of the body's joints.

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
        rows = smooth(rows, _edges_among(mesh.skin_edges, limb.vertices), rules.smoothing)
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

    Returns
    -------
    list of (ribbon, station)
        In the order of the tied joints' columns, which come after all others.
    """
    return list(dict.fromkeys((tie.ribbon, tie.station) for tie in layout.ties))


def tied_joints(layout: Layout) -> Ints:
    """Index of the ribbon joint that each tied joint moves with.

    Returns
    -------
    (T,) int array
    """
    slices = joint_slices(layout)
    joints = [slices[ribbon].start + station - 1 for ribbon, station in tie_seats(layout)]
    return np.array(joints, dtype=np.int64)


def joint_slices(layout: Layout) -> dict[str, slice]:
    """Columns of each ribbon's joints in the table of weights; tied joints come after them."""
    slices, start = {}, 0
    for name, one in layout.ribbons.items():
        slices[name] = slice(start, start + len(one.stations))
        start += len(one.stations)
    return slices


def mounts_of(mesh: CreatureMesh, layout: Layout, limbs: Mapping[str, Limb]) -> list[Mount]:
    """How each appendage of a layout rides on what carries it."""
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

"""A creature at rest and its layouts as bytes: what a browser needs once, to pose by itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Flags, Floats, Ints
from ribbonsim.curves.up import upright
from ribbonsim.inpage.blocks import Steps16, pack_blocks
from ribbonsim.inpage.looks import look_facts, scale_tables
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.rig import Rig
from ribbonsim.view.stripes import stripes

_ALONG_SPAN = 8
_NORMAL_BITS = 10
# the share of a station's vertices that its radius takes in
_INSIDE = 0.97


def to_stage(mesh: CreatureMesh, points: ArrayLike) -> Array:
    """Points of the scene in stage units: the creature is of size 1, its centre at the origin.

    Single precision serves there whatever the scene's units are.
    """
    return (np.asarray(points, dtype=float) - mesh.centre) / mesh.diagonal


def pack_creature(mesh: CreatureMesh, up: str = "y", small: bool = False) -> bytes:
    """Pack what all layouts of a creature share.

    Parameters
    ----------
    mesh : CreatureMesh
    up : str
        The axis that points up.
    small : bool
        Positions in 16 bits and normals in 10, for a page; float32 otherwise.

    Returns
    -------
    bytes
    """
    rest, normals = to_stage(mesh, mesh.positions), mesh.vertex_normals
    stand = upright(up)  # type: ignore[arg-type]
    used = np.unique(mesh.triangles)
    arrays: dict[str, ArrayLike | Steps16] = {
        "positions": Steps16(rest) if small else rest.astype(np.float32),
        "normals": (
            Steps16(normals, _NORMAL_BITS, -1.0, 1.0) if small else normals.astype(np.float32)
        ),
        **_faces(mesh, small),
        "edges": _indices(mesh.edges, len(rest), small),
        **scale_tables(),
    }
    facts = {
        "name": mesh.name,
        "vertices": len(rest),
        "upright": stand.ravel().tolist(),
        "ground": float((rest[used] @ stand[1]).min()),
        "look": look_facts(),
    }
    return pack_blocks(arrays, facts)


def _faces(mesh: CreatureMesh, small: bool) -> dict[str, ArrayLike | Steps16]:
    """Triangles; for a page as quads where all are, which compress to a tenth."""
    triangles, count = mesh.triangles, len(mesh.positions)
    if small:
        quads = _quads(mesh)
        if quads is not None:
            corners, turned = quads
            return {"quads": _indices(corners, count, small), "turned": turned.astype(np.uint8)}
    return {"triangles": _indices(triangles, count, small)}


def _quads(mesh: CreatureMesh) -> tuple[Ints, Flags] | None:
    """(n, 4) corners, and whether a quad is cut from its second corner; None if not all are."""
    if len(mesh.triangles) == 0 or (np.diff(mesh.polygon_offsets) != 4).any():
        return None
    corners = np.stack(mesh.polygons)
    if len(mesh.triangles) != 2 * len(corners):
        return None
    pairs = mesh.triangles.reshape(-1, 1, 6)
    uses = (pairs == corners[:, :, None]).sum(axis=2)
    first, second = (uses == [2, 1, 2, 1]).all(axis=1), (uses == [1, 2, 1, 2]).all(axis=1)
    return (corners, second) if (first | second).all() else None


def _indices(numbers: ArrayLike, count: int, small: bool) -> ArrayLike | Steps16:
    table = np.asarray(numbers)
    if small and count <= 65536 and len(table):
        return Steps16(table.astype(float), 16, 0.0, 65535.0)
    return table.astype(np.uint32)


def pack_binding(rig: Rig, name: str = "", small: bool = False) -> bytes:
    """Pack one layout: weights, joints at rest, ribbons, stations and controls.

    Parameters
    ----------
    rig : Rig
    name : str
        What the layout is called in the picture.
    small : bool
        Weights in 16 bits, for a page; float32 otherwise.

    Returns
    -------
    bytes
    """
    row_of, counts, joints, weights = _influences(rig.mesh_weights, small)
    rest = rig.joint_rest
    rows, seats = _ribbon_rows(rig)
    layout = rig.layout
    arrays: dict[str, ArrayLike | Steps16] = {
        "row_of": Steps16(row_of.astype(float), 16, 0.0, 65535.0)
        if small and len(counts) <= 65536
        else row_of.astype(np.uint32),
        "counts": counts.astype(np.uint8),
        "joints": joints.astype(np.uint16),
        "weights": Steps16(weights, 16, 0.0, 1.0) if small else weights.astype(np.float32),
        "origins": to_stage(rig.mesh, rest[:, :3, 3]).astype(np.float32),
        "alongs": rest[:, :3, 0].astype(np.float32),
        "parents": np.array(
            [i if p is None else p for i, p in enumerate(rig.joint_parents)], dtype=np.uint16
        ),
        "row_starts": rows[0].astype(np.uint16),
        "row_weights": rows[1].astype(np.float32),
        "knot_rows": rows[2].astype(np.uint16),
        "ribbon_rows": rows[3].astype(np.uint16),
        "seat_starts": seats[0].astype(np.uint16),
        "seat_weights": seats[1].astype(np.float32),
        "radii": _radii(rig).astype(np.float32),
        "shade": np.round(255.0 * stripes(rig)).astype(np.uint8),
    }
    facts = {
        "name": name,
        "method": "linear",
        "points": sum(len(one.ribbon.control_points) for one in layout.ribbons.values()),
        "stations": [
            {"ribbon": ribbon, "number": number}
            for ribbon, one in layout.ribbons.items()
            for number in range(1, len(one.stations) + 1)
        ],
        "controls": [
            {"name": control, "ribbon": ribbon}
            for ribbon in layout.ribbons
            for control in layout.control_names_of(ribbon)
        ],
    }
    return pack_blocks(arrays, facts)


def _influences(table: Array, small: bool) -> tuple[Ints, Ints, Ints, Floats]:
    """Rows of weights, equal ones once: which row each vertex has, and the rows' entries."""
    rows = np.round(table * 65535.0) / 65535.0 if small else table.astype(np.float32)
    if small:  # rows sum to one again: the largest weight takes what rounding left
        largest = rows.argmax(axis=1)
        rows[np.arange(len(rows)), largest] += 1.0 - rows.sum(axis=1)
    same, row_of = np.unique(rows, axis=0, return_inverse=True)
    # rows in the order in which vertices first use them, so that numbers change little
    first = np.full(len(same), len(rows))
    np.minimum.at(first, row_of.ravel(), np.arange(len(rows)))
    order = np.argsort(first)
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    same = same[order]
    at, joints = np.nonzero(same)
    counts = np.bincount(at, minlength=len(same))
    return place[row_of.ravel()], counts, joints, np.asarray(same[at, joints], dtype=float)


def _ribbon_rows(rig: Rig) -> tuple[tuple[Array, ...], tuple[Array, Array]]:
    """Where ribbons are sampled, as four control points and their weights for each sample.

    The first are rows across all ribbons, with the rows at knots and the first row of each
    ribbon; the second are all stations and then all controls.
    """
    starts, weights, knots, begins = [], [], [], [0]
    seats: dict[str, list[tuple[Array, Array]]] = {"stations": [], "controls": []}
    points = 0
    for one in rig.layout.ribbons.values():
        breaks = one.ribbon.breaks
        inside = np.arange(_ALONG_SPAN) / _ALONG_SPAN
        along = np.append((breaks[:-1, None] + np.diff(breaks)[:, None] * inside).ravel(), 1.0)
        first, four = four_points(one.ribbon.basis(along))
        knots.append(begins[-1] + np.arange(0, len(along), _ALONG_SPAN))
        begins.append(begins[-1] + len(along))
        starts.append(first + points)
        weights.append(four)
        for kind, places in (("stations", one.stations), ("controls", one.control_places)):
            first, four = four_points(one.ribbon.basis(places))
            seats[kind].append((first + points, four))
        points += len(one.ribbon.control_points)
    both = [*seats["stations"], *seats["controls"]]
    return (
        (np.concatenate(starts), np.vstack(weights), np.concatenate(knots), np.array(begins)),
        (np.concatenate([first for first, _ in both]), np.vstack([four for _, four in both])),
    )


def four_points(basis) -> tuple[Array, Array]:  # type: ignore[no-untyped-def]
    """The four neighbouring control points that a cubic's place depends on, and their weights."""
    table = basis.toarray()
    first = np.minimum((table != 0).argmax(axis=1), table.shape[1] - 4)
    return first, np.take_along_axis(table, first[:, None] + np.arange(4), axis=1)


def _radii(rig: Rig) -> Array:
    """(N,) how far the skin of each station's joint is from the ribbon, stage units."""
    rest, count = rig.joint_rest, len(rig.joint_rest)
    strongest = rig.mesh_weights.argmax(axis=1)
    away = rig.mesh.positions - rest[strongest, :3, 3]
    along = np.sum(away * rest[strongest, :3, 0], axis=1)
    out = np.sqrt(np.maximum(np.sum(away * away, axis=1) - along**2, 0.0))
    radii = np.zeros(count)
    for joint in range(count):
        own = out[strongest == joint]
        if len(own):
            radii[joint] = np.quantile(own, _INSIDE)
    return radii / rig.mesh.diagonal

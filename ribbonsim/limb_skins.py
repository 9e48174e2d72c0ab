"""Skins of limbs: the dead ends of a body's places, each up to a clean ring at its base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from ribbonsim.field import edge_graph
from ribbonsim.guide import body_field, flood

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# where places along the carrier rise by less than this for each unit of way, a limb has begun
_FLAT = 0.5
# limbs that grow close together part where the field stands stiller still
_FLATTER, _FLATTEST = 0.6, 0.05
# a part of so much of a piece's faces is a limb and no tooth of its edge
_SHARE = 0.06
# strips of flat skin narrower than this share of the body's radius are no limbs
_STRIP = 0.15
_AT_END = 1e-6
_FEWEST_FACES = 24
# a limb begins where so much of its ragged edge is on it
_BASE_LEVEL = 0.2
# a piece that meets an end of the body with so much of its edge is a blunt face
_ON_END = 0.1


@dataclass(frozen=True, eq=False)
class Skin:
    """The skin of a limb, before it has places.

    Parameters
    ----------
    vertices : (m,) int array
        Rising.
    base : (b,) int array
        Those with a neighbour that is not on the limb.
    triangles : (t, 3) int array
        All three corners in it.
    """

    vertices: Ints
    base: Ints
    triangles: Ints


def limb_skins(positions: Array, triangles: Ints, places: Array, length: float) -> list[Skin]:
    """Find the skins of all limbs of a body.

    A harmonic field is flat on a dead end, so where places along the body hardly change
    over the skin, there is a limb. Limbs whose bases touch are parted where the field stands
    stiller still; the faces of blunt ends, which are flat too, and thin strips are left out.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
        Of the body, its limbs included.
    places : (V,) array
        Arc length along the body, scene units.
    length : float
        Of the body's ribbon.

    Returns
    -------
    list of Skin
        The largest first; bumps and pockets of the skin are among them.
    """
    steepness = _steepness(positions, triangles, places)
    graph = edge_graph(positions, triangles)
    ends = (places <= _AT_END * length) | (places >= (1.0 - _AT_END) * length)
    rough = []
    flat = (steepness < _FLAT) & ~ends
    for piece in _opened_pieces(graph, flat, _thin(positions, triangles, graph, length)):
        for part in _parted(graph, steepness, piece):
            skin = _skin(graph, triangles, part)
            if _stands_out(graph, skin, ends):
                rough.append(skin)
    taken = np.zeros(len(positions), dtype=bool)
    for skin in rough:
        taken[skin.vertices] = True
    clean = [_with_clean_base(positions, graph, triangles, taken, skin) for skin in rough]
    return sorted(clean, key=lambda skin: -len(skin.vertices))


def _steepness(positions: Array, triangles: Ints, places: Array) -> Array:
    """(V,) length of the gradient of places over the skin, infinite off the triangles."""
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    double = np.maximum(np.linalg.norm(normal, axis=1), 1e-300)
    normal /= double[:, None]
    f, g, h = (places[triangles[:, k], None] for k in range(3))
    slope = np.cross(normal, f * (c - b) + g * (a - c) + h * (b - a)) / double[:, None]
    size = np.linalg.norm(slope, axis=1)
    weighted, area = np.zeros(len(positions)), np.zeros(len(positions))
    for corner in range(3):
        column = triangles[:, corner]
        weighted += np.bincount(column, size * double, minlength=len(positions))
        area += np.bincount(column, double, minlength=len(positions))
    return np.where(area > 0, weighted / np.where(area > 0, area, 1.0), np.inf)


def _pieces(graph: csr_array, flat: Flags) -> list[Ints]:
    """Connected pieces of the flat vertices, each large enough for a limb."""
    members = np.flatnonzero(flat)
    if not len(members):
        return []
    _, label = connected_components(graph[members][:, members], directed=False)
    order = np.argsort(label, kind="stable")
    pieces = np.split(members[order], np.flatnonzero(np.diff(label[order])) + 1)
    return [piece for piece in pieces if len(piece) >= _FEWEST_FACES // 2]


def _thin(positions: Array, triangles: Ints, graph: csr_array, length: float) -> float:
    """Width of a strip that is no limb: small against the body's radius, or an edge or two."""
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    area = 0.5 * float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())
    edge = float(np.median(graph.data)) if graph.nnz else 0.0
    return max(_STRIP * area / (2.0 * np.pi * length), 1.5 * edge)


def _opened_pieces(graph: csr_array, flat: Flags, thin: float) -> list[Ints]:
    """Connected pieces of the flat vertices without thin strips.

    Where a limb pulls the centres of the body's rings aside, places stand still in a narrow
    ring round the whole body. Pieces are found a strip's width inside, and grown back.
    """
    links = graph.tocoo()
    edge = flat[links.row] & ~flat[links.col]
    rim = np.unique(links.col[edge])
    if not len(rim):
        return _pieces(graph, flat)
    away = dijkstra(graph, indices=rim, min_only=True, limit=thin)
    members = np.flatnonzero(flat)
    within = graph[members][:, members]
    pieces = []
    for core in _pieces(graph, flat & np.isinf(away)):
        start = np.searchsorted(members, core)
        near = dijkstra(within, indices=start, min_only=True, limit=thin)
        pieces.append(members[np.isfinite(near)])
    return pieces


def _parted(graph: csr_array, steepness: Array, piece: Ints) -> list[Ints]:
    """The limbs that a piece is made of: itself, if it falls apart nowhere."""
    inside = np.zeros(graph.shape[0], dtype=bool)
    level = _FLAT
    while level > _FLATTEST:
        level *= _FLATTER
        inside[:] = False
        inside[piece] = steepness[piece] < level
        parts = [
            part
            for part in _pieces(graph, inside)
            if len(part) >= max(_SHARE * len(piece), _FEWEST_FACES)
        ]
        if len(parts) > 1:
            return [whole for part in parts for whole in _parted(graph, steepness, part)]
    return [piece]


def _skin(graph: csr_array, triangles: Ints, vertices: Ints) -> Skin:
    inside = np.zeros(graph.shape[0], dtype=bool)
    inside[vertices] = True
    leaves = graph[vertices] @ (~inside).astype(float) > 0
    return Skin(vertices, vertices[leaves], triangles[inside[triangles].all(axis=1)])


def _has_ring(skin: Skin) -> bool:
    return len(skin.triangles) >= _FEWEST_FACES and 3 <= len(skin.base) < len(skin.vertices)


def _stands_out(graph: csr_array, skin: Skin, ends: Flags) -> bool:
    """Whether a skin has faces enough and is not the face of a blunt end."""
    if not _has_ring(skin):
        return False
    meets = graph[skin.base] @ ends.astype(float) > 0
    return bool(np.count_nonzero(meets) <= _ON_END * len(skin.base))


def _with_clean_base(
    positions: Array, graph: csr_array, triangles: Ints, taken: Flags, rough: Skin
) -> Skin:
    """The limb up to a clean ring.

    A flat piece ends in teeth, wherever places happen to rise a little faster. A field over
    the skin about them, 0 off the limb and 1 out on it, has level lines without teeth; the
    limb begins at the one that takes in nearly all of the piece.
    """
    middle = positions[rough.base].mean(axis=0)
    spread = np.sqrt(np.mean(np.sum((positions[rough.base] - middle) ** 2, axis=1)))
    away = dijkstra(graph, indices=rough.base, min_only=True, limit=float(spread))
    inside = np.zeros(len(positions), dtype=bool)
    inside[rough.vertices] = True
    deep = np.flatnonzero(inside & np.isinf(away))
    region = inside | (np.isfinite(away) & ~taken)
    rim = np.flatnonzero(region & ~inside & (graph @ (~region).astype(float) > 0))
    if not len(deep) or not len(rim):
        return rough
    around = triangles[region[triangles].all(axis=1)]
    field = body_field(positions, around, rim, deep)
    grown = np.zeros(len(positions), dtype=bool)
    used = np.unique(around)
    grown[used] = field[used] >= np.quantile(field[rough.base], _BASE_LEVEL)
    clean = _skin(graph, triangles, flood(graph, grown, int(deep[0])))
    return clean if _has_ring(clean) else rough

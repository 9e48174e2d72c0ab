"""Limbs: the dead ends of a body's places, and how far out along an appendage each vertex is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.body.field import body_field, edge_graph, even_rings, flood, nearest_vertex
from ribbonsim.body.past_ends import DEEP, past_ends, rms_radius
from ribbonsim.body.place import beyond_end, end_plane, lengths_of_field
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import Appendage

LIMB_RINGS = 48
# a ribbon's tip with a longer way over the skin to every limb, over its length, is on none
_OFF = 0.5
# where places along the carrier rise by less than this for each unit of way, a limb has begun
_FLAT = 0.5
# limbs that grow close together part where the field stands stiller still
_FLATTER, _FLATTEST = 0.6, 0.05
# a part of so much of a piece's faces is a limb and no tooth of its edge
_SHARE = 0.06
# strips of flat skin narrower than this share of the body's radius are no limbs
_STRIP = 0.15
_FEWEST_FACES = 24
# a limb begins where so much of its ragged edge is on it
_BASE_LEVEL = 0.2


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


def limb_skins(positions: Array, triangles: Ints, places: Array, ribbon: Ribbon) -> list[Skin]:
    """Find the skins of all limbs of a body.

    A harmonic field is flat on a dead end, so where places along the body hardly change
    over the skin, there is a limb. Limbs whose bases touch are parted where the field stands
    stiller still; the faces of blunt ends, which are flat too, and thin strips are left out.
    Beyond the ribbon's ends places go on to where it would come out of the skin.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
        Of the body, its limbs included.
    places : (V,) array
        Arc length along the body, scene units.
    ribbon : Ribbon
        Of the body.

    Returns
    -------
    list of Skin
        The largest first; bumps and pockets of the skin are among them.
    """
    graph = edge_graph(positions, triangles)
    places, past, ends = past_ends(positions, triangles, graph, places, ribbon)
    steepness = _steepness(positions, triangles, places)
    rough = []
    flat = (steepness < _FLAT) & ~ends
    for piece in _opened_pieces(graph, flat, _thin(positions, triangles, graph, ribbon.length)):
        for part in _parted(graph, _outwards(graph, steepness, piece), piece):
            skin = _skin(graph, triangles, part)
            if _has_ring(skin):
                rough.append(skin)
    taken = np.zeros(len(positions), dtype=bool)
    for skin in rough:
        taken[skin.vertices] = True
    clean = [_with_clean_base(positions, graph, triangles, taken, skin) for skin in rough]
    clean = [skin for skin in clean if not _is_face(positions, graph, past, skin)]
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


def _outwards(graph: csr_array, steepness: Array, piece: Ints) -> Array:
    """Steepness over a piece, at each vertex the least on the shortest way to its edge.

    Out along a limb the field only grows stiller; where the lengths that its values stand for
    rise unevenly, places say otherwise, and one limb would be parted into several.
    """
    inside = np.zeros(graph.shape[0], dtype=bool)
    inside[piece] = True
    edge = graph[piece] @ (~inside).astype(float) > 0
    least = steepness.copy()
    if not edge.any():
        return least
    _, up, _ = dijkstra(
        graph[piece][:, piece],
        indices=np.flatnonzero(edge),
        min_only=True,
        return_predecessors=True,
    )
    up = np.where(up < 0, np.arange(len(piece)), up)
    own = steepness[piece]
    while True:
        own = np.minimum(own, own[up])
        further = up[up]
        if np.array_equal(further, up):
            break
        up = further
    least[piece] = own
    return least


def _skin(graph: csr_array, triangles: Ints, vertices: Ints) -> Skin:
    inside = np.zeros(graph.shape[0], dtype=bool)
    inside[vertices] = True
    leaves = graph[vertices] @ (~inside).astype(float) > 0
    return Skin(vertices, vertices[leaves], triangles[inside[triangles].all(axis=1)])


def _has_ring(skin: Skin) -> bool:
    return len(skin.triangles) >= _FEWEST_FACES and 3 <= len(skin.base) < len(skin.vertices)


def _is_face(positions: Array, graph: csr_array, past: Flags, skin: Skin) -> bool:
    """Whether a skin past a ribbon's end is no more than the end's face."""
    if not past[skin.vertices].any() and not (graph[skin.base] @ past.astype(float) > 0).any():
        return False
    within = graph[skin.vertices][:, skin.vertices]
    rim = np.searchsorted(skin.vertices, skin.base)
    depth = dijkstra(within, indices=rim, min_only=True)
    return float(depth[np.isfinite(depth)].max()) <= DEEP * rms_radius(positions[skin.base])


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


@dataclass(frozen=True, eq=False)
class Limb:
    """The skin of an appendage.

    Parameters
    ----------
    vertices : (m,) int array
        Rising.
    places : (m,) array
        Arc length along the appendage's ribbon, 0 at the base, scene units.
    base : (b,) int array
        Vertices of the ring where it leaves what carries it.
    triangles : (t, 3) int array
        All three corners in it.
    """

    vertices: Ints
    places: Array
    base: Ints
    triangles: Ints


def find_limb(
    positions: Array, graph: csr_array, skins: Sequence[Skin], appendage: Appendage
) -> Limb:
    """Find the skin of an appendage and its places along the appendage's ribbon.

    The limb is the one that the ribbon's tip is on. A harmonic field from its base to its tip
    is turned into arc length as on the body.

    Parameters
    ----------
    positions : (V, 3) array
    graph : (V, V) sparse array
        Edges of the skin of what carries it.
    skins : sequence of Skin
        Of all limbs of what carries it.

    Raises
    ------
    RibbonsimError
        If the ribbon's tip is not on a limb.
    """
    ribbon = appendage.layout.ribbon
    skin = skin_at(positions, graph, skins, appendage)
    if skin is None:
        raise RibbonsimError(
            f"the tip of {appendage.name!r} is not on a limb of {appendage.rides_on!r}: "
            "choose a tip that stands out from it"
        )
    field = limb_field(positions, skin.triangles, skin.base, ribbon)
    rings = even_rings(positions, skin.triangles, field, LIMB_RINGS)
    places = lengths_of_field(field[skin.vertices], rings, ribbon)
    return Limb(skin.vertices, places, skin.base, skin.triangles)


def skin_at(
    positions: Array, graph: csr_array, skins: Sequence[Skin], appendage: Appendage
) -> Skin | None:
    """The skin that the tip of an appendage is on; None if the way to every one is long.

    The vertex nearest to the ribbon's tip says which. One that is on no limb counts to that to
    which the way over the skin is shortest.
    """
    ribbon = appendage.layout.ribbon
    used = np.flatnonzero(np.diff(graph.indptr))
    if not len(skins) or not len(used):
        return None
    tip = nearest_vertex(positions, used, np.asarray(ribbon.midline(1.0)))
    on = [skin for skin in skins if _has(skin.vertices, tip)]
    if on:
        return min(on, key=lambda skin: len(skin.vertices))
    away = dijkstra(graph, indices=tip, limit=_OFF * ribbon.length)
    ways = [float(away[skin.vertices].min()) for skin in skins]
    best = int(np.argmin(ways))
    return skins[best] if np.isfinite(ways[best]) else None


def _has(rising: Ints, vertex: int) -> bool:
    seat = int(np.searchsorted(rising, vertex))
    return seat < len(rising) and int(rising[seat]) == vertex


def limb_field(positions: Array, skin: Ints, base: Ints, ribbon: Ribbon) -> Array:
    """Harmonic field over a limb, 0 at its base and 1 past its ribbon's tip.

    Parameters
    ----------
    positions : (V, 3) array
    skin : (t, 3) int array
    base : (b,) int array

    Returns
    -------
    (V,) array
    """
    used = np.unique(skin)
    tip = beyond_end(positions, used, edge_graph(positions, skin), *end_plane(ribbon, 1.0))
    return body_field(positions, skin, np.intersect1d(base, used), tip)


def base_share(limb: Limb, blend: float, size: int) -> Array:
    """How much of each vertex an appendage has taken over.

    Rises smoothly from 0 at the base to 1 at ``blend`` out along the limb.

    Parameters
    ----------
    blend : float
        Scene units.
    size : int
        Number of vertices of the mesh.

    Returns
    -------
    (size,) array
        0 off the limb.
    """
    share = np.zeros(size)
    x = np.clip(limb.places / max(blend, 1e-300), 0.0, 1.0)
    share[limb.vertices] = x * x * (3.0 - 2.0 * x)
    return share

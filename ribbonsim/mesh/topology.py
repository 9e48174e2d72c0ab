"""How the polygons of a mesh hang together: edges, components, holes, loops of edges."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Ints


@dataclass(frozen=True, eq=False)
class EdgeTable:
    """The edges of a polygon mesh, each once.

    Attributes
    ----------
    edges : (E, 2) int array
        Vertices of each edge, the smaller first; sorted.
    uses : (E,) int array
        How many polygon sides lie on the edge: 1 at a hole, 2 inside a surface, more where sheets
        meet.
    forward : (E,) int array
        How many of those sides run from the smaller vertex to the larger; 1 of 2 where the two
        polygons turn the same way round.
    """

    edges: Ints
    uses: Ints
    forward: Ints


def following_corners(offsets: Ints) -> Ints:
    """Find the next corner around its polygon for every corner.

    Parameters
    ----------
    offsets : (P + 1,) int array
        Where the corners of each polygon begin.

    Returns
    -------
    (C,) int array
    """
    following = np.arange(1, offsets[-1] + 1, dtype=np.int64)
    following[offsets[1:] - 1] = offsets[:-1]
    return following


def edge_table(offsets: Ints, corners: Ints, vertex_count: int) -> EdgeTable:
    """Find the edges of a polygon mesh.

    Parameters
    ----------
    offsets : (P + 1,) int array
        Where the corners of each polygon begin.
    corners : (C,) int array
        Vertex of each corner.
    vertex_count : int
        Number of vertices.

    Returns
    -------
    EdgeTable
        Sides from a vertex to itself (a corner given twice) are left out.
    """
    # One number for each side, its direction in the last bit; worked in place, as meshes of
    # millions of corners come by.
    ends = corners[following_corners(offsets)]
    keys = np.minimum(corners, ends)
    keys *= vertex_count
    keys += np.maximum(corners, ends)
    keys *= 2
    keys += corners < ends
    if (corners == ends).any():
        keys = keys[corners != ends]
    del ends
    keys.sort()
    runs_forward = (keys & 1).astype(np.int8)
    keys >>= 1
    first = np.flatnonzero(np.concatenate(([True], keys[1:] != keys[:-1]))[: len(keys)])
    uses = np.diff(np.append(first, len(keys)))
    forward = np.add.reduceat(runs_forward, first, dtype=np.int64) if len(first) else uses
    edges = np.column_stack(np.divmod(keys[first], vertex_count))
    return EdgeTable(edges, uses, forward)


def weld(positions: Array, rim: Ints, within: float) -> Ints:
    """For each vertex (V,) the first vertex at its place; itself off a seam.

    A seam is where two open edges stand at one place. Vertices that only touch stay apart.

    Parameters
    ----------
    positions : (V, 3) array
        Scene units.
    rim : (m, 2) int array
        Open edges.
    within : float
        Vertices nearer to each other than this are at one place.
    """
    welded = np.arange(len(positions))
    ends = np.unique(rim)
    pairs = ends[cKDTree(positions[ends]).query_pairs(within, output_type="ndarray")]
    if not len(pairs):
        return welded
    among = np.unique(pairs)
    _, place = np.unique(_connected(pairs, len(positions))[among], return_inverse=True)
    same = welded.copy()
    same[among] = len(positions) + place
    edges = np.sort(same[rim], axis=1)
    _, kind, times = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    doubled = rim[(times[kind.reshape(-1)] > 1) & (edges[:, 0] != edges[:, 1])]
    seam = np.zeros(len(positions), dtype=bool)
    seam[doubled] = True
    kept = seam[among]
    among, place = among[kept], place[kept]
    firsts = np.full(place.max(initial=0) + 1, len(positions))
    np.minimum.at(firsts, place, among)
    welded[among] = firsts[place]
    return welded


def label_components(edges: Ints, vertex_count: int, used: NDArray[np.bool_]) -> Ints:
    """Label the connected pieces of a mesh.

    Parameters
    ----------
    edges : (E, 2) int array
        Vertices of each edge.
    vertex_count : int
        Number of vertices.
    used : (V,) bool array
        Whether any polygon uses the vertex.

    Returns
    -------
    (V,) int array
        Component of each vertex, counted from 0 in the order of their first vertices; -1 for
        vertices that are not used.
    """
    labels = np.full(vertex_count, -1, dtype=np.int64)
    raw = _connected(edges, vertex_count)[used]
    rank = np.full(vertex_count, len(raw), dtype=np.int64)
    np.minimum.at(rank, raw, np.arange(len(raw)))  # the first vertex of each
    is_first = rank[raw] == np.arange(len(raw))
    rank[raw[is_first]] = np.arange(np.count_nonzero(is_first))
    labels[used] = rank[raw]
    return labels


def count_holes(boundary: Ints) -> int:
    """Count the holes that boundary edges go round.

    Parameters
    ----------
    boundary : (B, 2) int array
        Edges that only one polygon uses.

    Returns
    -------
    int
        Number of connected pieces of the boundary; two holes that touch in a vertex count as one.
    """
    if not len(boundary):
        return 0
    vertices, local = np.unique(boundary, return_inverse=True)
    return int(_connected(local.reshape(-1, 2), len(vertices)).max()) + 1


def _connected(edges: Ints, count: int) -> NDArray[np.int32]:
    ones = np.ones(len(edges), dtype=np.int8)
    graph = coo_array((ones, (edges[:, 0], edges[:, 1])), shape=(count, count))
    labels: NDArray[np.int32] = connected_components(graph, directed=False)[1]
    return labels


def coincident_vertices(positions: Array, tolerance: float) -> tuple[Ints, Ints]:
    """Find vertices that stand where another one stands.

    Parameters
    ----------
    positions : (V, 3) float array
        Vertex positions.
    tolerance : float
        Distance up to which two vertices stand at the same place.

    Returns
    -------
    vertices, others : (n,) int arrays
        Vertices, in increasing order, and for each a vertex with a smaller number at its place.
    """
    # Close points stay close on any line: sort along one of no special direction and look at the
    # next few in that order.
    direction = np.array([0.6180339887, 0.4142135624, 0.6677025133])
    along = positions @ direction
    order = np.argsort(along, kind="stable")
    along = along[order]
    other = np.full(len(positions), len(positions), dtype=np.int64)
    for step in range(1, min(9, len(positions))):
        near = np.flatnonzero(along[step:] - along[:-step] <= 2 * tolerance)
        if not len(near):
            break
        a, b = order[near], order[near + step]
        same = np.abs(positions[a] - positions[b]).max(axis=1) <= tolerance
        np.minimum.at(other, np.maximum(a, b)[same], np.minimum(a, b)[same])
    vertices = np.flatnonzero(other < len(positions))
    return vertices, other[vertices]


@dataclass(frozen=True, eq=False)
class Fans:
    """The polygons round each vertex.

    Attributes
    ----------
    starts : (V + 1,) int array
        Vertex ``v`` has the entries ``starts[v]:starts[v + 1]`` below.
    before, after : (C,) int arrays
        In each polygon round the vertex, the corner before it and the corner after it.
    """

    starts: Ints
    before: Ints
    after: Ints

    def sides(self, vertex: int) -> list[tuple[int, int]]:
        """Give the corner before and after ``vertex`` in each polygon round it."""
        span = slice(self.starts[vertex], self.starts[vertex + 1])
        return list(zip(self.before[span].tolist(), self.after[span].tolist(), strict=True))


def vertex_fans(offsets: Ints, corners: Ints, vertex_count: int) -> Fans:
    """Collect the polygons round every vertex.

    Parameters
    ----------
    offsets : (P + 1,) int array
        Where the corners of each polygon begin.
    corners : (C,) int array
        Vertex of each corner.
    vertex_count : int
        Number of vertices.
    """
    following = following_corners(offsets)
    before = np.empty_like(corners)
    before[following] = corners
    order = np.argsort(corners, kind="stable")
    starts = np.concatenate(([0], np.cumsum(np.bincount(corners, minlength=vertex_count))))
    return Fans(starts, before[order], corners[following][order])


def straight_on(fans: Fans, came_from: int, vertex: int) -> int | None:
    """Say where a loop of edges goes on.

    Parameters
    ----------
    fans : Fans
        Polygons round each vertex.
    came_from, vertex : int
        The edge the loop came along.

    Returns
    -------
    int or None
        At a vertex inside the surface where four polygons meet, the neighbour across from
        ``came_from``: the one that shares no polygon with it. On a boundary, the next vertex
        along the boundary. None elsewhere: there is no straight on.
    """
    sides = fans.sides(vertex)
    beside: dict[int, set[int]] = {}
    uses: dict[int, int] = {}
    for a, b in sides:
        beside.setdefault(a, set()).add(b)
        beside.setdefault(b, set()).add(a)
        for neighbour in (a, b):
            uses[neighbour] = uses.get(neighbour, 0) + 1
    open_ends = [neighbour for neighbour, count in uses.items() if count == 1]
    if uses.get(came_from) == 1:
        others = [neighbour for neighbour in open_ends if neighbour != came_from]
        return others[0] if len(others) == 1 else None
    if len(uses) != 4 or set(uses.values()) != {2}:
        return None
    across = set(uses) - beside[came_from] - {came_from}
    return across.pop() if len(across) == 1 else None

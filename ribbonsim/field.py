"""Fields on the surface: distance along edges, harmonic fields, and the rings of a field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.sparse.linalg import splu

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def edge_graph(positions: Array, triangles: Ints) -> csr_array:
    """Graph of the edges of triangles, weighted by their lengths.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array

    Returns
    -------
    (V, V) sparse array
        Symmetric; lengths in scene units.
    """
    pairs = np.sort(
        np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    )
    size = len(positions)
    keys = np.unique(pairs[:, 0] * size + pairs[:, 1])
    a, b = keys // size, keys % size
    lengths = np.maximum(np.linalg.norm(positions[a] - positions[b], axis=1), 1e-300)
    both = (np.r_[lengths, lengths], (np.r_[a, b], np.r_[b, a]))
    return coo_array(both, shape=(size, size)).tocsr()


def edge_distance(graph: csr_array, sources: int | Ints) -> Array:
    """Shortest distance along edges from the nearest source.

    Parameters
    ----------
    graph : (V, V) sparse array
    sources : int or (m,) int array

    Returns
    -------
    (V,) array
        Scene units; infinite where no edge leads.
    """
    if np.ndim(sources) == 0:
        return dijkstra(graph, indices=int(sources))
    return dijkstra(graph, indices=sources, min_only=True)


def laplacian(positions: Array, triangles: Ints) -> csc_array:
    """Cotangent Laplacian whose weights are held above zero.

    Holding each half-weight between 1e-3 and 1e3 keeps the maximum principle on meshes with
    thin or degenerate triangles: a harmonic field then has no extremes but the given ones.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array

    Returns
    -------
    (V, V) sparse array
        Positive semi-definite, rows sum to zero.

    References
    ----------
    U. Pinkall, K. Polthier, "Computing discrete minimal surfaces and their conjugates",
    Experimental Mathematics 2(1), 1993.
    """
    size = len(positions)
    rows, columns, values = [], [], []
    for corner in range(3):
        a, b, c = (triangles[:, (corner + k) % 3] for k in range(3))
        u, v = positions[b] - positions[a], positions[c] - positions[a]
        area = np.linalg.norm(np.cross(u, v), axis=1)
        cotangent = np.sum(u * v, axis=1) / np.maximum(area, 1e-300)
        rows.append(b)
        columns.append(c)
        values.append(np.clip(0.5 * cotangent, 1e-3, 1e3))
    i, j, w = np.concatenate(rows), np.concatenate(columns), np.concatenate(values)
    off = coo_array((np.r_[w, w], (np.r_[i, j], np.r_[j, i])), shape=(size, size)).tocsr()
    total = np.asarray(off.sum(axis=1)).ravel()
    index = np.arange(size)
    return (coo_array((total, (index, index)), shape=(size, size)).tocsr() - off).tocsc()


def harmonic_field(operator: csc_array, low: Ints, high: Ints) -> Array:
    """Harmonic field that is 0 on one set of vertices and 1 on another.

    It hardly changes along a dead end, so an appendage takes the value of the place that it
    grows from.

    Parameters
    ----------
    operator : (V, V) sparse array
        From :func:`laplacian`; every part of it joined to ``low`` or ``high``.
    low, high : (m,) int arrays

    Returns
    -------
    (V,) array
        0 to 1.
    """
    size = operator.shape[0]
    values = np.zeros(size)
    values[high] = 1.0
    known = np.zeros(size, dtype=bool)
    known[low] = known[high] = True
    free = np.flatnonzero(~known)
    if not len(free):
        return values
    rows = operator.tocsr()[free]
    right = -(rows[:, np.flatnonzero(known)] @ values[known])
    factor = splu(
        rows[:, free].tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    values[free] = np.clip(factor.solve(right), 0.0, 1.0)
    return values


@dataclass(frozen=True, eq=False)
class Rings:
    """The body's own rings: where a field takes given levels.

    Parameters
    ----------
    levels : (m,) array
        Rising.
    centres : (m, 3) array
        Centroids of the areas that the rings enclose, scene units.
    radii : (m,) array
        Radii of circles of the same area.
    """

    levels: Array
    centres: Array
    radii: Array


def body_rings(positions: Array, triangles: Ints, field: Array, levels: Array) -> Rings:
    """Rings of a field at given levels, one at each level.

    Of the loops at a level the largest counts; of nearly equal ones that which goes on from
    the ring before.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
        Consistently oriented.
    field : (V,) array
    levels : (m,) array
        Rising, between 0 and 1; a level that no triangle crosses is left out.

    Returns
    -------
    Rings
    """
    low, high = field[triangles].min(axis=1), field[triangles].max(axis=1)
    kept: list[float] = []
    centres: list[Array] = []
    radii: list[float] = []
    for level in levels[(levels > 1e-12) & (levels < 1.0 - 1e-12)]:
        crossing = triangles[(low < level) & (high >= level)]
        if not len(crossing):
            continue
        before = centres[-1] if centres else None
        centre, area = _main_loop(positions, crossing, field, level, before)
        kept.append(float(level))
        centres.append(centre)
        radii.append(float(np.sqrt(area / np.pi)))
    return Rings(np.array(kept), np.array(centres).reshape(-1, 3), np.array(radii))


def _main_loop(
    positions: Array, triangles: Ints, field: Array, level: float, before: Array | None
) -> tuple[Array, float]:
    """Area centroid and area of a level's main loop."""
    start, end, edges = _segments(positions, triangles, field, level)
    _, index = np.unique(edges, return_inverse=True)
    index = index.reshape(edges.shape)
    count = index.max() + 1
    links = coo_array((np.ones(len(index)), (index[:, 0], index[:, 1])), shape=(count, count))
    loops, label = connected_components(links, directed=False)
    loop = label[index[:, 0]]
    centre_of = np.zeros((loops, 3))
    np.add.at(centre_of, loop, 0.5 * (start + end))
    centre_of /= np.bincount(loop, minlength=loops)[:, None]
    # an open loop's vector area depends on the origin: take it about the loop's own middle
    areas = np.zeros((loops, 3))
    about = centre_of[loop]
    np.add.at(areas, loop, 0.5 * np.cross(start - about, end - about))
    sizes = np.linalg.norm(areas, axis=1)
    best = int(np.argmax(sizes))
    if before is not None:
        away = np.linalg.norm(centre_of - before, axis=1)
        best = int(np.argmin(np.where(sizes >= 0.5 * sizes[best], away, np.inf)))
    mine = loop == best
    a, b, reference = start[mine], end[mine], centre_of[best]
    area = float(sizes[best])
    lengths = np.linalg.norm(b - a, axis=1)
    perimeter = lengths.sum()
    gap = float(np.linalg.norm((b - a).sum(axis=0)))
    if area < 1e-3 * perimeter**2 or gap > 0.25 * perimeter:
        # an open line, a slit or mixed winding encloses nothing: balance the line itself
        total = perimeter if perimeter > 0 else 1.0
        return (lengths[:, None] * 0.5 * (a + b)).sum(axis=0) / total, perimeter**2 / (4 * np.pi)
    normal = areas[best] / area
    shares = 0.5 * np.cross(a - reference, b - reference) @ normal
    return (shares[:, None] * (a + b + reference) / 3.0).sum(axis=0) / shares.sum(), area


def _segments(
    positions: Array, triangles: Ints, field: Array, level: float
) -> tuple[Array, Array, Ints]:
    """Directed pieces of a level in each triangle, with the two edges they end on."""
    above = field[triangles] >= level
    lone_side = above.sum(axis=1) == 1
    lone = np.where(lone_side, np.argmax(above, axis=1), np.argmin(above, axis=1))
    take = np.arange(len(triangles))
    apex = triangles[take, lone]
    left = triangles[take, (lone + 1) % 3]
    right = triangles[take, (lone + 2) % 3]

    def crossing(a: Ints, b: Ints) -> Array:
        share = (level - field[a]) / (field[b] - field[a])
        return positions[a] + share[:, None] * (positions[b] - positions[a])

    first, second = crossing(apex, left), crossing(apex, right)
    size = np.int64(len(positions))

    def key(a: Ints, b: Ints) -> Ints:
        return np.minimum(a, b) * size + np.maximum(a, b)

    edges = np.stack([key(apex, left), key(apex, right)], axis=1)
    # the higher side stays on one hand all along the loop
    swap = ~lone_side[:, None]
    start, end = np.where(swap, second, first), np.where(swap, first, second)
    return start, end, edges

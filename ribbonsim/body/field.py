"""Fields on the surface: distance along edges, harmonic fields, and the rings of a field."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np
from scipy.ndimage import median_filter
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra, reverse_cuthill_mckee
from scipy.sparse.linalg import SuperLU, splu

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.body.pieces import pieces_of
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh

if TYPE_CHECKING:
    from pyamg import MultilevelSolver

_RINGS = 160
# so many times the usual, and a ring's centre runs out along a limb
_RUNAWAY = 4.0
# out on a limb a field of 0 to 1 changes by less than this over a triangle
_STILL = 1e-6
# with more unknowns a factor takes more time and memory than multigrid does
_DIRECT = 150_000
# a field that is off by 1e-8 moves the guide by 3e-4 of its length
_RESIDUAL, _ITERATIONS = 1e-12, 150
_COARSE = 500
# Where several vertices or rings are as good as each other to rounding, the one that lies
# farthest this way is taken; no axis or plane of a modelled creature is square to it.
LEAN = np.array([0.8139, 0.4871, 0.3163])


def first_of(good: Flags, points: Array) -> int:
    """Of points that are equally good, the index of the one that lies farthest one fixed way."""
    return int(np.argmax(np.where(good, points @ LEAN, -np.inf)))


def nearest_vertex(positions: Array, used: Ints, point: Array) -> int:
    """The vertex nearest to a point; of vertices equally near the same whatever the order."""
    away = np.linalg.norm(positions[used] - point, axis=1)
    near = away <= away.min() * (1.0 + 1e-4) + 1e-6 * float(away.max())
    return int(used[first_of(near, positions[used])])


class Surface:
    """The body of a mesh with what its fields are found by, each made once."""

    def __init__(self, positions: Array, triangles: Ints) -> None:
        self.positions = positions
        self.triangles = triangles

    @cached_property
    def used(self) -> Ints:
        """Vertices of its triangles, rising."""
        return vertices_of(self.triangles, len(self.positions))

    @cached_property
    def graph(self) -> csr_array:
        """Its edges over all vertices, weighted by their lengths."""
        return edge_graph(self.positions, self.triangles)

    @cached_property
    def vertex_areas(self) -> Array:
        """A third of the area of the triangles at each vertex."""
        a, b, c = (self.positions[self.triangles[:, k]] for k in range(3))
        third = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6.0
        corners = self.triangles.ravel()
        areas = np.bincount(corners, np.repeat(third, 3), minlength=len(self.positions))
        return areas.astype(float)

    @cached_property
    def operator(self) -> csr_array:
        """Laplacian over the vertices it uses, in an order in which neighbours stand close."""
        index = np.empty(len(self.positions), dtype=np.int64)
        index[self.order] = np.arange(len(self.order))
        return laplacian(self.positions[self.order], index[self.triangles])

    @cached_property
    def order(self) -> Ints:
        """The vertices it uses, in that order."""
        among = self.graph[self.used][:, self.used]
        return self.used[reverse_cuthill_mckee(among, symmetric_mode=True)]

    def field(self, low: Ints, high: Ints) -> Array:
        """Harmonic field: 0 at some vertices and off the surface, 1 at others."""
        ends = np.full(len(self.positions), -1, dtype=np.int64)
        ends[high] = 1
        ends[low] = 0
        ends = ends[self.order]
        values = np.zeros(len(self.positions))
        values[self.order] = harmonic_values(self.operator, ends)
        return values


_SURFACES: WeakKeyDictionary[CreatureMesh, Surface] = WeakKeyDictionary()


def body_surface(mesh: CreatureMesh) -> Surface:
    """The surface of a mesh's body; made once for each mesh."""
    if mesh not in _SURFACES:
        _SURFACES[mesh] = Surface(mesh.positions, body_triangles(mesh))
    return _SURFACES[mesh]


def body_triangles(mesh: CreatureMesh) -> Ints:
    """Triangles of the pieces that make up the body; indices into all positions, seams closed."""
    mine = np.isin(mesh.components[mesh.triangles[:, 0]], pieces_of(mesh).body)
    return mesh.welded[mesh.triangles[mine]]


def vertices_of(triangles: Ints, size: int) -> Ints:
    """Vertices that triangles use, rising."""
    used = np.zeros(size, dtype=bool)
    used[triangles] = True
    return np.flatnonzero(used)


def edge_graph(positions: Array, triangles: Ints) -> csr_array:
    """Symmetric (V, V) graph of the edges of triangles, weighted by their lengths."""
    size = len(positions)
    a = np.concatenate([triangles[:, 0], triangles[:, 1], triangles[:, 2]])
    b = np.concatenate([triangles[:, 1], triangles[:, 2], triangles[:, 0]])
    graph = coo_array((np.ones(2 * len(a)), (np.r_[a, b], np.r_[b, a])), (size, size)).tocsr()
    graph.sort_indices()
    row = np.repeat(np.arange(size), np.diff(graph.indptr))
    step = positions[row] - positions[graph.indices]
    # a stored zero would be no edge
    graph.data = np.maximum(np.sqrt(np.einsum("ij,ij->i", step, step)), 1e-300)
    return graph


def edge_distance(graph: csr_array, sources: int | Ints, limit: float = np.inf) -> Array:
    """Shortest distance along edges from the nearest source; infinite beyond a limit."""
    if np.ndim(sources) == 0:
        return dijkstra(graph, indices=int(sources), limit=limit)
    return dijkstra(graph, indices=sources, min_only=True, limit=limit)


def laplacian(positions: Array, triangles: Ints) -> csr_array:
    """Cotangent Laplacian (V, V) whose weights are held above zero; rows sum to zero.

    Holding each half-weight between 1e-3 and 1e3 keeps the maximum principle on meshes with
    thin or degenerate triangles: a harmonic field then has no extremes but the given ones.

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
        cotangent = np.einsum("ij,ij->i", u, v) / np.maximum(area, 1e-300)
        rows.append(b)
        columns.append(c)
        values.append(np.clip(0.5 * cotangent, 1e-3, 1e3))
    i, j, w = np.concatenate(rows), np.concatenate(columns), np.concatenate(values)
    off = coo_array((np.r_[w, w], (np.r_[i, j], np.r_[j, i])), shape=(size, size)).tocsr()
    total = np.asarray(off.sum(axis=1)).ravel()
    index = np.arange(size)
    return (coo_array((total, (index, index)), shape=(size, size)).tocsr() - off).tocsr()


def harmonic_values(operator: csr_array, ends: Ints, direct: int | None = None) -> Array:
    """Harmonic field with given ends (-1 where free), neighbours standing close in its order.

    More unknowns than ``direct`` (150,000 if left out) are found by multigrid.
    """
    values = (ends == 1).astype(float)
    free, known = np.flatnonzero(ends < 0), np.flatnonzero(ends >= 0)
    if not len(free):
        return values
    rows = operator[free]
    right = -(rows[:, known] @ values[known])
    inner = rows[:, free]
    limit = _DIRECT if direct is None else direct
    found = _by_multigrid(inner, right) if len(free) > limit else None
    if found is None:
        found = factor_of(inner).solve(right)
    values[free] = np.clip(found, 0.0, 1.0)
    return values


def factor_of(matrix: csr_array) -> SuperLU:
    """Factor of a symmetric matrix in whose order neighbours stand close.

    Minimum degree breaks its many ties by the order it is given, and from a scattered one it
    fills the factor tens of times over.
    """
    return splu(
        matrix.tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        panel_size=5,  # rows are short: a quarter faster than with SuperLU's own 20 columns
        options={"SymmetricMode": True},
    )


def _by_multigrid(matrix: csr_array, right: Array) -> Array | None:
    """Solution by conjugate gradients with smoothed aggregation; None if not accurate enough.

    P. Vaněk, J. Mandel, M. Brezina, "Algebraic multigrid by smoothed aggregation for second
    and fourth order elliptic problems", Computing 56, 1996.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that it did not converge is seen below
        solver = _hierarchy(matrix)
        found = solver.solve(right, tol=_RESIDUAL, maxiter=_ITERATIONS, accel="cg")
    left = float(np.linalg.norm(matrix @ found - right))
    return found if left <= 2.0 * _RESIDUAL * float(np.linalg.norm(right)) else None


def _hierarchy(matrix: csr_array) -> MultilevelSolver:
    """Coarser and coarser operators, each made from the one before.

    Level by level, as plain rows: left to itself pyamg keeps coarse operators as blocks of one
    number, which scipy sums up in Python and which are smoothed at a third of the speed.
    """
    import pyamg  # here, because only large meshes need it
    from pyamg.relaxation.smoothing import change_smoothers

    # local weights, since those by a spectral radius start from random numbers
    smooth = ("jacobi", {"omega": 4.0 / 3.0, "weighting": "local"})
    levels, finest, candidates = [], True, None
    while True:
        improved = {} if finest else {"improve_candidates": None}
        made = pyamg.smoothed_aggregation_solver(
            matrix,
            B=candidates,
            strength=("symmetric", {"theta": 0.08}),
            smooth=smooth,
            max_levels=2,
            max_coarse=_COARSE,
            **improved,
        )
        level, *coarser = made.levels
        levels.append(level)
        if not coarser:
            break
        level.P, level.R = csr_array(level.P), csr_array(level.R)
        matrix, candidates, finest = csr_array(coarser[0].A), coarser[0].B, False
    solver = pyamg.MultilevelSolver(levels)
    sweep = ("gauss_seidel", {"sweep": "symmetric"})
    change_smoothers(solver, sweep, sweep)
    return solver


def body_field(positions: Array, triangles: Ints, low: Ints, high: Ints) -> Array:
    """Harmonic field over the vertices that triangles use, 0 at ``low``, 1 at ``high``."""
    return Surface(positions, triangles).field(low, high)


def flood(graph: csr_array, allowed: Flags, start: int) -> Ints:
    """Vertices that edges lead to from a start through allowed vertices alone, the start too."""
    inside = allowed.copy()
    inside[start] = True
    members = np.flatnonzero(inside)
    _, label = connected_components(graph[members][:, members], directed=False)
    return members[label == label[np.searchsorted(members, start)]]


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


def even_rings(positions: Array, triangles: Ints, field: Array, count: int = _RINGS) -> Rings:
    """Rings of a field of 0 to 1, evenly spaced along the body.

    A field does not rise evenly, so rings at rough levels are measured first and levels
    chosen anew by the distances between their centres. Skin over which the field stands still
    is not asked for levels: a ring there would wander with the last bit of the field.
    """
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    spans = _Spans.of(field, triangles)
    rise = spans.high - spans.low
    areas *= rise / (rise + _STILL)
    if not areas.any():
        raise RibbonsimError("the body has no skin to measure: its faces have no area")
    middle = field[triangles].mean(axis=1)
    order = np.argsort(middle)
    share = np.cumsum(areas[order])
    levels = np.interp(np.linspace(0.002, 0.998, count // 2), share / share[-1], middle[order])
    for wanted in (count // 2, count):
        rings = _rings_of_body(positions, spans, field, levels)
        steps = np.linalg.norm(np.diff(rings.centres, axis=0), axis=1)
        along = np.r_[0.0, np.cumsum(steps)]
        levels = np.interp(np.linspace(0.0, along[-1], wanted), along, rings.levels)
    return _rings_of_body(positions, spans, field, levels)


def _rings_of_body(positions: Array, spans: _Spans, field: Array, levels: Array) -> Rings:
    """Rings without those that run out along a limb.

    A limb holds nearly one value of the field, so over it a ring's centre runs while the
    level hardly rises.
    """
    rings = _rings_at(positions, spans, field, np.unique(levels))
    for _ in range(3):
        if len(rings.levels) < 4:
            raise RibbonsimError(
                "the body has too few rings of faces to find its middle: refine it"
            )
        run = np.linalg.norm(np.gradient(rings.centres, axis=0), axis=1)
        speed = run / np.maximum(np.gradient(rings.levels), 1e-300)
        stays = speed <= _RUNAWAY * median_filter(speed, size=31, mode="nearest")
        if stays.all() or stays.sum() < 4:
            break
        rings = Rings(rings.levels[stays], rings.centres[stays], rings.radii[stays])
    return rings


@dataclass(frozen=True, eq=False)
class _Spans:
    """Triangles with the least and the greatest value of a field on each."""

    triangles: Ints
    low: Array
    high: Array

    @classmethod
    def of(cls, field: Array, triangles: Ints) -> _Spans:
        a, b, c = (field[triangles[:, k]] for k in range(3))
        return cls(triangles, np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c))


def _rings_at(positions: Array, spans: _Spans, field: Array, levels: Array) -> Rings:
    """Rings of a field, one at each of some rising levels that a triangle crosses.

    Of the loops at a level the largest counts; of nearly equal ones that which goes on from
    the ring before.
    """
    levels = levels[(levels > 1e-12) & (levels < 1.0 - 1e-12)]
    first = np.searchsorted(levels, spans.low, side="right")
    counts = np.searchsorted(levels, spans.high, side="right") - first
    crossed = np.flatnonzero(counts)
    if not len(crossed):
        return Rings(np.empty(0), np.empty((0, 3)), np.empty(0))
    counts, first = counts[crossed], first[crossed]
    before = np.cumsum(counts) - counts
    number = np.repeat(first - before, counts) + np.arange(counts.sum())
    triangles = np.repeat(spans.triangles[crossed], counts, axis=0)
    level_of, centres, areas = _loops(positions, triangles, field, levels, number)
    order = np.argsort(level_of, kind="stable")
    starts = np.flatnonzero(np.diff(level_of[order], prepend=-1))
    chosen: list[int] = []
    for loops in np.split(order, starts[1:]):
        chosen.append(_main_loop(loops, centres, areas, chosen[-1] if chosen else None))
    return Rings(levels[level_of[chosen]], centres[chosen], np.sqrt(areas[chosen] / np.pi))


def _main_loop(loops: Ints, centres: Array, areas: Array, before: int | None) -> int:
    if len(loops) == 1:
        return int(loops[0])
    sizes, points = areas[loops], centres[loops]
    if before is None:
        good = sizes >= (1.0 - 1e-4) * sizes.max()
    else:
        large = sizes >= 0.5 * sizes.max()
        away = np.where(large, np.linalg.norm(points - centres[before], axis=1), np.inf)
        good = away <= (1.0 + 1e-4) * away.min()
    return int(loops[first_of(good, points)])


def _loops(
    positions: Array, triangles: Ints, field: Array, levels: Array, number: Ints
) -> tuple[Ints, Array, Array]:
    """All loops of all levels: number of the level, centroid and area of each."""
    start, end, edges = _segments(positions, triangles, field, levels[number])
    # an edge that several levels cross is another one at each of them
    edges += (number * len(positions) ** 2)[:, None]
    keys, index = np.unique(edges, return_inverse=True)
    index = index.reshape(edges.shape)
    links = coo_array((np.ones(len(index)), (index[:, 0], index[:, 1])), (len(keys), len(keys)))
    count, label = connected_components(links, directed=False)
    loop = label[index[:, 0]]
    level_of = np.zeros(count, dtype=np.int64)
    level_of[loop] = number

    def total(values: Array) -> Array:
        columns = values.reshape(len(values), -1).T
        sums = np.stack([np.bincount(loop, column, minlength=count) for column in columns], axis=1)
        return sums.reshape(count, *values.shape[1:])

    # an open loop's vector area depends on the origin: take it about the loop's own middle
    centre = total(0.5 * (start + end)) / np.bincount(loop, minlength=count)[:, None]
    about = centre[loop]
    crosses = 0.5 * np.cross(start - about, end - about)
    normals = total(crosses)
    areas = np.linalg.norm(normals, axis=1)
    steps = end - start
    lengths = np.linalg.norm(steps, axis=1)
    perimeters, gaps = total(lengths), np.linalg.norm(total(steps), axis=1)
    # an open line, a slit or mixed winding encloses nothing: balance the line itself
    loose = (areas <= 1e-3 * perimeters**2) | (gaps > 0.25 * perimeters)
    normals /= np.where(areas > 0, areas, 1.0)[:, None]
    shares = np.einsum("ij,ij->i", crosses, normals[loop])
    whole = total(shares)
    inner = total(shares[:, None] * (start + end + about) / 3.0)
    inner /= np.where(loose, 1.0, whole)[:, None]
    line = total(lengths[:, None] * 0.5 * (start + end))
    line /= np.where(perimeters > 0, perimeters, 1.0)[:, None]
    return (
        level_of,
        np.where(loose[:, None], line, inner),
        np.where(loose, perimeters**2 / (4 * np.pi), areas),
    )


def _segments(
    positions: Array, triangles: Ints, field: Array, level: Array
) -> tuple[Array, Array, Ints]:
    """Directed piece of a level in each triangle, with the two edges it ends on."""
    above = field[triangles] >= level[:, None]
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

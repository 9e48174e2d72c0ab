"""A solid of small cubes: what is inside the skin, whatever pieces the skin is made of.

A skin of several overlapping shells has no inside that its edges know of. Counting how often
lines enter and leave finds it all the same, and shows where two turns of a body only touch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Flags, Ints

# cells across half the usual thickness; a cell's size lies within these shares of the extent
_CELLS, _FINEST, _COARSEST = 7.0, 1.0 / 2000.0, 1.0 / 64.0
_LEAST_CELLS, _ENOUGH = 3.5, 40_000
_MOST_CELLS, _MOST_INSIDE = 6_000_000, 250_000
# a skin whose faces, as vectors, add up to more than this share of its area is a sheet: those of a
# closed skin add up to nothing, those of half a ball to a half
_SHEET = 0.6
# half of the usual thickness, as a share of the finest cell, below which no cell fits inside
_FILM = 0.25
# no line of the grid goes through a vertex that stands at a round number
_OFFSET = np.array([0.3819660, 0.4142136, 0.4494897])
# parts that lie apart by up to so many cells, or this share of the extent, belong together
_BRIDGE_CELLS, _BRIDGE_EXTENT = 3.0, 0.03


@dataclass(frozen=True, eq=False)
class Solid:
    """The inside of a skin as cells of a grid.

    Parameters
    ----------
    cell : float
        Edge of a cell, scene units.
    centres : (M, 3) array
        Centres of the cells inside.
    radii : (M,) array
        Distance from each centre to the outer skin.
    links : (E, 2) int array
        Neighbouring cells with no skin between them, each pair once.
    skin, skin_normals : (C, 3) arrays
        Points of the outer skin, where lines of the grid leave or enter, and its normals there.
    unsure : float
        Share of the cells about which the three directions of lines disagree; holes make it.
    """

    cell: float
    centres: Array
    radii: Array
    links: Ints
    skin: Array
    skin_normals: Array
    unsure: float

    @cached_property
    def graph(self) -> csr_array:
        """(M, M) lengths of the links."""
        lengths = np.linalg.norm(
            self.centres[self.links[:, 0]] - self.centres[self.links[:, 1]], axis=1
        )
        return symmetric(self.links, lengths, len(self.centres))

    @cached_property
    def tree(self) -> cKDTree:
        """Centres, to look up the nearest."""
        return cKDTree(self.centres)


def symmetric(links: Ints, values: Array, size: int) -> csr_array:
    """Symmetric (size, size) matrix of values at links."""
    i, j = links.T
    both = (np.r_[values, values], (np.r_[i, j], np.r_[j, i]))
    return coo_array(both, shape=(size, size)).tocsr()


def make_solid(positions: Array, triangles: Ints) -> Solid | None:
    """Fill a skin with cells.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
        Each closed shell turning outwards.

    Returns
    -------
    Solid or None
        None if nothing is inside: a flat sheet.
    """
    corners = positions[triangles]
    # point by point: over the short axis of an array a reduction is many times slower
    least, most = _least(corners), _most(corners)
    low, high = least.min(axis=0), most.max(axis=0)
    extent = float((high - low).max())
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    cell = _cell_size(corners, normals, low, high, extent)
    while cell is not None:
        solid, many = _of_cells(corners, normals, (least, most), cell)
        if many <= _MOST_INSIDE:
            return None if solid is None else _bridged(solid, extent)
        # skin that crosses itself everywhere holds far more than its volume says
        cell *= 1.1 * (many / _MOST_INSIDE) ** (1.0 / 3.0)
    return None


def _of_cells(
    corners: Array, normals: Array, boxes: tuple[Array, Array], cell: float
) -> tuple[Solid | None, int]:
    """The solid in cells of a size, its parts not yet bridged, and how many cells are inside.

    No solid if none are, or too many.
    """
    least, most = boxes
    low, high = least.min(axis=0), most.max(axis=0)
    counts = np.maximum(np.ceil((high - low) / cell).astype(np.int64) + 2, 3)
    origin = low - cell * (0.5 + 0.5 * _OFFSET)
    votes = np.zeros(counts, dtype=np.int8)
    # in cells, so that lines stand at whole numbers
    spans = np.ceil((least - origin) / cell), np.floor((most - origin) / cell)
    first, last = (span.astype(np.int64) for span in spans)
    cuts, skin, skin_normals = [], [], []
    for axis in range(3):
        lines = _crossings(corners, (first, last), origin, cell, counts, axis)
        votes += lines.winding > 0
        cuts.append(lines.cuts)
        skin.append(lines.outer)
        there = normals[lines.triangles]
        size = np.linalg.norm(there, axis=1, keepdims=True)
        skin_normals.append(there / np.maximum(size, 1e-300))
    inside = votes >= 2
    many = int(np.count_nonzero(inside))
    if not 0 < many <= _MOST_INSIDE:
        return None, many
    skin_points = np.vstack(skin)
    centres = origin + cell * np.argwhere(inside)
    if not len(skin_points):
        return None, 0
    radii, _ = cKDTree(skin_points).query(centres)
    links = _links(inside, cuts)
    unsure = float(np.count_nonzero((votes == 1) | (votes == 2)) / len(centres))
    solid = Solid(cell, centres, radii, links, skin_points, np.vstack(skin_normals), unsure)
    return solid, many


def _cell_size(
    corners: Array, normals: Array, low: Array, high: Array, extent: float
) -> float | None:
    """Edge of a cell; None where none would be inside: a sheet, a film, no surface at all."""
    area = 0.5 * float(np.sqrt(np.einsum("ij,ij->i", normals, normals)).sum())
    middle = 0.5 * (low + high)
    volume = float(np.abs(np.einsum("ij,ij->", corners[:, 0] - middle, normals) / 6.0))
    if area <= 0.0 or extent <= 0.0:
        return None
    half = 2.0 * volume / area
    leaning = 0.5 * float(np.linalg.norm(normals.sum(axis=0)))
    if leaning > _SHEET * area or half < _FILM * _FINEST * extent:
        return None
    # thin legs make a solid of a great many cells: fewer do, as long as the legs keep some
    enough = min((volume / _ENOUGH) ** (1.0 / 3.0), half / _LEAST_CELLS)
    cell = float(np.clip(max(half / _CELLS, enough), _FINEST * extent, _COARSEST * extent))
    while np.prod(np.ceil((high - low) / cell) + 2) > _MOST_CELLS:
        cell *= 1.1
    return cell


def _least(corners: Array) -> Array:
    """Least coordinates of each triangle's three points."""
    return np.minimum(np.minimum(corners[:, 0], corners[:, 1]), corners[:, 2])


def _most(corners: Array) -> Array:
    return np.maximum(np.maximum(corners[:, 0], corners[:, 1]), corners[:, 2])


@dataclass(frozen=True, eq=False)
class _Lines:
    """What the lines along one axis met.

    ``winding``: the winding at each cell; ``cuts``: cells after which the winding falls to
    nothing and comes back before the next; ``outer``: where it leaves or reaches nothing, and the
    ``triangles`` there.
    """

    winding: NDArray[np.int16]
    cuts: Ints
    outer: Array
    triangles: Ints


def _crossings(
    corners: Array,
    bounds: tuple[Ints, Ints],
    origin: Array,
    cell: float,
    counts: Ints,
    axis: int,
) -> _Lines:
    """Follow all lines of the grid along an axis through the triangles."""
    b, c = (axis + 1) % 3, (axis + 2) % 3
    first, last = (bound[:, [b, c]] for bound in bounds)
    span = np.maximum(last - first + 1, 0)
    many = span[:, 0] * span[:, 1]
    which = np.repeat(np.arange(len(many)), many)
    rank = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
    width = span[which, 1]
    j = first[which, 0] + rank // np.maximum(width, 1)
    k = first[which, 1] + rank % np.maximum(width, 1)
    local = (corners[which] - origin) / cell
    p, q, r = (local[:, n, [b, c]] for n in range(3))
    at = np.stack([j, k], axis=1)

    def twice_area(u: Array, v: Array, w: Array) -> Array:
        return (v[:, 0] - u[:, 0]) * (w[:, 1] - u[:, 1]) - (v[:, 1] - u[:, 1]) * (w[:, 0] - u[:, 0])

    shares = np.stack([twice_area(at, q, r), twice_area(at, r, p), twice_area(at, p, q)], axis=1)
    total = shares.sum(axis=1)
    met = (total != 0.0) & (
        (shares >= 0.0).all(axis=1) & (total > 0) | (shares <= 0.0).all(axis=1) & (total < 0)
    )
    shares, total, which, at = shares[met], total[met], which[met], at[met]
    depth = np.sum(shares * local[met, :, axis], axis=1) / total
    step = np.where(total < 0, 1, -1).astype(np.int16)
    line = at[:, 0] * counts[c] + at[:, 1]
    order = np.lexsort((depth, line))
    depth, step, line, at, which = depth[order], step[order], line[order], at[order], which[order]
    cell_after = np.clip(np.ceil(depth).astype(np.int64), 0, counts[axis] - 1)
    moved = np.zeros((counts[axis], counts[b], counts[c]), dtype=np.int16)
    np.add.at(moved, (cell_after, at[:, 0], at[:, 1]), step)
    winding = np.cumsum(moved, axis=0, dtype=np.int16)
    running = np.cumsum(step)
    begins = np.r_[True, line[1:] != line[:-1]] if len(line) else np.zeros(0, dtype=bool)
    before_line = np.where(begins, running - step, 0)
    starts = np.flatnonzero(begins)
    if len(starts):
        running = running - np.repeat(before_line[starts], np.diff(np.r_[starts, len(line)]))
    previous = running - step
    outer = (running <= 0) != (previous <= 0)
    points = np.empty((int(outer.sum()), 3))
    points[:, axis], points[:, b], points[:, c] = depth[outer], at[outer, 0], at[outer, 1]
    empty = (running[:-1] <= 0) & ~begins[1:] & (cell_after[1:] == cell_after[:-1])
    gap = np.flatnonzero(empty)
    cuts = np.empty((len(gap), 3), dtype=np.int64)
    cuts[:, axis], cuts[:, b], cuts[:, c] = cell_after[gap] - 1, at[gap, 0], at[gap, 1]
    # back from (axis, b, c) to (x, y, z)
    winding = np.moveaxis(winding, (0, 1, 2), (axis, b, c))
    return _Lines(winding, cuts, origin + cell * points, which[outer])


def _shift(mask: Flags, step: tuple[int, int, int]) -> Flags:
    """The mask seen from ``step`` cells back: result[i] = mask[i + step], False outside."""
    result = np.zeros_like(mask)
    to, source = [], []
    for move, size in zip(step, mask.shape, strict=True):
        to.append(slice(max(0, -move), size - max(0, move)))
        source.append(slice(max(0, move), size - max(0, -move)))
    result[tuple(to)] = mask[tuple(source)]
    return result


Step = tuple[int, int, int]


def _links(inside: Flags, cuts: list[Ints]) -> Ints:
    """Pairs of neighbours, diagonal ones too, that no skin parts."""
    straight: dict[Step, Flags] = {}
    for axis in range(3):
        ahead = _along(axis, 1)
        free = inside & _shift(inside, ahead)
        free[tuple(cuts[axis].T)] = False
        straight[ahead] = free
        straight[_along(axis, -1)] = _shift(free, _along(axis, -1))
    # a diagonal is open if one way round its corner is
    slanted = _combined(straight, straight)
    corners = _combined(slanted, straight)
    number = np.full(inside.shape, -1, dtype=np.int64)
    number[inside] = np.arange(int(inside.sum()))
    pairs = []
    for step, free in {**straight, **slanted, **corners}.items():
        if step > (0, 0, 0):
            at = np.argwhere(free)
            there = at + np.array(step)
            pairs.append(np.stack([number[tuple(at.T)], number[tuple(there.T)]], axis=1))
    return np.concatenate(pairs)


def _along(axis: int, size: int) -> Step:
    return (size * (axis == 0), size * (axis == 1), size * (axis == 2))


def _combined(first: dict[Step, Flags], then: dict[Step, Flags]) -> dict[Step, Flags]:
    """Ways of a step of one kind and one of another along an axis that the first leaves alone."""
    found: dict[Step, Flags] = {}
    for one, open_one in first.items():
        for two, open_two in then.items():
            if any(a and b for a, b in zip(one, two, strict=True)):
                continue
            both = (one[0] + two[0], one[1] + two[1], one[2] + two[2])
            way = open_one & _shift(open_two, one)
            found[both] = found[both] | way if both in found else way
    return found


def _bridged(solid: Solid, extent: float) -> Solid:
    """Join parts that lie close to each other, the nearest first."""
    size = len(solid.centres)
    links = coo_array(
        (np.ones(len(solid.links)), (solid.links[:, 0], solid.links[:, 1])), shape=(size, size)
    )
    count, label = connected_components(links, directed=False)
    if count == 1:
        return solid
    limit = max(_BRIDGE_CELLS * solid.cell, _BRIDGE_EXTENT * extent)
    order = np.argsort(label, kind="stable")
    ends = np.cumsum(np.bincount(label))
    members = np.split(order, ends[:-1])
    rows, columns, gaps, pairs = [], [], [], {}
    for part in range(count):
        near = solid.tree.query_ball_point(
            solid.centres[members[part]].mean(axis=0),
            limit + _spread(solid.centres[members[part]]),
        )
        others = np.setdiff1d(np.unique(label[near]), [part])
        mine = cKDTree(solid.centres[members[part]])
        for other in others[others > part]:
            distance, nearest = mine.query(
                solid.centres[members[other]], distance_upper_bound=limit
            )
            best = int(np.argmin(distance))
            if np.isfinite(distance[best]):
                rows.append(part)
                columns.append(int(other))
                gaps.append(max(float(distance[best]), 1e-300))
                pairs[part, int(other)] = (
                    int(members[part][nearest[best]]),
                    int(members[other][best]),
                )
    if not rows:
        return solid
    tree = minimum_spanning_tree(coo_array((gaps, (rows, columns)), shape=(count, count))).tocoo()
    extra = np.array(
        [pairs[int(i), int(j)] for i, j in zip(tree.row, tree.col, strict=True)], dtype=np.int64
    )
    return replace(solid, links=np.vstack([solid.links, extra.reshape(-1, 2)]))


def _spread(points: Array) -> float:
    return float(np.linalg.norm(points - points.mean(axis=0), axis=1).max())

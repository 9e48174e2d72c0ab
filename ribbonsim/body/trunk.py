"""The trunk of a creature: the thick way through its solid, from one end to the other.

Legs, horns and fins are thin beside what they grow from, and come in pairs beside the plane
that parts left from right. The trunk is the way through the middle that stays thick longest.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.body.solid import Solid, symmetric

# a way leaves the trunk where it is thinner than this share of what it comes from ...
_LEAVES = 0.5
# ... and is the trunk again, past a waist, where it has this share
_BACK = 0.7
# how fast a trunk may taper: radius lost for each unit of length; and how fast it is forgotten
# how thick it was, where it is thin: a waist is short, an antenna long
_TAPER, _FORGETS = 0.25, 0.08
# cells farther off the plane of symmetry than this many radii and cells are no trunk
_OFF_PLANE, _OFF_PLANE_CELLS = 0.35, 1.5
_ROUNDS = 3
# waves shorter than this share of the radius are folds of the skin, not of the body
_SMOOTH = 0.8
# a body at most so many times as long as it is thick has its principal axis as its middle
_STUBBY, _SLENDER = 1.8, 3.2
_STEP = 0.5
# what comes after a thin part has to add this share to the way
_TUFT = 0.03
# a branch that holds this share of what is left of the way makes a fork
_ALIKE = 0.5
# a lobe goes on where the trunk went, a leg stands across: cosine of the angle between
_FORWARD = 0.45
# a lobe is at least this thick beside the trunk it parts from, its foot not counted
_LOBE = 0.4
# what lies farther from the way than so many radii is a limb
_TUBE = 1.3


@dataclass(frozen=True, eq=False)
class Trunk:
    """A way through the middle of a creature.

    Parameters
    ----------
    points : (n, 3) array
        Evenly spaced, from skin to skin.
    radii : (n,) array
        Of the largest ball that fits there.
    """

    points: Array
    radii: Array

    @property
    def length(self) -> float:
        """Scene units."""
        return float(np.linalg.norm(np.diff(self.points, axis=0), axis=1).sum())


def find_trunk(
    solid: Solid,
    plane: tuple[Array, float] | None = None,
    ends: tuple[Array | None, Array | None] = (None, None),
) -> Trunk | None:
    """Find the way through the middle of a creature that stays thick longest.

    Parameters
    ----------
    plane : (normal, offset), optional
        The plane of symmetry; the trunk then lies in it.
    ends : pair of (3,) arrays or None
        Chosen ends.

    Returns
    -------
    Trunk or None
        None if the solid has no way of at least three cells.
    """
    cells = trunk_cells(solid, plane)
    if len(cells) < 3:
        return None
    number = np.full(len(solid.centres), -1)
    number[cells] = np.arange(len(cells))
    links = number[solid.links]
    links = links[(links[:, 0] >= 0) & (links[:, 1] >= 0)]
    centres, radii = solid.centres[cells], solid.radii[cells]
    lengths = np.linalg.norm(centres[links[:, 0]] - centres[links[:, 1]], axis=1)
    thick = np.sqrt(radii[links[:, 0]] * radii[links[:, 1]])
    costs = lengths * (radii.max() / thick) ** 2
    graph = symmetric(links, costs, len(cells))
    at = [None if end is None else _nearest(centres, end) for end in ends]
    first, last = at
    if first is None:
        start = last if last is not None else int(np.argmax(radii))
        first = _thick_end(graph, centres, radii, start)
        if last is None:
            last = _thick_end(graph, centres, radii, first)
            first = _thick_end(graph, centres, radii, last)
    if last is None:
        last = _thick_end(graph, centres, radii, first)
    way = _way(graph, first, last)
    if len(way) < 3:
        return None
    if at == [None, None]:
        way = cells[way]
        way = _without_lobes(
            solid, np.arange(len(solid.centres)), _without_lobes(solid, cells, way)
        )
        way = number[way]
    way = _without_caps(centres, radii, way)
    return _middle(solid, centres[way], plane)


def trunk_cells(solid: Solid, plane: tuple[Array, float] | None) -> Ints:
    """Cells that may belong to the trunk: near the plane if there is one, joined."""
    keep = np.ones(len(solid.centres), dtype=bool)
    if plane is not None:
        normal, offset = plane
        away = np.abs(solid.centres @ normal - offset)
        keep = away <= _OFF_PLANE * solid.radii + _OFF_PLANE_CELLS * solid.cell
    both = keep[solid.links[:, 0]] & keep[solid.links[:, 1]]
    graph = symmetric(solid.links[both], np.ones(int(both.sum())), len(keep))
    _, label = connected_components(graph, directed=False)
    sizes = np.bincount(label[keep], solid.radii[keep] ** 1.0)
    return np.flatnonzero(keep & (label == int(np.argmax(sizes))))


def _nearest(centres: Array, point: Array) -> int:
    return int(cKDTree(centres).query(point)[1])


def _thick_end(graph: csr_array, centres: Array, radii: Array, start: int) -> int:
    """The end that the thickest longest way from a cell leads to."""
    cost, before = dijkstra(graph, indices=start, return_predecessors=True)
    reached = np.isfinite(cost)
    before = np.where(before < 0, start, before).astype(np.int64)
    before[~reached] = start
    depth = _depths(before, start)
    step = np.linalg.norm(centres - centres[before], axis=1)
    gain, envelope = np.zeros(len(radii)), np.zeros(len(radii))
    envelope[start] = radii[start]
    alive = np.zeros(len(radii), dtype=bool)
    alive[start] = True
    order = np.argsort(depth, kind="stable")
    bounds = np.flatnonzero(np.diff(depth[order])) + 1
    for level in np.split(order, bounds)[1:]:
        up = before[level]
        slope = np.where(alive[up], _TAPER, _FORGETS)
        fallen = np.maximum(envelope[up] - slope * step[level], 0.0)
        here = np.maximum(radii[level], fallen)
        alive[level] = radii[level] >= np.where(alive[up], _LEAVES, _BACK) * here
        envelope[level] = here
        gain[level] = gain[up] + np.where(alive[level], step[level] * radii[level], 0.0)
    gain[~reached] = -1.0
    best = float(gain.max())
    # of all that gain as much, the nearest: beyond it the way is dead
    near = np.flatnonzero(gain >= best * (1.0 - 1e-9))
    way = _up(before, int(near[np.argmin(cost[near])]), start)
    way = way[: _worth(gain[way], alive[way])]
    return int(way[-1])


def _up(before: Ints, last: int, start: int) -> Ints:
    """The way from the start to a cell of a tree."""
    way = [last]
    while way[-1] != start:
        way.append(int(before[way[-1]]))
    return np.array(way[::-1])


def _worth(gain: Array, alive: Flags) -> int:
    """How many steps of a way to keep: a tuft at the end of a thin tail is no trunk."""
    count = int(np.flatnonzero(alive)[-1]) + 1
    while True:
        dead = np.flatnonzero(~alive[:count])
        if not len(dead):
            return count
        again = int(dead[-1]) + 1
        if gain[count - 1] - gain[again - 1] >= _TUFT * gain[count - 1]:
            return count
        count = int(np.flatnonzero(alive[:again])[-1]) + 1


def _without_lobes(solid: Solid, cells: Ints, way: Ints) -> Ints:
    """The way up to where it forks: an end that is one of several alike is a lobe."""
    for _ in range(2):
        fork = _first_fork(solid, cells, way)
        if fork is not None and fork >= 3:
            way = way[: fork + 1]
        way = way[::-1]
    return way


def _without_caps(centres: Array, radii: Array, way: Ints) -> Ints:
    """A way without what lies in the last ball at each end: it would run into a corner."""
    for _ in range(2):
        held = np.linalg.norm(centres[way] - centres[way[-1]], axis=1) <= radii[way]
        way = way[: max(int(np.argmax(held)) + 1, 3)][::-1]
    return way


def _first_fork(solid: Solid, cells: Ints, way: Ints) -> int | None:
    """Where a limb parts from a way that is about as large as the rest of the way beyond it."""
    centres, radii, cell = solid.centres[cells], solid.radii[cells], solid.cell
    number = np.full(len(solid.centres), -1)
    number[cells] = np.arange(len(cells))
    links = number[solid.links]
    links = links[(links[:, 0] >= 0) & (links[:, 1] >= 0)]
    way = number[way]
    line, thick = centres[way], radii[way]
    step = np.r_[0.0, np.linalg.norm(np.diff(line, axis=0), axis=1)]
    along, beyond = np.cumsum(step), np.cumsum((thick * step)[::-1])[::-1]
    away, seat = cKDTree(line).query(centres)
    outside = away > _TUBE * np.maximum(thick, _half_heights(away, seat, len(way)))[seat] + cell
    row, column = links.T
    free = outside[row] & outside[column]
    size = len(centres)
    joined = coo_array((np.ones(free.sum()), (row[free], column[free])), (size, size))
    _, label = connected_components(joined, directed=False)
    row, column = np.r_[row, column], np.r_[column, row]
    touching = outside[row] & ~outside[column]
    limb_of, seats = label[row[touching]], seat[column[touching]]
    if not len(limb_of):
        return None
    forks = []
    for members, feet in _limbs(label, outside, limb_of, seats):
        low, high = np.percentile(feet, [5, 95]).astype(int)
        reach = float(away[members].max())
        at = float(np.median(thick[max(low - 3, 0) : high + 1]))
        if reach < 2.5 * at:
            continue
        before = float(np.median(thick[max(low - 8, 0) : low + 1]))
        own = float(np.percentile(radii[members], 98))
        left = float(along[-1] - along[high])
        goes_on = left >= 2.5 * at
        joins_once = along[high] - along[low] <= max(3.0 * at, reach)
        alike = own >= _LOBE * before and reach * own >= _ALIKE * float(beyond[high])
        ahead = line[low] - line[max(low - 8, 0)]
        aside = centres[members].mean(axis=0) - line[low]
        cosine = ahead @ aside / max(np.linalg.norm(ahead) * np.linalg.norm(aside), 1e-300)
        if goes_on and joins_once and alike and cosine > _FORWARD and along[low] > 0.3 * along[-1]:
            forks.append((low + high) // 2)
    return min(forks) if forks else None


def _limbs(label: Ints, outside: Flags, touching: Ints, seats: Ints) -> Iterator[tuple[Ints, Ints]]:
    """The cells of each limb, and the places on the way of the cells that its own touch."""
    cells = np.flatnonzero(outside)
    cells = cells[np.argsort(label[cells], kind="stable")]
    order = np.argsort(touching, kind="stable")
    limbs, first = np.unique(touching[order], return_index=True)
    from_, to = (np.searchsorted(label[cells], limbs, side) for side in ("left", "right"))
    for k, feet in enumerate(np.split(seats[order], first[1:])):
        yield cells[from_[k] : to[k]], feet


def _half_heights(away: Array, seat: Ints, count: int) -> Array:
    """How far the cross-sections of a way usually reach out: a flat body has more than its ball."""
    order = np.lexsort((away, seat))
    ends = np.cumsum(np.bincount(seat, minlength=count))
    starts = np.r_[0, ends[:-1]]
    at = starts + (0.8 * np.maximum(ends - starts - 1, 0)).astype(int)
    heights = np.where(ends > starts, away[order][np.minimum(at, len(away) - 1)], 0.0)
    return median_filter(heights, size=max(count // 8, 3), mode="nearest")


def _depths(before: Ints, start: int) -> Ints:
    """How many steps each cell is from the start, by doubling."""
    depth = (np.arange(len(before)) != start).astype(np.int64)
    up = before.copy()
    while True:
        further = depth + depth[up]
        if np.array_equal(further, depth):
            return depth
        depth, up = further, up[up]


def _way(graph: csr_array, first: int, last: int) -> Ints:
    _, before = dijkstra(graph, indices=first, return_predecessors=True)
    way = [last]
    while way[-1] != first:
        following = int(before[way[-1]])
        if following < 0:
            return np.zeros(0, dtype=np.int64)
        way.append(following)
    return np.array(way[::-1])


def _even(points: Array, step: float) -> Array:
    """The way, in even steps of about this length."""
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    return _in_points(points, max(int(np.ceil(length / step)), 4) + 1)


def _in_points(points: Array, count: int) -> Array:
    """The way as so many points, evenly spaced."""
    pieces = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.r_[0.0, np.cumsum(pieces)]
    keep = np.r_[True, pieces > 1e-12 * max(along[-1], 1e-300)]
    wanted = np.linspace(0.0, along[-1], count)
    return np.stack([np.interp(wanted, along[keep], points[keep, k]) for k in range(3)], axis=1)


def _smooth(points: Array, width: float, step: float) -> Array:
    """Smooth by 2G - G², which shrinks a bend less than a plain Gaussian does."""
    sigma = width / step
    pad = int(np.ceil(4 * sigma)) + 1
    # go on straight past the ends: mirrored through them
    longer = np.vstack(
        [
            2 * points[0] - points[pad:0:-1] if len(points) > pad else points[:0],
            points,
            2 * points[-1] - points[-2 : -pad - 2 : -1] if len(points) > pad else points[:0],
        ]
    )
    one = gaussian_filter1d(longer, sigma, axis=0, mode="nearest")
    two = gaussian_filter1d(one, sigma, axis=0, mode="nearest")
    lead = (len(longer) - len(points)) // 2
    return (2 * one - two)[lead : lead + len(points)]


def _middle(solid: Solid, way: Array, plane: tuple[Array, float] | None) -> Trunk:
    """Move a way into the middle of the cross-sections, smooth it, and go on to the skin."""
    step = solid.cell
    points = _even(way, step)
    for _ in range(_ROUNDS):
        radii = solid.radii[solid.tree.query(points)[1]]
        points = _even(_smooth(points, _SMOOTH * float(np.median(radii)), step), step)
        points = _recentred(solid, points)
        if plane is not None:
            normal, offset = plane
            points = points - (points @ normal - offset)[:, None] * normal
    radii = solid.radii[solid.tree.query(points)[1]]
    points = _even(_smooth(points, _SMOOTH * float(np.median(radii)), step), step)
    points = _straight_if_stubby(solid, _to_the_skin(solid, points), plane)
    points = _even(points, step)
    return Trunk(points, solid.radii[solid.tree.query(points)[1]])


def _straight_if_stubby(solid: Solid, points: Array, plane: tuple[Array, float] | None) -> Array:
    """Blend the middle of a short thick body into its principal axis."""
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    slender = length / (2.0 * float(solid.radii.max()))
    bend = float(np.clip((slender - _STUBBY) / (_SLENDER - _STUBBY), 0.0, 1.0))
    if bend >= 1.0:
        return points
    middle = solid.centres.mean(axis=0)
    offsets = solid.centres - middle
    _, axes = np.linalg.eigh(offsets.T @ offsets)
    axis = axes[:, 2]
    if plane is not None:
        # of the axes in the plane the longest
        inside = np.abs(axes.T @ plane[0]) < 0.5
        axis = axes[:, np.flatnonzero(inside)[-1]] if inside.any() else axis
        axis = axis - (axis @ plane[0]) * plane[0]
        axis /= np.linalg.norm(axis)
        middle = middle - (middle @ plane[0] - plane[1]) * plane[0]
    axis = axis * (1.0 if (points[-1] - points[0]) @ axis >= 0 else -1.0)
    straight = _to_the_skin(solid, middle + axis * solid.cell * np.arange(-3, 4)[:, None])
    share = bend * bend * (3.0 - 2.0 * bend)
    count = len(points)
    return share * _in_points(points, count) + (1.0 - share) * _in_points(straight, count)


def _tangents(points: Array) -> Array:
    slopes = np.gradient(points, axis=0)
    return slopes / np.maximum(np.linalg.norm(slopes, axis=1, keepdims=True), 1e-300)


def _recentred(solid: Solid, points: Array) -> Array:
    """Each point at the middle of the cells of its cross-section, limbs left out."""
    tangents = _tangents(points)
    radii = solid.radii[solid.tree.query(points)[1]]
    reach = 1.6 * radii + 2.0 * solid.cell
    away, seat = cKDTree(points).query(solid.centres)
    near = np.flatnonzero(away <= reach[seat])
    # a cell counts for the points beside its nearest one too: sections are two cells thick
    beside = seat[near, None] + np.arange(-2, 3)
    inside = (beside >= 0) & (beside < len(points))
    rows, cells = beside[inside], np.repeat(near, 5)[inside.ravel()]
    offset = solid.centres[cells] - points[rows]
    along = np.sum(offset * tangents[rows], axis=1)
    slab = np.maximum(1.0 - np.abs(along) / (1.5 * solid.cell), 0.0)
    across = offset - along[:, None] * tangents[rows]
    far = np.linalg.norm(across, axis=1) / reach[rows]
    # fading out before the edge of what is looked at: no step as cells come and go
    weight = slab * np.clip((1.0 - far) / 0.25, 0.0, 1.0)
    total = np.bincount(rows, weight, minlength=len(points))
    moved = np.stack(
        [np.bincount(rows, weight * across[:, k], minlength=len(points)) for k in range(3)], axis=1
    )
    held = total > 0
    result = points.copy()
    result[held] += moved[held] / total[held, None]
    return result


def _to_the_skin(solid: Solid, points: Array) -> Array:
    """Go straight on at both ends, as far as there is an inside."""
    parts = [points]
    for side in (0, 1):
        line = points if side else points[::-1]
        radius = float(solid.radii[solid.tree.query(line[-1])[1]])
        back = int(np.clip(round(1.0 * radius / solid.cell), 2, len(line) - 1))
        direction = line[-1] - line[-1 - back]
        direction = direction / max(float(np.linalg.norm(direction)), 1e-300)
        ahead = line[-1] + direction * (_STEP * solid.cell) * np.arange(1, 400)[:, None]
        distance, _ = solid.tree.query(ahead)
        out = distance > 0.9 * solid.cell
        count = int(np.argmax(out)) if out.any() else len(ahead)
        if count:
            parts = [*parts, ahead[:count]] if side else [ahead[:count][::-1], *parts]
    return np.vstack(parts)

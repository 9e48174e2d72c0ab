"""The guide along the skin: the middle of the rings of a field between two ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.sparse import csr_array

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.field import (
    LEAN,
    Rings,
    Surface,
    body_surface,
    edge_distance,
    even_rings,
    nearest_vertex,
)
from ribbonsim.curves.splines import curve_by_arc_length, fit_spline, uniform_knots
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh

GUIDE_POINTS = 129
_INSET = 0.01
# within this share of the length a chosen vertex means the end itself
_END_PART = 0.05
# a vertex within so many radii of the guide is on the body's wall and not out on a limb
_ON_WALL = 1.8
# limbs of one kind hold at least this share of each other's volume; so many make a hub
_ALIKE, _HUB_LIMBS = 0.4, 4
# a limb of a hub reaches out at least this share of the farthest way over the skin
_LIMB_REACH = 0.15
# ways to tips as long as each other differ by up to this share
_LEANING = 1e-4


@dataclass(frozen=True, eq=False)
class SkinGuide:
    """A guide along the skin.

    Parameters
    ----------
    points : (n, 3) array
        Evenly spaced, scene units.
    start_vertices, end_vertices : int
        Vertices in its first and last third, which tell where a face is modelled.
    """

    points: Array
    start_vertices: int = 0
    end_vertices: int = 0


def skin_guide(mesh: CreatureMesh, ends: tuple[int | None, int | None]) -> SkinGuide:
    """Find the centreline of a body of one piece from the rings of a field on its skin.

    A harmonic field is laid over the surface between the two ends; the guide runs through
    the centres of its rings. Limbs and fins are dead ends of the field and do not pull it.

    Parameters
    ----------
    ends : pair of int or None
        Vertices of the body at root and tip; without them the farthest ends of the thick part
        of the body are found. One on the wall of the body, not at an end nor out on a limb,
        cuts the guide short there.

    Raises
    ------
    RibbonsimError
        If the ends are not two vertices of one piece, or the body has too few rings.
    """
    skin = body_surface(mesh)
    given = [end for end in ends if end is not None]
    first, last = _find_ends(skin, None, None)
    guide, rings, field = _between_poles(mesh, skin, first, last)
    if not given:
        third = max(1, len(rings.radii) // 3)
        there = field[skin.used]
        return SkinGuide(
            guide,
            int(np.count_nonzero(there < rings.levels[third - 1])),
            int(np.count_nonzero(there > rings.levels[-third])),
        )
    shares = [_share_inside(mesh, guide, rings, field, end) for end in given]
    if all(share is None for share in shares):
        first, last = _find_ends(skin, *ends)
        return SkinGuide(_between_poles(mesh, skin, first, last)[0])
    return SkinGuide(_cut(mesh, guide, ends, shares, field))


def _between_poles(
    mesh: CreatureMesh, skin: Surface, first: int, last: int
) -> tuple[Array, Rings, Array]:
    """Guide between two end vertices, with the rings and the field it was found by."""
    distance = edge_distance(skin.graph, first)
    if first == last or not np.isfinite(distance[last]):
        raise RibbonsimError(
            f"vertices {first} and {last} of {mesh.name} (counted from 0) are not two ends of "
            "one piece: choose ends of the body"
        )
    near = 0.5 * _INSET * distance[last]
    low = np.flatnonzero(distance <= near)
    high = np.flatnonzero(edge_distance(skin.graph, last, near) <= near)
    field = skin.field(low, high)
    rings = even_rings(mesh.positions, skin.triangles, field)
    poles = mesh.positions[first], mesh.positions[last]
    return centreline(mesh.positions, skin.triangles, rings, poles), rings, field


def _share_inside(
    mesh: CreatureMesh, guide: Array, rings: Rings, field: Array, vertex: int
) -> float | None:
    """How far along a guide a vertex of the body's wall stands; None at its ends and on limbs."""
    steps = np.linalg.norm(np.diff(rings.centres, axis=0), axis=1)
    along = np.r_[0.0, np.cumsum(steps)] / steps.sum()
    rough = float(np.interp(field[vertex], rings.levels, along))
    radius = float(np.interp(field[vertex], rings.levels, rings.radii))
    shares = np.linspace(0.0, 1.0, len(guide))
    apart = np.linalg.norm(guide - mesh.positions[vertex], axis=1)
    apart[np.abs(shares - rough) > 0.1] = np.inf
    nearest = int(np.argmin(apart))
    inside = _END_PART < shares[nearest] < 1.0 - _END_PART
    return float(shares[nearest]) if inside and apart[nearest] <= _ON_WALL * radius else None


def _cut(
    mesh: CreatureMesh,
    guide: Array,
    ends: tuple[int | None, int | None],
    shares: list[float | None],
    field: Array,
) -> Array:
    """The part of a guide between chosen places; an end left open is the farther one."""
    places: list[float | None] = []
    for end in ends:
        if end is None:
            places.append(None)
            continue
        share = shares[len([place for place in places if place is not None])]
        places.append(float(round(field[end])) if share is None else share)
    root, tip = places
    if root is None:
        root = 0.0 if tip is not None and tip > 0.5 else 1.0
    if tip is None:
        tip = 0.0 if root > 0.5 else 1.0
    if abs(root - tip) < _END_PART:
        raise RibbonsimError(
            f"root and tip of {mesh.name} are at one place along the body: "
            "choose them farther apart"
        )
    shown = np.linspace(root, tip, GUIDE_POINTS)
    return np.asarray(CubicSpline(np.linspace(0.0, 1.0, len(guide)), guide)(shown))


def centreline(positions: Array, body: Ints, rings: Rings, poles: tuple[Array, Array]) -> Array:
    """Draw a smooth curve through ring centres, from just inside one end to just inside the other.

    Parameters
    ----------
    positions : (V, 3) array
    body : (T, 3) int array
        Triangles of the skin.
    poles : pair of (3,) arrays
        The two ends of the skin.

    Returns
    -------
    (n, 3) array
        Evenly spaced, scene units.
    """
    first = _first_true_ring(rings.centres, rings.radii, poles[0])
    last = (
        len(rings.levels) - 1 - _first_true_ring(rings.centres[::-1], rings.radii[::-1], poles[1])
    )
    if last - first < 3:
        first, last = 0, len(rings.levels) - 1
    centres, radii = rings.centres[first : last + 1], rings.radii[first : last + 1]
    length = np.linalg.norm(np.diff(centres, axis=0), axis=1).sum()
    start = _to_the_end(positions, body, centres, radii[0], poles[0], length)
    end = _to_the_end(positions, body, centres[::-1], radii[-1], poles[1], length)
    points = np.vstack([start[::-1], centres, end])
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    keep = np.r_[True, steps > 1e-9 * length]
    points = points[keep]
    t = np.r_[0.0, np.cumsum(steps[keep[1:]])]
    t /= t[-1]
    # waves shorter than the body is thick are folds of the skin, not of the body
    spans = int(np.clip(round(length / np.median(radii)), 4, 32))
    spline = fit_spline(t, points, uniform_knots(spans), damping=0.02)
    places, curve = curve_by_arc_length(spline(np.linspace(0, 1, 400)), 4000)
    even = np.linspace(0.0, 1.0, GUIDE_POINTS)
    return np.stack([np.interp(even, places, curve[:, k]) for k in range(3)], axis=1)


def _first_true_ring(centres: Array, radii: Array, pole: Array) -> int:
    """Index of the first ring that goes round the body and not just round the pole."""
    away = np.linalg.norm(centres - pole, axis=1) >= radii
    return int(np.argmax(away)) if away.any() else 0


def _to_the_end(
    positions: Array, body: Ints, centres: Array, radius: float, pole: Array, length: float
) -> Array:
    """Points straight on from the first centre to just inside the surface."""
    travelled = np.linalg.norm(centres - centres[0], axis=1)
    back = int(np.argmax(travelled >= max(radius, 0.02 * length)))
    direction = centres[0] - centres[max(back, 1)]
    direction = direction / np.linalg.norm(direction)
    away = exit_distance(positions, body, centres[0], direction)
    reach = float(np.linalg.norm(pole - centres[0]))
    if not 0.3 * reach <= away <= 1.5 * reach:  # a bent or open end: make for the pole instead
        direction, away = (pole - centres[0]) / reach, reach
    inner = away - min(_INSET * length, 0.25 * away)
    return centres[0] + inner * np.array([[1 / 3], [2 / 3], [1.0]]) * direction


def exit_distance(positions: Array, body: Ints, origin: Array, direction: Array) -> float:
    """Distance along a ray to the first triangle that it meets, infinite if none.

    T. Möller, B. Trumbore, "Fast, minimum storage ray/triangle intersection", Journal of
    Graphics Tools 2(1), 1997.
    """
    a, b, c = (positions[body[:, k]] for k in range(3))
    one, two = b - a, c - a
    across = np.cross(direction, two)
    volume = np.sum(one * across, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        from_a = origin - a
        u = np.sum(from_a * across, axis=1) / volume
        lift = np.cross(from_a, one)
        v = lift @ direction / volume
        distance = np.sum(two * lift, axis=1) / volume
        # a ray along an edge, as in a plane of symmetry, meets one of its two triangles
        met = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1.0 + 1e-9) & (distance > 0)
    return float(distance[met].min()) if met.any() else float("inf")


def _find_ends(skin: Surface, first: int | None, last: int | None) -> tuple[int, int]:
    if first is not None and last is not None:
        return first, last
    if first is not None:
        return first, _thick_tip(skin, first)
    if last is not None:
        return _thick_tip(skin, last), last
    middle = skin.positions[skin.used].mean(axis=0)
    one = _thick_tip(skin, nearest_vertex(skin.positions, skin.used, middle))
    other = _thick_tip(skin, one)
    return _thick_tip(skin, other), other


def _thick_tip(skin: Surface, source: int) -> int:
    """The end farthest from a vertex along the thick part of the body.

    Each local maximum of the distance is a tip with the part that drains from it. Going
    down, where two parts meet the one that holds less volume is a limb and gives way. Where
    the last part is one limb among several of its kind, the body ends at their hub.
    """
    distance = _leaning(skin, edge_distance(skin.graph, source))
    area = skin.vertex_areas
    basin = _basins(skin.graph, distance)
    tips = np.flatnonzero((basin == np.arange(len(basin))) & (distance >= 0))
    index = np.full(len(distance), -1)
    index[tips] = np.arange(len(tips))
    home = index[basin]
    row, column = _pairs(skin.graph)
    apart = (home[row] != home[column]) & (row < column)
    u, v = row[apart], column[apart]
    saddle = np.minimum(distance[u], distance[v])
    order = np.argsort(-saddle, kind="stable")
    owner = np.arange(len(tips))

    def find(i: int) -> int:
        while owner[i] != i:
            owner[i] = owner[owner[i]]
            i = owner[i]
        return int(i)

    members = np.split(np.argsort(home, kind="stable"), np.searchsorted(np.sort(home), index[tips]))
    parts = {i: _Part(int(tips[i]), members[i + 1]) for i in range(len(tips))}
    for k in order:
        a, b = find(home[u[k]]), find(home[v[k]])
        if a == b:
            continue
        level = float(saddle[k])
        sizes = [parts[i].volume_above(distance, area, level) for i in (a, b)]
        if _less(sizes, skin.positions[[parts[a].tip, parts[b].tip]]):
            a, b = b, a
        owner[b] = a
        parts[a].take(parts.pop(b), level, max(sizes), min(sizes), distance, area)
    last = parts[find(int(home[source]))]
    return last.tip if last.hub is None else _hub_end(skin.graph, distance, last)


@dataclass(eq=False)
class _Part:
    """A part of the surface that drains from one tip, with the limbs that gave way to it.

    ``rivals`` are limbs about as large as its own outermost piece was where it met the first:
    tip, level and volume of each.
    """

    tip: int
    members: Ints
    rivals: tuple[tuple[int, float, float], ...] = ()
    shed_area: float = 0.0
    shed_volume: float = 0.0
    own: float = 0.0

    def volume_above(self, distance: Array, area: Array, level: float) -> float:
        """Volume above a level: cylinders of the same area and length, one for each limb."""
        above = self.members[distance[self.members] >= level]
        length = max(float(distance[self.tip] - level), 1e-12 * float(distance.max()))
        trunk = max(float(area[above].sum()) - self.shed_area, 0.0)
        return trunk**2 / (4.0 * np.pi * length) + self.shed_volume

    def take(
        self, other: _Part, level: float, mine: float, its: float, distance: Array, area: Array
    ) -> None:
        """Take in a part that gave way at a level, with the volumes of both there."""
        size = self.own if self.rivals else mine
        its_own = other.own if other.rivals else its
        # the many small tips of a round end are no limbs
        stands_out = distance[other.tip] - level >= _LIMB_REACH * distance.max()
        if stands_out and its_own >= _ALIKE * size:
            self.own = size
            self.rivals += ((other.tip, level, its_own), *other.rivals)
            above = other.members[distance[other.members] >= level]
            self.shed_area += float(area[above].sum())
            self.shed_volume += its
        self.members = np.concatenate([self.members, other.members])

    @property
    def hub(self) -> float | None:
        """Distance at which its tip's limb meets others of its kind; None if it meets fewer."""
        if len(self.rivals) < _HUB_LIMBS - 1:
            return None
        return float(np.median([level for _, level, _ in self.rivals]))


def _hub_end(graph: csr_array, distance: Array, part: _Part) -> int:
    """The farthest vertex that is not out on one of the limbs of a hub."""
    level = float(part.hub or 0.0)
    limbs = np.array([part.tip, *(tip for tip, _, _ in part.rivals)])
    reach = distance[limbs] - level
    alike = (reach > _ALIKE * reach.max()) & (reach > 0.0)
    if np.count_nonzero(alike) < _HUB_LIMBS:
        return part.tip
    from_tips = edge_distance(graph, limbs[alike])
    inner = from_tips >= reach[alike].max()
    return int(np.argmax(np.where(inner, distance, -1.0)))


def _leaning(skin: Surface, distance: Array) -> Array:
    """Distances, -1 where infinite, that differ at vertices that mirror each other."""
    reached = np.isfinite(distance)
    along = skin.positions @ LEAN
    least, most = along[reached].min(), along[reached].max()
    lean = _LEANING * distance[reached].max() / max(most - least, 1e-300)
    return np.where(reached, distance + lean * (along - least), -1.0)


def _less(sizes: list[float], tips: Array) -> bool:
    """Whether the first of two parts gives way; of equally large ones by where they are."""
    if abs(sizes[0] - sizes[1]) > 1e-3 * max(sizes):
        return sizes[0] < sizes[1]
    return bool(tips[0] @ LEAN < tips[1] @ LEAN)


def _pairs(graph: csr_array) -> tuple[Ints, Ints]:
    return np.repeat(np.arange(graph.shape[0]), np.diff(graph.indptr)), graph.indices


def _basins(graph: csr_array, height: Array) -> Ints:
    """For each vertex the local maximum that steepest ascent leads to."""
    joined = np.flatnonzero(np.diff(graph.indptr))
    best = np.full(len(height), -np.inf)
    best[joined] = np.maximum.reduceat(height[graph.indices], graph.indptr[joined])
    row, column = _pairs(graph)
    # of equal heights the greater number wins, so that plateaus have one top
    highest = height[column] == best[row]
    highest &= (best[row] > height[row]) | ((best[row] == height[row]) & (column > row))
    up = np.arange(len(height))
    up[row[highest]] = column[highest]
    while True:
        further = up[up]
        if np.array_equal(further, up):
            return up
        up = further

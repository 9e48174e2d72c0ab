"""The guide: the body's centreline, found on the mesh from its root to its tip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import median_filter
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from ribbonsim.errors import RibbonsimError
from ribbonsim.field import (
    Rings,
    body_rings,
    edge_distance,
    edge_graph,
    harmonic_field,
    laplacian,
)
from ribbonsim.mesh import CreatureMesh
from ribbonsim.splines import curve_by_arc_length, fit_spline, uniform_knots

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

GUIDE_POINTS = 129
_RINGS = 160
_INSET = 0.01
# within this share of the length a chosen vertex means the end itself
_END_PART = 0.05
# a vertex within so many radii of the guide is on the body's wall and not out on a limb
_ON_WALL = 1.8
# so many times the vertices in one third of the body tell the end with the face
_DENSER = 1.5
# so many times the usual, and a ring's centre runs out along a limb
_RUNAWAY = 4.0
# limbs of one kind hold at least this share of each other's volume; so many make a hub
_ALIKE, _HUB_LIMBS = 0.4, 4
# a limb of a hub reaches out at least this share of the farthest way over the skin
_LIMB_REACH = 0.15


def find_guide(
    mesh: CreatureMesh, root: int | ArrayLike | None = None, tip: int | ArrayLike | None = None
) -> Array:
    """Find the centreline of the body from root to tip.

    A harmonic field is laid over the surface between the two ends; the guide runs through
    the centres of its rings. Limbs and fins are dead ends of the field and do not pull it.

    Parameters
    ----------
    mesh : CreatureMesh
    root, tip : int or (3,) array, optional
        A vertex (counted from 0) or a point, whose nearest vertex is taken. Without them the
        farthest ends of the thick part of the body are found; the end that is modelled more
        densely is the tip (a face), or else the thicker end is the root. One on the wall of
        the body, not at an end nor out on a limb, cuts the guide short there.

    Returns
    -------
    (n, 3) array
        Points evenly spaced from root to tip, scene units.

    Raises
    ------
    RibbonsimError
        If the ends are not two vertices of the body.
    """
    body = body_triangles(mesh)
    graph = edge_graph(mesh.positions, body)
    ends = [None if end is None else _end_vertex(mesh, body, end) for end in (root, tip)]
    given = [end for end in ends if end is not None]
    if len(given) == 2 and given[0] == given[1]:
        raise RibbonsimError(
            f"root and tip of {mesh.name} are one vertex ({given[0]}, counted from 0): "
            "choose two ends of the body"
        )
    first, last = _find_ends(mesh.positions, body, graph, None, None)
    guide, rings, field = _between_poles(mesh, body, graph, first, last)
    if not given:
        backwards = _root_at_end(rings, field[np.unique(body)])
        return guide[::-1].copy() if backwards else guide
    shares = [_share_inside(mesh, guide, rings, field, end) for end in given]
    if all(share is None for share in shares):
        first, last = _find_ends(mesh.positions, body, graph, *ends)
        return _between_poles(mesh, body, graph, first, last)[0]
    return _cut(mesh, guide, ends, shares, field)


def _between_poles(
    mesh: CreatureMesh, body: Ints, graph: csr_array, first: int, last: int
) -> tuple[Array, Rings, Array]:
    """Guide between two end vertices, with the rings and the field it was found by."""
    distance = edge_distance(graph, np.array([first]))
    if first == last or not np.isfinite(distance[last]):
        raise RibbonsimError(
            f"vertices {first} and {last} of {mesh.name} (counted from 0) are not two ends of "
            "one piece: choose ends of the body"
        )
    near = 0.5 * _INSET * distance[last]
    low = np.flatnonzero(distance <= near)
    high = np.flatnonzero(edge_distance(graph, np.array([last])) <= near)
    field = body_field(mesh.positions, body, low, high)
    rings = even_rings(mesh.positions, body, field)
    poles = mesh.positions[first], mesh.positions[last]
    return centreline(mesh.positions, body, rings, poles), rings, field


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
    ends: list[int | None],
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


def body_triangles(mesh: CreatureMesh) -> Ints:
    """Triangles of the body, the largest component.

    Parameters
    ----------
    mesh : CreatureMesh

    Returns
    -------
    (T, 3) int array
        Indices into all positions.
    """
    return mesh.triangles[mesh.components[mesh.triangles[:, 0]] == mesh.body]


def body_field(positions: Array, triangles: Ints, low: Ints, high: Ints) -> Array:
    """Harmonic field over the vertices that triangles use.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
    low, high : int arrays
        Vertices held at 0 and at 1.

    Returns
    -------
    (V,) array
        0 to 1; 0 at vertices that no triangle uses.
    """
    used, compact = np.unique(triangles, return_inverse=True)
    operator = laplacian(positions[used], compact.reshape(-1, 3))
    field = np.zeros(len(positions))
    field[used] = harmonic_field(
        operator,
        np.searchsorted(used, np.intersect1d(low, used)),
        np.searchsorted(used, np.setdiff1d(np.intersect1d(high, used), low)),
    )
    return field


def even_rings(positions: Array, triangles: Ints, field: Array, count: int = _RINGS) -> Rings:
    """Rings of a field, evenly spaced along the body.

    A field does not rise evenly, so rings at rough levels are measured first and levels
    chosen anew by the distances between their centres.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
    field : (V,) array
        0 to 1.
    count : int

    Returns
    -------
    Rings
    """
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    middle = field[triangles].mean(axis=1)
    order = np.argsort(middle)
    share = np.cumsum(areas[order])
    levels = np.interp(np.linspace(0.002, 0.998, count // 2), share / share[-1], middle[order])
    for wanted in (count // 2, count):
        rings = _rings_of_body(positions, triangles, field, levels)
        steps = np.linalg.norm(np.diff(rings.centres, axis=0), axis=1)
        along = np.r_[0.0, np.cumsum(steps)]
        levels = np.interp(np.linspace(0.0, along[-1], wanted), along, rings.levels)
    return _rings_of_body(positions, triangles, field, levels)


def _rings_of_body(positions: Array, triangles: Ints, field: Array, levels: Array) -> Rings:
    """Rings without those that run out along a limb.

    A limb holds nearly one value of the field, so over it a ring's centre runs while the
    level hardly rises.
    """
    rings = body_rings(positions, triangles, field, np.unique(levels))
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


def centreline(positions: Array, body: Ints, rings: Rings, poles: tuple[Array, Array]) -> Array:
    """Draw a smooth curve through ring centres, from just inside one end to just inside the other.

    Parameters
    ----------
    positions : (V, 3) array
    body : (T, 3) int array
        Triangles of the skin.
    rings : Rings
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
    away = _exit_distance(positions, body, centres[0], direction)
    reach = float(np.linalg.norm(pole - centres[0]))
    if not 0.3 * reach <= away <= 1.5 * reach:  # a bent or open end: make for the pole instead
        direction, away = (pole - centres[0]) / reach, reach
    inner = away - min(_INSET * length, 0.25 * away)
    return centres[0] + inner * np.array([[1 / 3], [2 / 3], [1.0]]) * direction


def _exit_distance(positions: Array, body: Ints, origin: Array, direction: Array) -> float:
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
        met = (u >= 0) & (v >= 0) & (u + v <= 1) & (distance > 0)
    return float(distance[met].min()) if met.any() else float("inf")


def _root_at_end(rings: Rings, field: Array) -> bool:
    third = max(1, len(rings.radii) // 3)
    start = np.count_nonzero(field < rings.levels[third - 1])
    end = np.count_nonzero(field > rings.levels[-third])
    if max(start, end) > _DENSER * min(start, end):
        return bool(start > end)
    return bool(rings.radii[-third:].mean() > rings.radii[:third].mean())


def _end_vertex(mesh: CreatureMesh, body: Ints, end: int | ArrayLike) -> int:
    if isinstance(end, (int, np.integer)) and not isinstance(end, bool):
        if not 0 <= end < len(mesh.positions):
            raise RibbonsimError(
                f"vertex {end} (counted from 0) is not in {mesh.name}: "
                f"give 0 to {len(mesh.positions) - 1}"
            )
        if mesh.components[end] != mesh.body:
            raise RibbonsimError(
                f"vertex {end} (counted from 0) of {mesh.name} is not on the body: choose another"
            )
        return int(end)
    try:
        point = np.asarray(end, dtype=float)
    except (TypeError, ValueError):
        point = np.empty(0)
    if point.shape != (3,) or not np.isfinite(point).all():
        raise RibbonsimError(f"{end!r} is neither a vertex nor a point: give a number or x, y, z")
    used = np.unique(body)
    return int(used[np.argmin(np.linalg.norm(mesh.positions[used] - point, axis=1))])


def _find_ends(
    positions: Array, body: Ints, graph: csr_array, first: int | None, last: int | None
) -> tuple[int, int]:
    if first is not None and last is not None:
        return first, last
    used = np.unique(body)
    if first is not None:
        return first, _thick_tip(positions, body, graph, first)
    if last is not None:
        return _thick_tip(positions, body, graph, last), last
    middle = positions[used].mean(axis=0)
    start = int(used[np.argmin(np.linalg.norm(positions[used] - middle, axis=1))])
    one = _thick_tip(positions, body, graph, start)
    other = _thick_tip(positions, body, graph, one)
    return _thick_tip(positions, body, graph, other), other


def _thick_tip(positions: Array, body: Ints, graph: csr_array, source: int) -> int:
    """The end farthest from a vertex along the thick part of the body.

    Each local maximum of the distance is a tip with the part that drains from it. Going
    down, where two parts meet the one that holds less volume is a limb and gives way. Where
    the last part is one limb among several of its kind, the body ends at their hub.
    """
    distance = edge_distance(graph, np.array([source]))
    distance[~np.isfinite(distance)] = -1.0
    area = _vertex_areas(positions, body)
    basin = _basins(graph, distance)
    tips = np.unique(basin[distance >= 0])
    index = np.full(len(distance), -1)
    index[tips] = np.arange(len(tips))
    home = index[basin]
    pairs = graph.tocoo()
    apart = (home[pairs.row] != home[pairs.col]) & (pairs.row < pairs.col)
    u, v = pairs.row[apart], pairs.col[apart]
    saddle = np.minimum(distance[u], distance[v])
    order = np.argsort(-saddle, kind="stable")
    owner = np.arange(len(tips))

    def find(i: int) -> int:
        while owner[i] != i:
            owner[i] = owner[owner[i]]
            i = owner[i]
        return int(i)

    parts = {i: _Part(int(tips[i]), np.flatnonzero(home == i)) for i in range(len(tips))}
    for k in order:
        a, b = find(home[u[k]]), find(home[v[k]])
        if a == b:
            continue
        level = float(saddle[k])
        sizes = [parts[i].volume_above(distance, area, level) for i in (a, b)]
        if sizes[0] < sizes[1]:
            a, b = b, a
        owner[b] = a
        parts[a].take(parts.pop(b), level, max(sizes), min(sizes), distance, area)
    last = parts[find(int(home[source]))]
    return last.tip if last.hub is None else _hub_end(graph, distance, last)


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


def _vertex_areas(positions: Array, triangles: Ints) -> Array:
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    third = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6.0
    areas = np.zeros(len(positions))
    for k in range(3):
        areas += np.bincount(triangles[:, k], third, minlength=len(positions))
    return areas


def _basins(graph: csr_array, height: Array) -> Ints:
    """For each vertex the local maximum that steepest ascent leads to."""
    pairs = graph.tocoo()
    rise = height[pairs.col] - height[pairs.row]
    # of equal heights the greater number wins, so that plateaus have one top
    higher = (rise > 0) | ((rise == 0) & (pairs.col > pairs.row))
    row, column = pairs.row[higher], pairs.col[higher]
    order = np.lexsort((column, height[column], row))
    row, column = row[order], column[order]
    up = np.arange(len(height))
    up[row] = column
    while True:
        further = up[up]
        if np.array_equal(further, up):
            return up
        up = further


def flood(graph: csr_array, allowed: NDArray[np.bool_], start: int) -> Ints:
    """Vertices that edges lead to from a start through allowed vertices alone.

    Parameters
    ----------
    graph : (V, V) sparse array
    allowed : (V,) bool array
    start : int
        Allowed or not, it belongs to the answer.

    Returns
    -------
    (m,) int array
    """
    pairs = graph.tocoo()
    inside = allowed.copy()
    inside[start] = True
    keep = inside[pairs.row] & inside[pairs.col]
    size = graph.shape[0]
    links = coo_array((np.ones(keep.sum()), (pairs.row[keep], pairs.col[keep])), shape=(size, size))
    _, label = connected_components(links, directed=False)
    return np.flatnonzero((label == label[start]) & inside)

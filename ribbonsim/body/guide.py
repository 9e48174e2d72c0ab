"""The guide: the curve through the middle of the body that a rigger would draw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.field import body_surface, nearest_vertex
from ribbonsim.body.inside import Inside, inside_of
from ribbonsim.body.pieces import pieces_of
from ribbonsim.body.plane import laid_into_planes
from ribbonsim.body.skin_guide import GUIDE_POINTS, SkinGuide, skin_guide
from ribbonsim.body.trunk_guide import has_holes, same_guide, straighter, trunk_guide
from ribbonsim.body.which_end import which_end
from ribbonsim.curves.up import up_direction
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.contents import LARGEST_COORDINATE
from ribbonsim.mesh.creature import CreatureMesh

# a guide that spans less than this share of the creature has missed it
_SPANS = 0.6
# a guide whose end is farther than so many radii from the chosen vertex has not reached it
_REACHED = 2.0
# a chosen vertex within so many radii of the guide is on the wall of the body
_ON_WALL = 1.8
_END_PART = 0.05


@dataclass(frozen=True, eq=False)
class Guide:
    """A guide and what was understood on the way to it.

    Parameters
    ----------
    points : (n, 3) array
        Evenly spaced from root to tip, scene units.
    why_root : str
        Why the root is where it is.
    sure : bool
        Whether the shape alone says which end is the root.
    notes : tuple of str
        What else she should know, one sentence each.
    """

    points: Array
    why_root: str
    sure: bool = True
    notes: tuple[str, ...] = ()


def find_guide(
    mesh: CreatureMesh,
    root: int | ArrayLike | None = None,
    tip: int | ArrayLike | None = None,
    up: str = "y",
) -> Array:
    """Find the centreline of the body from root to tip.

    Parameters
    ----------
    mesh : CreatureMesh
    root, tip : int or (3,) array, optional
        A vertex (counted from 0) or a point, whose nearest vertex is taken. Without them the
        ends of the trunk are found: the thickest long way through the creature, which goes down
        no leg and ends where lobes part. The end that rests on the ground is the root, or the
        thin one. A vertex on the wall of the body, not at an end nor out on a limb, cuts the
        guide short there.
    up : {"x", "y", "z", "-x", "-y", "-z"}
        Which way is up.

    Returns
    -------
    (n, 3) array
        Points evenly spaced from root to tip, scene units.

    Raises
    ------
    RibbonsimError
        If the ends are not two vertices of the body, or no guide spans the creature.
    """
    return read_guide(mesh, root, tip, up).points.copy()


def read_guide(
    mesh: CreatureMesh,
    root: int | ArrayLike | None = None,
    tip: int | ArrayLike | None = None,
    up: str = "y",
) -> Guide:
    """Find the guide as :func:`find_guide`, with what was understood; once for each mesh and ends.

    On one clean piece the rings of the skin give the finer curve; where they disagree with the
    way through the solid they have gone down a leg, and the solid is believed.
    """
    ways = _READ.setdefault(mesh, {})
    asked = up, *(None if end is None else np.asarray(end).tobytes() for end in (root, tip))
    if asked not in ways:
        ways[asked] = _read(mesh, root, tip, up)
    return ways[asked]


_READ: WeakKeyDictionary[CreatureMesh, dict[tuple[object, ...], Guide]] = WeakKeyDictionary()


def _read(
    mesh: CreatureMesh, root: int | ArrayLike | None, tip: int | ArrayLike | None, up: str
) -> Guide:
    used = body_surface(mesh).used
    chosen = [None if end is None else _end_vertex(mesh, used, end) for end in (root, tip)]
    ends = chosen[0], chosen[1]
    if None not in ends and ends[0] == ends[1]:
        raise RibbonsimError(
            f"root and tip of {mesh.name} are one vertex ({ends[0]}, counted from 0): "
            "choose two ends of the body"
        )
    inside = inside_of(mesh)
    base, through_solid = _found(mesh, inside)
    notes = pieces_of(mesh).sentences()
    if ends == (None, None):
        guide = _turned(mesh, inside, base, up)
        _check_span(mesh, guide.points)
        return replace(guide, notes=tuple(notes))
    points = (
        _through_solid_to(mesh, inside, base.points, ends)
        if through_solid
        else skin_guide(mesh, ends).points
    )
    if not through_solid:
        points = _reaching(mesh, inside, points, base.points, ends)
    given = "as chosen" if ends[0] is not None else "at the end away from the chosen tip"
    return Guide(points, given, notes=tuple(notes))


_BETWEEN_FOUND_ENDS: WeakKeyDictionary[CreatureMesh, tuple[SkinGuide, bool]] = WeakKeyDictionary()


def _found(mesh: CreatureMesh, inside: Inside) -> tuple[SkinGuide, bool]:
    """The guide between ends that are found, and whether it is the one through the solid.

    Found once for each mesh.
    """
    if mesh not in _BETWEEN_FOUND_ENDS:
        guide, through_solid = _find(mesh, inside)
        line = laid_into_planes(mesh, guide.points)
        _BETWEEN_FOUND_ENDS[mesh] = replace(guide, points=line), through_solid
    return _BETWEEN_FOUND_ENDS[mesh]


def _find(mesh: CreatureMesh, inside: Inside) -> tuple[SkinGuide, bool]:
    trunk = trunk_guide(inside, (None, None), GUIDE_POINTS)
    skin, failed = None, None
    if len(pieces_of(mesh).body) == 1:
        try:
            skin = skin_guide(mesh, (None, None))
        except RibbonsimError as error:
            failed = error
    if trunk is None:
        if skin is None:
            raise failed or RibbonsimError(
                f"{mesh.name} encloses nothing that a ribbon could run in: it is a flat sheet"
            )
        return skin, False
    assert inside.solid is not None
    if skin is not None and has_holes(inside.solid):
        return skin, False
    if skin is not None and same_guide(inside, skin.points, trunk):
        return replace(skin, points=trunk) if straighter(skin.points, trunk) else skin, False
    return SkinGuide(trunk, *_vertices_at_ends(mesh, trunk)), True


def _vertices_at_ends(mesh: CreatureMesh, points: Array) -> tuple[int, int]:
    """Vertices of the body nearest to the first and the last third of a guide."""
    seat = cKDTree(points).query(mesh.positions[body_surface(mesh).used])[1]
    third = len(points) // 3
    return int((seat < third).sum()), int((seat >= len(points) - third).sum())


def _turned(mesh: CreatureMesh, inside: Inside, base: SkinGuide, up: str) -> Guide:
    """A guide turned so that it begins at the root."""
    way = up_direction(up)
    heights = mesh.positions[body_surface(mesh).used] @ way
    low, high = float(heights.min()), float(heights.max())
    ends = tuple(float(base.points[k] @ way) - low for k in (0, -1))
    found = which_end(
        (ends[0], ends[1]),
        high - low,
        _radii(inside, base.points),
        (base.start_vertices, base.end_vertices),
    )
    points = base.points[::-1].copy() if found.swapped else base.points
    return Guide(points, found.why, found.sure)


def _radii(inside: Inside, points: Array) -> Array:
    if inside.solid is None:
        return np.ones(len(points))
    return inside.solid.radii[inside.solid.tree.query(inside.to_own(points))[1]]


def _check_span(mesh: CreatureMesh, points: Array) -> None:
    """Refuse a guide that spans little of the creature along the creature's longest axis."""
    axis = inside_of(mesh).axes[:, 2]
    used = np.unique(mesh.triangles)
    share = float(np.ptp(points @ axis) / max(float(np.ptp(mesh.positions[used] @ axis)), 1e-300))
    if share < _SPANS:
        raise RibbonsimError(
            f"the guide found in {mesh.name} spans only {100 * share:.0f} % of the creature: name "
            "the ends of the body by --root and --tip (vertex numbers or points), or leave out "
            "parts that lie apart"
        )


def _reaching(
    mesh: CreatureMesh,
    inside: Inside,
    points: Array,
    base: Array,
    ends: tuple[int | None, int | None],
) -> Array:
    """A guide on the skin, unless one through the solid comes nearer to ends it does not reach."""
    if _misses(mesh, inside, points, ends) == 0:
        return points
    other = _through_solid_to(mesh, inside, base, ends)
    return (
        other
        if _misses(mesh, inside, other, ends) < _misses(mesh, inside, points, ends)
        else points
    )


def _misses(
    mesh: CreatureMesh, inside: Inside, points: Array, ends: tuple[int | None, int | None]
) -> int:
    radii = _radii(inside, points)
    count = 0
    for end, k in zip(ends, (0, -1), strict=True):
        if end is not None:
            away = float(np.linalg.norm(points[k] - mesh.positions[end]))
            count += away > _REACHED * radii[k] + _END_PART * _length(points)
    return count


def _length(points: Array) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def _through_solid_to(
    mesh: CreatureMesh, inside: Inside, base: Array, ends: tuple[int | None, int | None]
) -> Array:
    """Guide between chosen ends: a part of the found one, or a way of its own to a limb's tip."""
    radii = _radii(inside, base)
    shares: list[float | None] = []
    for end in ends:
        if end is None:
            shares.append(None)
            continue
        away = np.linalg.norm(base - mesh.positions[end], axis=1)
        k = int(np.argmin(away))
        near = away[k] <= _ON_WALL * radii[k] + 0.02 * _length(base)
        if not near:
            at = [None if one is None else mesh.positions[one] for one in ends]
            found = trunk_guide(inside, (at[0], at[1]), GUIDE_POINTS)
            return base if found is None else found
        share = k / (len(base) - 1)
        shares.append(0.0 if share < _END_PART else 1.0 if share > 1.0 - _END_PART else share)
    root, tip = shares
    root = (0.0 if tip is not None and tip > 0.5 else 1.0) if root is None else root
    tip = (0.0 if root > 0.5 else 1.0) if tip is None else tip
    if abs(root - tip) < _END_PART:
        raise RibbonsimError(
            f"root and tip of {mesh.name} are at one place along the body: "
            "choose them farther apart"
        )
    wanted = np.linspace(root, tip, GUIDE_POINTS)
    return np.asarray(CubicSpline(np.linspace(0.0, 1.0, len(base)), base)(wanted))


def _end_vertex(mesh: CreatureMesh, used: Ints, end: int | ArrayLike) -> int:
    """The vertex of the body that a chosen end means."""
    if isinstance(end, (int, np.integer)) and not isinstance(end, bool):
        if not 0 <= end < len(mesh.positions):
            raise RibbonsimError(
                f"vertex {end} (counted from 0) is not in {mesh.name}: "
                f"give 0 to {len(mesh.positions) - 1}"
            )
        if mesh.components[end] not in pieces_of(mesh).body:
            raise RibbonsimError(
                f"vertex {end} (counted from 0) of {mesh.name} is not on the body: choose another"
            )
        return int(mesh.welded[end])
    try:
        point = np.asarray(end, dtype=float)
    except (TypeError, ValueError):
        point = np.empty(0)
    if point.shape != (3,) or not (np.abs(point) <= LARGEST_COORDINATE).all():
        raise RibbonsimError(f"{end!r} is neither a vertex nor a point: give a number or x, y, z")
    return nearest_vertex(mesh.positions, used, point)

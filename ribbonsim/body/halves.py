"""Left and right of a solid: the plane that the thick part of a creature is alike across."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.solid import Solid

# skin of the thick part: of the balls with at least this share of the largest radius
_THICK = 0.55
# a plane holds if nineteen of twenty points find skin this near: share of extent, cells
_NEAR_EXTENT, _NEAR_CELLS = 0.012, 0.6
# the plane holds the long axis of a body this much longer than it is wide
_LONG = 1.3
_SAMPLE, _BALLS, _ROUNDS = 1000, 800, 24
# a guess that is turned by less than this cosine from a plane that holds would settle there
_SAME = 0.999
# a plane is brought near by every so manyth point; one that is then this many times too far off is
# given up
_FEW, _FAR = 4, 4.0
# a plane that is this many times too far off at first is not looked at further
_HOPELESS = 8.0


@dataclass(frozen=True, eq=False)
class Halves:
    """A plane that parts left from right.

    Parameters
    ----------
    normal : (3,) array
        Unit.
    offset : float
        ``normal @ point`` of the plane's points.
    residual : float
        95th percentile of how far a mirrored cell of the thick part is from the next, scene units.
    share : float
        Share of all cells that the plane holds for, limbs included.
    """

    normal: Array
    offset: float
    residual: float
    share: float


def find_halves(solid: Solid) -> list[Halves]:
    """Find the planes that the thick part of a creature is alike across, the best first.

    Legs that stand in a pose are not asked: each cell counts by its radius. Planes across the
    principal axes and across the scene's are tried, each moved to where the cells say.

    Returns
    -------
    list of Halves
        Empty if no plane holds; one plane may be there twice.
    """
    thick = _thick_skin(solid)
    points = solid.skin[thick]
    balls = solid.radii >= _THICK * solid.radii.max()
    middle = points.mean(axis=0)
    offsets = solid.centres[balls] - solid.centres[balls].mean(axis=0)
    spread, axes = np.linalg.eigh(offsets.T @ offsets / len(offsets))
    extent = float(np.ptp(solid.centres, axis=0).max())
    limit = max(_NEAR_EXTENT * extent, _NEAR_CELLS * solid.cell)
    long_axis = axes[:, 2] if spread[2] > _LONG**2 * spread[1] else None
    tree = cKDTree(solid.skin)
    found: list[tuple[float, Array, float]] = []
    for guess in [*axes.T, *np.eye(3)]:
        if long_axis is not None and abs(guess @ long_axis) > 0.3:
            continue
        if any(abs(guess @ n) > _SAME and abs(n @ middle - o) < limit for _, n, o in found):
            continue
        gaps = _gaps(points, solid, tree, guess, float(guess @ middle))[0]
        if np.median(np.abs(gaps)) > _HOPELESS * limit:
            continue
        normal, offset = _settled(points, solid, tree, guess, float(guess @ middle), limit)
        gaps = _gaps(points, solid, tree, normal, offset)[0]
        residual = float(np.percentile(np.abs(gaps), 95))
        if residual < limit:
            found.append((residual, normal, offset))
    every = solid.skin[:: max(1, len(solid.skin) // _SAMPLE)]
    shares = [
        float(np.mean(np.linalg.norm(_gaps(every, solid, tree, n, o)[1], axis=1) < 2 * solid.cell))
        for _, n, o in found
    ]
    order = sorted(range(len(found)), key=lambda k: (-round(20 * shares[k]), found[k][0]))
    halves = []
    for k in order:
        residual, normal, offset = found[k]
        side = np.sign(normal[np.argmax(np.abs(normal))])
        halves.append(Halves(side * normal, float(side * offset), residual, shares[k]))
    return halves


def _thick_skin(solid: Solid) -> Ints:
    """Points of the skin that a large ball inside touches: of the trunk, not of limbs."""
    chosen = np.arange(0, len(solid.skin), max(1, len(solid.skin) // (2 * _SAMPLE)))
    balls = np.flatnonzero(solid.radii >= _THICK * solid.radii.max())
    balls = balls[:: max(1, len(balls) // _BALLS)]
    reach = np.full(len(chosen), np.inf)
    for part in np.array_split(balls, max(1, len(balls) // 100)):
        gap = cdist(solid.skin[chosen], solid.centres[part])
        reach = np.minimum(reach, (gap - solid.radii[part]).min(axis=1))
    return chosen[reach <= 1.5 * solid.cell]


def _gaps(
    points: Array, solid: Solid, tree: cKDTree, normal: Array, offset: float
) -> tuple[Array, Array, Array]:
    """Signed distances of mirrored points from the skin, the ways there, and its normals."""
    mirrored = points - 2.0 * (points @ normal - offset)[:, None] * normal
    _, partner = tree.query(mirrored)
    way = mirrored - solid.skin[partner]
    there = solid.skin_normals[partner]
    return np.sum(way * there, axis=1), way, there


def _settled(
    points: Array, solid: Solid, tree: cKDTree, normal: Array, offset: float, limit: float
) -> tuple[Array, float]:
    """Turn and shift a plane until mirrored points lie on the skin, by least squares.

    Few points bring it near, or show that it comes near nothing; all points settle it.
    """
    few = points[::_FEW]
    for _ in range(_ROUNDS):
        normal, offset, step = _nearer(few, solid, tree, normal, offset)
        if np.abs(step[:2]).max() < 1e-3 and abs(step[2]) < 0.1 * limit:
            break
    gaps = _gaps(few, solid, tree, normal, offset)[0]
    if np.percentile(np.abs(gaps), 95) > _FAR * limit:
        return normal, offset
    for _ in range(_ROUNDS):
        normal, offset, step = _nearer(points, solid, tree, normal, offset)
        # until nothing moves: a guide in the plane must not hang on where the turning stopped
        if np.abs(step).max() < 1e-13:
            break
    return normal, offset


def _nearer(
    points: Array, solid: Solid, tree: cKDTree, normal: Array, offset: float
) -> tuple[Array, float, Array]:
    """One step of settling: the plane, and by how much it was turned, twice, and shifted."""
    gap, way, there = _gaps(points, solid, tree, normal, offset)
    distance = np.linalg.norm(way, axis=1)
    near = distance <= np.percentile(distance, 90)
    one = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    one /= np.linalg.norm(one)
    two = np.cross(normal, one)
    height = points @ normal - offset
    straight = there @ normal
    columns = np.stack(
        [
            *(-2.0 * ((points @ d) * straight + height * (there @ d)) for d in (one, two)),
            2.0 * straight,
        ],
        axis=1,
    )
    step = np.linalg.lstsq(columns[near], -gap[near], rcond=1e-6)[0]
    turned = normal + step[0] * one + step[1] * two
    size = float(np.linalg.norm(turned))
    return turned / size, float((offset + step[2]) / size), step

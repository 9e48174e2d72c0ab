"""Contacts: where a skin crosses itself, by exact predicates."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.errors import RibbonsimError


def crossing_pairs(positions: ArrayLike, triangles: Ints) -> Ints:
    """Find the pairs of triangles that cross or touch.

    Two triangles that share an edge count if they lie folded onto each other, to within
    1e-8 of the angle; two that share a corner if they meet anywhere else as well. Triangles
    that share nothing are judged exactly.

    Parameters
    ----------
    positions : (V, 3) array
        Scene units.
    triangles : (T, 3) int array

    Returns
    -------
    (c, 2) int array
        Indices of triangles, the smaller first, in rising order.

    References
    ----------
    A. Jacobson, D. Panozzo and others, *libigl*, https://libigl.github.io, whose tests are
    the exact orientation predicates of J. R. Shewchuk, "Adaptive precision floating-point
    arithmetic and fast robust geometric predicates", Discrete & Computational Geometry
    18(3), 1997.
    """
    found = _intersections(positions, triangles)[1]
    pairs = np.sort(found.reshape(-1, 2), axis=1)
    return pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]


def crosses_itself(positions: ArrayLike, triangles: Ints) -> bool:
    """Whether there are any pairs of :func:`crossing_pairs`."""
    return _intersections(positions, triangles, first_only=True)[0]


def _intersections(
    positions: ArrayLike, triangles: Ints, first_only: bool = False
) -> tuple[bool, Ints]:
    try:
        from igl import predicates
    except ImportError as error:
        raise RibbonsimError(
            "contacts are found by libigl, which is not installed: pip install libigl"
        ) from error
    points = np.ascontiguousarray(positions, dtype=np.float64)
    corners = np.ascontiguousarray(triangles, dtype=np.int64)
    if not len(corners):
        return False, np.zeros((0, 2), dtype=np.int64)
    any_, found, _ = predicates.find_self_intersections(points, corners, first_only)
    return bool(any_), found


def new_pairs(pairs: Ints, known: Ints, count: int) -> Ints:
    """Those pairs of triangles, counted ``count`` in all, that are not among the known."""
    if not len(known):
        return pairs
    keys, old = (table[:, 0] * count + table[:, 1] for table in (pairs, known))
    old = np.sort(old)
    place = np.minimum(np.searchsorted(old, keys), len(old) - 1)
    return pairs[old[place] != keys]


@dataclass(frozen=True, eq=False)
class RestCrossings:
    """Where skin crosses itself at rest, as where a leg is plunged into a body.

    Posed, such a seam slides over the skin and lies among other triangles than before: that is
    no contact. Farther from it the same two pieces may meet as any others may.

    Parameters
    ----------
    corners : (T, 3, 3) array
        Of the triangles at rest, scene units.
    pieces : (T,) int array
        Which connected piece of the mesh each triangle belongs to.
    pairs : (c, 2) int array
        Triangles that cross at rest.
    """

    corners: Array
    pieces: Ints
    pairs: Ints

    def hold(self, pairs: Ints, slide: Array) -> Flags:
        """(m,) whether pairs of triangles are a seam of the rest that slid no farther than that.

        ``slide`` is (m,), scene units: each of the two triangles may lie so far, and a triangle
        more, from where its piece crosses the other's at rest.
        """
        near = np.ones(len(pairs), dtype=bool)
        reach = slide + self._sizes[pairs].sum(axis=1)
        most = float(reach.max())
        for one, other in (pairs.T, pairs.T[::-1]):
            # a triangle crosses many, mostly of one piece: each is looked up once
            seats, back = np.unique(
                np.stack([one, self.pieces[other]]), axis=1, return_inverse=True
            )
            away, _ = self._seams.query(self._places(*seats), distance_upper_bound=most)
            near &= away[back.ravel()] <= reach
        return near

    @cached_property
    def _seams(self) -> cKDTree:
        crossed = np.concatenate([self.pairs, self.pairs[:, ::-1]])
        seats = np.unique(np.stack([crossed[:, 0], self.pieces[crossed[:, 1]]]), axis=1)
        return cKDTree(self._places(*seats))

    @cached_property
    def _centres(self) -> Array:
        centres: Array = self.corners.mean(axis=1)
        return centres

    @cached_property
    def _sizes(self) -> Array:
        """(T,) from the centre of each triangle to its farthest corner."""
        sizes: Array = np.linalg.norm(self.corners - self._centres[:, None], axis=2).max(axis=1)
        return sizes

    def _places(self, triangles: Ints, against: Ints) -> Array:
        """(m, 5) where triangles are; of or against another piece is farther than any slides."""
        apart = 4.0 * float(np.ptp(self._centres, axis=0).max(initial=1e-300))
        pieces = np.stack([self.pieces[triangles], against], axis=1)
        return np.hstack([self._centres[triangles], apart * pieces])

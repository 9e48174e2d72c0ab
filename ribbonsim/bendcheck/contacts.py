"""Contacts: where a skin crosses itself, by exact predicates."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Ints
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

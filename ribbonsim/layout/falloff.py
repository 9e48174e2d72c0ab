"""From distance to weight: kernels, partition of unity, limiting, pruning, smoothing.

Distances are counted in *reaches*: ``r = 0`` at a joint, ``r = 1`` where its reach ends.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator
from scipy.sparse import csr_array, diags_array

from ribbonsim.arrays import Array

DEFAULT_EXPONENT = 2.0


def wendland_c2(r: ArrayLike) -> Array:
    """Wendland's compact kernel with two continuous derivatives, ``(1 - r)^4 (4 r + 1)``.

    Parameters
    ----------
    r : (...) array
        Distance over reach, 0 or more.

    Returns
    -------
    (...) array
        1 at 0, 0 from 1 on.

    References
    ----------
    H. Wendland, "Piecewise polynomial, positive definite and compactly supported radial
    functions of minimal degree", Advances in Computational Mathematics 4, 1995.

    Examples
    --------
    >>> wendland_c2([0.0, 0.5, 1.0]).tolist()
    [1.0, 0.1875, 0.0]
    """
    inside = np.minimum(np.asarray(r, dtype=float), 1.0)
    square = (1.0 - inside) ** 2  # a fourth power in one step takes ten times as long
    return square * square * (4.0 * inside + 1.0)


def gaussian(r: ArrayLike) -> Array:
    """Gaussian whose third standard deviation is the reach, ``exp(-9 r^2 / 2)``.

    Parameters
    ----------
    r : (...) array
        Distance over reach.

    Returns
    -------
    (...) array
        1 at 0, about 0.011 at 1, never 0 within the range of floats used here.
    """
    return np.exp(-4.5 * np.asarray(r, dtype=float) ** 2)


def linear(r: ArrayLike) -> Array:
    """Linear hat, ``1 - r`` down to 0.

    Parameters
    ----------
    r : (...) array
        Distance over reach.
    """
    return np.maximum(1.0 - np.asarray(r, dtype=float), 0.0)


def inverse_distance(r: ArrayLike, exponent: float = DEFAULT_EXPONENT) -> Array:
    """Inverse distance, ``r^-exponent``, scaled so that rows stay finite.

    Each row is multiplied by its smallest ``r^exponent``, which a partition of unity does
    not see: the nearest joint then counts 1, also where the distance is 0.

    Parameters
    ----------
    r : (..., n) array
        Distance over reach to each of n joints.
    exponent : float
        Above 0.

    References
    ----------
    D. Shepard, "A two-dimensional interpolation function for irregularly-spaced data",
    Proceedings of the 23rd ACM National Conference, 1968.
    """
    distance = np.maximum(np.asarray(r, dtype=float), 1e-150)
    nearest = distance.min(axis=-1, keepdims=True)
    return (nearest / distance) ** exponent


KERNELS: dict[str, Callable[..., Array]] = {
    "wendland_c2": wendland_c2,
    "gaussian": gaussian,
    "inverse_distance": inverse_distance,
    "linear": linear,
}


def kernel_values(name: str, r: ArrayLike, exponent: float = DEFAULT_EXPONENT) -> Array:
    """Evaluate a kernel by its name.

    Parameters
    ----------
    name : {"wendland_c2", "gaussian", "inverse_distance", "linear"}
    r : (..., n) array
        Distance over reach.
    exponent : float
        Used by ``inverse_distance`` alone.
    """
    if name == "inverse_distance":
        return inverse_distance(r, exponent)
    return KERNELS[name](r)


def partition_of_unity(values: ArrayLike, distances: ArrayLike) -> Array:
    """Divide each row by its sum; a row that nothing reaches goes to its nearest joint.

    Parameters
    ----------
    values : (m, n) array
        Kernel values, 0 or more.
    distances : (m, n) array
        Decides where a row is empty; the smallest wins.

    Returns
    -------
    (m, n) array
        Rows sum to one.
    """
    weights = np.array(values, dtype=float)
    total = weights.sum(axis=1, keepdims=True)
    empty = total[:, 0] < 1e-300
    if empty.any():
        nearest = np.argmin(np.asarray(distances)[empty], axis=1)
        weights[empty] = 0.0
        weights[np.flatnonzero(empty), nearest] = 1.0
        total[empty] = 1.0
    return weights / total


def limit_influences(weights: ArrayLike, influences: int) -> Array:
    """Keep at most so many weights a row, without a step where one drops out.

    The largest weight that must go is taken off all that stay, so a joint reaches zero
    before another takes its seat.

    Parameters
    ----------
    weights : (m, n) array
        Rows sum to one.
    influences : int
        At least 1.

    Returns
    -------
    (m, n) array
        Rows sum to one, at most ``influences`` entries above zero.
    """
    table = np.array(weights, dtype=float)
    if influences >= table.shape[1]:
        return table
    busy = np.count_nonzero(table, axis=1) > influences
    if not busy.any():
        return table
    rows = table[busy]
    order = np.argpartition(-rows, influences, axis=1)
    threshold = np.take_along_axis(rows, order[:, [influences]], axis=1)
    kept = np.maximum(rows - threshold, 0.0)
    total = kept.sum(axis=1, keepdims=True)
    # an exact tie between too many joints leaves nothing: then the first of them share
    tied = total[:, 0] <= 1e-12
    if tied.any():
        seats = np.argsort(-rows[tied], axis=1, kind="stable")[:, :influences]
        kept[np.flatnonzero(tied)[:, None], seats] = 1.0 / influences
        total[tied] = 1.0
    table[busy] = kept / total
    return table


def prune(weights: ArrayLike, threshold: float) -> Array:
    """Take off weights below a threshold, without a step.

    Parameters
    ----------
    weights : (m, n) array
        Rows sum to one.
    threshold : float
        0 keeps all. A weight of ``threshold`` or less becomes 0, one of twice that or more
        stays, and between the two it grows steadily. In a row of small weights half of the
        largest is the threshold.

    Returns
    -------
    (m, n) array
        Rows sum to one.
    """
    table = np.array(weights, dtype=float)
    if threshold <= 0:
        return table
    # never more than half of a row's largest, which therefore always stays
    floor = np.minimum(threshold, 0.5 * table.max(axis=1, keepdims=True))
    kept = np.clip(2.0 * (table - floor), 0.0, table)
    return kept / kept.sum(axis=1, keepdims=True)


def smooth(weights: ArrayLike, edges: NDArray[np.int64], rounds: int) -> Array:
    """Average weights over the edges of the mesh.

    Parameters
    ----------
    weights : (m, n) array
        Rows sum to one.
    edges : (e, 2) int array
        Pairs of rows that are neighbours.
    rounds : int
        Each round moves a row half-way to the mean of its neighbours.

    Returns
    -------
    (m, n) array
        Rows sum to one.
    """
    table = np.array(weights, dtype=float)
    if rounds <= 0 or not len(edges):
        return table
    size = len(table)
    ones = np.ones(len(edges))
    one_way = csr_array((ones, (edges[:, 0], edges[:, 1])), shape=(size, size))
    neighbours = one_way + one_way.T
    degree = np.asarray(neighbours.sum(axis=1)).ravel()
    lonely = degree == 0
    mean = diags_array(1.0 / np.where(lonely, 1.0, degree)) @ neighbours
    for _ in range(rounds):
        table = 0.5 * table + 0.5 * np.where(lonely[:, None], table, mean @ table)
    return table / table.sum(axis=1, keepdims=True)


def order_coordinate(s: ArrayLike, nodes: ArrayLike) -> Array:
    """Measure places along a line by the order of its nodes: 0 at the first, 1 at the second.

    Between nodes the measure is smooth and rising (monotone cubic interpolation), so that
    "two neighbours away" means the same where nodes are dense and where they are sparse.
    Outside the nodes it goes on in a straight line.

    Parameters
    ----------
    s : (...) array
        Places, scene units or a parameter.
    nodes : (n,) array
        Rising places of the nodes.

    References
    ----------
    F. N. Fritsch, J. Butland, "A method for constructing local monotone piecewise cubic
    interpolants", SIAM Journal on Scientific and Statistical Computing 5(2), 1984.
    """
    places, stand = np.asarray(s, dtype=float), np.asarray(nodes, dtype=float)
    if len(stand) == 1:
        return np.zeros_like(places)
    index = np.arange(len(stand), dtype=float)
    held = np.clip(places, stand[0], stand[-1])
    if len(stand) == 2:
        inside = (held - stand[0]) / (stand[1] - stand[0])
        slopes = np.full(2, 1.0 / (stand[1] - stand[0]))
    else:
        gaps = np.diff(stand)
        rises = PchipInterpolator(stand, index).derivative()(stand)
        # beside a short gap the monotone rule may lay a long end gap flat
        rises[[0, -1]] = np.maximum(rises[[0, -1]], 0.5 / gaps[[0, -1]])
        inside, slopes = CubicHermiteSpline(stand, index, rises)(held), rises[[0, -1]]
    before = np.minimum(places - stand[0], 0.0) * slopes[0]
    after = np.maximum(places - stand[-1], 0.0) * slopes[-1]
    return inside + before + after

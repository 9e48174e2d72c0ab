"""Places along a ribbon through a solid: for bodies whose skin is several pieces."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, reverse_cuthill_mckee
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.body.field import flood, harmonic_values
from ribbonsim.body.solid import Solid, symmetric

# cells in three dimensions fill a factor sooner than the vertices of a skin do
_DIRECT = 100_000
# a vertex looks for its cell this many cells below the skin
_BELOW = 0.7


def solid_places(
    solid: Solid, points: Array, normals: Array, midline: Array, outward: tuple[Array, Array]
) -> Array:
    """Find the place along a midline of points of the skin, through the solid.

    A field between the midline's ends is harmonic in the solid: it hardly changes along a limb,
    and does not pass from one turn of the body to the next. Along the midline it says which
    value has which place.

    Parameters
    ----------
    points, normals : (V, 3) arrays
        Of the skin.
    midline : (n, 3) array
        Evenly spaced from root to tip.
    outward : pair of (3,) arrays
        Directions out of the body at root and tip.

    Returns
    -------
    (V,) array
        0 at the root to 1 at the tip, by length.
    """
    field, known = _field(solid, midline, outward)
    slopes = _slopes(solid, field, known)
    cells = np.flatnonzero(known)
    tree = solid.tree if known.all() else cKDTree(solid.centres[cells])

    def nearest(at: Array) -> Ints:
        return cells[tree.query(at)[1]]

    def value(at: Array, look: Array) -> Array:
        cell = nearest(look)
        return field[cell] + np.sum(slopes[cell] * (at - solid.centres[cell]), axis=1)

    along = np.maximum.accumulate(np.clip(value(midline, midline), 0.0, 1.0))
    shares = np.linspace(0.0, 1.0, len(midline))
    rises = np.r_[True, np.diff(along) > 1e-9]
    levels, places = along[rises], shares[rises]
    curve = PchipInterpolator(levels, places, extrapolate=False)
    found = value(points, points - _BELOW * solid.cell * normals)
    return np.clip(curve(np.clip(found, levels[0], levels[-1])), 0.0, 1.0)


def _field(solid: Solid, midline: Array, outward: tuple[Array, Array]) -> tuple[Array, Flags]:
    """Harmonic field over the cells that hang together with the midline, and which those are."""
    ends = np.full(len(solid.centres), -1, dtype=np.int64)
    for value, at, way in ((0, midline[0], outward[0]), (1, midline[-1], outward[1])):
        start = int(solid.tree.query(at)[1])
        beyond = (solid.centres - at) @ way >= 0.0
        ends[flood(solid.graph, beyond & (ends < 0), start)] = value
    _, label = connected_components(solid.graph, directed=False)
    known = label == label[int(solid.tree.query(midline[len(midline) // 2])[1])]
    among = np.flatnonzero(known)
    graph = _sparest(solid)[among][:, among].tocoo()
    weights = csr_array(coo_array((1.0 / graph.data**2, (graph.row, graph.col)), shape=graph.shape))
    total = np.asarray(weights.sum(axis=1)).ravel()
    index = np.arange(len(among))
    operator = (coo_array((total, (index, index)), shape=graph.shape).tocsr() - weights).tocsr()
    field = np.zeros(len(solid.centres))
    order = reverse_cuthill_mckee(operator, symmetric_mode=True)
    field[among[order]] = harmonic_values(operator[order][:, order], ends[among[order]], _DIRECT)
    return field, known


def _sparest(solid: Solid) -> csr_array:
    """The links along the grid's axes, and of the others those that alone hold cells together.

    Seven neighbours say as much of a harmonic field as twenty-seven, and are solved far sooner.
    """
    steps = solid.centres[solid.links[:, 0]] - solid.centres[solid.links[:, 1]]
    straight = np.linalg.norm(steps, axis=1) < 1.01 * solid.cell
    size = len(solid.centres)
    along = solid.links[straight]
    joined = coo_array((np.ones(len(along)), (along[:, 0], along[:, 1])), shape=(size, size))
    _, label = connected_components(joined, directed=False)
    kept = straight | (label[solid.links[:, 0]] != label[solid.links[:, 1]])
    return symmetric(solid.links[kept], np.linalg.norm(steps[kept], axis=1), size)


def _slopes(solid: Solid, field: Array, known: Flags) -> Array:
    """Gradient of a field at each cell, by least squares over the cells linked to it."""
    i, j = solid.links[known[solid.links].all(axis=1)].T
    i, j = np.r_[i, j], np.r_[j, i]
    step, rise = solid.centres[j] - solid.centres[i], field[j] - field[i]
    size = len(solid.centres)
    matrix, right = np.zeros((size, 3, 3)), np.zeros((size, 3))
    for a in range(3):
        right[:, a] = np.bincount(i, step[:, a] * rise, minlength=size)
        for b in range(3):
            matrix[:, a, b] = np.bincount(i, step[:, a] * step[:, b], minlength=size)
    # where cells lie in a plane or a row the slope across is none
    matrix += 1e-3 * solid.cell**2 * np.eye(3)
    slopes: Array = np.linalg.solve(matrix, right[..., None])[..., 0].astype(float)
    return slopes

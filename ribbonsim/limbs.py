"""Limbs: what of the skin belongs to an appendage, and how far out along it each vertex is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from ribbonsim.appendages import Appendage
from ribbonsim.errors import RibbonsimError
from ribbonsim.field import edge_graph
from ribbonsim.guide import body_field, even_rings, flood
from ribbonsim.place import beyond_end, end_plane, lengths_of_field
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LIMB_RINGS = 48
# where places along the parent rise by less than this for each unit of way, a limb has begun
_FLAT = 0.5
_AT_END = 1e-6


@dataclass(frozen=True, eq=False)
class Limb:
    """The skin of an appendage.

    Parameters
    ----------
    vertices : (m,) int array
        Rising.
    places : (m,) array
        Arc length along the appendage's ribbon, 0 at the base, scene units.
    base : (b,) int array
        Vertices of the ring where it leaves what carries it.
    triangles : (t, 3) int array
        All three corners in it.
    """

    vertices: Ints
    places: Array
    base: Ints
    triangles: Ints


def flat_places(positions: Array, triangles: Ints, places: Array, length: float) -> Flags:
    """Vertices where the place along a body hardly changes over the skin.

    A harmonic field is flat on a dead end, so these are the limbs; the body's two ends, held
    at one value, are left out.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
    places : (V,) array
        Arc length along the body.
    length : float
        Of the body's ribbon.

    Returns
    -------
    (V,) bool array
    """
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    double = np.maximum(np.linalg.norm(normal, axis=1), 1e-300)
    normal /= double[:, None]
    f, g, h = (places[triangles[:, k], None] for k in range(3))
    slope = np.cross(normal, f * (c - b) + g * (a - c) + h * (b - a)) / double[:, None]
    steepness = np.linalg.norm(slope, axis=1)
    weighted, area = np.zeros(len(positions)), np.zeros(len(positions))
    for corner in range(3):
        column = triangles[:, corner]
        weighted += np.bincount(column, steepness * double, minlength=len(positions))
        area += np.bincount(column, double, minlength=len(positions))
    inner = (places > _AT_END * length) & (places < (1.0 - _AT_END) * length)
    return (area > 0) & (weighted < _FLAT * area) & inner


def skin_of(graph: csr_array, triangles: Ints, flat: Flags, vertex: int) -> tuple[Ints, Ints, Ints]:
    """The limb that a vertex is on.

    Parameters
    ----------
    graph : (V, V) sparse array
        Edges of what the limb grows from, the limb included.
    triangles : (T, 3) int array
    flat : (V,) bool array
        From :func:`flat_places`.
    vertex : int

    Returns
    -------
    vertices : (m,) int array
    base : (b,) int array
        Those with a neighbour that is not on the limb.
    triangles : (t, 3) int array
    """
    vertices = flood(graph, flat, vertex)
    inside = np.zeros(graph.shape[0], dtype=bool)
    inside[vertices] = True
    leaves = graph[vertices] @ (~inside).astype(float) > 0
    return vertices, vertices[leaves], triangles[inside[triangles].all(axis=1)]


def find_limb(
    positions: Array, triangles: Ints, places: Array, length: float, appendage: Appendage
) -> Limb:
    """Find the skin of an appendage and its places along the appendage's ribbon.

    The limb is the dead end of the field of places that the ribbon's tip is on. A harmonic
    field from its base to its tip is turned into arc length as on the body.

    Parameters
    ----------
    positions : (V, 3) array
    triangles : (T, 3) int array
        Skin of the ribbon that carries it, all limbs included.
    places : (V,) array
        Arc length along the ribbon that carries it.
    length : float
        Length of that ribbon.
    appendage : Appendage

    Returns
    -------
    Limb

    Raises
    ------
    RibbonsimError
        If the ribbon's tip is not on a limb.
    """
    ribbon = appendage.layout.ribbon
    flat = flat_places(positions, triangles, places, length)
    end = np.asarray(ribbon.midline(1.0))
    flats = np.flatnonzero(flat)
    if not len(flats):
        raise RibbonsimError(
            f"the tip of {appendage.name!r} is not on a limb of {appendage.rides_on!r}: "
            "choose a tip that stands out from it"
        )
    nearest = int(flats[np.argmin(np.linalg.norm(positions[flats] - end, axis=1))])
    graph = edge_graph(positions, triangles)
    vertices, base, skin = skin_of(graph, triangles, flat, nearest)
    if len(base) < 3 or len(skin) < 8 or len(base) == len(vertices):
        raise RibbonsimError(
            f"the limb that the tip of {appendage.name!r} is on has too few faces: "
            "choose another tip or refine the limb"
        )
    field = limb_field(positions, skin, base, ribbon)
    rings = even_rings(positions, skin, field, LIMB_RINGS)
    return Limb(vertices, lengths_of_field(field[vertices], rings, ribbon), base, skin)


def limb_field(positions: Array, skin: Ints, base: Ints, ribbon: Ribbon) -> Array:
    """Harmonic field over a limb, 0 at its base and 1 past its ribbon's tip.

    Parameters
    ----------
    positions : (V, 3) array
    skin : (t, 3) int array
    base : (b,) int array
    ribbon : Ribbon

    Returns
    -------
    (V,) array
    """
    used = np.unique(skin)
    tip = beyond_end(positions, used, edge_graph(positions, skin), *end_plane(ribbon, 1.0))
    return body_field(positions, skin, np.intersect1d(base, used), tip)


def base_share(limb: Limb, blend: float, size: int) -> Array:
    """How much of each vertex an appendage has taken over.

    Rises smoothly from 0 at the base to 1 at ``blend`` out along the limb.

    Parameters
    ----------
    limb : Limb
    blend : float
        Scene units.
    size : int
        Number of vertices of the mesh.

    Returns
    -------
    (size,) array
        0 off the limb.
    """
    share = np.zeros(size)
    x = np.clip(limb.places / max(blend, 1e-300), 0.0, 1.0)
    share[limb.vertices] = x * x * (3.0 - 2.0 * x)
    return share

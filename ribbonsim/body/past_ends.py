"""Places past a ribbon's ends: on to where the ribbon would come out of the skin."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.body.field import body_field, nearest_vertex
from ribbonsim.body.place import end_plane
from ribbonsim.body.skin_guide import exit_distance
from ribbonsim.curves.ribbon import Ribbon

# only the skin at a ribbon's very end holds its value to rounding; limbs near it come close
_AT_END = 1e-9
# with fewer faces past an end there is no limb among them
_FEWEST_FACES = 24
# the skin about the place where the ribbon comes out, as a share of the way there from the end
_POLE = 0.5
# how much of a ribbon, on both sides of a place, says how thick the body is before its end
_BEFORE = 0.04
# skin past an end that reaches so many radii is no face of a blunt end
DEEP = 2.0


def past_ends(
    positions: Array, triangles: Ints, graph: csr_array, places: Array, ribbon: Ribbon
) -> tuple[Array, Flags, Flags]:
    """Let places go on past the ends of a ribbon, where they would all be one.

    Without it no limb that grows there, a lobe of a tail fin, could be told from the end.

    Returns
    -------
    places : (V,) array
        Below 0 and above the ribbon's length past its ends.
    past : (V,) bool array
        Skin past an end.
    ends : (V,) bool array
        Of that the face of a blunt end, or the skin about the place where the ribbon comes out.
    """
    longer, length = places.copy(), ribbon.length
    low, high = places <= _AT_END * length, places >= (1.0 - _AT_END) * length
    ends = low | high
    for t, past in ((0.0, low), (1.0, high)):
        cap = triangles[past[triangles].all(axis=1)]
        if not len(cap):
            continue
        members = np.unique(cap)
        origin, outward = end_plane(ribbon, t)
        out = _exit(positions, cap, members, origin, outward)
        blunt = DEEP * _thickness(positions, places, ribbon, t)
        _, label = connected_components(graph[members][:, members], directed=False)
        for number in range(int(label.max()) + 1):
            part = members[label == number]
            inside = np.zeros(len(places), dtype=bool)
            inside[part] = True
            rim = graph[part] @ (~inside).astype(float) > 0
            mine = cap[inside[cap[:, 0]]]
            if len(mine) < _FEWEST_FACES or not rim.any():
                continue
            rise, pole = _rise(positions, mine, part, graph, rim, out)
            if len(pole) or np.linalg.norm(positions[part] - origin, axis=1).max() > blunt:
                longer[part] += (2.0 * t - 1.0) * rise
                ends[part] = False
                ends[pole] = True
    return longer, low | high, ends


def _rise(
    positions: Array, cap: Ints, part: Ints, graph: csr_array, rim: Flags, out: int
) -> tuple[Array, Ints]:
    """Rise of places over a part of the skin past an end, and the vertices where it is greatest.

    None, where the ribbon does not come out of it, or comes out at its very rim.
    """
    within = graph[part][:, part]
    at = int(np.searchsorted(part, out))
    if at < len(part) and part[at] == out:
        away = dijkstra(within, indices=at)
        way = float(away[rim].min())
        pole = away <= _POLE * way
        if not (pole & rim).any():
            field = body_field(positions, cap, part[rim], part[pole])
            return (1.0 - _POLE) * way * field[part], part[pole]
    return np.zeros(len(part)), np.empty(0, dtype=np.int64)


def _thickness(positions: Array, places: Array, ribbon: Ribbon, t: float) -> float:
    """Distance from a ribbon to the skin just before its end, limbs not counted."""
    share = places / ribbon.length
    near = np.abs(share - (1.0 - _BEFORE) if t > 0.5 else share - _BEFORE) < _BEFORE * (1.0 - 1e-6)
    if not near.any():
        return 0.0
    line = ribbon.midline(np.linspace(t, 1.0 - 3.0 * _BEFORE if t > 0.5 else 3.0 * _BEFORE, 20))
    return float(np.quantile(cKDTree(line).query(positions[near])[0], 0.25))


def rms_radius(points: Array) -> float:
    """Root mean square distance of points from their middle."""
    return float(np.sqrt(np.mean(np.sum((points - points.mean(axis=0)) ** 2, axis=1))))


def _exit(positions: Array, cap: Ints, members: Ints, origin: Array, outward: Array) -> int:
    """Vertex where a ribbon that goes straight on first comes out of the skin past its end."""
    ahead = exit_distance(positions, cap, origin, outward)
    if np.isfinite(ahead):
        return nearest_vertex(positions, members, origin + ahead * outward)
    # the skin is open here: what lies nearest to the line
    along = (positions[members] - origin) @ outward
    off = np.linalg.norm(positions[members] - origin - along[:, None] * outward, axis=1)
    return int(members[np.argmin(off)])

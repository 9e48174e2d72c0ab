"""Loops of edges round a mesh, and their centres."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.topology import straight_on


def edge_loop(mesh: CreatureMesh, edge: tuple[int, int]) -> Ints:
    """Follow a closed loop of edges round the mesh.

    From the edge's second vertex the loop goes straight on: where four polygons meet, to the edge
    across, which shares no polygon with the one it came along. A loop that starts on the boundary
    of a hole follows the boundary.

    Parameters
    ----------
    mesh : CreatureMesh
        The mesh.
    edge : (int, int)
        Two vertices that share an edge, counted from 0.

    Returns
    -------
    (n,) int array
        Vertices in order, beginning with the edge's two; the last is joined to the first.

    Raises
    ------
    RibbonsimError
        If the two vertices share no edge, or if the loop ends at a boundary or at a vertex where
        there is no straight on, or crosses itself.
    """
    start, following = int(edge[0]), int(edge[1])
    where = mesh.source or f"mesh {mesh.name!r}"
    in_range = min(start, following) >= 0 and max(start, following) < len(mesh.positions)
    fans = mesh.fans
    if not in_range or not any(following in pair for pair in fans.sides(start)):
        raise RibbonsimError(
            f"{where}: vertices {start} and {following} (counted from 0) share no edge; name two "
            "neighbours along the loop."
        )
    loop = [start, following]
    seen = {following}
    while True:
        ahead = straight_on(fans, loop[-2], loop[-1])
        if ahead == following and loop[-1] == start:
            return np.array(loop[:-1], dtype=np.int64)
        if ahead is None or ahead in seen:
            what = f"ends at vertex {loop[-1]}" if ahead is None else f"crosses itself at {ahead}"
            raise RibbonsimError(
                f"{where}: the edge loop from vertices {start} and {following} (counted from 0) "
                f"{what} and does not close; choose an edge that runs round the body."
            )
        loop.append(ahead)
        seen.add(ahead)


def loop_centre(mesh: CreatureMesh, loop: ArrayLike) -> Array:
    """Centre of a closed loop of vertices, each edge counting by its length.

    Parameters
    ----------
    mesh : CreatureMesh
        The mesh.
    loop : (n,) int array-like
        Vertices in order, as `edge_loop` gives them.

    Returns
    -------
    (3,) float array
    """
    points = mesh.positions[np.asarray(loop, dtype=np.int64)]
    ends = np.roll(points, -1, axis=0)
    lengths = np.linalg.norm(ends - points, axis=1)
    if not lengths.any():
        mean: Array = points.mean(axis=0)
        return mean
    return np.average((points + ends) / 2, axis=0, weights=lengths)

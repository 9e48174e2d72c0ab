"""The pieces of a creature: which make up its body, and which ride on it rigidly."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from scipy.sparse.csgraph import connected_components

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.inside import inside_of
from ribbonsim.body.solid import Solid
from ribbonsim.mesh.creature import CreatureMesh

# a piece that holds less than this share of the creature and is smaller across than so many
# radii of the body there rides rigidly: an eye, a tooth, a nail
_SMALL_SHARE, _SMALL_RADII = 0.03, 1.6
# pieces whose volumes differ by less than this share are equally large, however they are turned
_EQUAL = 1e-6


@dataclass(frozen=True, eq=False)
class Pieces:
    """How the pieces of a mesh make one creature.

    Parameters
    ----------
    body : (k,) int array
        Numbers of the pieces (from 0, as ``mesh.components`` has them) that make up the body.
    rides : (r,) int array
        Small pieces that ride rigidly on the nearest part of the body.
    apart : (a,) int array
        Pieces too far away to belong to the body; they ride rigidly too.
    """

    body: Ints
    rides: Ints
    apart: Ints

    def sentences(self, tied: bool = False) -> list[str]:
        """What was joined, what rides and what was left, in words; none for one piece.

        ``tied`` says that small pieces are tied to stations.
        """
        count = len(self.body) + len(self.rides) + len(self.apart)
        if count == 1:
            return []
        if len(self.body) == count:
            return [f"All {count} pieces make up the body: they overlap or nearly touch."]
        made = (
            "one piece makes up the body"
            if len(self.body) == 1
            else f"{len(self.body)} pieces that overlap or nearly touch make up the body"
        )
        rest = []
        if len(self.rides):
            several = len(self.rides) > 1
            how = (
                f"{'are' if several else 'is'} tied to the nearest station{'s' * several}"
                if tied
                else f"{'ride' if several else 'rides'} rigidly on it"
            )
            rest.append(f"{len(self.rides)} small one{'s' * several} {how}")
        if len(self.apart):
            rest.append(
                f"{len(self.apart)} that {'lie' if len(self.apart) > 1 else 'lies'} apart "
                f"{'are' if len(self.apart) > 1 else 'is'} carried along rigidly (such as piece "
                f"{self.apart[0] + 1}: tie it to a station, or leave it out)"
            )
        return [f"Of {count} pieces {', '.join([made, *rest])}."]


_FOUND: WeakKeyDictionary[CreatureMesh, Pieces] = WeakKeyDictionary()


def pieces_of(mesh: CreatureMesh) -> Pieces:
    """How the pieces of a mesh make one creature; found once for each mesh.

    Closed pieces are turned outwards and filled with cells. Pieces whose insides overlap, or lie
    nearer than a small share of the creature, hang together.
    """
    if mesh not in _FOUND:
        _FOUND[mesh] = _find_pieces(mesh)
    return _FOUND[mesh]


def _find_pieces(mesh: CreatureMesh) -> Pieces:
    none = np.empty(0, dtype=np.int64)
    count = int(mesh.components.max()) + 1
    if count == 1:
        return Pieces(np.array([0]), none, none)
    inside = inside_of(mesh)
    solid, volumes = inside.solid, inside.volumes
    if solid is None:
        return Pieces(np.array([mesh.body]), np.setdiff1d(np.arange(count), [mesh.body]), none)
    label, part = _part_of_piece(mesh, inside.positions, solid, count)
    main = int(_largest(np.bincount(label)))
    near, apart = np.flatnonzero(part == main), np.flatnonzero(part != main)
    if not len(near):
        return Pieces(np.array([mesh.body]), none, np.setdiff1d(np.arange(count), [mesh.body]))
    total = float(volumes[near].sum())
    rides = [k for k in near if _is_small(mesh, inside.positions, solid, int(k), volumes[k], total)]
    if len(rides) == len(near):
        rides.remove(near[_largest(volumes[near])])
    return Pieces(np.setdiff1d(near, rides), np.array(rides, dtype=np.int64), apart)


def _largest(sizes: Array | Ints) -> int:
    """Index of the largest; of those that are as large but for rounding the first."""
    return int(np.flatnonzero(sizes >= (1.0 - _EQUAL) * sizes.max())[0])


def _part_of_piece(
    mesh: CreatureMesh, positions: Array, solid: Solid, count: int
) -> tuple[Ints, Ints]:
    """Connected part of each cell, and for each piece the part that most of its skin is on."""
    _, label = connected_components(solid.graph, directed=False)
    used = np.flatnonzero(mesh.components >= 0)
    used = used[mesh.welded[used] == used]
    distance, cell = solid.tree.query(positions[used])
    piece = mesh.components[used]
    parts = int(label.max()) + 1
    # a piece too thin to hold a cell of its own belongs where its skin is, if that is near
    table = np.zeros((count, parts + 1))
    near = distance <= 3.0 * solid.cell
    np.add.at(table, (piece, np.where(near, label[cell], parts)), 1.0)
    best = table.argmax(axis=1)
    return label, np.where(best == parts, -1, best)


def _is_small(
    mesh: CreatureMesh, positions: Array, solid: Solid, piece: int, volume: float, total: float
) -> bool:
    """Whether a piece is small beside the part of the body that it is on."""
    mine = positions[mesh.components == piece]
    across = float(np.linalg.norm(np.ptp(mine, axis=0)))
    if volume > _SMALL_SHARE * total:
        return False
    middle = mine.mean(axis=0)
    around = solid.tree.query_ball_point(middle, max(across, 4.0 * solid.cell))
    thick = float(solid.radii[around].max()) if around else 0.0
    return across <= _SMALL_RADII * thick

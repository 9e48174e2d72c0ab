"""Small pieces of a creature, eyes and teeth, and the stations that they are tied to."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Ints
from ribbonsim.body.pieces import pieces_of
from ribbonsim.layout.appendages import Tie
from ribbonsim.layout.layout import Layout
from ribbonsim.mesh.creature import CreatureMesh

# so many pieces are named in a sentence
_NAMED = 4


def ties_of_small_pieces(mesh: CreatureMesh, layout: Layout) -> tuple[Tie, ...]:
    """Propose a tie to the nearest station of the body for each small piece.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout

    Returns
    -------
    tuple of Tie
        By group where a group of the file holds the piece and nothing else, else by the piece's
        number.
    """
    stations = layout.ribbon.midline(np.asarray(layout.stations))
    piece_of_polygon = mesh.components[mesh.corner_vertices[mesh.polygon_offsets[:-1]]]
    ties = []
    for piece in pieces_of(mesh).rides:
        middle = mesh.positions[mesh.components == piece].mean(axis=0)
        station = int(np.argmin(np.linalg.norm(stations - middle, axis=1))) + 1
        group = _group_of_its_own(mesh, piece_of_polygon, int(piece))
        part = {"component": int(piece) + 1} if group is None else {"group": group}
        ties.append(Tie(station, **part))
    return tuple(ties)


def _group_of_its_own(mesh: CreatureMesh, piece_of_polygon: Ints, piece: int) -> str | None:
    """The group that holds a piece and nothing else."""
    mine = piece_of_polygon == piece
    groups = np.unique(mesh.polygon_groups[mine])
    if len(groups) != 1 or not (mine == (mesh.polygon_groups == groups[0])).all():
        return None
    return str(mesh.group_names[groups[0]])


def ties_in_words(ties: tuple[Tie, ...]) -> str:
    """Which part follows which station, the first few of them by name."""
    words = [f"{tie.part.replace('component', 'piece')} to station {tie.station}" for tie in ties]
    more = len(words) - _NAMED
    return ", ".join([*words[:_NAMED], *([f"and {more} more"] if more > 0 else [])])

"""Where the skins of two layouts part in one pose, and where most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.bendcheck.cases import Case
from ribbonsim.bendcheck.figures import figure
from ribbonsim.bendcheck.findings import Place
from ribbonsim.bendcheck.look import place_of


@dataclass(frozen=True, eq=False)
class Apart:
    """How far one layout puts the skin from where another does.

    Parameters
    ----------
    pose : str
        As it stands in sentences.
    distances : (V,) array
        At each vertex of the body's length; 0 where no triangle has it.
    vertex : int
        Where it is most, counted from 0.
    place : Place
        The same in the first layout's words.
    """

    pose: str
    distances: Array
    vertex: int
    place: Place

    @property
    def most(self) -> float:
        """The largest distance over the body's length."""
        return float(self.distances[self.vertex])

    @property
    def words(self) -> str:
        """The largest in words."""
        return f"{figure('shape', self.most)} {self.place}"

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers and words, fit for JSON; the vertex counts from 1."""
        return {"most": self.most, "vertex": self.vertex + 1, "place": str(self.place)}


def apart(first: Case, other: Case) -> Apart:
    """Measure how far another layout's skin is from the first one's in the same pose."""
    mesh = first.rig.mesh
    away = np.linalg.norm(
        np.asarray(other.positions, dtype=float) - np.asarray(first.positions, dtype=float), axis=1
    )
    seen = np.zeros(len(away), dtype=bool)
    seen[mesh.triangles.ravel()] = True
    distances = np.where(seen, away, 0.0) / first.rig.layout.ribbon.length
    vertex = int(np.argmax(distances))
    return Apart(first.wish.shown, distances, vertex, place_of(first.rig, np.array([vertex])))

"""Tears: vertices that are one place of the skin at rest and part in a pose."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array, Floats, Ints
from ribbonsim.mesh.creature import CreatureMesh


class Seams:
    """Vertices that share a place of the skin at rest with another.

    Files that split vertices at seams of textures or normals have them, and pieces that are
    meant to hold together.
    """

    def __init__(self, mesh: CreatureMesh) -> None:
        used = np.unique(mesh.triangles)
        _, first, place, count = np.unique(
            mesh.positions[used] + 0.0,  # no negative zeros
            axis=0,
            return_index=True,
            return_inverse=True,
            return_counts=True,
        )
        place = place.ravel()
        copies = np.flatnonzero((count[place] > 1) & (first[place] != np.arange(len(used))))
        self.vertices: Ints = used[copies]
        self._partners: Ints = used[first[place[copies]]]

    def gaps(self, positions: Floats) -> Array:
        """(m,) how far each of the vertices is from the first at its place, scene units."""
        apart = positions[self.vertices].astype(float) - positions[self._partners]
        gaps: Array = np.linalg.norm(apart, axis=1)
        return gaps

    def torn(self, positions: Floats, limit: float) -> Ints:
        """Vertices on both sides of what has parted by more than a limit."""
        open_ = self.gaps(positions) > limit
        return np.union1d(self.vertices[open_], self._partners[open_])

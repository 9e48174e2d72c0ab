"""The inside of a creature: its own axes, its solid, and the plane that halves it."""

from __future__ import annotations

from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.halves import Halves, find_halves
from ribbonsim.body.solid import Solid, make_solid
from ribbonsim.body.trunk import trunk_cells
from ribbonsim.mesh.creature import CreatureMesh


class Inside:
    """What is inside a mesh, seen in the creature's own axes; each part found when asked for.

    In its own axes a creature that was turned is cut into the same cells.
    """

    def __init__(self, mesh: CreatureMesh) -> None:
        self.triangles, self.volumes = _outwards(mesh)
        self.middle, self.axes = _own_axes(mesh.positions, self.triangles)
        self.positions = self.to_own(mesh.positions)

    def to_own(self, points: Array) -> Array:
        """Points of the scene in the creature's own axes."""
        return (points - self.middle) @ self.axes

    def to_scene(self, points: Array) -> Array:
        """Points in the creature's own axes as points of the scene."""
        return points @ self.axes.T + self.middle

    @cached_property
    def solid(self) -> Solid | None:
        """The cells inside; None of a flat sheet."""
        return make_solid(self.positions, self.triangles)

    @cached_property
    def all_halves(self) -> list[Halves]:
        """Planes that may part left from right, in the creature's own axes, the best first."""
        return [] if self.solid is None else find_halves(self.solid)

    @cached_property
    def halves(self) -> Halves | None:
        """The plane that parts left from right, in the creature's own axes."""
        # a bent body is alike across its bend too: left and right are where its trunk is not cut
        held = [
            float(self.solid.radii[trunk_cells(self.solid, (h.normal, h.offset))].sum())
            for h in self.all_halves
            if self.solid is not None
        ]
        if not held:
            return None
        return next(
            h for h, much in zip(self.all_halves, held, strict=True) if much >= 0.9 * max(held)
        )


_INSIDES: WeakKeyDictionary[CreatureMesh, Inside] = WeakKeyDictionary()


def inside_of(mesh: CreatureMesh) -> Inside:
    """The inside of a mesh; found once for each mesh."""
    if mesh not in _INSIDES:
        _INSIDES[mesh] = Inside(mesh)
    return _INSIDES[mesh]


def _outwards(mesh: CreatureMesh) -> tuple[Ints, Array]:
    """Triangles of the skin, each piece turned outwards, and the volume of each piece."""
    triangles = mesh.welded[mesh.triangles]
    piece = mesh.components[triangles[:, 0]]
    centred = mesh.positions - mesh.centre
    a, b, c = (centred[triangles[:, k]] for k in range(3))
    volume = np.bincount(piece, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0)
    turned = triangles.copy()
    inward = volume[piece] < 0
    turned[inward] = turned[inward][:, ::-1]
    return turned, np.abs(volume)


def _own_axes(positions: Array, triangles: Ints) -> tuple[Array, Array]:
    """Middle and principal axes of a skin, so that a turned creature is cut into equal cells."""
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    normals = np.cross(b - a, c - a)
    areas = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    middles = (a + b + c) / 3.0
    middle = areas @ middles / max(float(areas.sum()), 1e-300)
    offsets = middles - middle
    _, axes = np.linalg.eigh((areas[:, None] * offsets).T @ offsets)
    # the sign that the third moment says: the same whichever way the creature is turned
    third = np.einsum("i,ij->j", areas, (offsets @ axes) ** 3)
    axes = axes * np.where(third < 0, -1.0, 1.0)
    if np.linalg.det(axes) < 0:
        axes[:, 0] *= -1.0
    return middle, axes

"""The floor: what even an exact ribbon does to the skin in a pose, so that no layout is blamed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import binary_dilation

from ribbonsim.arrays import Array, Flags, Floats, Ints
from ribbonsim.bendcheck.exact import DenseMotion, exact_skin
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.limits import Limits
from ribbonsim.mesh.creature import CreatureMesh

# A layout may exceed what an exact ribbon does by a seventh before that counts against it.
SLACK = 1.15
# rings of neighbours within which a fold or a contact is the exact ribbon's own
_NEIGHBOURS = 2
# the body in so many stretches, of which those at most so far apart are beside each other
_STRETCHES, _BESIDE = 40, 3


@dataclass(frozen=True, eq=False)
class Floor:
    """The skin of one pose on an exact ribbon.

    Parameters
    ----------
    positions : (V, 3) array
    stretch : (T, 2) array
        Larger and smaller stretch of each triangle.
    folded : (T,) bool array
    volume : float
        Posed over rest.
    body : DenseMotion
        Of the body's ribbon.
    """

    gauge: Gauge
    positions: Floats
    stretch: Floats
    folded: Flags
    volume: float
    body: DenseMotion

    @cached_property
    def contacts(self) -> Ints:
        """(c, 2) pairs of triangles that meet."""
        return self.gauge.contacts(self.positions)

    def girth(self, gauge: Gauge) -> Array:
        """(N,) girth of the body at the stations of a layout, posed over rest."""
        rings = gauge.body_rings
        return rings.measure(self.positions, self.body.frames(rings.levels)).girth

    def own_folds(self, limits: Limits) -> Flags:
        """(T,) triangles that are folded or all but folded here, and their neighbours."""
        crushed = self.folded | (self.stretch[:, 1] < 0.5 * limits.squeeze)
        return widened(self.gauge.rig.mesh, crushed, _NEIGHBOURS)

    def shares_contact(self, pairs: Ints) -> Flags:
        """(c,) pairs of triangles that meet here too, or meet near where others do.

        Where the asked shape runs into itself, one layout meets a little before the next.
        """
        if not len(self.contacts):
            return np.zeros(len(pairs), dtype=bool)
        steps, met = self._met_along
        shared: Flags = self._near_met[pairs].all(axis=1) | met[tuple(steps[pairs].T)]
        return shared

    @cached_property
    def _near_met(self) -> Flags:
        """(T,) triangles that meet others here, and their neighbours."""
        met = np.zeros(len(self.folded), dtype=bool)
        met[self.contacts.ravel()] = True
        return widened(self.gauge.rig.mesh, met, 2 * _NEIGHBOURS)

    @cached_property
    def _met_along(self) -> tuple[Ints, Flags]:
        """(T,) the stretch of body that each triangle is on, and which of them meet here."""
        rig = self.gauge.rig
        places = rig.places[rig.mesh.triangles].mean(axis=1) / rig.layout.ribbon.length
        steps = np.clip((places * _STRETCHES).astype(np.int64), 0, _STRETCHES - 1)
        met = np.zeros((_STRETCHES, _STRETCHES), dtype=bool)
        met[tuple(steps[self.contacts].T)] = True
        # neighbours always meet, and say nothing
        apart = np.abs(np.subtract.outer(np.arange(_STRETCHES), np.arange(_STRETCHES))) > _BESIDE
        return steps, binary_dilation((met | met.T) & apart, np.ones((3, 3)), iterations=_BESIDE)


def floor_of(
    gauge: Gauge,
    motions: Mapping[str, DenseMotion],
    settle: Callable[[Floats], Floats] | None = None,
) -> Floor:
    """Measure the skin that rides exact ribbons, and settles as that of a layout does."""
    positions, turns = exact_skin(gauge.rig, motions)
    if settle is not None:
        positions = np.asarray(settle(positions), dtype=float)
    found, volume = gauge.measure_turned(positions, turns)
    return Floor(gauge, positions, found.stretch, found.folded, volume, motions[BODY])


def widened(mesh: CreatureMesh, chosen: Flags, rings: int) -> Flags:
    """Chosen triangles and those within some rings of neighbours."""
    chosen = np.array(chosen)
    for _ in range(rings if chosen.any() else 0):
        near = np.zeros(len(mesh.positions), dtype=bool)
        near[mesh.triangles[chosen]] = True
        chosen = np.any(near[mesh.triangles], axis=1)
    return chosen

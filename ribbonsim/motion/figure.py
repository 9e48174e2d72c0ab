"""Figure: a body at rest as motions see it, a row of places with their thickness and weight."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.motion.follow import slowness
from ribbonsim.motion.travel import level_axes

PIECES = 32
# skin within this share of the body's length above the lowest rests on the ground
_RESTING = 0.03
# what stands steeper than this, root to tip, is not laid down
_UPRIGHT = 0.82
# the belly is as deep as its skin, but no deeper than so many radii: barbels do not carry
_DEEPEST = 1.4
# where a head begins, and by how much it turns itself at most, radians
_HEAD, _HEAD_TURNS = 0.68, 0.6


@dataclass(frozen=True, eq=False)
class Figure:
    """A body at rest.

    Parameters
    ----------
    ribbon : Ribbon
    lengths : (P,) array
        Even places along it.
    radii, depths : (P,) arrays
        How thick the body is, and how deep its belly is below the ribbon.
    resting : (P,) array
        Share of the skin at each place that rests on the ground.
    ground : float
        Height of the lowest skin at rest.
    up : (3,) array
    """

    ribbon: Ribbon
    lengths: Array
    radii: Array
    depths: Array
    resting: Array
    ground: float
    up: Array

    @classmethod
    def of(
        cls,
        ribbon: Ribbon,
        positions: Array,
        places: Array,
        areas: Array,
        up: Array,
        ground: float,
    ) -> Figure:
        """Measure a body.

        Parameters
        ----------
        ribbon : Ribbon
        positions : (V, 3) array
            Skin of the body without its limbs.
        places, areas : (V,) arrays
            Arc length along the ribbon, and the area that belongs to each vertex.
        up : (3,) array
        ground : float
            Height of the lowest skin, limbs and all.
        """
        lengths, frames, _ = ribbon.even_steps(PIECES)
        bins = np.clip(np.rint(places / ribbon.length * PIECES).astype(int), 0, PIECES)
        inside = (places > 0.0) & (places < ribbon.length)
        t = ribbon.place_at(places)
        away = positions - ribbon.midline(t)
        local = np.einsum("vji,vj->vi", ribbon.frames(t)[:, :3, :3], away)
        heights = positions @ up
        low = heights < ground + _RESTING * ribbon.length
        radii, depths, resting = np.zeros((3, PIECES + 1))
        for k in range(PIECES + 1):
            mine = np.flatnonzero((bins == k) & inside)
            if len(mine):
                radii[k] = _weighted_median(np.linalg.norm(away[mine], axis=1), areas[mine])
                depths[k] = max(-float(local[mine, 2].min()), 0.0)
                resting[k] = float(areas[mine] @ low[mine] / areas[mine].sum())
        radii = _smooth(_filled(radii))
        depths = _smooth(np.minimum(_filled(depths), _DEEPEST * radii))
        if not resting.any():
            resting[int(np.argmin(frames[:, :3, 3] @ up - radii))] = 1.0
        return cls(ribbon, lengths, radii, depths, resting, ground, up)

    @cached_property
    def frames(self) -> Array:
        """(P, 4, 4) rest frames of the places."""
        return self.ribbon.even_steps(PIECES)[1]

    @cached_property
    def masses(self) -> Array:
        """(P,) volume that belongs to each place, over that of a cube of the body's length."""
        shares = np.full(PIECES + 1, 1.0 / PIECES)
        shares[[0, -1]] *= 0.5
        return np.pi * (self.radii / self.ribbon.length) ** 2 * shares

    @cached_property
    def is_upright(self) -> bool:
        """Whether it stands, root below tip or above it, rather than lies."""
        chord = self.frames[-1, :3, 3] - self.frames[0, :3, 3]
        return bool(abs(chord @ self.up) > _UPRIGHT * np.linalg.norm(chord))

    @cached_property
    def is_thick_at_root(self) -> bool:
        """Whether the quarter at its root is thicker than that at its tip."""
        quarter = (PIECES + 1) // 4
        return bool(self.radii[:quarter].mean() > self.radii[-quarter:].mean())

    @cached_property
    def ahead(self) -> tuple[Array, Array]:
        """Level directions from root to tip, and to the left of it."""
        chord = self.frames[-1, :3, 3] - self.frames[0, :3, 3]
        if self.is_upright:
            chord = self.frames[-1, :3, 0]
        return level_axes(self.up, chord)

    @cached_property
    def middle(self) -> Array:
        """(3,) the middle of the mass."""
        return self.masses @ self.frames[:, :3, 3] / self.masses.sum()

    @cached_property
    def head_from(self) -> float:
        """Share of the length from which on a head keeps its own curve when it is laid level.

        A neck that turns by more has to be laid down with the rest.
        """
        screws = self.ribbon.even_steps(PIECES)[2]
        first = round(_HEAD * PIECES)
        return _HEAD if np.abs(screws[first:, :3]).sum() < _HEAD_TURNS else 1.0

    @cached_property
    def held_depths(self) -> Array:
        """(P,) as ``depths``; a head is held as high as it begins, and not pressed down."""
        first = round(_HEAD * PIECES)
        depths = self.depths.copy()
        depths[first:] = np.maximum.accumulate(depths[first:])
        return depths

    @property
    def foot(self) -> Array:
        """(3,) the ground below the middle of the mass."""
        return self.middle + (self.ground - self.middle @ self.up) * self.up

    def anchor(self, within: tuple[float, float]) -> int:
        """The place that rests, within a part of the body (0 at the root, 1 at the tip)."""
        shares = self.lengths / self.lengths[-1]
        inside = (shares >= within[0] - 1e-9) & (shares <= within[1] + 1e-9)
        weight = np.where(inside, self.resting, 0.0)
        if weight.max() > 0.05 * self.resting.max():
            return int(np.rint(weight @ np.arange(len(weight)) / weight.sum()))
        heights = np.where(inside, self.frames[:, :3, 3] @ self.up - self.radii, np.inf)
        return int(np.argmin(heights))

    def slowness(self, anchor: int) -> Array:
        """(P - 1,) how slowly each piece follows, by :func:`ribbonsim.motion.follow.slowness`."""
        size = self.ribbon.length
        return slowness(self.lengths / size, self.radii / size, self.masses, anchor)


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    summed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(summed, 0.5 * summed[-1])])


def _filled(values: Array) -> Array:
    """Values where there are none are those between their neighbours."""
    known = np.flatnonzero(values > 0.0)
    if not len(known):
        return np.full(len(values), 1e-9)
    return np.interp(np.arange(len(values)), known, values[known])


def _smooth(values: Array) -> Array:
    padded = np.r_[values[:1], values, values[-1:]]
    return 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]

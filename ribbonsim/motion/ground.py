"""Ground: no skin goes below it; what would is flattened and grows wider by as much.

The lower half of a section shrinks to fit, and the section's width grows by ``1 / (1/2 + k/2)``,
so that it keeps its area. Limbs keep their shape: each is carried as a whole by the skin that
it grows from, and its parts are raised until they lie on the ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from ribbonsim.arrays import Array, Floats, Ints

_SECTIONS = 65
_LIMB_PARTS = 12
# how far out a limb hangs on the skin that it grows from, as a share of its length
_BASE = 0.3
# sections of a body that goes up steeper than this are not flattened
_STEEP = 0.9


class _Along:
    """Things in the order of a row of sections, each between two neighbours of it.

    Parameters
    ----------
    places : (n,) array
        Rising, 0 to 1 along the row.
    count : int
        Of the sections.
    """

    def __init__(self, places: Array, count: int) -> None:
        at = np.clip(places, 0.0, 1.0) * (count - 1)
        self.low = np.minimum(at.astype(np.int64), count - 2)
        self.count = count
        share = at - self.low
        pairs = np.stack([self.low, self.low + 1], axis=1).ravel()
        rows = np.arange(len(places) + 1) * 2
        weights = np.stack([1.0 - share, share], axis=1).ravel()
        self._spread = sparse.csr_array((weights, pairs, rows), shape=(len(places), count))
        self._first = np.flatnonzero(np.diff(self.low, prepend=-1))

    def spread(self, values: Array) -> Array:
        """Values of sections at the things between them."""
        return np.asarray(self._spread @ values, dtype=float)

    def most(self, values: Array) -> Array:
        """For each section the most of what its neighbours on both sides ask for, then eased.

        What is spread back is at each thing no less than it asks for.
        """
        asked = np.zeros(self.count)
        between = np.maximum.reduceat(values, self._first)
        for side in (0, 1):
            seats = self.low[self._first] + side
            asked[seats] = np.maximum(asked[seats], between)
        wide = np.pad(asked, 2, "edge")
        largest = np.maximum(np.maximum(wide[:-2], wide[1:-1]), wide[2:])
        return (largest[:-2] + largest[1:-1] + largest[2:]) / 3.0

    def part(self, values: Array) -> slice:
        """The things beside sections that have a value, and those between them."""
        marked = np.flatnonzero(np.maximum(values[:-1], values[1:]))
        first, last = np.searchsorted(self.low, [marked[0], marked[-1] + 1])
        return slice(int(first), int(last))


@dataclass(frozen=True, eq=False)
class LimbOnGround:
    """A limb, which keeps its shape.

    Parameters
    ----------
    vertices, base : int arrays
        All of it, and those that border on what it grows from.
    away : (m,) array
        How far out each vertex is, 0 to 1.
    """

    vertices: Ints
    base: Ints
    away: Array


class Ground:
    """The ground under one creature.

    Parameters
    ----------
    places : (V,) array
        Of the vertices along the body, 0 to 1.
    limbs : sequence of LimbOnGround
    height : float
        Of the ground along ``up``.
    up : (3,) array
    """

    def __init__(
        self, places: Array, limbs: Sequence[LimbOnGround], height: float, up: Array
    ) -> None:
        self._height, self._up, self._limbs = height, up, tuple(limbs)
        own = np.ones(len(places), dtype=bool)
        for limb in limbs:
            own[limb.vertices] = False
            own[limb.base] = True  # flattened with the skin that it borders on
        body = np.flatnonzero(own)
        self._body = body[np.argsort(places[body], kind="stable")]
        self._along = _Along(places[self._body], _SECTIONS)
        self._orders = [np.argsort(limb.away, kind="stable") for limb in limbs]
        self._parts = [
            _Along(limb.away[order], _LIMB_PARTS)
            for limb, order in zip(limbs, self._orders, strict=True)
        ]
        self.sections = np.linspace(0.0, 1.0, _SECTIONS)

    def settled(self, positions: Floats, centres: Array) -> Floats:
        """Skin that lies on the ground.

        Parameters
        ----------
        positions : (V, 3) array
        centres : (S, 3) array
            The posed midline at ``sections`` of its length at rest.

        Returns
        -------
        (V, 3) array
            The same array if nothing was below the ground.
        """
        heights = positions @ self._up.astype(positions.dtype)
        if heights.min(initial=np.inf) >= self._height:
            return positions
        moved = np.array(positions, dtype=float)
        self._flatten(moved, heights, centres)
        for limb, order, parts in zip(self._limbs, self._orders, self._parts, strict=True):
            self._carry(moved, positions, limb, order, parts)
        # what still is below, by rounding or as the body itself is under the ground
        left = np.maximum(self._height - moved @ self._up, 0.0)
        moved += left[:, None] * self._up
        return moved.astype(positions.dtype, copy=False)

    def _flatten(self, moved: Array, heights: Floats, centres: Array) -> None:
        """Flatten the sections of the body that are below the ground."""
        below = np.asarray(heights.take(self._body), dtype=float)
        if below.min(initial=np.inf) >= self._height:
            return
        along = np.gradient(centres, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
        own = self._along.spread(centres @ self._up)
        deep = np.maximum(own - below, 1e-300)
        over = np.clip((own - self._height) / deep, 0.0, 1.0)
        asked = np.where(below < self._height, 1.0 - over, 0.0)
        shrunk = self._along.most(asked) * (np.abs(along @ self._up) < _STEEP)
        if not shrunk.any():
            return
        left = np.cross(self._up, along)
        left /= np.maximum(np.linalg.norm(left, axis=1, keepdims=True), 1e-300)
        flat = self._along.part(shrunk)
        there = self._along.spread(np.column_stack([shrunk, left, centres]))[flat]
        lost, aside, centre = there[:, 0], there[:, 1:4], there[:, 4:]
        vertices = self._body[flat]
        skin = moved.take(vertices, axis=0)
        away = np.einsum("vi,vi->v", skin - centre, aside)
        wider = 1.0 / (1.0 - 0.5 * lost) - 1.0
        drop = np.maximum(own[flat] - below[flat], 0.0)
        skin += (wider * away)[:, None] * aside
        skin += (lost * drop)[:, None] * self._up
        moved[vertices] = skin

    def _carry(
        self, moved: Array, before: Floats, limb: LimbOnGround, order: Ints, parts: _Along
    ) -> None:
        """Move a limb with its base, and raise the parts of it that are below the ground."""
        carried = np.asarray(moved[limb.base] - before[limb.base], dtype=float)
        there = np.asarray(before[limb.vertices], dtype=float)
        if len(carried):
            there += carried.mean(axis=0)
        lacking = np.maximum(self._height - there @ self._up, 0.0)
        if lacking.any():
            # its base stays with the skin that it grows from
            raised = np.empty(len(there))
            raised[order] = parts.spread(parts.most(lacking[order]))
            there += (raised * np.minimum(limb.away / _BASE, 1.0))[:, None] * self._up
        base = moved[limb.base]
        moved[limb.vertices] = there
        moved[limb.base] = base

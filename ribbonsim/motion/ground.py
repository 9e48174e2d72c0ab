"""Ground: no skin goes below it; what would is flattened and grows wider by as much.

The lower half of a section shrinks to fit, and the section's width grows by ``1 / (1/2 + k/2)``,
so that it keeps its area. Limbs keep their shape: each is carried as a whole by the skin that
it grows from, and its parts are raised until they lie on the ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

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


@dataclass(frozen=True, eq=False)
class Pressed:
    """What the ground does to a skin, section by section and limb by limb.

    Parameters
    ----------
    lost : (S,) array
        By what share the lower half of each section is flatter.
    carried : (L, 3) array
        How far each limb moves with the skin that it grows from.
    raised : (L, P) array
        How far its parts are lifted, from its base out.
    """

    lost: Array
    carried: Array
    raised: Array


@dataclass(frozen=True, eq=False)
class Seats:
    """Where each vertex belongs.

    Parameters
    ----------
    sections : (V,) array
        Number of its section of the body, with the share of the way to the next.
    limbs : (V,) int array
        Number of its limb, from 1; 0 for the body.
    away : (V,) array
        How far out on it, 0 to 1.
    """

    sections: Array
    limbs: Ints
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
        self._places = places
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
        return self._press(positions, centres)[0]

    def pressed(self, positions: Floats, centres: Array) -> Pressed:
        """What :meth:`settled` does, by sections and limbs."""
        return self._press(positions, centres)[1]

    @property
    def seats(self) -> Seats:
        """Where each vertex belongs."""
        sections = np.clip(self._places, 0.0, 1.0) * (_SECTIONS - 1)
        limbs, away = np.zeros(len(sections), dtype=np.int64), np.zeros(len(sections))
        for number, limb in enumerate(self._limbs, start=1):
            limbs[limb.vertices], away[limb.vertices] = number, limb.away
            limbs[limb.base] = 0
        return Seats(sections, limbs, away)

    def _press(self, positions: Floats, centres: Array) -> tuple[Floats, Pressed]:
        count = len(self._limbs)
        limbs = np.zeros((count, 3)), np.zeros((count, _LIMB_PARTS))
        still = Pressed(np.zeros(_SECTIONS), *limbs)
        heights = positions @ self._up.astype(positions.dtype)
        if heights.min(initial=np.inf) >= self._height:
            return positions, still
        moved = np.array(positions, dtype=float)
        lost = self._flatten(moved, heights, centres)
        for number, limb in enumerate(self._limbs):
            told = self._carry(moved, positions, limb, self._orders[number], self._parts[number])
            still.carried[number], still.raised[number] = told
        # what still is below, by rounding or as the body itself is under the ground
        left = np.maximum(self._height - moved @ self._up, 0.0)
        moved += left[:, None] * self._up
        return moved.astype(positions.dtype, copy=False), replace(still, lost=lost)

    def _flatten(self, moved: Array, heights: Floats, centres: Array) -> Array:
        """Flatten the sections of the body that are below the ground; by what share."""
        below = np.asarray(heights.take(self._body), dtype=float)
        if below.min(initial=np.inf) >= self._height:
            return np.zeros(_SECTIONS)
        along = np.gradient(centres, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
        own = self._along.spread(centres @ self._up)
        deep = np.maximum(own - below, 1e-300)
        over = np.clip((own - self._height) / deep, 0.0, 1.0)
        asked = np.where(below < self._height, 1.0 - over, 0.0)
        shrunk = self._along.most(asked) * (np.abs(along @ self._up) < _STEEP)
        if not shrunk.any():
            return shrunk
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
        return shrunk

    def _carry(
        self, moved: Array, before: Floats, limb: LimbOnGround, order: Ints, parts: _Along
    ) -> tuple[Array, Array]:
        """Move a limb with its base, and raise the parts of it that are below the ground."""
        shift, lifts = np.zeros(3), np.zeros(parts.count)
        carried = np.asarray(moved[limb.base] - before[limb.base], dtype=float)
        there = np.asarray(before[limb.vertices], dtype=float)
        if len(carried):
            shift = carried.mean(axis=0)
            there += shift
        lacking = np.maximum(self._height - there @ self._up, 0.0)
        if lacking.any():
            # its base stays with the skin that it grows from
            lifts, raised = parts.most(lacking[order]), np.empty(len(there))
            raised[order] = parts.spread(lifts)
            there += (raised * np.minimum(limb.away / _BASE, 1.0))[:, None] * self._up
        base = moved[limb.base]
        moved[limb.vertices] = there
        moved[limb.base] = base
        return shift, lifts

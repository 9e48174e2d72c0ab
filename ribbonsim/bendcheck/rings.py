"""Rings of the skin about a ribbon: how much area they enclose, and where their centres are."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import median_filter

from ribbonsim.arrays import Array, Floats, Ints
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.one_ribbon import OneRibbon

# rings to each gap between stations
SECTIONS = 8
# Rings that mostly enclose less than this share of what circles as long would are lines run to and
# fro: the skin is flat.
_FLAT = 1e-2
# A ring thinner than this share of the usual one, as at a pointed tip, is held against that: a
# tip whose radius is nothing would be infinitely many radii off.
_THIN = 0.5


@dataclass(frozen=True, eq=False)
class RingMeasures:
    """What the rings of a posed skin measure, station by station.

    Parameters
    ----------
    girth : (N,) array
        Root of the area that the rings of a station enclose, posed over rest.
    off : (N,) array
        How far their centres have left where the ribbon carries them, across it, in radii.
    """

    girth: Array
    off: Array


class RingGauge:
    """The rings of one ribbon's skin at rest, arranged for measuring poses.

    A ring is where the skin has one place along the ribbon: a level line of ``places``, straight
    within each triangle. Stations own the rings nearest to them.

    Parameters
    ----------
    layout : OneRibbon
        Of the ribbon.
    rest : (V, 3) array
        Scene units.
    triangles : (T, 3) int array
        Of its skin, turning alike.
    places : (V,) array
        Arc length along the ribbon of each vertex of these triangles.

    Attributes
    ----------
    levels : (q,) array
        Arc length along the ribbon of each ring.
    rest_areas : (q,) array
        What each encloses at rest.
    radii : (N,) array
        Of a circle of the same area, at each station.
    """

    def __init__(self, layout: OneRibbon, rest: Floats, triangles: Ints, places: Array) -> None:
        self._ribbon, self._rest = layout.ribbon, rest
        lengths = layout.station_lengths
        known = np.arange(len(lengths))
        fine = np.linspace(0.0, len(lengths) - 1.0, SECTIONS * (len(lengths) - 1) + 1)
        levels = np.interp(fine, known, lengths)
        self._t = layout.ribbon.place_at(levels)
        # at the ends themselves many vertices have the one place, and rounding would decide
        levels[[0, -1]] += 0.5 * (levels[[1, -2]] - levels[[0, -1]])
        self.levels, self._count = levels, len(levels)
        ring, self._start, self._end = _level_lines(triangles, places, levels)
        self._ring = ring
        rows = np.ascontiguousarray(np.asarray(rest, dtype=float).T)
        size = np.linalg.norm(_points(rows, self._end) - _points(rows, self._start), axis=0)
        # a centre is a fixed blend of its ring's points, so that it moves as they do
        total = np.bincount(ring, size, self._count)
        self._share = size / np.maximum(total, 1e-300)[ring]
        self._owned = _owned(self._count)
        self.rest_areas, centres = self._measure(rest)
        self._rest_local = _local(centres, self.frames(layout.ribbon))
        round_ = np.bincount(ring, size, self._count) ** 2 / (4.0 * np.pi)
        self._filled = self.rest_areas > 1e-9 * self.rest_areas.max(initial=1e-300)
        if np.median(self.rest_areas) <= _FLAT * np.median(round_):
            self._filled[:] = False
        # of a station whose rings enclose nothing, the next that do stand for it
        whole = self._owned @ (self.rest_areas * self._filled)
        full = np.flatnonzero(whole > 0.0)
        nearest = np.argmin(np.abs(known[:, None] - full), axis=1) if len(full) else known
        self._stand_in = full[nearest] if len(full) else known
        self._whole = whole
        self.radii = self._radii()

    @property
    def is_empty(self) -> bool:
        """Whether no ring encloses anything."""
        return not bool(self._filled.any())

    def frames(self, ribbon: Ribbon) -> Array:
        """(q, 4, 4) frames at the rings; every :data:`SECTIONS`-th is at a station."""
        return ribbon.frames(self._t)

    def measure(self, positions: Floats, frames: Array) -> RingMeasures:
        """Measure a posed skin by the frames of its posed ribbon, from :meth:`frames`."""
        if self.is_empty:
            one = np.ones(len(self._owned))
            return RingMeasures(one, 0.0 * one)
        areas, centres = self._measure(positions)
        areas = np.where(self._filled, areas, 0.0)
        posed = (self._owned @ areas)[self._stand_in]
        girth = np.sqrt(posed / self._whole[self._stand_in])
        growth = np.sqrt(areas / np.where(self._filled, self.rest_areas, 1.0))[:, None]
        away = np.linalg.norm(_local(centres, frames) - growth * self._rest_local, axis=1)
        weight = self._owned * self._filled
        total = np.maximum(weight.sum(axis=1), 1e-300)
        off = ((weight @ away) / total)[self._stand_in] / self.radii
        return RingMeasures(girth, off)

    def _measure(self, positions: Floats) -> tuple[Array, Array]:
        """(q,) areas and (q, 3) centres of the rings."""
        rows = np.ascontiguousarray(np.asarray(positions, dtype=float).T)
        a, b = _points(rows, self._start), _points(rows, self._end)
        centres = _sums(self._ring, self._share * (0.5 * (a + b)), self._count)
        middle = np.take(centres, self._ring, axis=1)
        (x, y, z), (p, q, r) = a - middle, b - middle
        apart = np.stack([y * r - z * q, z * p - x * r, x * q - y * p])
        areas = 0.5 * np.linalg.norm(_sums(self._ring, apart, self._count), axis=0)
        return areas, centres.T

    @cached_property
    def reach(self) -> Array:
        """(q, 2) half widths of each ring across and along the normal.

        Those of an ellipse with the same mean square distances, so that a thin fin counts little.
        """
        rows = np.ascontiguousarray(np.asarray(self._rest, dtype=float).T)
        middle = 0.5 * (_points(rows, self._start) + _points(rows, self._end)).T
        away = _local(middle, self.frames(self._ribbon)[self._ring]) - self._rest_local[self._ring]
        squares = [
            np.bincount(self._ring, self._share * away[:, k] ** 2, self._count) for k in range(2)
        ]
        reach = np.sqrt(2.0 * np.stack(squares, axis=1))
        # a ring that runs over an ear or a lip is one of many
        smooth: Array = median_filter(reach, size=(SECTIONS + 1, 1), mode="nearest")
        return smooth

    def _radii(self) -> Array:
        weight = self._owned * self._filled
        mean = (weight @ self.rest_areas) / np.maximum(weight.sum(axis=1), 1e-300)
        own = np.sqrt(mean[self._stand_in] / np.pi)
        usual = float(np.median(own)) if len(own) else 1.0
        return np.maximum(own, max(_THIN * usual, 1e-300))


def _local(points: Array, frames: Array) -> Array:
    """(q, 2) points in the across and normal directions of their frames."""
    away = points - frames[:, :3, 3]
    return np.einsum("qi,qij->qj", away, frames[:, :3, 1:3])


def _owned(count: int) -> Array:
    """(N, q) by how much each station owns each ring; one between two is shared."""
    stations = (count - 1) // SECTIONS + 1
    away = np.abs(np.arange(count) - SECTIONS * np.arange(stations)[:, None])
    owned: Array = np.clip(0.5 * SECTIONS + 0.5 - away, 0.0, 1.0)
    return owned


def _sums(ring: Ints, values: Array, count: int) -> Array:
    """(3, q) sums over each ring of rows."""
    return np.stack([np.bincount(ring, row, count) for row in values])


def _points(rows: Array, between: tuple[Ints, Ints, Array]) -> Array:
    """(3, m) points on edges: two vertices and the share of the way from one to the other."""
    first, second, share = between
    start, end = np.take(rows, first, axis=1), np.take(rows, second, axis=1)
    end -= start
    end *= share
    end += start
    return end


_Between = tuple[Ints, Ints, Array]


def _level_lines(triangles: Ints, places: Array, levels: Array) -> tuple[Ints, _Between, _Between]:
    """Segments of triangles where places have a level, all with the higher side to the left.

    Returns
    -------
    (m,) int array
        The level of each, in rising order.
    start, end
        Where its ends are.
    """
    values = places[triangles]
    order = np.argsort(values, axis=1, kind="stable")
    low, middle, high = (np.take_along_axis(values, order[:, k : k + 1], 1)[:, 0] for k in range(3))
    # a level that a corner stands on belongs to what lies above it, so no segment counts twice
    first = np.searchsorted(levels, low, side="right")
    count = np.searchsorted(levels, high, side="right") - first
    rows = np.repeat(np.arange(len(triangles)), count)
    steps = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    ring = first[rows] + steps
    level = levels[ring]
    corner = np.take_along_axis(triangles, order, axis=1)[rows]
    low, middle, high = low[rows], middle[rows], high[rows]
    above = level > middle
    side = (
        np.where(above, corner[:, 1], corner[:, 0]),
        np.where(above, corner[:, 2], corner[:, 1]),
        np.clip(
            (level - np.where(above, middle, low))
            / np.maximum(np.where(above, high, middle) - np.where(above, middle, low), 1e-300),
            0.0,
            1.0,
        ),
    )
    whole = (corner[:, 0], corner[:, 2], (level - low) / (high - low))
    # corners in rising order turn with the triangle or against it
    with_it = ((order[rows, 1] - order[rows, 0]) % 3 == 1)[:, None]
    start = tuple(np.where(with_it[:, 0], a, b) for a, b in zip(whole, side, strict=True))
    end = tuple(np.where(with_it[:, 0], b, a) for a, b in zip(whole, side, strict=True))
    by_ring = np.argsort(ring, kind="stable")
    return (
        ring[by_ring],
        tuple(part[by_ring] for part in start),
        tuple(part[by_ring] for part in end),
    )

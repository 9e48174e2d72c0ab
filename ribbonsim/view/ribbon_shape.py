"""Ribbons as they are drawn: surface, the two edge curves and a line at each knot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.view import look
from ribbonsim.view.window import Window, set_surface

_ALONG_SPAN = 12


class RibbonShape:
    """Ribbons in a window; as many with as many spans as the last only move the old ones."""

    def __init__(self, window: Window, to_stage: Callable[[Array], Array]) -> None:
        self._window, self._to_stage = window, to_stage
        self._parts: list[tuple[Any, Any]] = []
        self._spans: tuple[int, ...] = ()

    def show(self, ribbons: Sequence[Ribbon]) -> None:
        """Show ribbons; none of them takes the old ones away."""
        for _, actor in self._parts:
            actor.SetVisibility(bool(ribbons))
        if not ribbons:
            return
        spans = tuple(ribbon.spans for ribbon in ribbons)
        points = self._to_stage(np.vstack([_surface_points(ribbon) for ribbon in ribbons]))
        if spans != self._spans:
            self._build(points, spans)
        for data, _ in self._parts:
            data.points[:] = points
            data.GetPoints().Modified()

    def _build(self, points: Array, spans: tuple[int, ...]) -> None:
        for _, actor in self._parts:
            self._window.remove(actor)
        grids = _grids(spans)
        quads = [
            np.stack([g[:-1, :-1], g[1:, :-1], g[1:, 1:], g[:-1, 1:]], axis=-1).reshape(-1, 4)
            for g in grids
        ]
        corners = np.vstack(quads)
        faces = np.column_stack([np.full(len(corners), 4), corners])
        sides = [g[:, side] for g in grids for side in (0, 2)]
        knots = [row for g in grids for row in g[::_ALONG_SPAN]]
        pv, coordinates = self._window.pv, points.astype(np.float32)
        surface = pv.PolyData(coordinates.copy(), faces=faces)
        edges = pv.PolyData(coordinates.copy(), lines=_polylines(sides))
        across = pv.PolyData(coordinates.copy(), lines=_polylines(knots))
        self._parts = [
            (surface, self._window.add(surface, look.RIBBON_FRONT, look.RIBBON_SURFACE)),
            (edges, self._window.add(edges, look.RIBBON_LINES, None, width=3.4)),
            (across, self._window.add(across, look.RIBBON_LINES, None, width=1.8)),
        ]
        back = pv.Property(color=look.RIBBON_BACK)
        set_surface(back, look.RIBBON_BACK_SURFACE)
        self._parts[0][1].SetBackfaceProperty(back)
        self._spans = spans


def _surface_points(ribbon: Ribbon) -> Array:
    """(3 (12 spans + 1), 3) points of the surface, three across, from knot to knot."""
    breaks = ribbon.breaks
    inside = np.arange(_ALONG_SPAN) / _ALONG_SPAN
    along = np.append((breaks[:-1, None] + np.diff(breaks)[:, None] * inside).ravel(), 1.0)
    return ribbon.evaluate(np.array([0.0, 0.5, 1.0]), along[:, None]).reshape(-1, 3)


def _grids(spans: tuple[int, ...]) -> list[NDArray[np.int64]]:
    """For each ribbon the numbers of its points, three across, among those of all ribbons."""
    grids, start = [], 0
    for count in spans:
        rows = _ALONG_SPAN * count + 1
        grids.append(np.arange(start, start + 3 * rows).reshape(rows, 3))
        start += 3 * rows
    return grids


def _polylines(rows: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    return np.concatenate([np.r_[len(row), row] for row in rows])

"""Ribbons of a layout by name: what rides on what, and what a change does to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import minimize_scalar

from ribbonsim.arrays import Array
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon

_SAMPLES = 401
# nearer than this, over the ribbon's length, a place has moved by rounding alone
_SAME_SEAT = 1e-6


def tree(layout: Layout) -> list[tuple[str, int]]:
    """Every ribbon with its depth, each under the one that carries it."""
    found: list[tuple[str, int]] = []

    def visit(name: str, depth: int) -> None:
        found.append((name, depth))
        for appendage in sorted(layout.appendages, key=lambda each: each.at):
            if appendage.rides_on == name:
                visit(appendage.name, depth + 1)

    visit(BODY, 0)
    return found


def with_ribbon(layout: Layout, ribbon: str, own: OneRibbon) -> Layout:
    """Give one ribbon of a layout other stations, controls or another shape."""
    return reseated(layout.with_ribbon(ribbon, own), ribbon, layout.ribbons[ribbon].ribbon)


def reseated(layout: Layout, ribbon: str, old: Ribbon) -> Layout:
    """Let what rides on a ribbon stay where it is on the creature when the ribbon moves."""
    now = layout.ribbons[ribbon].ribbon
    if now is old or not any(appendage.rides_on == ribbon for appendage in layout.appendages):
        return layout

    def seat(at: float) -> float:
        share = _share_near(now, old.midline(old.place_at(at * old.length)))
        return at if abs(share - at) < _SAME_SEAT else share

    appendages = tuple(
        replace(appendage, at=seat(appendage.at)) if appendage.rides_on == ribbon else appendage
        for appendage in layout.appendages
    )
    return replace(layout, appendages=appendages)


def _share_near(ribbon: Ribbon, point: Array) -> float:
    """Share of a ribbon's length at its place nearest to a point."""

    def away(t: float) -> float:
        return float(np.sum((ribbon.midline(t) - point) ** 2))

    places = np.linspace(0.0, 1.0, _SAMPLES)
    nearest = int(np.argmin(np.sum((ribbon.midline(places) - point) ** 2, axis=1)))
    low, high = places[max(nearest - 1, 0)], places[min(nearest + 1, _SAMPLES - 1)]
    found = minimize_scalar(away, bounds=(low, high), method="bounded", options={"xatol": 1e-9})
    share = float(ribbon.arc_length(found.x) / ribbon.length)
    return float(np.clip(share, 0.0, 1.0))

"""Where labels find room in a picture: near what they name, off the subject and each other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array

Box = tuple[float, float, float, float]
Point = tuple[float, float]

_CELL = 8
_MARGIN = 10.0
_GAP = 4.0
_RADII = (20.0, 34.0, 52.0, 76.0, 106.0, 142.0, 184.0)
_ANGLES = tuple(np.radians(np.arange(0.0, 360.0, 15.0)))


def covered_cells(points: ArrayLike | None, size: tuple[int, int]) -> Array:
    """(rows + 1, columns + 1) what a subject covers, as running sums for quick sums over boxes."""
    columns, rows = size[0] // _CELL + 1, size[1] // _CELL + 1
    grid = np.zeros((rows, columns))
    if points is not None:
        cells = np.asarray(points, dtype=float)[:, :2] / _CELL
        inside = (cells >= 0).all(axis=1) & (cells[:, 0] < columns) & (cells[:, 1] < rows)
        column, row = cells[inside].astype(int).T
        grid[row, column] = 1.0
    sums = np.zeros((rows + 1, columns + 1))
    sums[1:, 1:] = grid.cumsum(axis=0).cumsum(axis=1)
    return sums


def place_labels(
    anchors: Sequence[Point],
    sizes: Sequence[tuple[float, float]],
    picture: tuple[int, int],
    busy: Array,
    taken: Sequence[Box] = (),
) -> list[Box]:
    """Find a place for each label near its anchor, inside the picture and off the others."""
    placed: list[Box] = []
    leaders: list[tuple[Point, Point]] = []
    for anchor, (width, height) in zip(anchors, sizes, strict=True):
        best, lowest = around(anchor, 0.5 * width), np.inf
        for radius in _RADII:
            if radius >= lowest:  # no cost is less than its radius
                break
            for angle in _ANGLES:
                box = _held_inside(_beside(anchor, angle, radius, width, height), picture)
                leader = (anchor, nearest(anchor, box))
                cost = radius + _gap_cost(anchor, leader[1]) + 40.0 * _cover(busy, box)
                if cost >= lowest:
                    continue
                cost += sum(_overlap(box, other) for other in (*taken, *placed))
                cost += 60.0 * sum(_cross(leader, other) for other in leaders)
                cost += 60.0 * sum(_cross(leader, side) for b in placed for side in _sides(b))
                if cost < lowest:
                    best, lowest = box, cost
        placed.append(best)
        leaders.append((anchor, nearest(anchor, best)))
    return placed


def place_number(
    anchor: Point,
    size: tuple[float, float],
    picture: tuple[int, int],
    clear: Array,
    taken: Sequence[Box],
    side: float | None = None,
) -> tuple[Box, float] | None:
    """Find a free place for a number close to its station."""
    best, lowest = None, np.inf
    for radius in (9.0, 14.0, 20.0):
        for angle in np.radians((-90, 90, 0, 180, -45, -135, 45, 135)):
            box = _beside(anchor, angle, radius, *size)
            cost = 2.0 * radius + 40.0 * _cover(clear, box)
            cost += 0.0 if side is None else 12.0 * (1.0 - np.cos(angle - side))
            if cost >= lowest or box != _held_inside(box, picture):
                continue
            if not any(_overlap(box, other, gap=1.0) for other in taken):
                best, lowest = (box, float(angle)), cost
    return best


def around(place: Point, radius: float) -> Box:
    """The square about a place."""
    return place[0] - radius, place[1] - radius, place[0] + radius, place[1] + radius


def _beside(anchor: Point, angle: float, radius: float, width: float, height: float) -> Box:
    """A box whose near edge stands off its anchor by a radius."""
    c, s = np.cos(angle), np.sin(angle)
    reach_x = 0.5 * width / abs(c) if abs(c) > 1e-9 else np.inf
    reach_y = 0.5 * height / abs(s) if abs(s) > 1e-9 else np.inf
    away = radius + min(reach_x, reach_y)
    x, y = anchor[0] + c * away, anchor[1] + s * away
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _held_inside(box: Box, picture: tuple[int, int]) -> Box:
    left, top, right, bottom = box
    x = max(_MARGIN - left, 0.0) - max(right - (picture[0] - _MARGIN), 0.0)
    y = max(_MARGIN - top, 0.0) - max(bottom - (picture[1] - _MARGIN), 0.0)
    return left + x, top + y, right + x, bottom + y


def nearest(point: Point, box: Box) -> Point:
    """The point of a box that is nearest to another."""
    return min(max(point[0], box[0]), box[2]), min(max(point[1], box[1]), box[3])


def _gap_cost(anchor: Point, end: Point) -> float:
    """A label pushed back over its own anchor is no good."""
    return 300.0 if np.hypot(end[0] - anchor[0], end[1] - anchor[1]) < 12.0 else 0.0


def _overlap(a: Box, b: Box, gap: float = _GAP) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0]) + gap
    high = min(a[3], b[3]) - max(a[1], b[1]) + gap
    return 1000.0 + wide * high if wide > 0 and high > 0 else 0.0


def _cover(sums: Array, box: Box) -> float:
    """Share of a box that the subject covers."""
    rows, columns = sums.shape[0] - 1, sums.shape[1] - 1
    left, right = (int(min(max(x / _CELL, 0), columns)) for x in (box[0], box[2] + _CELL))
    top, bottom = (int(min(max(y / _CELL, 0), rows)) for y in (box[1], box[3] + _CELL))
    area = max(1, (right - left) * (bottom - top))
    inside = sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]
    return float(inside) / area


def _sides(box: Box) -> tuple[tuple[Point, Point], tuple[Point, Point]]:
    """The diagonals of a box: a line through the box crosses one of them."""
    left, top, right, bottom = box
    return ((left, top), (right, bottom)), ((left, bottom), (right, top))


def _cross(one: tuple[Point, Point], other: tuple[Point, Point]) -> bool:
    def side(a: Point, b: Point, c: Point) -> float:
        return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])

    (a, b), (c, d) = one, other
    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0

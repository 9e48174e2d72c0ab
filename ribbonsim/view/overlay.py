"""What is written over a picture: markers, names, numbers and scale bars, none on another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw, ImageFont

from ribbonsim.view.look import CONTROL, INK, PAPER, STATION, Scale

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Box = tuple[float, float, float, float]
Point = tuple[float, float]
Font = ImageFont.FreeTypeFont

_FINE = 2  # the layer is drawn so many times larger and shrunk, which smooths its edges
_CELL = 8
_MARGIN = 10.0
_GAP = 4.0
_CLEAR_WORTH = 4.0
_RADII = (20.0, 34.0, 52.0, 76.0, 106.0, 142.0, 184.0)
_ANGLES = tuple(np.radians(np.arange(0.0, 360.0, 15.0)))


@dataclass(frozen=True)
class Mark:
    """Something to be marked in a picture.

    Parameters
    ----------
    place : (float, float)
        Pixels from the left and from the top.
    kind : {"station", "control"}
    text : str
        A station's number or a control's name.
    note : str
        Written small behind a control's name.
    """

    place: Point
    kind: Literal["station", "control"]
    text: str = ""
    note: str = ""


@dataclass
class Layer:
    """All that is written over one picture.

    Parameters
    ----------
    marks : list of Mark
    keep_clear : (n, 2) array
        Pixels that labels should not hide.
    scale : Scale or None
        Shown as a bar at the bottom left.
    """

    marks: list[Mark] = field(default_factory=list)
    keep_clear: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    scale: Scale | None = None

    @property
    def empty(self) -> bool:
        """Whether nothing is to be written."""
        return not self.marks and self.scale is None


def write_over(picture: Bytes, layer: Layer, body: ArrayLike | None = None) -> Bytes:
    """Write a layer over a picture.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8
    layer : Layer
    body : (n, 2) array, optional
        Pixels that the subject covers; labels keep off them where they can.

    Returns
    -------
    (height, width, 3) array of uint8
        A new picture.
    """
    if layer.empty:
        return picture
    height, width = picture.shape[:2]
    sheet = Image.new("RGBA", (width * _FINE, height * _FINE), (255, 255, 255, 0))
    pen = _Pen(ImageDraw.Draw(sheet), max(0.8, min(width, height * 4 / 3) / 1150.0))
    clear = covered_cells(layer.keep_clear, (width, height))
    busy = covered_cells(body, (width, height)) + _CLEAR_WORTH * clear
    taken: list[Box] = []
    if layer.scale is not None:
        taken.append(pen.scale_bar(layer.scale, height))
    _write_marks(pen, layer.marks, (width, height), (busy, clear), taken)
    small = sheet.resize((width, height), Image.Resampling.BOX)
    base = Image.fromarray(picture).convert("RGBA")
    return np.asarray(Image.alpha_composite(base, small).convert("RGB"))


def _write_marks(
    pen: _Pen,
    marks: Sequence[Mark],
    size: tuple[int, int],
    cover: tuple[Floats, Floats],
    taken: list[Box],
) -> None:
    busy, clear = cover
    controls = [mark for mark in marks if mark.kind == "control"]
    stations = [mark for mark in marks if mark.kind == "station"]
    dots = [_around(mark.place, pen.radius(mark.kind)) for mark in marks]
    sizes = [pen.label_size(mark) for mark in controls]
    boxes = place_labels([mark.place for mark in controls], sizes, size, busy, [*taken, *dots])
    for mark, box in zip(controls, boxes, strict=True):
        pen.leader(mark.place, box)
    for mark in (*stations, *controls):
        pen.marker(mark)
    for mark, box in zip(controls, boxes, strict=True):
        pen.label(mark, box)
    held = [*taken, *boxes, *dots]
    side: float | None = None
    for mark in stations:
        found = place_number(mark.place, pen.text_size(mark.text, "small"), size, clear, held, side)
        if mark.text and found is not None:
            box, side = found
            pen.number(mark, box)
            held.append(box)


# -- finding room ------------------------------------------------------------------------------


def covered_cells(points: ArrayLike | None, size: tuple[int, int]) -> Floats:
    """Coarse map of what a subject covers, as a running sum for quick sums over boxes.

    Parameters
    ----------
    points : (n, 2) array or None
        Pixels.
    size : (width, height)

    Returns
    -------
    (rows + 1, columns + 1) array
    """
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
    busy: Floats,
    taken: Sequence[Box] = (),
) -> list[Box]:
    """Find a place for each label near its anchor, inside the picture and off the others.

    Parameters
    ----------
    anchors : sequence of (x, y)
        Pixels.
    sizes : sequence of (width, height)
        Pixels.
    picture : (width, height)
    busy : array
        From :func:`covered_cells`.
    taken : sequence of boxes
        (left, top, right, bottom) where nothing may stand.

    Returns
    -------
    list of boxes
        One for each anchor. If no place is free, the one that overlaps the least.
    """
    placed: list[Box] = []
    leaders: list[tuple[Point, Point]] = []
    for anchor, (width, height) in zip(anchors, sizes, strict=True):
        best, lowest = _around(anchor, 0.5 * width), np.inf
        for radius in _RADII:
            for angle in _ANGLES:
                box = _held_inside(_beside(anchor, angle, radius, width, height), picture)
                leader = (anchor, _nearest(anchor, box))
                cost = radius + _gap_cost(anchor, leader[1]) + 40.0 * _cover(busy, box)
                cost += sum(_overlap(box, other) for other in (*taken, *placed))
                cost += 60.0 * sum(_cross(leader, other) for other in leaders)
                cost += 60.0 * sum(_cross(leader, side) for b in placed for side in _sides(b))
                if cost < lowest:
                    best, lowest = box, cost
        placed.append(best)
        leaders.append((anchor, _nearest(anchor, best)))
    return placed


def place_number(
    anchor: Point,
    size: tuple[float, float],
    picture: tuple[int, int],
    clear: Floats,
    taken: Sequence[Box],
    side: float | None = None,
) -> tuple[Box, float] | None:
    """Find a free place for a number close to its station.

    Parameters
    ----------
    anchor : (x, y)
    size : (width, height)
    picture : (width, height)
    clear : array
        From :func:`covered_cells`: what a number should not hide.
    taken : sequence of boxes
    side : float, optional
        The angle at which the number before stands; the same side is liked better.

    Returns
    -------
    (box, angle) or None
        None if there is no room: the number is left out.
    """
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


def _around(place: Point, radius: float) -> Box:
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


def _nearest(point: Point, box: Box) -> Point:
    return min(max(point[0], box[0]), box[2]), min(max(point[1], box[1]), box[3])


def _gap_cost(anchor: Point, end: Point) -> float:
    """A label pushed back over its own anchor is no good."""
    return 300.0 if np.hypot(end[0] - anchor[0], end[1] - anchor[1]) < 12.0 else 0.0


def _overlap(a: Box, b: Box, gap: float = _GAP) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0]) + gap
    high = min(a[3], b[3]) - max(a[1], b[1]) + gap
    return 1000.0 + wide * high if wide > 0 and high > 0 else 0.0


def _cover(sums: Floats, box: Box) -> float:
    """Share of a box that the subject covers."""
    rows, columns = sums.shape[0] - 1, sums.shape[1] - 1
    left, right = (int(np.clip(x / _CELL, 0, columns)) for x in (box[0], box[2] + _CELL))
    top, bottom = (int(np.clip(y / _CELL, 0, rows)) for y in (box[1], box[3] + _CELL))
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


# -- drawing -----------------------------------------------------------------------------------


@cache
def load_font(points: int, bold: bool = False) -> Font:
    """A font that knows most alphabets; it comes with matplotlib.

    Parameters
    ----------
    points : int
    bold : bool

    Returns
    -------
    ImageFont.FreeTypeFont
    """
    import matplotlib

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path(), "fonts", "ttf", name)), points)


class _Pen:
    """Draws on the enlarged layer in the picture's own pixels."""

    def __init__(self, draw: ImageDraw.ImageDraw, zoom: float) -> None:
        self.draw = draw
        self.zoom = zoom

    def font(self, style: str) -> Font:
        points = {"name": 16.0, "small": 12.5, "title": 21.0, "value": 17.0}[style]
        return load_font(round(points * self.zoom * _FINE), style in ("name", "title"))

    def radius(self, kind: str) -> float:
        return (8.5 if kind == "control" else 4.2) * self.zoom

    def text_size(self, text: str, style: str) -> tuple[float, float]:
        font = self.font(style)
        rise, fall = font.getmetrics()
        return font.getlength(text) / _FINE, (rise + fall) / _FINE

    def label_size(self, mark: Mark) -> tuple[float, float]:
        name, note = self.text_size(mark.text, "name"), self.text_size(mark.note, "small")
        gap = 7.0 * self.zoom if mark.note else 0.0
        return name[0] + gap + note[0] + 18.0 * self.zoom, name[1] + 8.0 * self.zoom

    def line(self, a: Point, b: Point, colour: str, width: float) -> None:
        ends = [(a[0] * _FINE, a[1] * _FINE), (b[0] * _FINE, b[1] * _FINE)]
        self.draw.line(ends, fill=colour, width=max(1, round(width * self.zoom * _FINE)))

    def disc(self, place: Point, radius: float, colour: str) -> None:
        box = _around((place[0] * _FINE, place[1] * _FINE), radius * _FINE)
        self.draw.ellipse(box, fill=colour)

    def text(self, place: Point, text: str, style: str, colour: str, halo: bool = False) -> None:
        self.draw.text(
            (place[0] * _FINE, place[1] * _FINE),
            text,
            font=self.font(style),
            fill=colour,
            anchor="ls",
            stroke_width=round(2.2 * self.zoom * _FINE) if halo else 0,
            stroke_fill="#f2f4f5",
        )

    def leader(self, anchor: Point, box: Box) -> None:
        end = _nearest(anchor, box)
        self.line(anchor, end, "#ffffffc0", 4.5)
        self.line(anchor, end, INK, 1.8)

    def marker(self, mark: Mark) -> None:
        radius = self.radius(mark.kind)
        if mark.kind == "control":
            self.disc(mark.place, radius + 2.6 * self.zoom, PAPER)
            self.disc(mark.place, radius + 0.9 * self.zoom, INK)
            self.disc(mark.place, radius - 0.9 * self.zoom, CONTROL)
            self.disc(mark.place, radius * 0.32, INK)
        else:
            self.disc(mark.place, radius + 1.4 * self.zoom, INK)
            self.disc(mark.place, radius, STATION)

    def label(self, mark: Mark, box: Box) -> None:
        scaled = [side * _FINE for side in box]
        round_by = 7.0 * self.zoom * _FINE
        self.draw.rounded_rectangle(
            scaled, round_by, "#ffffffee", INK, max(1, round(1.3 * self.zoom * _FINE))
        )
        base = 0.5 * (box[1] + box[3]) + 5.7 * self.zoom
        left = box[0] + 9.0 * self.zoom
        self.text((left, base), mark.text, "name", INK)
        after = left + self.text_size(mark.text, "name")[0] + 7.0 * self.zoom
        self.text((after, base), mark.note, "small", "#5a6873")

    def number(self, mark: Mark, box: Box) -> None:
        base = 0.5 * (box[1] + box[3]) + 4.4 * self.zoom
        self.text((box[0], base), mark.text, "small", INK, halo=True)

    def scale_bar(self, scale: Scale, height: int) -> Box:
        left, width, thick = 26.0 * self.zoom, 340.0 * self.zoom, 17.0 * self.zoom
        bottom = height - 52.0 * self.zoom
        steps = round(width * _FINE)
        for step in range(steps):
            tone = tuple(int(c) for c in scale.table[step * 255 // max(1, steps - 1)])
            x = left * _FINE + step
            self.draw.line([(x, (bottom - thick) * _FINE), (x, bottom * _FINE)], fill=tone)
        self.text((left, bottom - thick - 11.0 * self.zoom), scale.title, "title", INK)
        for value in scale.marks:
            x = left + float(scale.share(value)) * width
            self.line((x, bottom), (x, bottom + 5.0 * self.zoom), INK, 1.4)
            label = f"{value:g}{scale.unit}"
            half = 0.5 * self.text_size(label, "value")[0]
            x = min(max(x - half, left - 4.0 * self.zoom), left + width - half)
            self.text((x, bottom + 24.0 * self.zoom), label, "value", INK)
        wide = max(width, self.text_size(scale.title, "title")[0])
        return left, bottom - 50.0 * self.zoom, left + wide, bottom + 30.0 * self.zoom

"""What is written over a picture: markers, names, numbers and scale bars, none on another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from PIL import Image

from ribbonsim.arrays import Array, Bytes
from ribbonsim.view.label_places import (
    Box,
    Point,
    around,
    covered_cells,
    nearest,
    place_labels,
    place_number,
)
from ribbonsim.view.lettering import FINE, Pen
from ribbonsim.view.look import CONTROL, INK, PAPER, STATION, Scale

_CLEAR_WORTH = 4.0  # a label over the ribbon is so much worse than one over the skin
_NAME, _SMALL, _TITLE, _VALUE = 16.0, 12.5, 21.0, 17.0
_SOFT, _HALO = "#5a6873", "#f2f4f5"
# from a picture's bottom to the top of a scale's title, at zoom 1
SCALE_HIGH = 112.0


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
    keep_clear : (n, 2) array
        Pixels that labels should not hide.
    scale : Scale or None
        Shown as a bar at the bottom left.
    zoom : float or None
        How large all is written; None is as large as suits the picture.
    """

    marks: list[Mark] = field(default_factory=list)
    keep_clear: Array = field(default_factory=lambda: np.zeros((0, 2)))
    scale: Scale | None = None
    zoom: float | None = None

    @property
    def empty(self) -> bool:
        """Whether nothing is to be written."""
        return not self.marks and self.scale is None


def write_over(picture: Bytes, layer: Layer, body: ArrayLike | None = None) -> Bytes:
    """Write a layer over a picture."""
    if layer.empty:
        return picture
    height, width = picture.shape[:2]
    sheet = Image.new("RGBA", (width * FINE, height * FINE), (255, 255, 255, 0))
    usual = max(0.8, min(width, height * 4 / 3) / 1150.0)
    pen = _MarkPen(sheet, usual if layer.zoom is None else layer.zoom)
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
    pen: _MarkPen,
    marks: Sequence[Mark],
    size: tuple[int, int],
    cover: tuple[Array, Array],
    taken: list[Box],
) -> None:
    busy, clear = cover
    controls = [mark for mark in marks if mark.kind == "control"]
    stations = [mark for mark in marks if mark.kind == "station"]
    dots = [around(mark.place, pen.radius(mark.kind)) for mark in marks]
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
        found = place_number(mark.place, pen.number_size(mark), size, clear, held, side)
        if mark.text and found is not None:
            box, side = found
            pen.number(mark, box)
            held.append(box)


class _MarkPen:
    """Draws marks, labels and scale bars; sizes grow with the picture by a zoom."""

    def __init__(self, sheet: Image.Image, zoom: float) -> None:
        self.zoom = zoom
        self.pen = Pen(sheet, FINE, zoom * FINE)

    def radius(self, kind: str) -> float:
        return (8.5 if kind == "control" else 4.2) * self.zoom

    def number_size(self, mark: Mark) -> tuple[float, float]:
        return self.pen.width(mark.text, _SMALL), self.pen.height(_SMALL)

    def label_size(self, mark: Mark) -> tuple[float, float]:
        gap = 7.0 if mark.note else 0.0
        wide = self.pen.width(mark.text, _NAME, True) + self.pen.width(mark.note, _SMALL)
        high = self.pen.height(_NAME, True)
        return wide + (gap + 18.0) * self.zoom, high + 8.0 * self.zoom

    def leader(self, anchor: Point, box: Box) -> None:
        end = nearest(anchor, box)
        self.pen.line(anchor, end, "#ffffffc0", 4.5 * self.zoom)
        self.pen.line(anchor, end, INK, 1.8 * self.zoom)

    def marker(self, mark: Mark) -> None:
        radius, disc = self.radius(mark.kind), self.pen.disc
        if mark.kind == "control":
            disc(mark.place, radius + 2.6 * self.zoom, PAPER)
            disc(mark.place, radius + 0.9 * self.zoom, INK)
            disc(mark.place, radius - 0.9 * self.zoom, CONTROL)
            disc(mark.place, radius * 0.32, INK)
        else:
            disc(mark.place, radius + 1.4 * self.zoom, INK)
            disc(mark.place, radius, STATION)

    def label(self, mark: Mark, box: Box) -> None:
        self.pen.plate(box, 7.0 * self.zoom, "#ffffffee", INK, 1.3 * self.zoom)
        base = 0.5 * (box[1] + box[3]) + 5.7 * self.zoom
        left = box[0] + 9.0 * self.zoom
        self.pen.write((left, base), mark.text, _NAME, INK, True)
        after = left + self.pen.width(mark.text, _NAME, True) + 7.0 * self.zoom
        self.pen.write((after, base), mark.note, _SMALL, _SOFT)

    def number(self, mark: Mark, box: Box) -> None:
        base = 0.5 * (box[1] + box[3]) + 4.4 * self.zoom
        halo = (2.2 * self.zoom, _HALO)
        self.pen.write((box[0], base), mark.text, _SMALL, INK, halo=halo)

    def scale_bar(self, scale: Scale, height: int) -> Box:
        left, width, thick = 26.0 * self.zoom, 340.0 * self.zoom, 17.0 * self.zoom
        bottom = height - 52.0 * self.zoom
        steps = round(width * FINE)
        for step in range(steps):
            tint = tuple(int(c) for c in scale.table[step * 255 // max(1, steps - 1)])
            x = left * FINE + step
            ends = [(x, (bottom - thick) * FINE), (x, bottom * FINE)]
            self.pen.draw.line(ends, fill=tint)
        above = (left, bottom - thick - 11.0 * self.zoom)
        self.pen.write(above, scale.title, _TITLE, INK, True)
        for value in scale.marks:
            x = left + float(scale.share(value)) * width
            self.pen.line((x, bottom), (x, bottom + 5.0 * self.zoom), INK, 1.4 * self.zoom)
            label = f"{value:g}{scale.unit}"
            half = 0.5 * self.pen.width(label, _VALUE)
            x = min(max(x - half, left - 4.0 * self.zoom), left + width - half)
            self.pen.write((x, bottom + 24.0 * self.zoom), label, _VALUE, INK)
        wide = max(width, self.pen.width(scale.title, _TITLE, True))
        return left, bottom - 50.0 * self.zoom, left + wide, bottom + 30.0 * self.zoom

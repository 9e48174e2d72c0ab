"""Dots, names and numbers in the panel's picture, quick enough to be drawn in every frame.

A name keeps its place beside its dot while the creature moves; room is looked for only when the
picture rests.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from PIL import Image

from ribbonsim.arrays import Array, Bytes
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.panel.work.sprites import Box, Point, Sheet, name_size
from ribbonsim.view.label_places import covered_cells, place_labels
from ribbonsim.view.look import CONTROL, PAPER, RIBBON_FRONT, Scale
from ribbonsim.view.overlay import SCALE_HIGH, Layer, write_over

_SIDES = 8  # on which a name can stand beside its dot
_SCALE_ZOOM = 0.8


@dataclass(frozen=True)
class Marks:
    """What is to be marked in one picture.

    Parameters
    ----------
    controls : sequence of (name, pixel)
        Of the chosen ribbon.
    named : sequence of (name, pixel)
        Controls whose names are shown.
    chosen : str
        Name of the control that stands out.
    stations : sequence of (number, pixel)
        In body order.
    place : pixel, optional
        A place along the ribbon that the user is looking for.
    spots : sequence of pixel
        Vertices that the body hides.
    others : sequence of pixel
        Controls of ribbons that are not the chosen one.
    piece : sequence of lines
        Along and round what the chosen control bends.
    guide : sequence of pixel
        Points of a guide that is being drawn, from root to tip.
    held : int
        Number of the chosen one of them, from 0.
    course : sequence of pixel
        The curve through them.
    """

    controls: Sequence[tuple[str, Point]] = ()
    named: Sequence[tuple[str, Point]] = ()
    chosen: str = ""
    stations: Sequence[tuple[int, Point]] = ()
    place: Point | None = None
    spots: Sequence[Point] = ()
    others: Sequence[Point] = ()
    piece: Sequence[Sequence[Point]] = ()
    guide: Sequence[Point] = ()
    held: int = -1
    course: Sequence[Point] = ()

    def in_units(self, grain: float) -> Marks:
        """The same with places in units of a canvas instead of its pixels."""

        def at(place: Point) -> Point:
            return place[0] / grain, place[1] / grain

        return replace(
            self,
            controls=[(name, at(place)) for name, place in self.controls],
            named=[(name, at(place)) for name, place in self.named],
            stations=[(number, at(place)) for number, place in self.stations],
            place=None if self.place is None else at(self.place),
            spots=[at(place) for place in self.spots],
            others=[at(place) for place in self.others],
            piece=[[at(place) for place in line] for line in self.piece],
            guide=[at(place) for place in self.guide],
            course=[at(place) for place in self.course],
        )


class Marker:
    """Draws marks; remembers where names stand beside their dots.

    Attributes
    ----------
    canvas : Canvas
        Of the picture that is drawn next; names stand alike on finer and coarser ones.
    boxes : dict of str to box
        Of the names in the picture that was drawn last, in units.
    """

    def __init__(self, canvas: Canvas) -> None:
        self.canvas = canvas
        self._offsets: dict[str, Point] = {}
        self.boxes: dict[str, Box] = {}

    def settle(self, marks: Marks, body: Array, anew: bool) -> None:
        """Find room for the names; those that have some keep it, unless all is to be found anew."""
        grain, units = self.canvas.grain, self.canvas.units
        marks, body = marks.in_units(grain), body / grain
        size = (round(units[0]), round(units[1]))
        named = _by_weight(marks)
        kept = {} if anew else {n: self._box(n, p) for n, p in named if n in self._offsets}
        if _touching(list(kept.values())):
            kept = {}
        new = [(name, place) for name, place in named if name not in kept]
        if not new:
            return
        dots = [_about(place) for _, place in marks.controls]
        places, sizes = [place for _, place in new], [name_size(name) for name, _ in new]
        taken = [*dots, *kept.values()]
        found = place_labels(places, sizes, size, covered_cells(body, size), taken)
        self._offsets = {name: self._offsets[name] for name in kept}
        for (name, (x, y)), box in zip(new, found, strict=True):
            self._offsets[name] = (box[0] - x, box[1] - y)

    def draw(self, picture: Bytes, marks: Marks) -> Bytes:
        """Draw marks over a picture."""
        sheet = Sheet(picture, self.canvas.grain)
        marks = marks.in_units(self.canvas.grain)
        if marks.piece:
            sheet.lines(marks.piece, PAPER, 6.5, 0.45)
            sheet.lines(marks.piece, CONTROL, 3.2, 0.9)
        if marks.course:
            sheet.lines([marks.course], PAPER, 6.5, 0.7)
            sheet.lines([marks.course], RIBBON_FRONT, 3.4, 1.0)
        for place in marks.spots:
            sheet.dot("spot", place)
        for place in marks.others:
            sheet.dot("other", place)
        _draw_stations(sheet, marks)
        self.boxes = self._room(marks)
        for name, place in marks.named:
            if name in self.boxes:
                sheet.leader(place, self.boxes[name])
        for name, place in marks.controls:
            sheet.dot("chosen" if name == marks.chosen else "control", place)
        for name, box in self.boxes.items():
            sheet.name(name, name == marks.chosen, box)
        _draw_guide(sheet, marks)
        if marks.place is not None:
            sheet.dot("place", marks.place)
        return sheet.picture

    def _room(self, marks: Marks) -> dict[str, Box]:
        """Boxes of names that keep off each other; one without room is left out.

        The chosen control's comes first. A name stands where it stood beside its dot, else on
        another side of it, and only hides another dot where it finds no better place.
        """
        found: dict[str, Box] = {}
        dots = {name: _about(place) for name, place in (*marks.named, *marks.controls)}
        for name, place in _by_weight(marks):
            others = [box for other, box in dots.items() if other != name]
            boxes = [self._box(name, place, side) for side in range(_SIDES)]
            free = [box for box in boxes if not _meets(box, found.values())]
            best = next((box for box in free if not _meets(box, others)), None)
            if best is not None or free:
                found[name] = free[0] if best is None else best
        return found

    def _box(self, name: str, place: Point, side: int = 0) -> Box:
        """Where a name stands beside its dot; other sides than 0 are mirror images of that."""
        wide, high = name_size(name)
        dx, dy = self._offsets.get(name, (14.0, -0.5 * high))
        if side & 1:
            dx = -dx - wide
        if side & 2:
            dy = -dy - high
        if side & 4:  # a name that stood aside goes above or below
            dx, dy = -0.5 * wide, (12.0 if side & 2 else -12.0 - high)
        room = self.canvas.units
        left = min(max(place[0] + dx, 2.0), room[0] - wide - 2.0)
        top = min(max(place[1] + dy, 2.0), room[1] - high - 2.0)
        return left, top, left + wide, top + high


def _draw_stations(sheet: Sheet, marks: Marks) -> None:
    """Stations with their numbers beside them; a control's dot stands for its station's."""
    seats = {place for _, place in marks.controls}
    for (number, place), away in zip(marks.stations, _aside(marks.stations), strict=True):
        if place not in seats:
            sheet.dot("station", place)
        step = 1.5 if place in seats else 1.0
        sheet.number(number, (place[0] + step * away[0], place[1] + step * away[1]))


def _draw_guide(sheet: Sheet, marks: Marks) -> None:
    """Points of a guide that is being drawn, with their numbers."""
    for number, place in enumerate(marks.guide):
        sheet.dot("held" if number == marks.held else "guide", place)
    numbered = list(enumerate(marks.guide, start=1))
    for (number, place), away in zip(numbered, _aside(numbered), strict=True):
        sheet.number(number, (place[0] + away[0], place[1] + away[1]))


def _by_weight(marks: Marks) -> list[tuple[str, Point]]:
    """Controls with names, the chosen one first."""
    return sorted(marks.named, key=lambda control: control[0] != marks.chosen)


def _about(place: Point) -> Box:
    return place[0] - 10.0, place[1] - 10.0, place[0] + 10.0, place[1] + 10.0


def _meets(box: Box, others: Iterable[Box]) -> bool:
    return any(_touching((box, other)) for other in others)


def _touching(boxes: Sequence[Box]) -> bool:
    return any(
        a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
        for i, a in enumerate(boxes)
        for b in boxes[:i]
    )


def _aside(stations: Sequence[tuple[int, Point]]) -> Array:
    """(n, 2) steps from each station to its number, square to the body in the picture."""
    if len(stations) < 2:
        return np.tile([0.0, -13.0], (len(stations), 1))
    along = np.gradient(np.array([place for _, place in stations]), axis=0)
    length = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    return 13.0 * np.column_stack([along[:, 1], -along[:, 0]]) / length


@lru_cache(maxsize=32)
def scale_patch(scale: Scale, canvas: Canvas) -> tuple[Image.Image, tuple[int, int]]:
    """The bar of a colour scale, ready to be pasted, and where: pixels from left and bottom."""
    # written over black and over white, the difference of the two tells how far it covers
    zoom = _SCALE_ZOOM * canvas.grain
    layer, high = Layer(scale=scale, zoom=zoom), round(SCALE_HIGH * zoom)
    grounds = [np.full((high, canvas.size[0], 3), tone, dtype=np.uint8) for tone in (0, 255)]
    black, white = (write_over(ground, layer).astype(float) for ground in grounds)
    cover = np.clip(1.0 - (white - black).mean(axis=2) / 255.0, 0.0, 1.0)
    rows, columns = np.nonzero(cover.max(axis=1))[0], np.nonzero(cover.max(axis=0))[0]
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    tone = black[part] / np.maximum(cover[part], 1.0 / 255.0)[..., None]
    patch = np.dstack([tone, 255.0 * cover[part]])
    image = Image.fromarray(np.clip(np.round(patch), 0, 255).astype(np.uint8), "RGBA")
    return image, (int(columns[0]), high - int(rows[0]))

"""Dots, names and numbers in the panel's picture, quick enough to be drawn in every frame.

Each dot and each name is drawn once, finely, and pasted from then on. A name keeps its place
beside its dot while the creature moves; room is looked for only when the picture rests.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from PIL import Image, ImageDraw

from ribbonsim.arrays import Array, Bytes
from ribbonsim.view.label_places import covered_cells, place_labels
from ribbonsim.view.lettering import load_font
from ribbonsim.view.look import CONTROL, INK, PAPER, RIBBON_FRONT, STATION, Scale
from ribbonsim.view.overlay import Layer, write_over

Point = tuple[float, float]
Box = tuple[float, float, float, float]

_FINE = 3
_SMOOTH = 2
_SPOT = "#b4482f"
_NAME_SIZE, _NUMBER_SIZE = 15, 12
_LONGEST = 24
_SIDES = 8  # on which a name can stand beside its dot


@dataclass(frozen=True)
class Marks:
    """What is to be marked in one picture.

    Parameters
    ----------
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
    chosen: str = ""
    stations: Sequence[tuple[int, Point]] = ()
    place: Point | None = None
    spots: Sequence[Point] = ()
    others: Sequence[Point] = ()
    piece: Sequence[Sequence[Point]] = ()
    guide: Sequence[Point] = ()
    held: int = -1
    course: Sequence[Point] = ()


class Marker:
    """Draws marks; remembers where names stand beside their dots.

    Parameters
    ----------
    size : (width, height)
        Pixels of the picture.
    """

    def __init__(self, size: tuple[int, int]) -> None:
        self.size = size
        self._offsets: dict[str, Point] = {}
        self.boxes: dict[str, Box] = {}  # of the names in the picture that was drawn last

    def settle(self, marks: Marks, body: Array, anew: bool) -> None:
        """Find room for the names."""
        names = [name for name, _ in marks.controls]
        boxes = [self._box(name, place) for name, place in marks.controls]
        if not anew and set(names) <= self._offsets.keys() and not _touching(boxes):
            return
        controls = _by_weight(marks)
        names = [name for name, _ in controls]
        sizes = [_name_sprite(name, name == marks.chosen).size for name in names]
        dots = [_about(place) for _, place in controls]
        places = [place for _, place in controls]
        found = place_labels(places, sizes, self.size, covered_cells(body, self.size), dots)
        self._offsets = {
            name: (box[0] - x, box[1] - y)
            for name, (x, y), box in zip(names, places, found, strict=True)
        }

    def draw(self, picture: Bytes, marks: Marks) -> Bytes:
        """Draw marks over a picture."""
        sheet = Image.fromarray(picture)
        if marks.piece:
            _draw_lines(sheet, marks.piece, PAPER, 6.5, 0.45)
            _draw_lines(sheet, marks.piece, CONTROL, 3.2, 0.9)
        if marks.course:
            _draw_lines(sheet, [marks.course], PAPER, 6.5, 0.7)
            _draw_lines(sheet, [marks.course], RIBBON_FRONT, 3.4, 1.0)
        for place in marks.spots:
            _paste(sheet, _dot_sprite("spot"), place)
        for place in marks.others:
            _paste(sheet, _dot_sprite("other"), place)
        seats = {place for _, place in marks.controls}
        for (number, place), away in zip(marks.stations, _aside(marks.stations), strict=True):
            if place not in seats:
                _paste(sheet, _dot_sprite("station"), place)
            step = 1.5 if place in seats else 1.0
            _paste(
                sheet,
                _number_sprite(number),
                (place[0] + step * away[0], place[1] + step * away[1]),
            )
        self.boxes = self._room(marks)
        for name, place in marks.controls:
            if name in self.boxes:
                _draw_leader(sheet, place, self.boxes[name])
        for name, place in marks.controls:
            _paste(sheet, _dot_sprite("chosen" if name == marks.chosen else "control"), place)
        for name, (left, top, right, bottom) in self.boxes.items():
            middle = (0.5 * (left + right), 0.5 * (top + bottom))
            _paste(sheet, _name_sprite(name, name == marks.chosen), middle)
        for number, place in enumerate(marks.guide):
            _paste(sheet, _dot_sprite("held" if number == marks.held else "guide"), place)
        for number, (place, away) in enumerate(
            zip(marks.guide, _aside(list(enumerate(marks.guide))), strict=True), start=1
        ):
            _paste(sheet, _number_sprite(number), (place[0] + away[0], place[1] + away[1]))
        if marks.place is not None:
            _paste(sheet, _dot_sprite("place"), marks.place)
        return np.asarray(sheet)

    @staticmethod
    def draw_dots(picture: Bytes, places: Sequence[Point], chosen: int) -> Bytes:
        """Draw the controls' dots without their names, where there is no room for these."""
        sheet = Image.fromarray(picture)
        for i, place in enumerate(places):
            _paste(sheet, _dot_sprite("chosen" if i == chosen else "control"), place)
        return np.asarray(sheet)

    def _room(self, marks: Marks) -> dict[str, Box]:
        """Boxes of names that keep off each other; one without room is left out.

        The chosen control's comes first. A name stands where it stood beside its dot, else on
        another side of it, and only hides another dot where it finds no better place.
        """
        found: dict[str, Box] = {}
        dots = {name: _about(place) for name, place in marks.controls}
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
        wide, high = _name_sprite(name, False).size
        dx, dy = self._offsets.get(name, (14.0, -0.5 * high))
        if side & 1:
            dx = -dx - wide
        if side & 2:
            dy = -dy - high
        if side & 4:  # a name that stood aside goes above or below
            dx, dy = -0.5 * wide, (12.0 if side & 2 else -12.0 - high)
        left = min(max(place[0] + dx, 2.0), self.size[0] - wide - 2.0)
        top = min(max(place[1] + dy, 2.0), self.size[1] - high - 2.0)
        return left, top, left + wide, top + high


def _by_weight(marks: Marks) -> list[tuple[str, Point]]:
    """Controls with the chosen one first."""
    return sorted(marks.controls, key=lambda control: control[0] != marks.chosen)


def _about(place: Point) -> Box:
    return place[0] - 10.0, place[1] - 10.0, place[0] + 10.0, place[1] + 10.0


def _meets(box: Box, others: Iterable[Box]) -> bool:
    return any(_touching((box, other)) for other in others)


@cache
def scale_patch(scale: Scale, size: tuple[int, int]) -> tuple[Image.Image, tuple[int, int]]:
    """The bar of a colour scale, ready to be pasted."""
    # written over black and over white, the difference of the two tells how far it covers
    layer = Layer(scale=scale)
    grounds = [np.full((size[1], size[0], 3), tone, dtype=np.uint8) for tone in (0, 255)]
    black, white = (write_over(ground, layer).astype(float) for ground in grounds)
    cover = np.clip(1.0 - (white - black).mean(axis=2) / 255.0, 0.0, 1.0)
    rows, columns = np.nonzero(cover.max(axis=1))[0], np.nonzero(cover.max(axis=0))[0]
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    tone = black[part] / np.maximum(cover[part], 1.0 / 255.0)[..., None]
    patch = np.dstack([tone, 255.0 * cover[part]])
    image = Image.fromarray(np.clip(np.round(patch), 0, 255).astype(np.uint8), "RGBA")
    return image, (int(columns[0]), int(rows[0]))


def _aside(stations: Sequence[tuple[int, Point]]) -> Array:
    """(n, 2) steps from each station to its number, square to the body in the picture."""
    if len(stations) < 2:
        return np.tile([0.0, -13.0], (len(stations), 1))
    along = np.gradient(np.array([place for _, place in stations]), axis=0)
    length = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    return 13.0 * np.column_stack([along[:, 1], -along[:, 0]]) / length


def _touching(boxes: Sequence[Box]) -> bool:
    return any(
        a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
        for i, a in enumerate(boxes)
        for b in boxes[:i]
    )


def _paste(sheet: Image.Image, sprite: Image.Image, middle: Point) -> None:
    x, y = middle[0] - 0.5 * sprite.width, middle[1] - 0.5 * sprite.height
    if abs(x) < 4 * sheet.width and abs(y) < 4 * sheet.height:  # behind the camera it is far off
        sheet.paste(sprite, (round(x), round(y)), sprite)


def _draw_leader(sheet: Image.Image, anchor: Point, box: Box) -> None:
    end = (min(max(anchor[0], box[0]), box[2]), min(max(anchor[1], box[1]), box[3]))
    if not 2.0 < np.hypot(end[0] - anchor[0], end[1] - anchor[1]) < 400.0:
        return
    left, top = (min(a, b) - 3.0 for a, b in zip(anchor, end, strict=True))
    wide, high = (round(abs(a - b) + 6.0) for a, b in zip(anchor, end, strict=True))
    patch = Image.new("RGBA", (wide * _FINE, high * _FINE), (255, 255, 255, 0))
    pen = ImageDraw.Draw(patch)
    ends = [((x - round(left)) * _FINE, (y - round(top)) * _FINE) for x, y in (anchor, end)]
    pen.line(ends, fill="#ffffffc0", width=4 * _FINE)
    pen.line(ends, fill=INK, width=round(1.5 * _FINE))
    small = patch.resize((wide, high), Image.Resampling.BOX)
    sheet.paste(small, (round(left), round(top)), small)


def _draw_lines(
    sheet: Image.Image, lines: Sequence[Sequence[Point]], tone: str, width: float, opacity: float
) -> None:
    """Smooth lines over a picture, drawn on the part of it that they cover."""
    points = np.concatenate([np.asarray(line) for line in lines])
    room = np.array(sheet.size, dtype=float)
    if (np.abs(points) > 4.0 * room.max()).any():  # behind the camera they are far off
        return
    low = np.floor(np.clip(points.min(axis=0) - width, 0.0, room)).astype(int)
    high = np.ceil(np.clip(points.max(axis=0) + width, 0.0, room)).astype(int)
    (left, top), (wide, tall) = low.tolist(), (high - low).tolist()
    if wide < 1 or tall < 1:
        return
    mask = Image.new("L", (wide * _SMOOTH, tall * _SMOOTH), 0)
    pen = ImageDraw.Draw(mask)
    for line in lines:
        ends = [((x - left) * _SMOOTH, (y - top) * _SMOOTH) for x, y in line]
        pen.line(ends, fill=round(255 * opacity), width=round(width * _SMOOTH), joint="curve")
    sheet.paste(tone, (left, top), mask.reduce(_SMOOTH))


@cache
def _dot_sprite(kind: str) -> Image.Image:
    """A dot, its rings from the outside: (radius, colour)."""
    rings = {
        "spot": ((4.6, PAPER), (3.2, _SPOT)),
        "station": ((5.0, INK), (3.8, STATION)),
        "other": ((5.6, PAPER), (4.4, INK), (3.2, CONTROL)),
        "control": ((9.0, PAPER), (7.4, INK), (6.0, CONTROL)),
        "chosen": ((11.5, PAPER), (9.8, INK), (8.2, CONTROL), (3.2, INK)),
        "guide": ((7.4, PAPER), (6.0, INK), (4.6, PAPER)),
        "held": ((9.6, PAPER), (8.2, INK), (6.6, RIBBON_FRONT)),
        "place": ((10.0, PAPER), (8.4, RIBBON_FRONT), (4.6, PAPER), (2.6, RIBBON_FRONT)),
    }[kind]
    side = 2 * round(rings[0][0] + 2.0)
    sheet = Image.new("RGBA", (side * _FINE, side * _FINE), (255, 255, 255, 0))
    pen, middle = ImageDraw.Draw(sheet), 0.5 * side
    for radius, tone in rings:
        box = [(middle - radius) * _FINE] * 2 + [(middle + radius) * _FINE] * 2
        pen.ellipse(box, fill=tone)
    return sheet.resize((side, side), Image.Resampling.BOX)


@cache
def _name_sprite(name: str, chosen: bool) -> Image.Image:
    text = name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"
    font = load_font(_NAME_SIZE * _FINE, True)
    wide = round(font.getlength(text) / _FINE) + 16
    high = _NAME_SIZE + 9
    sheet = Image.new("RGBA", (wide * _FINE, high * _FINE), (255, 255, 255, 0))
    pen = ImageDraw.Draw(sheet)
    ground, tone = (INK, PAPER) if chosen else ("#ffffffee", INK)
    box = (0, 0, wide * _FINE - 1, high * _FINE - 1)
    pen.rounded_rectangle(box, 6 * _FINE, ground, INK, _FINE)
    pen.text((8 * _FINE, (high / 2 + 5.5) * _FINE), text, font=font, fill=tone, anchor="ls")
    return sheet.resize((wide, high), Image.Resampling.BOX)


@cache
def _number_sprite(number: int) -> Image.Image:
    font = load_font(_NUMBER_SIZE * _FINE)
    wide, high = round(font.getlength(str(number)) / _FINE) + 6, _NUMBER_SIZE + 6
    sheet = Image.new("RGBA", (wide * _FINE, high * _FINE), (242, 244, 245, 0))
    pen = ImageDraw.Draw(sheet)
    pen.text(
        (0.5 * wide * _FINE, 0.5 * high * _FINE),
        str(number),
        font=font,
        fill=INK,
        anchor="mm",
        stroke_width=2 * _FINE,
        stroke_fill="#f2f4f5",
    )
    return sheet.resize((wide, high), Image.Resampling.BOX)

"""Dots, names, numbers and lines as they are put into a picture, in units of its canvas."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw

from ribbonsim.arrays import Bytes
from ribbonsim.view.lettering import load_font
from ribbonsim.view.look import CONTROL, INK, PAPER, RIBBON_FRONT, STATION

Point = tuple[float, float]
Box = tuple[float, float, float, float]

_FINE = 3
_SMOOTH = 2
_SPOT = "#b4482f"
_NAME_SIZE, _NUMBER_SIZE = 15, 12
_LONGEST = 24
# of each kind of dot, its rings from the outside: (radius, colour)
_RINGS = {
    "spot": ((4.6, PAPER), (3.2, _SPOT)),
    "station": ((5.0, INK), (3.8, STATION)),
    "other": ((5.6, PAPER), (4.4, INK), (3.2, CONTROL)),
    "control": ((9.0, PAPER), (7.4, INK), (6.0, CONTROL)),
    "chosen": ((11.5, PAPER), (9.8, INK), (8.2, CONTROL), (3.2, INK)),
    "guide": ((7.4, PAPER), (6.0, INK), (4.6, PAPER)),
    "held": ((9.6, PAPER), (8.2, INK), (6.6, RIBBON_FRONT)),
    "place": ((10.0, PAPER), (8.4, RIBBON_FRONT), (4.6, PAPER), (2.6, RIBBON_FRONT)),
}


class Sheet:
    """A picture that dots, names and lines are put on; each is drawn finely once.

    Parameters
    ----------
    grain : float
        Pixels to one unit, in which all places and sizes are given.
    """

    def __init__(self, picture: Bytes, grain: float) -> None:
        self._image, self._grain = Image.fromarray(picture), grain

    @property
    def picture(self) -> Bytes:
        """With all that was put on it."""
        return np.asarray(self._image)

    def dot(self, kind: str, place: Point) -> None:
        """Put a dot at a place."""
        self._paste(_dot_sprite(kind, self._grain), place)

    def number(self, number: int, place: Point) -> None:
        """Put a number at a place."""
        self._paste(_number_sprite(number, self._grain), place)

    def name(self, name: str, chosen: bool, box: Box) -> None:
        """Put a name into its box."""
        middle = (0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3]))
        self._paste(_name_sprite(name, chosen, self._grain), middle)

    def leader(self, anchor: Point, box: Box) -> None:
        """Draw a line from a dot to its name."""
        end = (min(max(anchor[0], box[0]), box[2]), min(max(anchor[1], box[1]), box[3]))
        if 2.0 < np.hypot(end[0] - anchor[0], end[1] - anchor[1]) < 400.0:
            self.lines([(anchor, end)], "#ffffff", 4.0, 0.75)
            self.lines([(anchor, end)], INK, 1.5, 1.0)

    def lines(
        self, lines: Sequence[Sequence[Point]], tone: str, width: float, opacity: float
    ) -> None:
        """Draw smooth lines, on the part of the picture that they cover."""
        sheet, width = self._image, max(self._grain * width, 1.0)
        points = self._grain * np.concatenate([np.asarray(line) for line in lines])
        room = np.array(sheet.size, dtype=float)
        if (np.abs(points) > 4.0 * room.max()).any():  # behind the camera they are far off
            return
        low = np.floor(np.clip(points.min(axis=0) - width, 0.0, room)).astype(int)
        high = np.ceil(np.clip(points.max(axis=0) + width, 0.0, room)).astype(int)
        (left, top), (wide, tall) = low.tolist(), (high - low).tolist()
        if wide < 1 or tall < 1:
            return
        mask = Image.new("L", (wide * _SMOOTH, tall * _SMOOTH), 0)
        pen, grain = ImageDraw.Draw(mask), self._grain
        for line in lines:
            ends = [((grain * x - left) * _SMOOTH, (grain * y - top) * _SMOOTH) for x, y in line]
            fill, thick = round(255 * opacity), max(round(width * _SMOOTH), 1)
            pen.line(ends, fill=fill, width=thick, joint="curve")
        sheet.paste(tone, (left, top), mask.reduce(_SMOOTH))

    def _paste(self, sprite: Image.Image, middle: Point) -> None:
        sheet = self._image
        x = self._grain * middle[0] - 0.5 * sprite.width
        y = self._grain * middle[1] - 0.5 * sprite.height
        # behind the camera it is far off
        if abs(x) < 4 * sheet.width and abs(y) < 4 * sheet.height:
            sheet.paste(sprite, (round(x), round(y)), sprite)


@lru_cache(maxsize=128)
def name_size(name: str) -> tuple[float, float]:
    """Width and height of a name with its plate, in units."""
    font = load_font(_NAME_SIZE * _FINE, True)
    return font.getlength(_short(name)) / _FINE + 16.0, _NAME_SIZE + 9.0


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


class _Plan:
    """A small drawing, several times as fine as it is put into a picture."""

    def __init__(self, wide: float, high: float, grain: float, ground: tuple[int, ...]) -> None:
        self.unit = grain * _FINE
        self.size = max(round(wide * grain), 1), max(round(high * grain), 1)
        self.sheet = Image.new("RGBA", (self.size[0] * _FINE, self.size[1] * _FINE), ground)
        self.pen = ImageDraw.Draw(self.sheet)

    def done(self) -> Image.Image:
        return self.sheet.resize(self.size, Image.Resampling.BOX)


@lru_cache(maxsize=128)
def _dot_sprite(kind: str, grain: float) -> Image.Image:
    side = 2.0 * round(_RINGS[kind][0][0] + 2.0)
    plan = _Plan(side, side, grain, (255, 255, 255, 0))
    middle = 0.5 * plan.sheet.width
    for radius, tone in _RINGS[kind]:
        reach = radius * plan.unit
        plan.pen.ellipse([middle - reach] * 2 + [middle + reach] * 2, fill=tone)
    return plan.done()


@lru_cache(maxsize=256)
def _name_sprite(name: str, chosen: bool, grain: float) -> Image.Image:
    wide, high = name_size(name)
    plan = _Plan(wide, high, grain, (255, 255, 255, 0))
    font, unit = load_font(round(_NAME_SIZE * plan.unit), True), plan.unit
    ground, tone = (INK, PAPER) if chosen else ("#ffffffee", INK)
    box = (0, 0, plan.sheet.width - 1, plan.sheet.height - 1)
    plan.pen.rounded_rectangle(box, 6 * unit, ground, INK, max(round(unit), _FINE))
    base = (8 * unit, (0.5 * high + 5.5) * unit)
    plan.pen.text(base, _short(name), font=font, fill=tone, anchor="ls")
    return plan.done()


@lru_cache(maxsize=512)
def _number_sprite(number: int, grain: float) -> Image.Image:
    wide = load_font(_NUMBER_SIZE * _FINE).getlength(str(number)) / _FINE + 6.0
    plan = _Plan(wide, _NUMBER_SIZE + 6.0, grain, (242, 244, 245, 0))
    plan.pen.text(
        (0.5 * plan.sheet.width, 0.5 * plan.sheet.height),
        str(number),
        font=load_font(round(_NUMBER_SIZE * plan.unit)),
        fill=INK,
        anchor="mm",
        stroke_width=round(2 * plan.unit),
        stroke_fill="#f2f4f5",
    )
    return plan.done()

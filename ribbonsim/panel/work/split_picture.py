"""Before and after in one picture that the kernel draws: two pictures and the line between."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw

from ribbonsim.arrays import Bytes
from ribbonsim.panel.work.marks import Marks
from ribbonsim.panel.work.sprites import Point
from ribbonsim.view.lettering import load_font
from ribbonsim.view.look import INK, PAPER

LINE_ENDS = 0.04, 0.96  # shares of the width between which the line is dragged
_SMOOTH = 2
_HIGH, _TOP, _BESIDE, _EDGE = 26, 10, 10, 6


def line_at(share: float, width: int) -> int:
    """The pixel at which the line stands."""
    return round(width * share)


def join_sides(left: Bytes, right: Bytes, share: float) -> Bytes:
    """One picture of two, the left one as far as the line."""
    at = line_at(share, left.shape[1])
    joined = right.copy()
    joined[:, :at] = left[:, :at]
    return joined


def on_side(marks: Marks, low: float, high: float) -> Marks:
    """Those names whose dots are on one side of the line, and nothing else."""

    def inside(controls: Sequence[tuple[str, Point]]) -> list[tuple[str, Point]]:
        return [(name, place) for name, place in controls if low <= place[0] < high]

    return Marks(inside(marks.controls), inside(marks.named), marks.chosen)


def draw_line(
    picture: Bytes, share: float, names: Sequence[str], strong: int, grain: float
) -> Bytes:
    """Draw the line with its grip, and beside it what either side is.

    Parameters
    ----------
    names : (2,) sequence of str
        Left and right.
    strong : int
        Which of them stands now, and is moved by the sliders.
    grain : float
        Pixels to one unit of letters and lines.
    """
    high, wide = picture.shape[:2]
    at, middle = line_at(share, wide), high // 2
    sheet = Image.fromarray(picture)
    pen = ImageDraw.Draw(sheet)
    half = max(round(grain), 1)
    pen.rectangle([at - 2 * half, 0, at + 2 * half - 1, high], fill=PAPER)
    pen.rectangle([at - half, 0, at + half - 1, high], fill=INK)
    grip = _grip(grain)
    beside, edge, above = (round(grain * each) for each in (_BESIDE, _EDGE, _TOP))
    sheet.paste(grip, (at - grip.width // 2, middle - grip.height // 2), grip)
    taken: tuple[int, int] | None = None
    for side, name in enumerate(names):
        plate = _plate(name, side == strong, grain)
        left = at + beside if side else at - beside - plate.width
        left = max(min(left, wide - edge - plate.width), edge)
        top = above
        if taken is not None and left < taken[1] and taken[0] < left + plate.width:
            top += plate.height + round(4 * grain)  # the line is near the picture's edge
        sheet.paste(plate, (left, top), plate)
        taken = left, left + plate.width
    return np.asarray(sheet)


@lru_cache(maxsize=16)
def _grip(grain: float) -> Image.Image:
    size = max(round(26 * grain), 8)
    grip = Image.new("RGBA", (size * _SMOOTH, size * _SMOOTH))
    pen, unit = ImageDraw.Draw(grip), size * _SMOOTH / 52.0
    pen.ellipse([0, 0, 52 * unit - 1, 52 * unit - 1], fill=INK)
    pen.ellipse([3 * unit, 3 * unit, 49 * unit - 1, 49 * unit - 1], fill=PAPER)
    for way in (-1, 1):
        corners = [(26 + 16 * way, 26), (26 + 6 * way, 17), (26 + 6 * way, 35)]
        pen.polygon([(unit * x, unit * y) for x, y in corners], fill=INK)
    return grip.resize((size, size), Image.Resampling.BOX)


@lru_cache(maxsize=64)
def _plate(name: str, strong: bool, grain: float) -> Image.Image:
    unit = grain * _SMOOTH
    font = load_font(round(15 * unit), bold=True)
    size = round(font.getlength(name) / _SMOOTH + 18 * grain), round(_HIGH * grain)
    plate = Image.new("RGBA", (size[0] * _SMOOTH, size[1] * _SMOOTH))
    pen = ImageDraw.Draw(plate)
    ground, ink = (INK, PAPER) if strong else (PAPER, INK)
    frame = [0, 0, plate.width - 1, plate.height - 1]
    pen.rounded_rectangle(frame, 6 * unit, fill=ground, outline=INK, width=max(round(unit), 1))
    pen.text((9 * unit, plate.height / 2), name, font=font, fill=ink, anchor="lm")
    return plate.resize(size, Image.Resampling.BOX)

"""Before and after in one picture that the kernel draws: two pictures and the line between."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from PIL import Image, ImageDraw

from ribbonsim.arrays import Bytes
from ribbonsim.panel.work.marks import Marks
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
    inside = [(name, place) for name, place in marks.controls if low <= place[0] < high]
    return Marks(controls=inside, chosen=marks.chosen)


def draw_line(picture: Bytes, share: float, names: Sequence[str], strong: int) -> Bytes:
    """Draw the line with its grip, and beside it what either side is.

    Parameters
    ----------
    names : (2,) sequence of str
        Left and right.
    strong : int
        Which of them stands now, and is moved by the sliders.
    """
    high, wide = picture.shape[:2]
    at, middle = line_at(share, wide), high // 2
    sheet = Image.fromarray(picture)
    pen = ImageDraw.Draw(sheet)
    pen.rectangle([at - 2, 0, at + 1, high], fill=PAPER)
    pen.rectangle([at - 1, 0, at, high], fill=INK)
    grip = _grip()
    sheet.paste(grip, (at - grip.width // 2, middle - grip.height // 2), grip)
    taken: tuple[int, int] | None = None
    for side, name in enumerate(names):
        plate = _plate(name, side == strong)
        left = at + _BESIDE if side else at - _BESIDE - plate.width
        left = max(min(left, wide - _EDGE - plate.width), _EDGE)
        top = _TOP
        if taken is not None and left < taken[1] and taken[0] < left + plate.width:
            top += _HIGH + 4  # the line is near the picture's edge
        sheet.paste(plate, (left, top), plate)
        taken = left, left + plate.width
    return np.asarray(sheet)


def _grip() -> Image.Image:
    size = 26 * _SMOOTH
    grip = Image.new("RGBA", (size, size))
    pen = ImageDraw.Draw(grip)
    pen.ellipse([0, 0, size - 1, size - 1], fill=INK)
    pen.ellipse([3, 3, size - 4, size - 4], fill=PAPER)
    half = size / 2
    for way in (-1, 1):
        points = [(half + 16 * way, half), (half + 6 * way, half - 9), (half + 6 * way, half + 9)]
        pen.polygon(points, fill=INK)
    return grip.resize((size // _SMOOTH, size // _SMOOTH), Image.Resampling.BOX)


def _plate(name: str, strong: bool) -> Image.Image:
    font = load_font(15 * _SMOOTH, bold=True)
    wide = round(font.getlength(name)) + 18 * _SMOOTH
    plate = Image.new("RGBA", (wide, _HIGH * _SMOOTH))
    pen = ImageDraw.Draw(plate)
    ground, ink = (INK, PAPER) if strong else (PAPER, INK)
    frame = [0, 0, wide - 1, _HIGH * _SMOOTH - 1]
    pen.rounded_rectangle(frame, 12, fill=ground, outline=INK, width=_SMOOTH)
    pen.text((9 * _SMOOTH, _HIGH * _SMOOTH / 2), name, font=font, fill=ink, anchor="lm")
    return plate.resize((wide // _SMOOTH, _HIGH), Image.Resampling.BOX)

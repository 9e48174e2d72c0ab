"""A strip of colour along the body: what the pose asks for over what the skin does of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.arrays import Bytes
from ribbonsim.show.finish import Finish
from ribbonsim.show.slate import writing_size
from ribbonsim.view.lettering import stamp, text_stamp, text_width, tone
from ribbonsim.view.look import Scale

GIRTH_SCALE = Scale("girth over rest", 0.75, 1.25, diverging=True)
ROWS = ("asked for", "skin")


def strip_height(size: tuple[int, int]) -> int:
    """Pixels that a strip takes."""
    return round(3.6 * writing_size(size))


class HeatStrip:
    """Draws strips into frames.

    Parameters
    ----------
    size : (width, height)
        Of the whole frame, pixels.
    width : int
        Of the part of the frame that a strip belongs to.
    places : (N,) array
        Of the stations, 0 at the root end to 1 at the tip.
    """

    def __init__(
        self, size: tuple[int, int], width: int, finish: Finish, places: ArrayLike
    ) -> None:
        points = writing_size(size)
        small = 0.78 * points
        self._margin, self._thick = round(1.2 * points), round(0.72 * points)
        self._ink = tone(finish.soft_ink)
        self._names = [text_stamp(name, small, False, finish.soft_ink) for name in ROWS]
        self._ends = [text_stamp(name, small, False, finish.soft_ink) for name in ("root", "tip")]
        label = max(text_width(name, small, False) for name in ROWS)
        self._left = round(self._margin + label + 0.6 * points)
        self._bar = max(1, width - self._left - self._margin)
        self._legend = _legend(points, finish)
        if self._legend.shape[1] + 4 * points < 0.5 * self._bar:
            self._bar -= self._legend.shape[1] + round(1.5 * points)
        else:
            self._legend = self._legend[:0]
        at = (np.arange(self._bar) + 0.5) / self._bar
        self._places, self._at = np.asarray(places, dtype=float), at

    def draw(
        self, frame: Bytes, corner: tuple[int, int], rows: tuple[ArrayLike, ArrayLike]
    ) -> None:
        """Draw a strip into a frame, in place."""
        x, y = corner
        for number, values in enumerate(rows):
            top = y + round(number * 1.5 * self._thick)
            colours = GIRTH_SCALE.colours(np.interp(self._at, self._places, np.asarray(values)))
            row = frame[top : top + self._thick, x + self._left : x + self._left + self._bar]
            row[:] = colours
            _outline(row, self._ink)
            name = self._names[number]
            stamp(frame, name, (x + self._margin, top + (self._thick - name.shape[0]) // 2))
        under = y + round(2.5 * self._thick) + 2
        stamp(frame, self._ends[0], (x + self._left, under))
        tip = self._ends[1]
        stamp(frame, tip, (x + self._left + self._bar - tip.shape[1], under))
        if len(self._legend):
            stamp(frame, self._legend, (x + self._left + self._bar + self._margin, y))


def _outline(row: Bytes, ink: NDArray[np.float64]) -> None:
    """A thin line round a row, in place: girth as at rest is near to the backdrop's colour."""
    for edge in (row[0], row[-1], row[:, 0], row[:, -1]):
        edge[:] = (0.5 * edge + 0.5 * ink).astype(np.uint8)


def _legend(points: float, finish: Finish) -> Bytes:
    """(height, width, 4) the scale: its title, its colours and three numbers."""
    small = 0.78 * points
    title = text_stamp(GIRTH_SCALE.title, small, False, finish.soft_ink)
    width, thick = max(title.shape[1], round(7.5 * points)), round(0.5 * points)
    numbers = [text_stamp(f"{v:g}", small, False, finish.soft_ink) for v in GIRTH_SCALE.marks]
    legend = np.zeros((title.shape[0] + thick + numbers[0].shape[0], width, 4), dtype=np.uint8)
    legend[: title.shape[0], : title.shape[1]] = title
    bar = legend[title.shape[0] : title.shape[0] + thick]
    bar[..., :3] = GIRTH_SCALE.table[np.linspace(0, 255, width).astype(int)]
    bar[..., 3] = 255
    for share, number in zip((0.0, 0.5, 1.0), numbers, strict=True):
        left = round(share * (width - number.shape[1]))
        legend[-number.shape[0] :, left : left + number.shape[1]] = number
    return legend

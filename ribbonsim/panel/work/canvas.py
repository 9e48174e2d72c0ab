"""How large a picture is drawn: as it is shown at rest, with fewer pixels while it moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

# pixels of a picture at rest; more take a machine without a graphics card over a second
MOST = 6_000_000
# pixels of one picture of many a second
QUICK = 480_000
_LEAST = 32
# letters as high as those beside the picture, in its own units
_LETTERS = 13.0 / 15.0


@dataclass(frozen=True)
class Canvas:
    """What a picture is drawn on.

    Parameters
    ----------
    size : (width, height)
        Pixels.
    grain : float
        Pixels to one unit of dots, letters and lines.
    """

    size: tuple[int, int]
    grain: float = 1.0

    @property
    def aspect(self) -> float:
        """Width over height."""
        return self.size[0] / self.size[1]

    @property
    def units(self) -> tuple[float, float]:
        """Width and height in units of dots and letters."""
        return self.size[0] / self.grain, self.size[1] / self.grain

    @property
    def quick(self) -> Canvas:
        """The same with no more pixels than can be drawn many times a second."""
        return self.within(QUICK)

    def within(self, most: int) -> Canvas:
        """The same shape with at most so many pixels."""
        wide, high = self.size
        share = min(1.0, math.sqrt(most / (wide * high)))
        if share == 1.0:
            return self
        # rounded down, so that it fits into a corner of the whole
        size = max(int(share * wide), 1), max(int(share * high), 1)
        return Canvas(size, self.grain * share)

    def pixel(self, at: tuple[float, float], box: tuple[float, float]) -> tuple[float, float]:
        """The pixel that is seen at a place in a box, which shows all of it in its own shape."""
        scale = min(box[0] / self.size[0], box[1] / self.size[1])
        left, top = (0.5 * (b - scale * s) for b, s in zip(box, self.size, strict=True))
        return (at[0] - left) / scale, (at[1] - top) / scale


def canvas_shown(told: Sequence[float]) -> Canvas | None:
    """The canvas of a picture that a page shows; None where it shows none.

    Parameters
    ----------
    told : (wide, high, density, growth)
        Pixels of the screen; how many of them are one of the page's; and how many times as
        large as usual the page's letters are.
    """
    if len(told) != 4 or not all(math.isfinite(number) for number in told):
        return None
    wide, high, density, growth = told
    if min(wide, high) < _LEAST or min(density, growth) <= 0.0:
        return None
    return Canvas((round(wide), round(high)), density * growth * _LETTERS).within(MOST)

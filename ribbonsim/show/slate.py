"""The slate: what is shown, written under the picture, never over the creature."""

from __future__ import annotations

import datetime
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass

from ribbonsim.arrays import Bytes
from ribbonsim.files.stamp import moment
from ribbonsim.show.finish import Finish
from ribbonsim.view.lettering import cut_text, fit_parts, stamp, text_stamp, text_width

_LEAST_HEIGHT = 160


@dataclass(frozen=True)
class Slate:
    """What is written under a turntable.

    Parameters
    ----------
    project : str
        First of all; nothing if empty.
    note : str
        Last, such as a version of the work.
    date : str, optional
        That of today if left out.
    shown : bool
        Write it at all.
    """

    project: str = ""
    note: str = ""
    date: str | None = None
    shown: bool = True

    @property
    def day(self) -> str:
        """The date that is written."""
        if self.date is not None:
            return self.date
        if "SOURCE_DATE_EPOCH" in os.environ:
            return time.strftime("%Y-%m-%d", moment())
        return datetime.date.today().isoformat()


def slate_height(size: tuple[int, int]) -> int:
    """Pixels that the slate takes at the bottom; 0 if a picture is too small for one."""
    return 0 if min(size) < _LEAST_HEIGHT else round(3.4 * writing_size(size))


def writing_size(size: tuple[int, int]) -> float:
    """Height of the writing: 20 pixels at 1280 x 720, and in proportion."""
    return max(9.0, min(size[1] / 36.0, size[0] / 60.0))


class SlateWriter:
    """Writes a slate and names into frames; all but the frame's number is set once.

    Parameters
    ----------
    size : (width, height)
        Of the frame, pixels.
    finish : Finish
        Says what colours can be read.
    lines : (sequence of str, sequence of str)
        The upper line, in strong ink, and the lower one. Where they do not fit, long parts are
        cut first, and then parts are left out from the end.
    """

    def __init__(
        self,
        size: tuple[int, int],
        finish: Finish,
        lines: tuple[Sequence[str], Sequence[str]],
        frames: int,
    ) -> None:
        self._size, self._finish, self._frames = size, finish, frames
        self.height = slate_height(size)
        self._margin = round(1.4 * writing_size(size))
        if not self.height:
            return
        last = self._count(frames, frames)
        room = size[0] - 2 * self._margin - last.shape[1] - self._margin
        self._upper = self._line(lines[0], room, True, finish.ink)
        self._lower = self._line(lines[1], room, False, finish.soft_ink)

    def write(self, frame: Bytes, number: int) -> None:
        """Write the slate into a frame, in place."""
        if not self.height:
            return
        step = round(1.45 * writing_size(self._size))
        lower = frame.shape[0] - self._margin // 2 - step
        stamp(frame, self._upper, (self._margin, lower - step))
        stamp(frame, self._lower, (self._margin, lower))
        count = self._count(number, self._frames)
        stamp(frame, count, (frame.shape[1] - self._margin - count.shape[1], lower - step))

    def _line(self, parts: Sequence[str], room: int, strong: bool, ink: str) -> Bytes:
        points = writing_size(self._size) * (1.0 if strong else 0.86)
        text = fit_parts(parts, room, lambda words: text_width(words, points, strong))
        return text_stamp(text, points, strong, ink)

    def _count(self, number: int, frames: int) -> Bytes:
        digits = len(str(frames))
        # a figure space keeps the numbers where they are
        shown = str(number).rjust(digits, "\N{FIGURE SPACE}")
        return text_stamp(f"{shown} / {frames}", writing_size(self._size), True, self._finish.ink)


def write_name(frame: Bytes, text: str, corner: tuple[int, int], room: int, finish: Finish) -> None:
    """Write a layout's name into a frame, in place."""
    points = writing_size((frame.shape[1], frame.shape[0]))
    margin = round(1.2 * points)
    shown = cut_text(text, room - 2 * margin, lambda part: text_width(part, points, True))
    place = (corner[0] + margin, corner[1] + margin)
    stamp(frame, text_stamp(shown, points, True, finish.ink), place)


def name_height(size: tuple[int, int]) -> int:
    """Pixels that names take at the top of their part of a frame."""
    return round(3.0 * writing_size(size))

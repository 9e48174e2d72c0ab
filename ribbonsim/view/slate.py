"""The slate: what is shown, written under the picture, never over the creature."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from ribbonsim.view.finish import Finish
from ribbonsim.view.overlay import load_font

Bytes = NDArray[np.uint8]

_FINE = 2
_LEAST_HEIGHT = 160
_GAP = "   ·   "
_LEAST_PART = 16


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
        return datetime.date.today().isoformat() if self.date is None else self.date


def slate_height(size: tuple[int, int]) -> int:
    """Pixels that the slate takes at the bottom; 0 if a picture is too small for one.

    Parameters
    ----------
    size : (width, height)

    Returns
    -------
    int
    """
    return 0 if min(size) < _LEAST_HEIGHT else round(3.4 * writing_size(size))


def writing_size(size: tuple[int, int]) -> float:
    """Height of the writing: 20 pixels at 1280 x 720, and in proportion.

    Parameters
    ----------
    size : (width, height)
        Of the whole frame.

    Returns
    -------
    float
        Pixels.
    """
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
    frames : int
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
        """Write the slate into a frame, in place.

        Parameters
        ----------
        frame : (height, width, 3) array of uint8
        number : int
            Of the frame, from 1.
        """
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


def fit_parts(parts: Sequence[str], room: float, measure: Callable[[str], float]) -> str:
    """Join the parts of a line so that it fits.

    The longest part is cut first, so that a long name does not push out what follows it; then
    parts are left out from the end.

    Parameters
    ----------
    parts : sequence of str
        Empty ones do not count.
    room : float
    measure : callable
        Width of a text, in the unit of ``room``.

    Returns
    -------
    str
    """
    kept = [part for part in parts if part]
    while kept and measure(_GAP.join(kept)) > room:
        longest = max(range(len(kept)), key=lambda k: len(kept[k]))
        least = 1 if len(kept) == 1 else _LEAST_PART
        if len(kept[longest]) > least:
            kept[longest] = f"{kept[longest][:-2].rstrip()}…"
        elif len(kept) > 1:
            kept.pop()
        else:
            break
    return _GAP.join(kept)


def write_name(frame: Bytes, text: str, corner: tuple[int, int], room: int, finish: Finish) -> None:
    """Write a layout's name into a frame, in place.

    Parameters
    ----------
    frame : (height, width, 3) array of uint8
    text : str
    corner : (x, y)
        Of the part of the frame that the name is for, pixels from the left and the top.
    room : int
        Width of that part, pixels.
    finish : Finish
    """
    points = writing_size((frame.shape[1], frame.shape[0]))
    margin = round(1.2 * points)
    while len(text) > 1 and text_width(text, points, True) > room - 2 * margin:
        text = f"{text[:-2].rstrip()}…"
    stamp(
        frame, text_stamp(text, points, True, finish.ink), (corner[0] + margin, corner[1] + margin)
    )


def name_height(size: tuple[int, int]) -> int:
    """Pixels that names take at the top of their part of a frame.

    Parameters
    ----------
    size : (width, height)
        Of the whole frame.

    Returns
    -------
    int
    """
    return round(3.0 * writing_size(size))


def text_width(text: str, points: float, strong: bool) -> float:
    """Width of a line of writing.

    Parameters
    ----------
    text : str
    points : float
        Pixels high.
    strong : bool
        Bold.

    Returns
    -------
    float
        Pixels.
    """
    return load_font(round(_FINE * points), strong).getlength(text) / _FINE


def text_stamp(text: str, points: float, strong: bool, ink: str) -> Bytes:
    """A line of writing with smooth edges.

    Parameters
    ----------
    text : str
    points : float
        Pixels high.
    strong : bool
        Bold.
    ink : str
        ``#rrggbb``.

    Returns
    -------
    (height, width, 4) array of uint8
        Colour and opacity.
    """
    font = load_font(round(_FINE * points), strong)
    rise, fall = font.getmetrics()
    width = max(1, -(-round(font.getlength(text)) // _FINE) + 1)
    height = -(-(rise + fall) // _FINE)
    sheet = Image.new("L", (width * _FINE, height * _FINE), 0)
    ImageDraw.Draw(sheet).text((0, rise), text, fill=255, font=font, anchor="ls")
    cover = np.asarray(sheet.reduce(_FINE))
    written = np.empty((*cover.shape, 4), dtype=np.uint8)
    written[..., :3] = [int(ink[i : i + 2], 16) for i in (1, 3, 5)]
    written[..., 3] = cover
    return written


def stamp(frame: Bytes, picture: Bytes, corner: tuple[int, int]) -> None:
    """Lay a stamp over a frame in place; what is outside is cut.

    Parameters
    ----------
    frame : (height, width, 3) array of uint8
    picture : (h, w, 4) array of uint8
    corner : (x, y)
        Pixels from the left and from the top.
    """
    x, y = max(0, corner[0]), max(0, corner[1])
    part = frame[y : y + picture.shape[0], x : x + picture.shape[1]]
    cut = picture[: part.shape[0], : part.shape[1]]
    share = cut[..., 3:].astype(np.float32) / 255.0
    part[:] = np.round(part * (1.0 - share) + cut[..., :3] * share).astype(np.uint8)

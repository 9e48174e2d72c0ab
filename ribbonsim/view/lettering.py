"""Writing on pictures: one pen for all labels, and lines of writing that are laid over frames."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from ribbonsim.arrays import Array, Bytes
from ribbonsim.errors import RibbonsimError

Point = tuple[float, float]
Font = ImageFont.FreeTypeFont

FINE = 2  # writing is drawn so many times larger and shrunk, which smooths its edges
_BETWEEN_PARTS = "   ·   "
_SHORTEST_PART = 16


def font_file(name: str) -> Path:
    """Where a font lies that comes with matplotlib, which takes long to load and is only found."""
    found = find_spec("matplotlib")
    folder = Path("matplotlib" if found is None or found.origin is None else found.origin).parent
    path = folder / "mpl-data" / "fonts" / "ttf" / name
    if not path.is_file():
        raise RibbonsimError(
            f"the font {path} is not there, which came with matplotlib: install that again with "
            "pip install --force-reinstall matplotlib"
        )
    return path


@cache
def load_font(size: int, bold: bool = False) -> Font:
    """A font of a size in pixels that knows most alphabets."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(font_file(name)), size)


class Pen:
    """Writes and draws on an image.

    Parameters
    ----------
    unit : float
        Pixels of the image in a unit of length, in which places and widths are given.
    point : float
        Pixels of the image in a unit of type size.
    """

    def __init__(self, image: Image.Image, unit: float, point: float) -> None:
        self.draw = ImageDraw.Draw(image)
        self._unit, self._point = unit, point

    def _font(self, size: float, bold: bool) -> Font:
        return load_font(max(1, round(size * self._point)), bold)

    def _at(self, place: Point) -> Point:
        return place[0] * self._unit, place[1] * self._unit

    def _thick(self, width: float) -> int:
        return max(1, round(width * self._unit))

    def width(self, text: str, size: float, bold: bool = False) -> float:
        """Width of a line of writing."""
        return self._font(size, bold).getlength(text) / self._unit

    def height(self, size: float, bold: bool = False) -> float:
        """Height of a line of writing, from above the capitals to below the descenders."""
        return sum(self._font(size, bold).getmetrics()) / self._unit

    def cut(self, text: str, room: float, size: float, bold: bool = False) -> str:
        """A text, cut where it would be wider than its room."""
        return cut_text(text, room, lambda part: self.width(part, size, bold))

    def write(
        self,
        place: Point,
        text: str,
        size: float,
        ink: str,
        bold: bool = False,
        anchor: str = "ls",
        halo: tuple[float, str] = (0.0, ""),
    ) -> None:
        """Write a line; the anchor is Pillow's, the halo a width and a colour round letters."""
        self.draw.text(
            self._at(place),
            text,
            font=self._font(size, bold),
            fill=ink,
            anchor=anchor,
            stroke_width=round(halo[0] * self._unit),
            stroke_fill=halo[1] or None,
        )

    def line(self, a: Point, b: Point, ink: str, width: float) -> None:
        """A straight line, at least a pixel wide."""
        self.draw.line([self._at(a), self._at(b)], fill=ink, width=self._thick(width))

    def disc(self, place: Point, radius: float, ink: str) -> None:
        """A filled circle."""
        (x, y), r = self._at(place), radius * self._unit
        self.draw.ellipse((x - r, y - r, x + r, y + r), fill=ink)

    def plate(
        self, box: tuple[float, ...], corner: float, fill: str, ink: str, width: float
    ) -> None:
        """A rectangle with round corners and an outline, for writing to stand on."""
        scaled = [side * self._unit for side in box]
        self.draw.rounded_rectangle(scaled, corner * self._unit, fill, ink, self._thick(width))


# -- what fits -----------------------------------------------------------------------------------


def cut_text(text: str, room: float, measure: Callable[[str], float]) -> str:
    """A text, cut so that with an ellipsis it is no wider than its room."""
    if measure(text) <= room:
        return text
    while text and measure(f"{text}…") > room:
        text = text[:-1]
    return f"{text.rstrip()}…"


def fit_parts(parts: Sequence[str], room: float, measure: Callable[[str], float]) -> str:
    """Join the parts of a line so that it fits; empty parts do not count.

    The longest part is cut first, so that a long name does not push out what follows it; then
    parts are left out from the end.
    """
    kept = [part for part in parts if part]
    while kept and measure(_BETWEEN_PARTS.join(kept)) > room:
        longest = max(range(len(kept)), key=lambda k: len(kept[k]))
        least = 1 if len(kept) == 1 else _SHORTEST_PART
        if len(kept[longest]) > least:
            kept[longest] = f"{kept[longest][:-2].rstrip()}…"
        elif len(kept) > 1:
            kept.pop()
        else:
            break
    return _BETWEEN_PARTS.join(kept)


# -- over a frame --------------------------------------------------------------------------------


def tone(code: str) -> Array:
    """(3,) red, green and blue of ``#rrggbb``, 0 to 255."""
    return np.array([int(code[i : i + 2], 16) for i in (1, 3, 5)], dtype=float)


def text_width(text: str, size: float, bold: bool) -> float:
    """Pixels that a line of writing takes in a frame."""
    return load_font(round(FINE * size), bold).getlength(text) / FINE


def text_stamp(text: str, size: float, bold: bool, ink: str) -> Bytes:
    """(height, width, 4) a line of writing with smooth edges: colour and opacity."""
    font = load_font(round(FINE * size), bold)
    rise, fall = font.getmetrics()
    width = max(1, -(-round(font.getlength(text)) // FINE) + 1)
    height = -(-(rise + fall) // FINE)
    sheet = Image.new("L", (width * FINE, height * FINE), 0)
    Pen(sheet, 1, FINE).write((0, rise), text, size, "#ffffff", bold)
    cover = np.asarray(sheet.reduce(FINE))
    written = np.empty((*cover.shape, 4), dtype=np.uint8)
    written[..., :3] = tone(ink)
    written[..., 3] = cover
    return written


def stamp(frame: Bytes, picture: Bytes, corner: tuple[int, int]) -> None:
    """Lay a picture with opacity over a frame, in place; what is outside is cut."""
    x, y = max(0, corner[0]), max(0, corner[1])
    part = frame[y : y + picture.shape[0], x : x + picture.shape[1]]
    cut = picture[: part.shape[0], : part.shape[1]]
    share = cut[..., 3:].astype(np.float32) / 255.0
    part[:] = np.round(part * (1.0 - share) + cut[..., :3] * share).astype(np.uint8)

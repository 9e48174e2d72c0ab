"""Pictures on a page: how they are laid out, how large each may be, and what is written.

Lengths on the page are millimetres until they are drawn, so that type and margins have the
same size on paper whatever the number of dots.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from ribbonsim.errors import RibbonsimError
from ribbonsim.view.look import PAPER
from ribbonsim.view.overlay import load_font
from ribbonsim.view.slate import fit_parts

Bytes = NDArray[np.uint8]
Paper = Literal["a4", "16:9"]
Font = ImageFont.FreeTypeFont

# width and height in millimetres (ISO 216 for A4), and dots per inch
_A4 = (210.0, 297.0)
_A4_DOTS = 300.0
# 3840 x 2160 pixels, shown as wide as a sheet that is held in two hands
_WIDE, _WIDE_PIXELS = (338.0, 190.125), 3840
PAPERS: tuple[Paper, ...] = ("a4", "16:9")

_MARGIN, _GAP = 10.0, 3.0
_TOP, _BOTTOM = 18.5, 8.5
_CAPTION, _COLUMN_HEAD, _ROW_HEAD = 6.2, 7.0, 25.0
_NARROWEST, _FLATTEST, _EASY = 15.0, 12.0, 30.0
_SLIM, _BROAD = 0.6, 1.8
_POINT = 25.4 / 72.0


@dataclass(frozen=True)
class Ink:
    """Colours of a page.

    Parameters
    ----------
    ground, ink, soft, line : str
        As ``#rrggbb``: paper, writing, quiet writing, rules.
    """

    ground: str
    ink: str
    soft: str
    line: str


LIGHT_INK = Ink(PAPER, "#1d2730", "#5a6873", "#cfd5d9")
DARK_INK = Ink("#10161c", "#e9edf0", "#9dabb6", "#2e3943")


@dataclass(frozen=True)
class Words:
    """What is written on each page.

    Parameters
    ----------
    title : str
        Large, at the top.
    lead : str
        Below it: what the pictures show.
    slate : tuple of str
        At the foot, from the left.
    stamp : tuple of str
        At the foot, at the right; the number of the page follows where there are several.
    """

    title: str
    lead: str
    slate: tuple[str, ...]
    stamp: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Tile:
    """A picture with what stands under it.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8
    caption, note : str
        Plain and quiet; both may be empty.
    """

    picture: Bytes
    caption: str = ""
    note: str = ""


@dataclass(frozen=True)
class Plan:
    """Where pictures go on pages.

    Parameters
    ----------
    paper : (float, float)
        Millimetres.
    dots : float
        Pixels to a millimetre.
    columns, rows : int
        On one page.
    pages : int
    tile : (float, float)
        Width and height of a picture, millimetres.
    headed : bool
        Whether columns and rows have heads instead of captions under pictures.
    """

    paper: tuple[float, float]
    dots: float
    columns: int
    rows: int
    pages: int
    tile: tuple[float, float]
    headed: bool

    @property
    def pixels(self) -> tuple[int, int]:
        """Width and height of a picture in pixels."""
        return round(self.tile[0] * self.dots), round(self.tile[1] * self.dots)

    @property
    def page_pixels(self) -> tuple[int, int]:
        """Width and height of a page in pixels."""
        return round(self.paper[0] * self.dots), round(self.paper[1] * self.dots)


def plan_series(count: int, paper: Paper, aspect: float) -> Plan:
    """Lay out a row of pictures that may be broken anywhere, on one page.

    Parameters
    ----------
    count : int
        How many pictures.
    paper : {"a4", "16:9"}
        A4 is taken upright or across, as the pictures are larger.
    aspect : float
        Width over height of what the pictures show.

    Returns
    -------
    Plan

    Raises
    ------
    RibbonsimError
        If so many pictures would be too small to be seen.
    """
    tried = [
        _plan(sheet, dots, columns, math.ceil(count / columns), 1, aspect, headed=False)
        for sheet, dots in _sheets(paper)
        for columns in range(1, count + 1)
    ]
    holes = [plan.columns * plan.rows - count for plan in tried]
    best = max(
        zip(tried, holes, strict=True),
        key=lambda pair: _worth(pair[0], aspect) * 0.93 ** pair[1],
    )[0]
    _check(best, count)
    return best


def plan_table(rows: int, columns: int, paper: Paper, aspect: float, one_page: bool) -> Plan:
    """Lay out pictures in rows and columns that have heads.

    Parameters
    ----------
    rows, columns : int
    paper : {"a4", "16:9"}
    aspect : float
        Width over height of what the pictures show.
    one_page : bool
        Never break the table; else it goes on on further pages where pictures would be small.

    Returns
    -------
    Plan

    Raises
    ------
    RibbonsimError
        If the pictures would be too small to be seen.
    """
    tried = []
    for sheet, dots in _sheets(paper):
        for pages in range(1, 2 if one_page else rows + 1):
            plan = _plan(sheet, dots, columns, math.ceil(rows / pages), pages, aspect, headed=True)
            tried.append(plan)
            if plan.tile[1] >= _EASY or plan.rows == 1:
                break
    easy = [plan for plan in tried if plan.tile[1] >= _EASY] or tried
    best = max(easy, key=lambda plan: _worth(plan, aspect) * 0.8 ** (plan.pages - 1))
    _check(best, rows * columns)
    return best


def _sheets(paper: Paper) -> list[tuple[tuple[float, float], float]]:
    if paper == "16:9":
        return [(_WIDE, _WIDE_PIXELS / _WIDE[0])]
    return [(_A4[::-1], _A4_DOTS / 25.4), (_A4, _A4_DOTS / 25.4)]


def _plan(
    sheet: tuple[float, float],
    dots: float,
    columns: int,
    rows: int,
    pages: int,
    aspect: float,
    headed: bool,
) -> Plan:
    """Give each picture its share of the page, no slimmer and no broader than suits."""
    wide = sheet[0] - 2 * _MARGIN - (_ROW_HEAD if headed else 0.0) - (columns - 1) * _GAP
    high = sheet[1] - 2 * _MARGIN - _TOP - _BOTTOM - (rows - 1) * _GAP
    high -= _COLUMN_HEAD if headed else rows * _CAPTION
    width, height = max(wide / columns, 0.1), max(high / rows, 0.1)
    low = min(max(aspect, _SLIM), 1.0)
    width, height = min(width, _BROAD * height), min(height, width / low)
    return Plan(sheet, dots, columns, rows, pages, (width, height), headed)


def _worth(plan: Plan, aspect: float) -> float:
    """How large a subject of this shape comes out."""
    return min(plan.tile[0] / math.sqrt(aspect), plan.tile[1] * math.sqrt(aspect))


def _check(plan: Plan, count: int) -> None:
    if plan.tile[0] < _NARROWEST or plan.tile[1] < _FLATTEST:
        raise RibbonsimError(
            f"{count} pictures would be {plan.tile[0]:.0f} x {plan.tile[1]:.0f} mm on a sheet, too "
            "small to be judged: ask for fewer angles or poses, or for a PDF, which may have "
            "several pages"
        )


# -- drawing -------------------------------------------------------------------------------------


def compose(
    plan: Plan,
    tiles: Sequence[Tile],
    words: Words,
    ink: Ink,
    column_heads: Sequence[str] = (),
    row_heads: Sequence[tuple[str, str]] = (),
) -> list[Image.Image]:
    """Draw the pages.

    Parameters
    ----------
    plan : Plan
    tiles : sequence of Tile
        Row by row, of the plan's size.
    words : Words
    ink : Ink
    column_heads : sequence of str
        If the plan has heads.
    row_heads : sequence of (str, str)
        Name and what it is, for each row of all pages, if the plan has heads.

    Returns
    -------
    list of PIL.Image.Image
    """
    pages = []
    each = plan.columns * plan.rows
    for number in range(plan.pages):
        sheet = _Sheet(plan, ink)
        stamp = list(words.stamp)
        if plan.pages > 1:
            stamp.append(f"page {number + 1} of {plan.pages}")
        sheet.frame(words, stamp)
        part = tiles[number * each : (number + 1) * each]
        rows = row_heads[number * plan.rows : (number + 1) * plan.rows]
        if plan.headed:
            sheet.heads(column_heads, rows)
        for place, tile in enumerate(part):
            sheet.tile(place, tile)
        pages.append(sheet.image)
    return pages


class _Sheet:
    """One page while it is drawn; places are millimetres."""

    def __init__(self, plan: Plan, ink: Ink) -> None:
        self.plan, self.ink = plan, ink
        self.image = Image.new("RGB", plan.page_pixels, ink.ground)
        self.pen = ImageDraw.Draw(self.image)
        head = _ROW_HEAD if plan.headed else 0.0
        taken = plan.columns * plan.tile[0] + (plan.columns - 1) * _GAP + head
        self.left = head + 0.5 * (plan.paper[0] - taken)
        self.step = (
            plan.tile[0] + _GAP,
            plan.tile[1] + _GAP + (0.0 if plan.headed else _CAPTION),
        )
        free = plan.paper[1] - 2 * _MARGIN - _TOP - _BOTTOM - (_COLUMN_HEAD if plan.headed else 0)
        slack = free - plan.rows * self.step[1] + _GAP
        self.top = _MARGIN + _TOP + (_COLUMN_HEAD if plan.headed else 0.0) + 0.35 * max(slack, 0.0)

    def at(self, x: float, y: float) -> tuple[float, float]:
        return x * self.plan.dots, y * self.plan.dots

    def font(self, points: float, bold: bool = False) -> Font:
        return load_font(max(1, round(points * _POINT * self.plan.dots)), bold)

    def write(
        self, x: float, y: float, text: str, points: float, anchor: str, bold: bool, colour: str
    ) -> None:
        font = self.font(points, bold)
        self.pen.text(self.at(x, y), text, fill=colour, font=font, anchor=anchor)

    def cut(self, text: str, points: float, bold: bool, room: float) -> str:
        """A text, cut where it would take more room than there is."""
        font, pixels = self.font(points, bold), room * self.plan.dots
        if font.getlength(text) <= pixels:
            return text
        while text and font.getlength(f"{text}…") > pixels:
            text = text[:-1]
        return f"{text.rstrip()}…"

    def frame(self, words: Words, stamp: Sequence[str]) -> None:
        """Title, lead and foot."""
        width, height = self.plan.paper
        room = width - 2 * _MARGIN
        title = self.cut(words.title, 19.0, True, room)
        self.write(_MARGIN, _MARGIN + 7.0, title, 19.0, "ls", True, self.ink.ink)
        lead = self.cut(words.lead, 9.5, False, room)
        self.write(_MARGIN, _MARGIN + 13.2, lead, 9.5, "ls", False, self.ink.soft)
        rule = height - _MARGIN - 5.4
        ends = [self.at(_MARGIN, rule), self.at(width - _MARGIN, rule)]
        self.pen.line(ends, fill=self.ink.line, width=max(1, round(0.2 * self.plan.dots)))
        foot = height - _MARGIN
        right = "   ·   ".join(stamp)
        self.write(width - _MARGIN, foot, right, 8.0, "rs", False, self.ink.soft)
        room -= self.font(8.0).getlength(right) / self.plan.dots + 6.0
        small = self.font(8.0)
        left = fit_parts(words.slate, room * self.plan.dots, small.getlength)
        self.write(_MARGIN, foot, left, 8.0, "ls", False, self.ink.ink)

    def heads(self, columns: Sequence[str], rows: Sequence[tuple[str, str]]) -> None:
        """Names over columns and beside rows."""
        for number, text in enumerate(columns):
            x = self.left + number * self.step[0] + 0.5 * self.plan.tile[0]
            shown = self.cut(text, 9.5, True, self.plan.tile[0])
            self.write(x, self.top - 2.2, shown, 9.5, "ms", True, self.ink.ink)
        for number, (name, note) in enumerate(rows):
            lines = [(line, True) for line in self.wrap(name, 9.5, True)]
            lines += [(line, False) for line in self.wrap(note, 7.5, False)] if note else []
            y = self.top + number * self.step[1] + 0.5 * self.plan.tile[1]
            y -= 0.5 * sum(4.4 if bold else 3.6 for _, bold in lines)
            for line, bold in lines:
                y += 4.4 if bold else 3.6
                tone = self.ink.ink if bold else self.ink.soft
                x = self.left - _ROW_HEAD
                self.write(x, y, line, 9.5 if bold else 7.5, "ls", bold, tone)

    def wrap(self, text: str, points: float, bold: bool) -> list[str]:
        """Lines of a row's head, as many as a row has room for."""
        room, font = (_ROW_HEAD - 2.5) * self.plan.dots, self.font(points, bold)
        lines: list[str] = []
        for word in text.split():
            joined = f"{lines[-1]} {word}" if lines else word
            if lines and font.getlength(joined) <= room:
                lines[-1] = joined
            else:
                lines.append(word)
        most = max(1, int((self.plan.tile[1] - 4.4) / 4.4))
        if len(lines) > most:
            lines = [*lines[: most - 1], f"{lines[most - 1]} …"]
        return [self.cut(line, points, bold, _ROW_HEAD - 2.5) for line in lines]

    def tile(self, place: int, tile: Tile) -> None:
        """A picture and what stands under it."""
        row, column = divmod(place, self.plan.columns)
        x, y = self.left + column * self.step[0], self.top + row * self.step[1]
        left, top = self.at(x, y)
        self.image.paste(Image.fromarray(tile.picture), (round(left), round(top)))
        if self.plan.headed:
            return
        below = y + self.plan.tile[1] + 4.4
        name = self.cut(tile.caption, 9.0, True, self.plan.tile[0])
        self.write(x, below, name, 9.0, "ls", True, self.ink.ink)
        used = self.font(9.0, True).getlength(name) / self.plan.dots + 2.0
        note = self.cut(tile.note, 8.0, False, self.plan.tile[0] - used) if tile.note else ""
        self.write(x + used, below, note, 8.0, "ls", False, self.ink.soft)

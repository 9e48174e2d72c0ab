"""Pictures on a page: how they are laid out, how large each may be, and what is written.

Lengths on the page are millimetres until they are drawn, so that type and margins have the
same size on paper whatever the number of dots.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from PIL import Image

from ribbonsim.arrays import Bytes
from ribbonsim.errors import RibbonsimError
from ribbonsim.view.lettering import Pen, fit_parts
from ribbonsim.view.look import PAPER

Paper = Literal["a4", "16:9"]

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
class PageText:
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
    """Lay out a row of pictures that may be broken anywhere, on one page."""
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
    """Lay out pictures in rows and columns that have heads."""
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
    text: PageText,
    ink: Ink,
    column_heads: Sequence[str] = (),
    row_heads: Sequence[tuple[str, str]] = (),
) -> list[Image.Image]:
    """Draw the pages."""
    pages = []
    each = plan.columns * plan.rows
    for number in range(plan.pages):
        sheet = _Sheet(plan, ink)
        stamp = list(text.stamp)
        if plan.pages > 1:
            stamp.append(f"page {number + 1} of {plan.pages}")
        sheet.frame(text, stamp)
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
        self.pen = Pen(self.image, plan.dots, _POINT * plan.dots)
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

    def frame(self, text: PageText, stamp: Sequence[str]) -> None:
        """Title, lead and foot."""
        width, height = self.plan.paper
        room = width - 2 * _MARGIN
        pen, ink = self.pen, self.ink
        title = pen.cut(text.title, room, 19.0, bold=True)
        pen.write((_MARGIN, _MARGIN + 7.0), title, 19.0, ink.ink, bold=True)
        lead = pen.cut(text.lead, room, 9.5)
        pen.write((_MARGIN, _MARGIN + 13.2), lead, 9.5, ink.soft)
        rule = height - _MARGIN - 5.4
        pen.line((_MARGIN, rule), (width - _MARGIN, rule), ink.line, 0.2)
        foot = height - _MARGIN
        right = "   ·   ".join(stamp)
        pen.write((width - _MARGIN, foot), right, 8.0, ink.soft, anchor="rs")
        room -= pen.width(right, 8.0) + 6.0
        left = fit_parts(text.slate, room, lambda part: pen.width(part, 8.0))
        pen.write((_MARGIN, foot), left, 8.0, ink.ink)

    def heads(self, columns: Sequence[str], rows: Sequence[tuple[str, str]]) -> None:
        """Names over columns and beside rows."""
        for number, text in enumerate(columns):
            x = self.left + number * self.step[0] + 0.5 * self.plan.tile[0]
            shown = self.pen.cut(text, self.plan.tile[0], 9.5, bold=True)
            self.pen.write((x, self.top - 2.2), shown, 9.5, self.ink.ink, True, "ms")
        for number, (name, note) in enumerate(rows):
            lines = [(line, True) for line in self.wrap(name, 9.5, True)]
            lines += [(line, False) for line in self.wrap(note, 7.5, False)] if note else []
            y = self.top + number * self.step[1] + 0.5 * self.plan.tile[1]
            y -= 0.5 * sum(4.4 if bold else 3.6 for _, bold in lines)
            for line, bold in lines:
                y += 4.4 if bold else 3.6
                size, ink = (9.5, self.ink.ink) if bold else (7.5, self.ink.soft)
                self.pen.write((self.left - _ROW_HEAD, y), line, size, ink, bold)

    def wrap(self, text: str, points: float, bold: bool) -> list[str]:
        """Lines of a row's head, as many as a row has room for."""
        room = _ROW_HEAD - 2.5
        lines: list[str] = []
        for word in text.split():
            joined = f"{lines[-1]} {word}" if lines else word
            if lines and self.pen.width(joined, points, bold) <= room:
                lines[-1] = joined
            else:
                lines.append(word)
        most = max(1, int((self.plan.tile[1] - 4.4) / 4.4))
        if len(lines) > most:
            lines = [*lines[: most - 1], f"{lines[most - 1]} …"]
        return [self.pen.cut(line, room, points, bold) for line in lines]

    def tile(self, place: int, tile: Tile) -> None:
        """A picture and what stands under it."""
        row, column = divmod(place, self.plan.columns)
        x, y = self.left + column * self.step[0], self.top + row * self.step[1]
        corner = (round(x * self.plan.dots), round(y * self.plan.dots))
        self.image.paste(Image.fromarray(tile.picture), corner)
        if self.plan.headed:
            return
        below, room, pen = y + self.plan.tile[1] + 4.4, self.plan.tile[0], self.pen
        name = pen.cut(tile.caption, room, 9.0, bold=True)
        pen.write((x, below), name, 9.0, self.ink.ink, bold=True)
        used = pen.width(name, 9.0, True) + 2.0
        note = pen.cut(tile.note, room - used, 8.0) if tile.note else ""
        pen.write((x + used, below), note, 8.0, self.ink.soft)

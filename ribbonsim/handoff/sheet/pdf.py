"""The build sheet for printing, set on A4 by reportlab."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Mapping
from functools import cache
from itertools import groupby
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from PIL import Image as Pictures

from ribbonsim.arrays import Bytes
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version
from ribbonsim.handoff.sheet.parts import Figure, Prose, Section, Sheet
from ribbonsim.pages.html import Table, encode_png
from ribbonsim.view.lettering import font_file
from ribbonsim.view.plots import Plot

if TYPE_CHECKING:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable


_PLAIN, _BOLD, _MONO = "ribbonsim-plain", "ribbonsim-bold", "ribbonsim-mono"
_FILES = {_PLAIN: "DejaVuSans.ttf", _BOLD: "DejaVuSans-Bold.ttf", _MONO: "DejaVuSansMono.ttf"}
# Fonts that every reader of PDF has, for letters that ours lacks (ISO 32000-1, 9.7.5).
_FAR = {"HANGUL": "HYGothic-Medium", "HIRAGANA": "HeiseiKakuGo-W5", "KATAKANA": "HeiseiKakuGo-W5"}
_FAR_ELSE = "STSong-Light"
_INK, _SOFT, _ACCENT, _LINE, _CODE = "#1d2730", "#5a6873", "#14727b", "#d9d8d3", "#f1f0ec"
_MARGIN = 36.0
# What the library's frames keep free inside the margins.
_PADDING = 6.0
_JPEG_QUALITY = 90


def check_pdf() -> None:
    """See that the library that sets the printed sheet is there."""
    try:
        import reportlab  # noqa: F401
    except ImportError as error:
        raise RibbonsimError(
            "the build sheet cannot be printed, as reportlab is not installed: "
            "install it with pip install 'ribbonsim[handoff]', or leave the sheet out"
        ) from error


def print_sheet(sheet: Sheet, picture: Bytes, strips: Mapping[str, Plot]) -> bytes:
    """Set a build sheet as PDF; ``strips`` are plots by the keys of figures."""
    from reportlab.lib.pagesizes import A4
    from reportlab.platypus import SimpleDocTemplate

    _register_fonts()
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN + 12.0,
        title=f"{sheet.name}: build sheet",
        author="ribbonsim",
        subject=sheet.lead,
    )
    setter = _Setter(document.width - 2.0 * _PADDING, picture, strips)
    story = setter.head(sheet)
    for number, section in enumerate(sheet.sections, start=1):
        story += setter.section(number, section)

    def foot(canvas: Any, _: object) -> None:
        canvas.saveState()
        canvas.setFillColor(_SOFT)
        name = sheet.name if len(sheet.name) <= 48 else f"{sheet.name[:47]}…"
        left = f"Build sheet of {name}, ribbonsim {version()}"
        _draw_text(canvas, _MARGIN + _PADDING, _MARGIN - 4.0, left, 7.5)
        canvas.setFont(_PLAIN, 7.5)
        right = A4[0] - _MARGIN - _PADDING
        canvas.drawRightString(right, _MARGIN - 4.0, str(canvas.getPageNumber()))
        canvas.restoreState()

    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return stream.getvalue()


class _Setter:
    """Sets the parts of a sheet to the width of a page."""

    def __init__(self, width: float, picture: Bytes, strips: Mapping[str, Plot]) -> None:
        self._width, self._picture, self._strips = width, picture, strips
        self._styles = _styles()

    def head(self, sheet: Sheet) -> list[Flowable]:
        from reportlab.platypus import Spacer
        from reportlab.platypus import Table as Grid

        labels = [self._say(label, "soft") for _, _, label in sheet.numbers]
        values = [
            self._say(f"{value} {unit}".strip(), "number") for value, unit, _ in sheet.numbers
        ]
        numbers = Grid([labels, values], colWidths=[self._width / len(labels)] * len(labels))
        numbers.setStyle(
            [
                ("BOX", (0, 0), (-1, -1), 0.6, _LINE),
                ("LINEAFTER", (0, 0), (-2, -1), 0.6, _LINE),
                ("BOTTOMPADDING", (0, 0), (-1, 0), 0),
            ]
        )
        return [
            self._say("Build sheet", "kind"),
            self._say(sheet.name, "title"),
            self._say(sheet.lead, "lead"),
            Spacer(1, 8),
            numbers,
        ]

    def section(self, number: int, section: Section) -> list[Flowable]:
        story = [self._say(f"{number}  {section.title}", "heading")]
        for part in section.parts:
            if isinstance(part, Prose):
                story += self._words(part)
            elif isinstance(part, Figure):
                story += self._figure(part)
            else:
                story += self._table(part)
        return story

    def _say(self, text: str, style: str) -> Flowable:
        from reportlab.platypus import Paragraph

        chosen = self._styles[style]
        return Paragraph(_marked_up(text, chosen.fontName), chosen)

    def _words(self, part: Prose) -> list[Flowable]:
        from reportlab.platypus import ListFlowable, ListItem

        if part.kind == "code":
            return [self._say(line, "code") for line in part.lines]
        if part.kind == "text":
            return [self._say(line, "text") for line in part.lines]
        items = [ListItem(self._say(line, "step")) for line in part.lines]
        return [
            ListFlowable(
                items, bulletType="1", bulletFontName=_BOLD, bulletFontSize=9, bulletColor=_ACCENT,
                leftIndent=20, bulletFormat="%s", spaceAfter=5,
            )
        ]  # fmt: skip

    def _figure(self, part: Figure) -> list[Flowable]:
        from reportlab.platypus import Image, KeepTogether

        stream = io.BytesIO()
        if part.key == "numbered":
            pixels = self._picture
            Pictures.fromarray(pixels).save(stream, "JPEG", quality=_JPEG_QUALITY, subsampling=0)
        else:
            pixels = self._strips[part.key].picture(3.0)
            stream.write(encode_png(pixels))
        stream.seek(0)
        height = self._width * pixels.shape[0] / pixels.shape[1]
        picture = Image(stream, self._width, height)
        return [KeepTogether([picture, self._say(part.caption, "caption")])]

    def _table(self, part: Table) -> list[Flowable]:
        from reportlab.platypus import LongTable, Spacer

        size = _cell_size(part)
        body = [self._cells(part, row, size, i in part.marked) for i, row in enumerate(part.rows)]
        head = self._cells(part, part.heads, size, False, head=True)
        grid = LongTable([head, *body], colWidths=self._columns(part), repeatRows=1, hAlign="LEFT")
        grid.setStyle(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, _SOFT),
                ("LINEBELOW", (0, 1), (-1, -1), 0.35, _LINE),
                ("TOPPADDING", (0, 0), (-1, -1), 1.3),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.7),
                ("LEFTPADDING", (0, 0), (0, -1), 0),
                ("LEFTPADDING", (1, 0), (-1, -1), 5),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            ]
        )
        return [self._say(part.caption, "above"), grid, Spacer(1, 9)]

    def _cells(
        self, part: Table, texts: tuple[str, ...], size: float, bold: bool, head: bool = False
    ) -> list[Flowable]:
        from reportlab.platypus import Paragraph

        font = _BOLD if bold else _PLAIN
        cells = []
        for column, text in enumerate(texts):
            style = self._styles["cell"].clone(
                "cell",
                fontName=font,
                fontSize=size,
                leading=1.18 * size,
                alignment=0 if column in part.words else 2,
                textColor=_SOFT if head else _INK,
            )
            cells.append(Paragraph(_marked_up(text, font), style))
        return cells

    def _columns(self, part: Table) -> list[float]:
        """Widths by the longest text of each column; long texts and heads may break."""
        size = _cell_size(part)
        widths = []
        for column, head in enumerate(part.heads):
            words = [_letters_wide(word) for word in head.split()] or [0.0]
            widest = max([*words, 0.55 * _letters_wide(head)])
            cells = [_letters_wide(row[column]) for row in part.rows]
            widths.append(0.62 * size * (min(max([widest, *cells]), 22.0) + 1.6))
        room = self._width / sum(widths)
        return [width * min(room, 1.5) for width in widths]


def _cell_size(part: Table) -> float:
    return 7.4 if len(part.heads) < 9 else 6.5


def _letters_wide(text: str) -> float:
    """Width of a text in letters, those of wide scripts counted twice."""
    return float(sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text))


def _styles() -> dict[str, ParagraphStyle]:
    from reportlab.lib.styles import ParagraphStyle as Style

    text = Style(
        "text", fontName=_PLAIN, fontSize=9, leading=13, textColor=_INK, spaceAfter=5,
        splitLongWords=True,
    )  # fmt: skip
    small = Style("small", text, fontSize=8, leading=11, textColor=_SOFT)
    return {
        "text": text,
        "step": Style("step", text, spaceAfter=3),
        "soft": Style("soft", small, spaceAfter=0),
        "caption": Style("caption", small, spaceBefore=3, spaceAfter=10),
        "above": Style("above", small, spaceBefore=5, spaceAfter=3, keepWithNext=True),
        "kind": Style("kind", text, fontName=_BOLD, textColor=_ACCENT, spaceAfter=1),
        "title": Style("title", text, fontName=_BOLD, fontSize=24, leading=29, spaceAfter=5),
        "lead": Style("lead", text, fontSize=10.5, leading=15, textColor=_SOFT),
        "number": Style("number", text, fontName=_BOLD, fontSize=12, leading=15, spaceAfter=1),
        "heading": Style(
            "heading", text, fontName=_BOLD, fontSize=13, leading=17, spaceBefore=15, spaceAfter=6,
            keepWithNext=True,
        ),
        "code": Style(
            "code", text, fontName=_MONO, fontSize=7.4, leading=10.5, backColor=_CODE,
            borderPadding=5, leftIndent=5, rightIndent=5, spaceBefore=4, spaceAfter=12,
        ),
        "cell": Style("cell", text, spaceAfter=0),
    }  # fmt: skip


# -- fonts ---------------------------------------------------------------------------------------


def _register_fonts() -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.cidfonts import UnicodeCIDFont
    from reportlab.pdfbase.ttfonts import TTFont

    known = pdfmetrics.getRegisteredFontNames()
    for name, file in _FILES.items():
        if name not in known:
            pdfmetrics.registerFont(TTFont(name, str(font_file(file))))
    for name in {*_FAR.values(), _FAR_ELSE} - set(known):
        pdfmetrics.registerFont(UnicodeCIDFont(name))


@cache
def _letters(font: str) -> frozenset[int]:
    from reportlab.pdfbase import pdfmetrics

    return frozenset(pdfmetrics.getFont(font).face.charToGlyph)


def _font_for(letter: str, font: str) -> str:
    """The font that has a letter: the one that is asked for, or one of the far scripts."""
    if ord(letter) in _letters(font):
        return font
    script = unicodedata.name(letter, "").split(" ")[0]
    return _FAR.get(script, _FAR_ELSE)


def _marked_up(text: str, font: str) -> str:
    """Text as a paragraph reads it, with the fonts of far scripts where they are needed."""
    marked = []
    for chosen, letters in groupby(text, key=lambda letter: _font_for(letter, font)):
        run = escape("".join(letters))
        marked.append(run if chosen == font else f'<font name="{chosen}">{run}</font>')
    return "".join(marked)


def _draw_text(canvas: Any, x: float, y: float, text: str, size: float) -> None:
    for font, letters in groupby(text, key=lambda letter: _font_for(letter, _PLAIN)):
        run = "".join(letters)
        canvas.setFont(font, size)
        canvas.drawString(x, y, run)
        x += canvas.stringWidth(run, font, size)

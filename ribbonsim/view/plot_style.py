"""The look of plots: inks, line styles, and a figure as a picture, a file or part of a page."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from ribbonsim.arrays import Bytes
from ribbonsim.view.look import INK, PAPER

SOFT = "#5a6873"
GRID = "#dcdcd7"
LIMIT = "#a8324a"
TEXT = 8.6
SMALL = 7.4
_JOINS = 'stroke-linejoin="round" stroke-linecap="butt"'


@dataclass(frozen=True)
class Line:
    """How one layout is drawn in every plot.

    Parameters
    ----------
    dashes : tuple of float
        Lengths on and off in line widths; empty for a solid line.
    marker : str
        Matplotlib's letter for it.
    """

    colour: str
    dashes: tuple[float, ...]
    marker: str


LINES = (
    Line("#14727b", (), "o"),
    Line("#d98200", (4.5, 1.6), "s"),
    Line("#39308f", (1.2, 1.4), "^"),
    Line("#d0608c", (6.0, 1.5, 1.2, 1.5), "D"),
    Line("#37444f", (8.0, 2.0), "v"),
    Line("#58a9e0", (3.0, 1.3, 1.0, 1.3, 1.0, 1.3), "P"),
)

# What a page may restyle, so that plots follow its light or dark paper.
_STYLED = {
    INK: "ink",
    SOFT: "soft",
    GRID: "line",
    LIMIT: "limit",
    PAPER: "card",
    **{line.colour: f"line{k}" for k, line in enumerate(LINES, start=1)},
}


@dataclass(frozen=True, eq=False)
class Plot:
    """A finished plot.

    Parameters
    ----------
    title : str
        What it shows, for those who cannot see it.
    """

    figure: Figure
    title: str

    @cached_property
    def _drawn(self) -> str:
        stream = io.StringIO()
        self.figure.set_facecolor("none")
        style = {"svg.fonttype": "none", "svg.hashsalt": self.title}
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        with _without_glyph_warnings(), rc_context(style):  # type: ignore[arg-type]
            FigureCanvasSVG(self.figure).print_svg(stream, metadata=nothing)
        return stream.getvalue()

    def picture(self, scale: float = 2.0) -> Bytes:
        """Draw the plot on white paper: (height, width, 3) bytes."""
        canvas = FigureCanvasAgg(self.figure)
        self.figure.set_dpi(100.0 * scale)
        self.figure.set_facecolor(PAPER)
        with _without_glyph_warnings():
            canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3].copy()

    def file(self) -> str:
        """Write the plot as an SVG file of its own, on white paper."""
        tag, _, rest = self._drawn[self._drawn.index("<svg") :].partition(">")
        paper = f'<rect width="100%" height="100%" fill="{PAPER}"/>'
        return f'<?xml version="1.0" encoding="utf-8"?>\n{tag}>\n {paper}{rest}'

    def svg(self) -> str:
        """Write the plot as SVG that can stand in the midst of an HTML page.

        Colours are custom properties with the project's own as fallback, so a page can set
        ``--ink``, ``--soft``, ``--line``, ``--card``, ``--limit`` and ``--line1`` to
        ``--line6``. Text from files is escaped.
        """
        return _fit_for_a_page(self._drawn)


def _fit_for_a_page(text: str) -> str:
    body = text[text.index("<svg") :]
    head, _, rest = body.partition(">")
    box = re.search(r'viewBox="[^"]*"', head)
    # its style would hold for the whole page; what it says stands on the element below
    rest = re.sub(r"\s*<style.*?</style>", "", rest, flags=re.DOTALL)
    rest = re.sub(r"\s*<metadata>.*?</metadata>", "", rest, flags=re.DOTALL)
    rest = re.sub(r'<g id="[^"]*"', "<g", rest)
    rest = re.sub(r"<!--.*?-->", "", rest, flags=re.DOTALL)
    rest = rest.replace("xlink:href=", "href=")
    rest = re.sub(r"'DejaVu Sans'(?:, [^;\"]*)?sans-serif", "sans-serif", rest)
    for colour, name in _STYLED.items():
        rest = re.sub(rf"(?<=: ){colour}", f"var(--{name}, {colour})", rest)
    return f'<svg {box.group() if box else ""} role="img" class="plot" {_JOINS}>{rest}'.strip()


@contextmanager
def _without_glyph_warnings() -> Iterator[None]:
    """A name may use letters that the font lacks; a box stands for them."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        yield

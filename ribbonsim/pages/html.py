"""The builder of all pages: templates, tables, folded poses, pictures inside the page."""

from __future__ import annotations

import base64
import io
import shlex
import time
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from PIL import Image

from ribbonsim.arrays import Bytes
from ribbonsim.files.stamp import version
from ribbonsim.view.look import Scale
from ribbonsim.view.plot_style import Plot

METHOD_WORDS = {"linear": "linear blending", "dual_quaternion": "dual quaternions"}
_WEBP_QUALITY = 82


@dataclass(frozen=True)
class Embedded:
    """A picture as it stands in a page.

    Parameters
    ----------
    source : str
        A ``data:`` address that holds the whole picture.
    width, height : int
        Pixels.
    """

    source: str
    width: int
    height: int


@dataclass(frozen=True)
class Table:
    """A table of text; ``words`` and ``marked`` number columns and rows from 0.

    Parameters
    ----------
    words : frozenset of int
        Columns of words, which stand left; numbers stand right.
    marked : frozenset of int
        Rows that stand out.
    over : frozenset of (int, int)
        Row and column of the figures that break a limit.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = frozenset({0})
    caption: str = ""
    marked: frozenset[int] = frozenset()
    over: frozenset[tuple[int, int]] = frozenset()

    kind = "table"


@dataclass(frozen=True)
class FoldedPose:
    """A pose that is folded away until it is asked for, with its plots.

    Parameters
    ----------
    words : str
        What the pose is.
    plots : tuple of (svg, str)
        Each with what it shows, for those who cannot see it.
    trouble : str
        What breaks a limit in it.
    """

    name: str
    words: str
    plots: tuple[tuple[Markup, str], ...]
    open: bool = False
    trouble: str = ""
    picture: Embedded | None = None
    table: Table | None = None


def render_page(template: str, name: str, *, source: str = "", **values: object) -> str:
    """Render a page from a template that extends ``page.html``."""
    values = {"commands": (), "made": time.strftime("%Y-%m-%d"), **values}
    return _environment().get_template(template).render(name=name, source=source, **values)


def inline_plots(plots: Iterable[Plot]) -> tuple[tuple[Markup, str], ...]:
    """Plots as they stand in a page, each with its title."""
    return tuple((Markup(plot.svg()), plot.title) for plot in plots)


@cache
def _environment() -> Environment:
    """Templates and what all of them know; each is read and compiled once."""
    environment = Environment(
        loader=PackageLoader("ribbonsim.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["unbroken"] = unbroken
    environment.globals.update(
        scale_colours=_css_colours(Scale("")),
        change_colours=_css_colours(Scale("", diverging=True)),
        version=version(),
    )
    environment.globals["part"] = environment.get_template("parts.html").module
    return environment


def unbroken(text: str) -> str:
    """A sentence that is not divided between a figure and its percent sign."""
    return text.replace(" %", "\N{NO-BREAK SPACE}%")


def embed(picture: Bytes) -> Embedded:
    """Put a picture into an address, as WebP."""
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "WEBP", quality=_WEBP_QUALITY, method=4)
    source = "data:image/webp;base64," + base64.b64encode(stream.getvalue()).decode("ascii")
    height, width = picture.shape[:2]
    return Embedded(source, width, height)


def encode_png(picture: Bytes) -> bytes:
    """Encode a picture as PNG."""
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "PNG", compress_level=3)
    return stream.getvalue()


def _css_colours(scale: Scale) -> list[str]:
    """Colours along a scale, for a gradient in a style sheet."""
    return [f"rgb({red} {green} {blue})" for red, green, blue in scale.table[::32].tolist()]


def plain(name: str) -> str:
    """A pose's name as it is read."""
    return name.replace("_", " ")


def shell_path(path: str) -> str:
    """A path for a shell; one that begins with a dash is kept from being an option."""
    return shlex.quote(f"./{path}" if path.startswith("-") else path)

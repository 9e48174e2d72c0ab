"""What all pages share: one template environment, pictures inside the page, words for numbers."""

from __future__ import annotations

import base64
import io
import shlex
import time
from dataclasses import dataclass

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.version import version
from ribbonsim.view.look import Scale

Bytes = NDArray[np.uint8]

METHOD_WORDS = {"linear": "linear blending", "dual_quaternion": "dual quaternions"}
_WEBP_QUALITY = 86


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


def page_environment() -> Environment:
    """Templates of the package; every value is escaped unless it is marked as markup.

    Returns
    -------
    jinja2.Environment
    """
    environment = Environment(
        loader=PackageLoader("ribbonsim", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["unbroken"] = _unbroken
    environment.globals.update(
        scale_colours=css_colours(Scale("")),
        change_colours=css_colours(Scale("", diverging=True)),
        version=version(),
        made=time.strftime("%Y-%m-%d"),
    )
    return environment


def _unbroken(text: str) -> str:
    """A sentence that is not divided between a figure and its percent sign."""
    return text.replace(" %", "\N{NO-BREAK SPACE}%")


def embed(picture: Bytes) -> Embedded:
    """Put a picture into an address, as WebP.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8

    Returns
    -------
    Embedded
    """
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "WEBP", quality=_WEBP_QUALITY, method=2)
    source = "data:image/webp;base64," + base64.b64encode(stream.getvalue()).decode("ascii")
    height, width = picture.shape[:2]
    return Embedded(source, width, height)


def encode_png(picture: Bytes) -> bytes:
    """Encode a picture as PNG.

    Parameters
    ----------
    picture : (height, width, 3) array of uint8

    Returns
    -------
    bytes
    """
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "PNG", compress_level=3)
    return stream.getvalue()


def css_colours(scale: Scale) -> list[str]:
    """Colours along a scale, for a gradient in a style sheet.

    Parameters
    ----------
    scale : Scale

    Returns
    -------
    list of str
    """
    return [f"rgb({red} {green} {blue})" for red, green, blue in scale.table[::32].tolist()]


def shell_path(path: str) -> str:
    """A path for a shell; one that begins with a dash is kept from being an option.

    Parameters
    ----------
    path : str

    Returns
    -------
    str
    """
    return shlex.quote(f"./{path}" if path.startswith("-") else path)

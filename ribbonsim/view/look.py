"""One look for every picture: clay, light, background, palette and colour scales.

Colours are told apart by lightness and along the blue-yellow axis, which the common kinds of
colour blindness leave intact. Scales are interpolated in OKLab with evenly changing lightness.

References
----------
B. Ottosson, "A perceptual color space for image processing", 2020 (OKLab).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Bytes

Colour = tuple[float, float, float]


def colour(code: str) -> Colour:
    """Read ``#rrggbb`` as red, green and blue from 0 to 1."""
    red, green, blue = (int(code[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    return red, green, blue


BACKGROUND_TOP = "#eceff0"
BACKGROUND_BOTTOM = "#cdd3d6"
CLAY = "#e4b899"
GLASS = "#7d8b96"
GHOST = "#8d98a1"
RIBBON_FRONT = "#17808a"
RIBBON_BACK = "#8ad9de"
RIBBON_LINES = "#0b3f4a"
STATION = "#f7f8f8"
CONTROL = "#f2a51f"
INK = "#1d2730"
PAPER = "#ffffff"

# What a palette has to keep apart in one picture.
PALETTE = {
    "ribbon": RIBBON_FRONT,
    "ribbon back": RIBBON_BACK,
    "lines": RIBBON_LINES,
    "station": STATION,
    "control": CONTROL,
}


@dataclass(frozen=True)
class Material:
    """How a surface answers light.

    Parameters
    ----------
    ambient, diffuse, specular : float
        Shares, 0 to 1.
    specular_power : float
        Sharpness of the highlight.
    """

    ambient: float
    diffuse: float
    specular: float
    specular_power: float


CLAY_SURFACE = Material(ambient=0.20, diffuse=0.88, specular=0.10, specular_power=12.0)
# values are to be read off the scale, so light changes their colours little
VALUE_SURFACE = Material(ambient=0.45, diffuse=0.58, specular=0.0, specular_power=1.0)
GLASS_SURFACE = Material(ambient=0.75, diffuse=0.25, specular=0.0, specular_power=1.0)
RIBBON_SURFACE = Material(ambient=0.52, diffuse=0.54, specular=0.06, specular_power=20.0)
# the back often faces away from every lamp, and has to stay the paler side all the same
RIBBON_BACK_SURFACE = Material(ambient=0.85, diffuse=0.20, specular=0.0, specular_power=1.0)


@dataclass(frozen=True)
class Lamp:
    """A light that goes with the camera.

    Parameters
    ----------
    position : (float, float, float)
        Seen from the camera, which stands at (0, 0, 1) and looks at the origin; y is up.
    """

    position: Colour
    colour: str
    intensity: float


LAMPS = (
    Lamp((-0.75, 1.1, 0.85), "#fff3e2", 0.86),  # key: high, left, warm
    Lamp((1.2, 0.15, 0.9), "#e6edff", 0.36),  # fill: right, cool
    Lamp((0.5, 0.9, -1.1), "#eaf2ff", 0.40),  # rim: from behind
    Lamp((-0.2, -1.0, 0.6), "#f0e2d4", 0.26),  # what the ground throws back
)


# -- colour scales -----------------------------------------------------------------------------

_TO_CONE = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def oklab_to_srgb(lab: ArrayLike) -> Array:
    """Turn OKLab colours into sRGB; what sRGB cannot show is held to its edge."""
    cone = np.asarray(lab, dtype=float) @ np.linalg.inv(_TO_LAB).T
    linear = np.clip(cone**3 @ np.linalg.inv(_TO_CONE).T, 0.0, 1.0)
    return np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-12) ** (1 / 2.4) - 0.055
    )


def srgb_to_oklab(rgb: ArrayLike) -> Array:
    """(..., 3) turn sRGB colours into OKLab: the inverse of :func:`oklab_to_srgb`."""
    value = np.asarray(rgb, dtype=float)
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.cbrt(linear @ _TO_CONE.T) @ _TO_LAB.T


def _ramp(anchors: ArrayLike) -> Array:
    """256 sRGB colours through anchors (lightness, chroma, hue in degrees) in OKLab."""
    table = np.asarray(anchors, dtype=float)
    hue = np.radians(table[:, 2])
    lab = np.stack([table[:, 0], table[:, 1] * np.cos(hue), table[:, 1] * np.sin(hue)], axis=1)
    places = np.linspace(0.0, 1.0, len(lab))
    fine = np.linspace(0.0, 1.0, 256)
    return oklab_to_srgb(np.stack([np.interp(fine, places, lab[:, k]) for k in range(3)], axis=1))


# pale clay, honey, rose, plum, night
_SEQUENTIAL = _ramp(
    [
        (0.92, 0.015, 80),
        (0.78, 0.100, 72),
        (0.64, 0.150, 35),
        (0.50, 0.160, 355),
        (0.36, 0.130, 310),
    ]
)
# deep water, pale, rust
_DIVERGING = _ramp(
    [
        (0.42, 0.100, 245),
        (0.67, 0.090, 235),
        (0.93, 0.010, 90),
        (0.67, 0.120, 55),
        (0.42, 0.110, 35),
    ]
)


@dataclass(frozen=True, eq=False)
class Scale:
    """From values to colours, with the words for the scale bar.

    Parameters
    ----------
    title : str
        What is shown.
    low, high : float
        Values at the ends; what lies beyond is shown as the end.
    diverging : bool
        Two colours apart from the pale middle, instead of one from pale to dark.
    unit : str
        Put after the numbers, as in ``%``.
    ticks : tuple of float
        Where numbers stand; ends and middle if left out.
    """

    title: str
    low: float = 0.0
    high: float = 1.0
    diverging: bool = False
    unit: str = ""
    ticks: tuple[float, ...] = ()

    @cached_property
    def table(self) -> Bytes:
        """(256, 3) colours from low to high."""
        table = _DIVERGING if self.diverging else _SEQUENTIAL
        return np.round(255.0 * table).astype(np.uint8)

    @property
    def marks(self) -> tuple[float, ...]:
        """Values at which the bar carries a number."""
        return self.ticks or (self.low, 0.5 * (self.low + self.high), self.high)

    def share(self, values: ArrayLike) -> Array:
        """(...) place of values on the bar, 0 to 1."""
        span = self.high - self.low or 1.0
        return np.clip((np.asarray(values, dtype=float) - self.low) / span, 0.0, 1.0)

    def colours(self, values: ArrayLike) -> Bytes:
        """(n, 3) colours of values."""
        return self.table[np.round(255.0 * self.share(values)).astype(int)]


# seven hues that the colour-blind tell apart (M. Okabe, K. Ito, "Color universal design", 2008)
HUES = ("#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7")


@dataclass(frozen=True)
class Mixture(Scale):
    """Hues mixed by shares, in place of one value's colours; no bar can show it."""

    def colours(self, values: ArrayLike) -> Bytes:
        """(n, 3) colours of (n, k) shares: neighbours among the k have different hues."""
        shares = np.maximum(np.asarray(values, dtype=float), 0.0)
        shares = shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-12)
        hues = np.array([colour(HUES[i % len(HUES)]) for i in range(shares.shape[1])])
        return np.round(255.0 * shares @ hues).astype(np.uint8)

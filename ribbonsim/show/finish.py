"""Finishes: named sets of backdrop, light and material for pictures that are shown around.

Each is a place in the harbour: light or dark behind the creature, the light that goes with it,
and the tones of its parts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.arrays import Singles
from ribbonsim.checks import check_choice
from ribbonsim.view.look import colour


@dataclass(frozen=True)
class Finish:
    """A backdrop with its light and material.

    Parameters
    ----------
    top, bottom : str
        Colours of the backdrop, ``#rrggbb``.
    pool : str
        Colour of the ground where the light falls.
    pool_share : float
        How much of it is seen in the middle, 0 to 1.
    shadow : str
        Colour of the ground in full shade.
    key, fill, rim, sky, ground : str
        Colours of the light, from the lamps, from above and thrown back from the ground.
    strength : (float, float, float, float, float)
        Of the same five, 1 for as much as the material can throw back.
    parts : tuple of str
        Colours of the creature's parts; the first is the body's.
    ink, soft_ink : str
        What is written over it, and what is written in second place.
    """

    top: str
    bottom: str
    pool: str
    pool_share: float
    shadow: str
    key: str
    fill: str
    rim: str
    sky: str
    ground: str
    strength: tuple[float, float, float, float, float]
    parts: tuple[str, ...]
    ink: str
    soft_ink: str


FINISHES: Mapping[str, Finish] = MappingProxyType(
    {
        "fog": Finish(
            top="#dfe4e6",
            bottom="#c3cbcf",
            pool="#eceef0",
            pool_share=0.75,
            shadow="#4d5a66",
            key="#fff1de",
            fill="#dfe9ff",
            rim="#f4f8ff",
            sky="#e8f0f8",
            ground="#d9d6d2",
            strength=(0.92, 0.10, 0.45, 0.50, 0.16),
            parts=("#c6a793", "#7d99a0"),
            ink="#1d2730",
            soft_ink="#53616c",
        ),
        "paper": Finish(
            top="#f7f5f1",
            bottom="#ece8e1",
            pool="#fbfaf7",
            pool_share=0.8,
            shadow="#7a7069",
            key="#fff4e6",
            fill="#eaf0ff",
            rim="#ffffff",
            sky="#f5f4f2",
            ground="#efe7dc",
            strength=(0.90, 0.12, 0.36, 0.55, 0.20),
            parts=("#c2a391", "#7a98a4"),
            ink="#221d1a",
            soft_ink="#6b625b",
        ),
        "dusk": Finish(
            top="#33404d",
            bottom="#56636d",
            pool="#93979a",
            pool_share=0.62,
            shadow="#161d26",
            key="#ffead0",
            fill="#a9c4e6",
            rim="#d7e8ff",
            sky="#b4c8de",
            ground="#a89c92",
            strength=(0.95, 0.10, 0.70, 0.38, 0.12),
            parts=("#c3a594", "#809ba3"),
            ink="#f3f5f6",
            soft_ink="#b9c4cc",
        ),
        "night": Finish(
            top="#0b131d",
            bottom="#182533",
            pool="#6d6152",
            pool_share=0.60,
            shadow="#05090e",
            key="#ffe0ba",
            fill="#7fa6d6",
            rim="#a9d2ff",
            sky="#86a4c8",
            ground="#8a6d4e",
            strength=(0.95, 0.08, 0.95, 0.26, 0.12),
            parts=("#bfa293", "#7d9aa3"),
            ink="#eef2f4",
            soft_ink="#93a5b4",
        ),
    }
)


def named_finish(name: str) -> Finish:
    """Look up a finish."""
    check_choice("finish", name, list(FINISHES))
    return FINISHES[name]


def to_linear(code: str) -> Singles:
    """A colour as amounts of light.

    References
    ----------
    IEC 61966-2-1:1999 (sRGB).
    """
    value = np.array(colour(code))
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


_STEPS = 4096


def _display_table() -> NDArray[np.uint8]:
    light = np.linspace(0.0, 1.0, _STEPS)
    shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255.0 * shown).astype(np.uint8)


_TABLE = _display_table()


def to_display(light: ArrayLike) -> NDArray[np.uint8]:
    """(..., 3) amounts of light as sRGB, the brightest held back gently so that none burns out."""
    value = np.asarray(light, dtype=np.float32)
    # straight up to the knee, from there towards 1 along an exponential with the same slope
    knee = np.float32(0.6)
    over = np.maximum(value - knee, 0.0)
    held = np.minimum(value, knee) + (1 - knee) * (1 - np.exp(-over / (1 - knee)))
    return _TABLE[(np.clip(held, 0.0, 1.0) * np.float32(_STEPS - 1) + 0.5).astype(np.int64)]

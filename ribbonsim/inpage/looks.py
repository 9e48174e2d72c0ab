"""The studio's look in numbers, for the module that draws in a browser."""

from __future__ import annotations

from typing import Any

import numpy as np

from ribbonsim.arrays import Bytes
from ribbonsim.view import look

_SPOT = "#b4482f"
# layouts that are shown over the first, as glass
_OVER = ("#17808a", "#7a3e9d", "#3d5a80", "#8a5a17", "#37444f")
_INSIDE = "#8f6f5d"


def look_facts() -> dict[str, Any]:
    """Colours, surfaces and lamps.

    Returns
    -------
    dict
        What JSON can hold: colours from 0 to 1 for the card, as ``#rrggbb`` for the page.
    """
    return {
        "high": look.colour(look.BACKGROUND_TOP),
        "low": look.colour(look.BACKGROUND_BOTTOM),
        "clay": look.colour(look.CLAY),
        "inside": look.colour(_INSIDE),
        "glass": look.colour(look.GLASS),
        "rest": look.colour(look.GHOST),
        "ghosts": [look.colour(tone) for tone in _OVER],
        "ribbonFront": look.colour(look.RIBBON_FRONT),
        "ribbonBack": look.colour(look.RIBBON_BACK),
        "ribbonLines": look.colour(look.RIBBON_LINES),
        "inkTone": look.colour(look.INK),
        "ink": look.INK,
        "paper": look.PAPER,
        "control": look.CONTROL,
        "station": look.STATION,
        "guide": look.RIBBON_FRONT,
        "spot": _SPOT,
        "claySurface": _numbers(look.CLAY_SURFACE),
        "valueSurface": _numbers(look.VALUE_SURFACE),
        "glassSurface": _numbers(look.GLASS_SURFACE),
        "ribbonSurface": _numbers(look.RIBBON_SURFACE),
        "lamps": [_lamp(lamp) for lamp in look.LAMPS],
    }


def scale_tables() -> dict[str, Bytes]:
    """(256, 3) colours of both kinds of scale."""
    return {
        "sequential": look.Scale("").table,
        "diverging": look.Scale("", diverging=True).table,
    }


def _numbers(surface: look.Material) -> list[float]:
    return [surface.ambient, surface.diffuse, surface.specular, surface.specular_power]


def _lamp(lamp: look.Lamp) -> dict[str, list[float]]:
    at = np.array(lamp.position) / np.linalg.norm(lamp.position)
    tone = lamp.intensity * np.array(look.colour(lamp.colour))
    return {"at": at.tolist(), "tone": tone.tolist()}

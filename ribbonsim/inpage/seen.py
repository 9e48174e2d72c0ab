"""What somebody saw in a page, as text that can be copied, sent and opened in the panel.

The text is a sentence with all numbers of the view behind it in braces::

    c bend at 60°, seen from 50° round and 18° up {ribbonsim view 1: pose=c_bend amount=60 ...}
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from ribbonsim.errors import RibbonsimError

_BRACES = re.compile(r"\{ribbonsim view (\d+): ([^{}]*)\}")
_NUMBERS = ("azimuth", "elevation", "away")
_MOST_AWAY = 50.0


@dataclass(frozen=True)
class SeenView:
    """A pose and where it is seen from.

    Parameters
    ----------
    azimuth, elevation : float
        Degrees about up from the front, and above the horizon.
    focus : (float, float, float)
        What the camera goes round, in stage units: the creature is of size 1 about the origin.
    away : float
        Distance from there, stage units.
    pose : str
        A test pose, a pose that is kept with the layout, or ``rest``.
    amount : float or None
        As the pose counts it; of a kept pose its share.
    layout : str
        Name of the layout that was looked at; may be empty.
    motion : str
        A motion that was looked at instead of a pose; may be empty.
    moment : float
        Seconds from the beginning of its loop.
    """

    azimuth: float
    elevation: float
    focus: tuple[float, float, float]
    away: float
    pose: str = "rest"
    amount: float | None = None
    layout: str = ""
    motion: str = ""
    moment: float = 0.0


def read_seen(text: str) -> SeenView:
    """Read a view out of text that was copied from a page.

    Parameters
    ----------
    text : str
        Other words may stand around it; of several views the first is read.

    Returns
    -------
    SeenView

    Raises
    ------
    RibbonsimError
        If there is no view in it or a number cannot be used.
    """
    found = _BRACES.search(text)
    if found is None:
        raise RibbonsimError(
            "the text holds no view: copy the whole line below a note in the review page, "
            "with its braces"
        )
    if found.group(1) != "1":
        raise RibbonsimError(
            f"the view is of version {found.group(1)} and this ribbonsim reads 1: update ribbonsim"
        )
    told = dict(pair.split("=", 1) for pair in found.group(2).split() if "=" in pair)
    azimuth, elevation, away = (_number(told, key) for key in _NUMBERS)
    focus = [_finite("focus", part) for part in told.get("focus", "").split(",")]
    if len(focus) != 3:
        raise RibbonsimError("the view has no focus of three numbers: copy the whole line again")
    if not (-90.0 <= elevation <= 90.0 and 0.0 < away <= _MOST_AWAY):
        raise RibbonsimError("the view stands where no camera can: copy the whole line again")
    return SeenView(
        azimuth % 360.0,
        elevation,
        (focus[0], focus[1], focus[2]),
        away,
        _plain(told.get("pose", "rest")),
        _finite("amount", told["amount"]) if "amount" in told else None,
        _plain(told.get("layout", "")),
        _plain(told.get("motion", "")),
        _finite("moment", told.get("moment", "0")),
    )


def _number(told: dict[str, str], key: str) -> float:
    if key not in told:
        raise RibbonsimError(f"the view does not say its {key}: copy the whole line again")
    return _finite(key, told[key])


def _finite(key: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RibbonsimError(
            f"{key} = {text[:20]!r} of the view is no number: copy the whole line again"
        )
    return value


def _plain(text: str) -> str:
    """A name that was written without spaces and braces: %xx stands for what is left out."""
    from urllib.parse import unquote

    return unquote(text)

"""How a number is written: one way for sentences, tables, pages and panels."""

from __future__ import annotations

from itertools import combinations
from typing import Literal

Unit = Literal["factor", "change", "share", "count"]

# whatever is not named here is a factor
_UNITS: dict[str, Unit] = {
    "findings": "count",
    "fold": "count",
    "contact": "count",
    "volume": "change",
    "shape": "share",
    "tear": "share",
    "bleed": "share",
    "mirrored_poses": "share",
    "asymmetry": "share",
}
_MOST_DIGITS_MORE = 3
NOTHING = "\N{EN DASH}"


def figure(key: str, value: float | None, digits: int = 0) -> str:
    """Write a value in its unit: a factor, a count, or a percentage.

    ``key`` is a kind of finding, or another measure of a report, and ``digits`` how many more than
    usual. Changes have their sign; what reads as nothing has none.
    """
    if value is None:
        return NOTHING
    unit = _UNITS.get(key, "factor")
    if unit == "count":
        return f"{value:.0f}"
    minus = "\N{MINUS SIGN}" if value < 0.0 else ""
    if unit == "factor":
        text = f"{abs(value):.{2 + digits}f}"
    else:
        text = f"{100.0 * abs(value):.{1 + digits}f} %"
    if not any(letter in text for letter in "123456789"):
        return text
    return f"{minus or ('+' if unit == 'change' else '')}{text}"


def size_figure(key: str, value: float, digits: int = 0) -> str:
    """Write a value whose sign means nothing, such as a limit that holds in both directions."""
    return figure(key, abs(value), digits).lstrip("+")


def figures(key: str, *values: float) -> tuple[str, ...]:
    """Write values with as many digits as it takes to tell apart those that differ."""
    pairs = [(a, b) for a, b in combinations(map(abs, values), 2) if a != b]
    digits = 0
    if _UNITS.get(key) != "count":
        while digits < _MOST_DIGITS_MORE and any(
            size_figure(key, a, digits) == size_figure(key, b, digits) for a, b in pairs
        ):
            digits += 1
    return tuple(figure(key, value, digits) for value in values)

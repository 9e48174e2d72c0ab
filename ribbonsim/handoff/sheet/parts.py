"""What a build sheet is made of; the page and the printed sheet are two ways to set it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.handoff.units import Units
from ribbonsim.pages.html import Table

# So many digits of the body's length: a millionth of it is seen.
_DIGITS = 6


@dataclass(frozen=True)
class Prose:
    """Paragraphs, steps to be done in turn, or what is typed as it stands."""

    lines: tuple[str, ...]
    kind: Literal["text", "steps", "code"] = "text"


@dataclass(frozen=True)
class Figure:
    """Where a picture stands.

    Parameters
    ----------
    key : str
        ``numbered``, or ``strip`` and the ribbon's name with a space between.
    """

    key: str
    caption: str

    kind = "figure"


@dataclass(frozen=True)
class Section:
    """A step of the work."""

    title: str
    parts: tuple[Table | Prose | Figure, ...]


@dataclass(frozen=True)
class Sheet:
    """A whole build sheet.

    Parameters
    ----------
    name : str
        The creature's.
    numbers : tuple of (value, unit, label)
    """

    name: str
    lead: str
    numbers: tuple[tuple[str, str, str], ...]
    sections: tuple[Section, ...]


@dataclass(frozen=True)
class Writer:
    """Writes places, lengths and directions in the units of the handoff, to fitting decimals.

    Parameters
    ----------
    length : float
        Of the body, scene units.
    """

    units: Units
    length: float = field(repr=False)

    @cached_property
    def _decimals(self) -> int:
        return _DIGITS - 1 - int(np.floor(np.log10(self.units.factor * self.length)))

    def distance(self, value: float) -> str:
        """Write a length that is given in scene units."""
        return self._text(self.units.factor * value)

    def point(self, value: ArrayLike) -> tuple[str, str, str]:
        """Write a place of the scene."""
        x, y, z = self.units.points(value).tolist()
        return self._text(x), self._text(y), self._text(z)

    def direction(self, value: ArrayLike) -> tuple[str, str, str]:
        """Write a direction of the scene, made of unit length."""
        x, y, z = (self.units.directions(value) / np.linalg.norm(value)).tolist()
        return number(x, 5), number(y, 5), number(z, 5)

    def _text(self, value: float) -> str:
        if self._decimals > _DIGITS + 3:
            return f"{value:.{_DIGITS - 1}e}".replace("-", "\N{MINUS SIGN}")
        return number(value, max(0, self._decimals))


def number(value: float, decimals: int) -> str:
    """Write a number with so many decimals and a real minus sign."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def counted(count: int, noun: str) -> str:
    """Write how many there are of a noun, which is given for one."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"

"""A box for a number: it shows what holds, tells its range, and refuses what is outside."""

from __future__ import annotations

import math
from collections.abc import Callable

import ipywidgets as widgets
import traitlets

_DIGITS = 7


class NumberBox(widgets.HBox):
    """A box for a number, written as text.

    What is written and cannot be used changes nothing: the box goes back to the number that
    holds, and a sentence says what it takes.

    Parameters
    ----------
    value : float
    low, high : float
        What it takes; infinite where there is no bound.
    whole : bool
        Whether it takes whole numbers alone.
    width : str
        Of the box.
    """

    value = traitlets.Float()

    def __init__(
        self,
        value: float,
        low: float = -math.inf,
        high: float = math.inf,
        whole: bool = False,
        width: str = "70px",
    ) -> None:
        self._low, self._high, self._whole = low, high, whole
        self.name = "this field"
        self._refuse: Callable[[str], object] = lambda _: None
        self._text = widgets.Text(continuous_update=False, layout=widgets.Layout(width=width))
        super().__init__([self._text], value=value)
        self.add_class("rs-number")
        self._text.observe(self._written, "value")
        self._tell_range()
        self._write()

    def on_refusal(self, refuse: Callable[[str], object]) -> None:
        """Say with this what is refused."""
        self._refuse = refuse

    @property
    def number(self) -> int:
        """The value as a whole number."""
        return round(self.value)

    @property
    def min(self) -> float:
        """The least that it takes."""
        return self._low

    @property
    def max(self) -> float:
        """The most that it takes."""
        return self._high

    def set_range(self, low: float, high: float) -> None:
        """Take numbers in another range; a value outside goes to its end."""
        if (low, high) == (self._low, self._high):
            return
        self._low, self._high = low, high
        self._tell_range()
        self.value = min(max(self.value, low), high)

    @traitlets.observe("value")
    def _write(self, _: object = None) -> None:
        if hasattr(self, "_text"):
            self._text.value = written(self.value)

    def _tell_range(self) -> None:
        self._text.tooltip = self._takes().capitalize()

    def _takes(self) -> str:
        kind = "whole numbers" if self._whole else "numbers"
        low, high = written(self._low), written(self._high)
        if math.isinf(self._low) and math.isinf(self._high):
            return kind
        if math.isinf(self._high):
            return f"{kind} from {low}"
        return f"{kind} from {low} to {high}"

    def _written(self, change: dict[str, str]) -> None:
        text = change["new"].strip()
        now = written(self.value)
        if text == now:
            return
        try:
            number = float(text.replace("−", "-").replace(",", "."))
        except ValueError:
            number = math.nan
        fits = self._low <= number <= self._high and not (self._whole and number % 1.0)
        if fits and math.isfinite(number):
            self.value = number
        else:
            asked = text if len(text) <= 24 else f"{text[:24]} …"
            said = f"{asked!r} is not taken" if text else "an empty field is not taken"
            self._refuse(f"{self.name} takes {self._takes()}; {said}, and it stays at {now}.")
        self._text.value = written(self.value)


def written(number: float) -> str:
    """A number as a box shows it."""
    return f"{number + 0.0:.{_DIGITS}g}"  # a zero that was turned round is a zero


def hear_refusals(top: widgets.Widget, refuse: Callable[[str], object]) -> None:
    """Have every number box on a widget say what it refuses."""
    if isinstance(top, NumberBox):
        top.on_refusal(refuse)
    for part in getattr(top, "children", ()):
        hear_refusals(part, refuse)

"""What may be set of a motion while it plays: the same fields wherever motions are played."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

import ipywidgets as widgets

from ribbonsim.layout.fields import range_of
from ribbonsim.layout.motions import Motion
from ribbonsim.panel.sections.fields import QuantityRow, button, heading, row
from ribbonsim.panel.state.playing import RULES

_WORDS = {
    "seconds": ("seconds", "how long the loop takes", 0.05),
    "amount": ("amount", "share of what is usual", 0.01),
    "lag": ("lag", "seconds before the free end has made half of a sudden move", 0.01),
    "swing": ("swing", "how far it swings past", 0.01),
    "weight": ("weight", "how far it settles into the ground", 0.01),
    "slide": ("slide", "resistance along the body over that across it", 0.01),
}
# sliders end where they are still fine to set
_LARGEST = {"seconds": 10.0, "lag": 2.0}


class MotionRules(widgets.VBox):
    """Fields for what is set of a motion in place of what is usual for it.

    Parameters
    ----------
    change : callable
        Called as ``change(rule, value)`` with each value that comes from the user.
    as_usual : callable
        Called when all is to be as it usually is.
    more : widgets
        Beside the button for that.
    """

    def __init__(
        self,
        change: Callable[[str, float], None],
        as_usual: Callable[[], object],
        *more: widgets.Widget,
    ) -> None:
        self._change = change
        self.rows = {rule: self._rule(rule) for rule in RULES}
        usual = button("As it usually is", as_usual)
        super().__init__([heading("How it moves"), *self.rows.values(), row(usual, *more)])

    def _rule(self, rule: str) -> QuantityRow:
        label, tip, step = _WORDS[rule]
        low, high = range_of(Motion, rule) or (0.0, 1.0)
        high = min(high, _LARGEST.get(rule, high))
        rest = float(getattr(Motion, rule))
        return QuantityRow(label, tip, low, high, step, rest, partial(self._change, rule))

    def tell(self, usual: Mapping[str, float], told: Mapping[str, float]) -> None:
        """Show a motion: what is usual, and what was set in place of it."""
        for rule, line in self.rows.items():
            line.rest_at(usual[rule])
            line.tell(told.get(rule, usual[rule]))

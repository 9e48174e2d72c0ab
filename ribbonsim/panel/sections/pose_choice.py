"""Which poses a file shall hold: one list, where Ctrl chooses several and never none."""

from __future__ import annotations

from typing import Any

import ipywidgets as widgets

from ribbonsim.layout.appendage_targets import test_poses_of
from ribbonsim.layout.layout import Layout
from ribbonsim.panel.state.names import short

Chosen = tuple[str, str]
ALL, AS_IT_STANDS = ("all", ""), ("now", "")
_WORDS = {ALL: "all kept poses and test poses", AS_IT_STANDS: "the pose as it stands"}


class PoseChoice(widgets.SelectMultiple):
    """Kept and test poses to choose from, each as its kind and its name.

    Parameters
    ----------
    *first : tuple
        What is offered before them; the first is chosen where nothing else is.
    height : str
    """

    options: Any
    value: Any

    def __init__(self, *first: Chosen, height: str) -> None:
        self._first = [(_WORDS[value], value) for value in first]
        super().__init__(
            options=self._first,
            value=first[:1],
            layout=widgets.Layout(width="auto", height=height),
        )
        self.observe(self._never_none, "value")

    def offer(self, layout: Layout) -> None:
        """Offer the poses of a layout; what was chosen stays so while it is there."""
        options = list(self._first)
        options += [(f"kept: {short(name)}", ("kept", name)) for name in layout.poses]
        options += [
            (f"{pose.name}: {pose.describes}", ("test", pose.name))
            for pose in test_poses_of(layout).values()
        ]
        if list(self.options) != options:
            offered = [value for _, value in options]
            chosen = [value for value in self.value if value in offered]
            self.options = options
            self.value = chosen or [self._first[0][1]]

    def _never_none(self, _: object) -> None:
        if not self.value:  # a click with Ctrl took the last one away
            self.value = (self._first[0][1],)

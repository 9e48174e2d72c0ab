"""The tabs beside the picture: one is made at once, the others once the picture stands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol, runtime_checkable

import ipywidgets as widgets

from ribbonsim.panel.sections.desk import Desk

_BETWEEN = 0.05


class Part(Protocol):
    """What stands on a tab."""

    box: widgets.Widget


@runtime_checkable
class Watcher(Protocol):
    """A part that works only while it is seen."""

    def show(self, on: bool) -> None:
        """Know whether it is in front."""


@runtime_checkable
class Worker(Protocol):
    """A part that may be at work."""

    def close(self) -> None:
        """Stop what goes on."""


class Tabs:
    """Parts on tabs, each made when it is turned to, or when nothing else is to be done.

    A part has hundreds of widgets, which page and kernel would make before the first picture.

    Parameters
    ----------
    makers : mapping of str to callable
        What makes each part, by the word on its tab.

    Attributes
    ----------
    parts : dict of str to Part
        Those that are made.
    """

    def __init__(self, desk: Desk, makers: Mapping[str, Callable[[], Part]]) -> None:
        self._desk = desk
        self._makers = dict(makers)
        self.names = list(makers)
        self.parts: dict[str, Part] = {}
        self._holders = [widgets.VBox([]) for _ in makers]
        self._add: Callable[[Callable[[], Part]], Part] = desk.made_late
        self._going = False
        self.box = widgets.Tab(self._holders, titles=self.names)
        self.box.add_class("rs-side")

    def begin(self, add: Callable[[Callable[[], Part]], Part], front: str) -> None:
        """Make the part in front, and see to it that the others are made.

        Parameters
        ----------
        add : callable
            Puts the part that a maker makes on the page.
        """
        self._add = add
        self.box.selected_index = self.names.index(front)
        self._make(front)
        self.box.observe(self._turned, "selected_index")
        if self._desk.has_loop:
            self._desk.on_still(lambda _: self._when_idle())
        else:
            for name in self.names:
                self._make(name)

    @property
    def front(self) -> str:
        """The tab in front."""
        return self.names[self.box.selected_index or 0]

    def tell(self) -> None:
        """Tell every part whether it is the one in front."""
        for name, part in self.parts.items():
            if isinstance(part, Watcher):
                part.show(name == self.front)

    def close(self) -> None:
        """Stop what goes on, and make no more parts."""
        self._makers.clear()
        for part in self.parts.values():
            if isinstance(part, Worker):
                part.close()

    def _turned(self, _: object) -> None:
        self._make(self.front)
        self.tell()

    def _when_idle(self) -> None:
        if not self._going:
            self._going = True
            self._go_on()

    def _go_on(self) -> None:
        """Make one part, and let the page have its turn before the next."""
        name = next(iter(self._makers), None)
        if name is not None:
            self._make(name)
            self._desk.later(_BETWEEN, self._go_on)

    def _make(self, name: str) -> None:
        maker = self._makers.pop(name, None)
        if maker is not None:
            part = self.parts[name] = self._add(maker)
            self._holders[self.names.index(name)].children = (part.box,)

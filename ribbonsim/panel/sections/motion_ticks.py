"""Which motions a file shall hold: a box to tick for each."""

from __future__ import annotations

import ipywidgets as widgets

from ribbonsim.panel.sections.fields import group, tick
from ribbonsim.panel.state.names import short
from ribbonsim.rig.own_motions import motion_of, motions_of
from ribbonsim.rig.rig import Rig


class MotionTicks(widgets.HBox):
    """The motions of a creature, none of them ticked at first."""

    def __init__(self) -> None:
        self._boxes: dict[str, widgets.Checkbox] = {}
        super().__init__([])
        self.add_class("rs-ticks")

    def offer(self, rig: Rig) -> None:
        """Offer the motions that make sense for a rig; what is ticked stays so."""
        names = motions_of(rig)
        if list(self._boxes) == names:
            return
        ticked = self.value
        for box in self._boxes.values():
            box.close()
        self._boxes = {
            name: tick(
                short(name.replace("_", " ")), name in ticked, tip=motion_of(rig, name).describes
            )
            for name in names
        }
        self.children = [group(box) for box in self._boxes.values()]

    @property
    def value(self) -> list[str]:
        """The names of those that are ticked."""
        return [name for name, box in self._boxes.items() if box.value]

    @value.setter
    def value(self, names: list[str]) -> None:
        for name, box in self._boxes.items():
            box.value = name in names

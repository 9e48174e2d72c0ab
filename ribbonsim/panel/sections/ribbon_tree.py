"""The tree of ribbons: the body, under it what rides on it; the chosen one stands out."""

from __future__ import annotations

import ipywidgets as widgets

from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import heading
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state.branches import tree
from ribbonsim.panel.state.names import short
from ribbonsim.panel.state.rider_words import station_near

_STEP = "\u2003"
_FEWEST, _MOST = 2, 7
_LINE = 17


class RibbonTree:
    """Chooses the ribbon whose controls, stations and shape are changed.

    Parameters
    ----------
    always : bool
        Show it even where there is no ribbon but the body's.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, always: bool = False) -> None:
        self._desk, self._always = desk, always
        self._list = widgets.Select(
            options=[], layout=widgets.Layout(width="auto", height=_height(_FEWEST))
        )
        self._list.add_class("rs-tree")
        self._list.observe(self._choose, "value")
        self.box = widgets.VBox([heading("Ribbons"), self._list])
        desk.on_change(self.refresh)

    def _choose(self, change: dict[str, str]) -> None:
        if not self._quiet and change["new"]:
            self._desk.act(lambda: self._desk.model.choose_ribbon(change["new"]))

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        lines = tree_lines(model.layout, model.pose)
        self.box.layout.display = "" if self._always or len(lines) > 1 else "none"
        self._quiet = True
        try:
            with self._list.hold_sync():  # new words put the choice on the first for a moment
                if list(self._list.options) != lines:
                    self._list.options = lines
                    self._list.layout.height = _height(len(lines))
                self._list.value = model.ribbon
        finally:
            self._quiet = False


def tree_lines(layout: Layout, pose: Pose) -> list[tuple[str, str]]:
    """Every ribbon in words, and its name."""
    lines = []
    for name, depth in tree(layout):
        controls = layout.control_names_of(name)
        count = "1 control" if len(controls) == 1 else f"{len(controls)} controls"
        words = f"{_STEP * depth}{short(name, 22)}  ·  {count}"
        if name != BODY:
            appendage = layout.appendage(name)
            words += f"  ·  at station {station_near(layout, appendage.rides_on, appendage.at)}"
        if any(pose[control] != ControlPose() for control in controls):
            words += "  ·  moved"
        lines.append((words, name))
    return lines


def _height(lines: int) -> str:
    return f"{_LINE * min(max(lines, _FEWEST), _MOST) + 8}px"

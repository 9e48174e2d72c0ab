"""Where the ribbon runs: root and tip, and the guide moved by numbers."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from ribbonsim.curves.up import UP_AXES, Up
from ribbonsim.layout.appendages import BODY
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.draw_section import DrawSection
from ribbonsim.panel.sections.fields import (
    QuantityRow,
    button,
    choice,
    facts,
    field,
    heading,
    row,
    show_html,
    three_numbers,
)
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.ribbon_words import root_words

_BINDS = "Binding again"
_WAYS = {axis: axis.upper().replace("-", "\N{MINUS SIGN}") + " of the file" for axis in UP_AXES}


class GuideSection:
    """Root and tip of the body, and the guide of the chosen ribbon.

    Parameters
    ----------
    view : ViewSection
        Where ends are clicked and places are marked.
    """

    def __init__(self, desk: Desk, view: ViewSection) -> None:
        self._desk = desk
        pick = view.pick_vertex
        self._root = widgets.HTML()
        self._up = choice([(_WAYS[axis], axis) for axis in UP_AXES])
        self._up.observe(self._choose_up, "value")
        self._ends = widgets.VBox(
            [
                field("what points up", self._up),
                heading("Root and tip"),
                self._root,
                row(
                    button("Click the root", lambda: pick(self._root_at)),
                    button("Click the tip", lambda: pick(self._tip_at)),
                ),
            ]
        )
        tip = "place along, 0 root end to 1 tip"
        self._place = QuantityRow("guide at", tip, 0.0, 1.0, 0.01, 0.5, view.mark)
        self._shift = three_numbers()
        self.box = widgets.VBox(
            [
                self._ends,
                heading("Guide"),
                self._place,
                field("move x, y, z", *self._shift, button("Move", self._move)),
                DrawSection(desk, view).box,
            ]
        )
        desk.on_change(self.refresh)

    def _change(self, act: Callable[[], object]) -> None:
        self._desk.act(act, doing=_BINDS)

    def _choose_up(self, change: dict[str, Up]) -> None:
        model = self._desk.model
        if model.is_open and change["new"] != model.layout.up:
            self._change(lambda: edits.set_up(model, change["new"]))

    def _root_at(self, vertex: int) -> None:
        self._change(lambda: edits.choose_ends(self._desk.model, vertex, None))

    def _tip_at(self, vertex: int) -> None:
        self._change(lambda: edits.choose_ends(self._desk.model, None, vertex))

    def _move(self) -> None:
        shift = [field.value for field in self._shift]
        self._change(lambda: edits.move_guide(self._desk.model, self._place.value, shift))

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if model.is_open:
            self._ends.layout.display = "" if model.ribbon == BODY else "none"
            self._up.value = model.layout.up
            show_html(self._root, facts(root_words(model)))

"""Before and after in one picture: the switch, the line that is dragged, and the two figures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from ribbonsim.bendcheck.findings import Finding
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state.before_after import BeforeAfter
from ribbonsim.panel.state.beside import (
    after_trying,
    before_last_change,
    last_changed,
    still_holds,
)
from ribbonsim.panel.work.picking import pixel_of
from ribbonsim.panel.work.split_picture import LINE_ENDS
from ribbonsim.panel.work.two_figures import TwoFiguresWork
from ribbonsim.panel.work.two_sides import TwoFigures

_TIP = "the skin before the last change of the layout and after it, on either side of a line"
_NOTHING = "nothing of the layout was changed yet"
_LINE_REACH = 8.0  # pixels of the page


class BeforeAfterSection:
    """Shows the layout that stands beside what was before, or beside what was tried.

    Attributes
    ----------
    switch : ToggleButton
        Down while both are seen; a press ends it.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._held = False
        self.switch = widgets.ToggleButton(
            description="Before and after", tooltip=_TIP, layout=widgets.Layout(width="auto")
        )
        self.switch.observe(self._turn, "value")
        self._figures = TwoFiguresWork(desk.handed(self._take_figures), desk.complain)
        desk.on_change(self.refresh)

    def close(self) -> None:
        """Stop what goes on."""
        self._figures.ask(None)

    # -- beginning and ending ----------------------------------------------------------------

    def show_last(self) -> None:
        """Show what was before the last change of the layout."""
        self._begin(lambda: before_last_change(self._desk.model))

    def show_tried(self, finding: Finding) -> None:
        """Show what was tried against a finding, beside the layout that stands."""
        self._begin(lambda: after_trying(self._desk.model, finding))

    def _begin(self, find: Callable[[], BeforeAfter]) -> None:
        desk = self._desk

        def change() -> None:
            desk.model.beside = find()

        if desk.act(change, doing="Binding"):
            desk.mark(None)  # colours of a finding would hide what is to be judged
            desk.viewer.ask()
            self._say()

    def end(self) -> None:
        """Show the layout that stands alone again."""
        if self._desk.model.beside is not None:
            self._desk.act(lambda: setattr(self._desk.model, "beside", None))

    def _say(self) -> None:
        beside = self._desk.model.beside
        if beside is None:
            return
        whose = "as it was" if beside.is_before else "as it is"
        then = "as it is" if beside.is_before else "with what was tried"
        self._desk.say(
            f"Left {whose}, right {then}: {beside.words}. Drag the line between; "
            "Before and after, pressed again, ends it."
        )

    def _turn(self, change: dict[str, bool]) -> None:
        if self._quiet:
            return
        (self.show_last if change["new"] else self.end)()
        self.refresh()

    def refresh(self) -> None:
        """End what has come to nothing, and have both sides measured."""
        desk, model = self._desk, self._desk.model
        if not model.is_open:
            return
        if model.beside is not None and not still_holds(model, model.beside):
            model.beside = None
            desk.viewer.ask()
        on = model.beside is not None
        can = on or last_changed(model) is not None
        self._quiet = True
        try:
            self.switch.value, self.switch.disabled = on, not can
            self.switch.tooltip = _TIP if can else f"{_TIP}: {_NOTHING}"
        finally:
            self._quiet = False
        sides = desk.viewer.sides
        self._figures.ask(sides.of(desk.viewer.subject_of(model)) if on else None)

    def _take_figures(self, figures: TwoFigures) -> None:
        if self._desk.model.beside is figures.of.beside:
            self._desk.viewer.sides.figures = figures
            self._desk.viewer.ask()

    # -- the line ----------------------------------------------------------------------------

    def grab(self, event: dict[str, Any]) -> bool:
        """Whether a press in the kernel's picture takes hold of the line."""
        self._held = self._desk.model.beside is not None and self._is_on_line(event)
        return self._held

    def _is_on_line(self, event: dict[str, Any]) -> bool:
        viewer = self._desk.viewer
        away = pixel_of(viewer.canvas, event)[0] - viewer.size[0] * viewer.sides.divider
        return abs(away) < _LINE_REACH * viewer.canvas.grain

    def drag(self, event: dict[str, Any]) -> bool:
        """Move the line, if it is held."""
        if not self._held:
            return False
        if not event.get("buttons", 1):  # let go outside the picture
            self._held = False
            return False
        canvas = self._desk.viewer.canvas
        self.move(pixel_of(canvas, event)[0] / canvas.size[0])
        return True

    def let_go(self) -> bool:
        """Hold the line no longer; whether it was held."""
        held, self._held = self._held, False
        return held

    def move(self, share: float) -> None:
        """Put the line at a share of the width."""
        low, high = LINE_ENDS
        self._desk.viewer.sides.divider = min(max(share, low), high)
        self._desk.viewer.ask()

"""A guide drawn by hand: clicks on the skin, points dragged in the picture, edge loops."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import ipywidgets as widgets
import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.loops import edge_loop, loop_centre
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    button,
    facts,
    field,
    pixels,
    row,
    set_options,
    three_numbers,
)
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.guide_draft import GuideDraft, middle_under, points_along
from ribbonsim.panel.work.picking import Sight, at_depth_of, hit_skin

_GRIP = 13.0
_HOW = (
    "Click the creature from root to tip: each click puts a point in the middle of the body. "
    "Alt-click or Ctrl-click near an edge puts it in the centre of the edge loop there. Drag a "
    "point to move it; a new point comes after the chosen one. The creature is shown at rest."
)


class DrawSection:
    """Begins, changes and takes a guide that is drawn; the pen of the picture meanwhile.

    Parameters
    ----------
    view : ViewSection
        Where it is drawn.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, view: ViewSection) -> None:
        self._desk, self._view = desk, view
        self._draft: GuideDraft | None = None
        self._moves = False
        self._mode = widgets.ToggleButton(
            description="Draw the guide",
            tooltip="draw by hand where the ribbon is to run",
            layout=widgets.Layout(width="auto"),
        )
        self._mode.observe(self._turn, "value")
        self._list = widgets.Select(
            options=[], layout=widgets.Layout(width="auto", height=pixels(104))
        )
        self._list.observe(self._choose, "value")
        self._place = three_numbers()
        for part in self._place:
            part.observe(self._typed, "value")
        self._undo = button("Undo point", self._step_back, "one step of the drawing back")
        self._use = button("Use this guide", self._take, "run the ribbon along it")
        self._inside = widgets.VBox(
            [
                widgets.HTML(facts(_HOW)),
                self._list,
                field("point x, y, z", *self._place),
                row(
                    self._undo,
                    button("Remove point", self._remove),
                    button("Begin with the ribbon", self._begin, "points of the guide it has"),
                ),
                row(self._use, button("Leave it", self._leave, "the ribbon stays as it is")),
            ]
        )
        self._inside.layout.display = "none"
        self.box = widgets.VBox([row(self._mode), self._inside])
        desk.on_change(self.refresh)

    # -- the mode ----------------------------------------------------------------------------

    @property
    def _mesh(self) -> CreatureMesh:
        return self._desk.model.rig.mesh

    def _turn(self, change: dict[str, bool]) -> None:
        if self._quiet:
            return
        if change["new"] and self._desk.model.is_open:
            self._draft = GuideDraft(self._mesh)
            self._view.draw_with(self)
            self._act(lambda: None)
            self._desk.act(self._desk.viewer.frame_all)
        else:
            self._leave()

    def _leave(self) -> None:
        """End drawing; the draft is gone."""
        self._draft = self._desk.viewer.draft = None
        self._view.draw_with(None)
        self._desk.refresh()
        self._desk.viewer.ask()

    def _take(self) -> None:
        draft, model = self._draft, self._desk.model
        if draft is None:
            return
        says = "The ribbon runs along the guide that was drawn. Undo takes it back."
        if self._desk.act(
            lambda: edits.take_guide(model, draft.curve()), says, doing="Binding again"
        ):
            self._leave()
            self._desk.say(says)

    def _act(self, change: Callable[[], object]) -> None:
        """Change the draft and show it."""
        self._desk.act(change)

    # -- the pen -----------------------------------------------------------------------------

    def grab(self, sight: Sight) -> bool:
        """Choose the point of the draft under a pixel; a drag moves it."""
        number = self._point_at(sight)
        self._moves = False
        if number is not None:
            self.hold(number)
        return number is not None

    def hold(self, number: int) -> None:
        """Choose a point of the draft; a drag moves it."""
        self._moves = False
        if self._draft is not None and number < len(self._draft.points):
            self._draft.chosen = number
            self._desk.refresh()
            self._desk.viewer.ask()

    def drag(self, sight: Sight) -> None:
        """Move the chosen point, as far from the eye as it is."""
        draft = self._draft
        if draft is None or not draft.points:
            return
        if not self._moves:
            self._moves = True
            draft.begin_move()
        draft.move(at_depth_of(draft.mesh, sight, draft.points[draft.chosen]))
        self._desk.refresh()
        self._desk.viewer.ask()

    def click(self, sight: Sight, loop: bool) -> None:
        """Add the middle of the body under a pixel, or the centre of the edge loop there."""
        draft = self._draft
        if draft is None or (not loop and self._point_at(sight) is not None):
            return
        hit = hit_skin(draft.mesh, sight)
        if hit is None:
            self._desk.complain("There is no skin under the pointer: click the creature.")
            return

        def add() -> None:
            if loop:
                draft.add(loop_centre(draft.mesh, edge_loop(draft.mesh, hit.edge)))
            else:
                draft.add(middle_under(draft.mesh, hit.point))

        self._act(add)

    def _point_at(self, sight: Sight) -> int | None:
        draft = self._draft
        if draft is None or not draft.points:
            return None
        seen = sight.project(draft.mesh, np.array(draft.points))
        away = np.hypot(seen[:, 0] - sight.pixel[0], seen[:, 1] - sight.pixel[1])
        nearest = int(np.argmin(away))
        return nearest if away[nearest] < _GRIP else None

    # -- buttons and fields ------------------------------------------------------------------

    def _begin(self) -> None:
        draft, own = self._draft, self._desk.model.own
        if draft is not None:
            self._act(lambda: draft.take(points_along(own.ribbon)))

    def _step_back(self) -> None:
        if self._draft is not None:
            self._act(self._draft.undo)

    def _remove(self) -> None:
        if self._draft is not None:
            self._act(self._draft.remove)

    def _choose(self, change: dict[str, int]) -> None:
        draft = self._draft
        if not self._quiet and draft is not None and change["new"] is not None:
            draft.chosen = change["new"]
            self._act(lambda: None)

    def _typed(self, change: dict[str, Any]) -> None:
        draft = self._draft
        if self._quiet or draft is None or not 0 <= draft.chosen < len(draft.points):
            return
        place: Array = np.array([part.value for part in self._place])
        old = draft.points[draft.chosen]
        # a box shows fewer digits than the point has: only what was typed is taken
        typed = np.array([change["owner"] is part for part in self._place])
        place = np.where(typed, place, old)

        def move() -> None:
            draft.begin_move()
            draft.move(place)

        self._act(move)

    # -- from the draft ----------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the draft as it is."""
        model, draft = self._desk.model, self._draft
        if draft is not None and (not model.is_open or draft.mesh is not model.rig.mesh):
            self._draft = draft = None  # another creature was opened
            self._view.draw_with(None)
        self._desk.viewer.draft = draft
        self._quiet = True
        try:
            self._mode.value = draft is not None
            self._inside.layout.display = "none" if draft is None else ""
            if draft is not None:
                self._show(draft)
        finally:
            self._quiet = False

    def _show(self, draft: GuideDraft) -> None:
        last = len(draft.points) - 1
        digits = max(0, 4 - math.floor(math.log10(draft.mesh.diagonal)))
        lines = []
        for number, point in enumerate(draft.points):
            x, y, z = (f"{value:.{digits}f}" for value in np.round(point, digits) + 0.0)
            end = "  ·  root" if number == 0 else "  ·  tip" if number == last else ""
            lines.append((f"{number + 1}:  {x}, {y}, {z}{end}", number))
        chosen = draft.chosen if 0 <= draft.chosen <= last else None
        set_options(self._list, lines, chosen)
        for part, value in zip(
            self._place, np.zeros(3) if chosen is None else draft.points[chosen], strict=True
        ):
            part.disabled = chosen is None
            part.value = round(float(value), digits + 1) + 0.0  # no minus before nothing
        self._undo.disabled = not draft.can_undo
        self._use.disabled = last < 1

"""A suggested layout tried on the creature: one step above what was there."""

from __future__ import annotations

from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import test_poses_of
from ribbonsim.layout.layout import Layout
from ribbonsim.panel.state.model import PanelModel


class Trial:
    """Shows suggested layouts so that one step back always leads to the user's own.

    Attributes
    ----------
    mine : Layout or None
        What was there before.
    """

    def __init__(self) -> None:
        self.mine: Layout | None = None
        self._shown: Layout | None = None

    def shows(self, model: PanelModel) -> bool:
        """Whether the creature is on a layout that is being tried."""
        return self._shown is not None and model.is_open and model.layout is self._shown

    def show(self, model: PanelModel, layout: Layout) -> None:
        """Try a layout in the place of the one that is tried now."""
        if self.shows(model):
            model.undo()
        self.mine = model.layout
        model.change_layout(layout)
        self._shown = model.layout

    def compare(self, model: PanelModel) -> bool:
        """Go to the user's own layout, or back to the tried one; whether that is shown then.

        Raises
        ------
        RibbonsimError
            If something else was changed in between.
        """
        if self.shows(model):
            model.undo()
            return False
        if self._shown is not None and model.layout is self.mine and model.can_redo:
            model.redo()
            if model.layout is self._shown:
                return True
            model.undo()
        raise RibbonsimError("the layout was changed meanwhile: choose a suggestion again")

    def take(self, model: PanelModel) -> None:
        """Keep what is tried; one step back takes it back."""
        if not self.shows(model):
            self.compare(model)
        self.mine = self._shown = None


def poses_to_tick(layout: Layout) -> list[str]:
    """Names of the poses that a layout may be sought for: test poses and kept ones."""
    return [*test_poses_of(layout), *layout.poses]

"""How large the page shows the picture, told by the page."""

from __future__ import annotations

from typing import Any

import traitlets

from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.page_widget import PageWidget
from ribbonsim.panel.work.canvas import canvas_shown


class PictureSize(PageWidget):
    """Has the desk's pictures drawn as large as they are shown; takes no room on the page.

    Attributes
    ----------
    shown : list of float
        As of :func:`~ribbonsim.panel.work.canvas.canvas_shown`; empty until the page tells it.
    """

    _page_file = "picture_size.js"
    shown = traitlets.List(traitlets.Float()).tag(sync=True)

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.add_class("rs-shown-view")
        self._desk = desk
        self.observe(self._take, "shown")

    def _take(self, change: dict[str, Any]) -> None:
        canvas, desk = canvas_shown(change["new"]), self._desk
        if canvas is None or canvas == desk.viewer.canvas:
            return
        with desk.holding():
            desk.viewer.take_canvas(canvas)
        desk.viewer.ask()

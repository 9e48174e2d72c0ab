"""The picture with its mouse, its sides and what it shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import ipywidgets as widgets
from ipyevents import Event

from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import button, row
from ribbonsim.panel.viewer import HEATS

_SIDES = {
    "Front": "front",
    "Side": "side",
    "Top": "top",
    "Three-quarter": "three_quarter",
}
_HEAT_WORDS = {
    "clay": "clay",
    "control weights": "weights of the chosen control",
    "station weights": "weights of a station",
    "stretch": "largest stretch",
    "girth": "girth",
    "volume": "volume change",
}
_DEGREES_A_PIXEL = 0.4
_HELP = (
    "Drag to go round, Shift-drag or right-drag to move the picture, wheel to go nearer, "
    "double-click to see all."
)


class ViewSection:
    """The picture, its mouse and its buttons."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._from: tuple[float, float, bool] | None = None
        self._pick: Callable[[int], None] | None = None
        self._events = Event(
            source=desk.picture,
            watched_events=["mousedown", "mousemove", "mouseup", "mouseleave", "wheel", "dblclick"],
            prevent_default_action=True,
            wait=15,
            throttle_or_debounce="throttle",
        )
        self._events.on_dom_event(self._mouse)
        sides = [button(word, self._side(name)) for word, name in _SIDES.items()]
        self._heat = widgets.Dropdown(
            options=[(_HEAT_WORDS[heat], heat) for heat in HEATS],
            value="clay",
            description="Skin",
            layout=widgets.Layout(width="270px"),
            style={"description_width": "36px"},
        )
        self._station = widgets.BoundedIntText(
            value=1, min=1, max=17, layout=widgets.Layout(width="60px", display="none")
        )
        self._heat.observe(self._show_heat, "value")
        self._station.observe(lambda change: self._show(station=change["new"]), "value")
        shown = desk.viewer.show
        toggles = [
            self._toggle(word, key, getattr(shown, key))
            for word, key in (
                ("Ribbon", "ribbon"),
                ("Stations", "stations"),
                ("Controls", "controls"),
                ("Edge lines", "edges"),
                ("See through", "glass"),
            )
        ]
        self.box = widgets.VBox(
            [
                desk.picture,
                desk.readout,
                row(*sides, button("See all", self._frame_all)),
                row(*toggles, self._heat, self._station),
                widgets.HTML(f'<div class="rs-facts">{_HELP}</div>'),
            ]
        )
        self.box.add_class("rs-view")
        desk.on_change(self._refresh)

    def pick_vertex(self, then: Callable[[int], None]) -> None:
        """Wait for a click on the creature.

        Parameters
        ----------
        then : callable
            Gets the vertex, counted from 0.
        """
        self._pick = then
        self._desk.picture.add_class("rs-picking")
        self._desk.say("Click the creature where it shall be.")

    def _refresh(self) -> None:
        if self._desk.model.is_open:
            self._station.max = len(self._desk.model.layout.stations)

    def _side(self, name: str) -> Callable[[], None]:
        def go() -> None:
            self._desk.act(lambda: self._desk.viewer.frame_all(name))

        return go

    def _frame_all(self) -> None:
        self._desk.act(self._desk.viewer.frame_all)

    def _toggle(self, word: str, key: str, on: bool) -> widgets.ToggleButton:
        made = widgets.ToggleButton(value=on, description=word, layout=widgets.Layout(width="auto"))
        made.observe(lambda change: self._show(**{key: change["new"]}), "value")
        return made

    def _show_heat(self, change: dict[str, Any]) -> None:
        self._station.layout.display = "" if change["new"] == "station weights" else "none"
        self._show(heat=change["new"])

    def _show(self, **what: Any) -> None:
        viewer = self._desk.viewer
        viewer.show = replace(viewer.show, **what)
        viewer.ask()

    # -- the mouse ---------------------------------------------------------------------------

    def _mouse(self, event: dict[str, Any]) -> None:
        if not self._desk.model.is_open:
            return
        kind = event["type"]
        viewer = self._desk.viewer
        if kind == "wheel":
            step = float(min(max(event.get("deltaY", 0.0), -400.0), 400.0))
            viewer.orbit = viewer.orbit.nearer(0.9985**step)
        elif kind == "dblclick":
            viewer.frame_all()
        elif kind == "mousedown":
            self._press(event)
            return
        elif kind == "mousemove" and self._from is not None:
            self._drag(event)
        elif kind in ("mouseup", "mouseleave"):
            self._from = None
            return
        else:
            return
        viewer.ask()

    def _press(self, event: dict[str, Any]) -> None:
        if self._pick is not None:
            self._picked(event)
            return
        moves = bool(event.get("shiftKey")) or event.get("button", 0) in (1, 2)
        self._from = (event["relativeX"], event["relativeY"], moves)

    def _drag(self, event: dict[str, Any]) -> None:
        if not event.get("buttons", 1):  # let go outside the picture
            self._from = None
            return
        x, y, moves = self._from or (0.0, 0.0, False)
        right, down = event["relativeX"] - x, event["relativeY"] - y
        viewer = self._desk.viewer
        if moves:
            height = float(event.get("boundingRectHeight") or viewer.size[1])
            viewer.orbit = viewer.orbit.moved(right / height, -down / height)
        else:
            viewer.orbit = viewer.orbit.turned(_DEGREES_A_PIXEL * right, -_DEGREES_A_PIXEL * down)
        self._from = (event["relativeX"], event["relativeY"], moves)

    def _picked(self, event: dict[str, Any]) -> None:
        viewer, then = self._desk.viewer, self._pick
        width = float(event.get("boundingRectWidth") or viewer.size[0])
        scale = viewer.size[0] / width
        vertex = viewer.vertex_at(scale * event["relativeX"], scale * event["relativeY"])
        if vertex is None:
            self._desk.complain("There is no skin under the pointer: click the creature.")
            return
        self._pick = None
        self._desk.picture.remove_class("rs-picking")
        if then is not None:
            then(vertex)

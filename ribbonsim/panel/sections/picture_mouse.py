"""The mouse over the picture that the kernel draws: going round, clicks, what is drawn in it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ipyevents import Event

from ribbonsim.panel.sections.before_after_section import BeforeAfterSection
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.hover_section import HoverSection
from ribbonsim.panel.sections.live_section import LiveSection, PictureTool
from ribbonsim.panel.work.picking import Sight, pixel_of

_DEGREES_A_PIXEL = 0.4
_HAND_SHAKES = 3.0


class PictureMouse:
    """Answers the mouse over a desk's picture.

    Parameters
    ----------
    live : LiveSection
        Where the browser draws, it answers the mouse, and asks for the same vertex or pen.
    both : BeforeAfterSection, optional
        Has the line between before and after.
    hover : HoverSection, optional
        Tells about the skin under the pointer.
    """

    def __init__(
        self,
        desk: Desk,
        live: LiveSection,
        both: BeforeAfterSection | None,
        hover: HoverSection | None,
    ) -> None:
        self._desk, self._live, self._both, self._hover = desk, live, both, hover
        self._from: tuple[float, float, bool] | None = None
        self._dragged, self._held = True, False
        self._pick: Callable[[int], None] | None = None
        self._pen: PictureTool | None = None
        self._events = Event(
            source=desk.picture,
            watched_events=["mousedown", "mousemove", "mouseup", "mouseleave", "wheel", "dblclick"],
            prevent_default_action=True,
            wait=15,
            throttle_or_debounce="throttle",
        )
        self._events.on_dom_event(self.hear)

    def pick_vertex(self, then: Callable[[int], None]) -> None:
        """Wait for a click on the creature; asked again while it waits, stop waiting."""
        if self._pick is not None:
            self._stop_picking()
            self._desk.say("")
            return
        self._pick = then
        self._live.ask_for_vertex(self._picked)
        self._desk.picture.add_class("rs-picking")
        self._desk.say("Click the creature where it shall be, or press the button again to stop.")

    def draw_with(self, pen: PictureTool | None) -> None:
        """Let a pen have presses and clicks; a drag that begins beside what it holds orbits."""
        self._pen, self._held = pen, False
        self._live.pen = pen
        if pen is None:
            self._desk.picture.remove_class("rs-picking")
        else:
            if self._pick is not None:
                self._stop_picking()
            self._desk.picture.add_class("rs-picking")

    def _stop_picking(self) -> None:
        self._pick = None
        self._live.ask_for_vertex(None)
        self._desk.picture.remove_class("rs-picking")

    def hear(self, event: dict[str, Any]) -> None:
        """Answer what the page tells of the mouse."""
        if self._desk.model.is_open:
            with self._desk.holding():
                self._answer(event)

    def _answer(self, event: dict[str, Any]) -> None:
        kind = event["type"]
        viewer = self._desk.viewer
        if kind == "wheel":
            step = float(min(max(event.get("deltaY", 0.0), -400.0), 400.0))
            viewer.orbit = viewer.orbit.nearer(0.9985**step)
        elif kind == "dblclick":
            if self._pen is not None:  # two clicks, which have drawn already
                return
            viewer.frame_all()
        elif kind == "mousedown":
            self._press(event)
            return
        elif kind == "mousemove" and self._both is not None and self._both.drag(event):
            return
        elif kind == "mousemove" and self._from is not None:
            self._drag(event)
        elif kind == "mousemove":
            if self._pen is None:
                self._point(self._pixel(event))
            return
        elif kind in ("mouseup", "mouseleave"):
            if kind == "mouseleave":
                self._point(None)
            if self._both is not None and self._both.let_go():
                return
            self._from, self._held = None, False
            if kind == "mouseup" and not self._dragged:
                self._click(event)
            return
        else:
            return
        viewer.ask()

    def _point(self, pixel: tuple[float, float] | None) -> None:
        """Tell what is under the pointer: a control by its name in the picture, skin in a line."""
        if self._hover is not None:
            self._hover.over(pixel)
        viewer = self._desk.viewer
        pointed = "" if pixel is None else viewer.pointed_at(*pixel)
        if pointed != viewer.pointed:
            viewer.pointed = pointed
            viewer.ask()

    def _press(self, event: dict[str, Any]) -> None:
        if self._pick is not None:
            self._picked(self._desk.viewer.vertex_at(*self._pixel(event)))
            return
        if self._both is not None and self._both.grab(event):
            return
        moves = bool(event.get("shiftKey")) or event.get("button", 0) in (1, 2)
        if self._pen is not None and not moves:
            self._held = self._pen.grab(self._sight(event))
        self._from = (event["relativeX"], event["relativeY"], moves)
        self._dragged = False

    def _click(self, event: dict[str, Any]) -> None:
        self._dragged = True
        if self._pen is not None:
            loop = bool(event.get("altKey")) or bool(event.get("ctrlKey"))
            self._pen.click(self._sight(event), loop)
            return
        name = self._desk.viewer.control_at(*self._pixel(event))
        if name is not None and name != self._desk.model.selected:
            self._desk.act(lambda: self._desk.model.select(name))

    def _pixel(self, event: dict[str, Any]) -> tuple[float, float]:
        return pixel_of(self._desk.viewer.canvas, event)

    def _sight(self, event: dict[str, Any]) -> Sight:
        viewer = self._desk.viewer
        return Sight(viewer.camera, viewer.size, self._pixel(event))

    def _drag(self, event: dict[str, Any]) -> None:
        if not event.get("buttons", 1):  # let go outside the picture
            self._from, self._held = None, False
            return
        x, y, moves = self._from or (0.0, 0.0, False)
        right, down = event["relativeX"] - x, event["relativeY"] - y
        if not self._dragged and abs(right) + abs(down) < _HAND_SHAKES:
            return
        self._dragged = True
        viewer = self._desk.viewer
        if self._held and self._pen is not None:
            self._pen.drag(self._sight(event))
            return
        if moves:
            height = float(event.get("boundingRectHeight") or viewer.size[1])
            viewer.orbit = viewer.orbit.moved(right / height, -down / height)
        else:
            viewer.orbit = viewer.orbit.turned(_DEGREES_A_PIXEL * right, -_DEGREES_A_PIXEL * down)
        self._from = (event["relativeX"], event["relativeY"], moves)

    def _picked(self, vertex: int | None) -> None:
        then = self._pick
        if vertex is None:
            self._desk.complain("There is no skin under the pointer: click the creature.")
            return
        self._stop_picking()
        if then is not None:
            then(vertex)

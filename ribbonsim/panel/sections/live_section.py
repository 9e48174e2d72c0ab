"""The creature drawn by the browser itself, where it has a graphics card; the choice between."""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

import ipywidgets as widgets
import numpy as np
import traitlets

from ribbonsim.errors import RibbonsimError
from ribbonsim.inpage.seen import read_seen
from ribbonsim.inpage.source import view_source
from ribbonsim.layout.appendage_targets import test_poses_of
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import button, pixels, row, show_html
from ribbonsim.panel.sections.page_widget import PageWidget, page_script
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.dragging import DragKind, Grip
from ribbonsim.panel.state.playing import moment_of
from ribbonsim.panel.work.live import LiveSender
from ribbonsim.panel.work.picking import Sight
from ribbonsim.panel.work.subject import Orbit

# milliseconds a frame from which on pictures from the kernel are better
_SLOW = 70.0
_AUTO, _BROWSER, _KERNEL = "as fits", "the browser", "the kernel"
_LONGEST = 60


class LiveView(PageWidget):
    """A creature that the browser draws; told by messages."""

    _page_file = "live_view.js"
    amount = traitlets.Float(0.0).tag(sync=True)
    # whose clock it goes by while a loop plays
    player = traitlets.Instance(widgets.Widget, allow_none=True).tag(
        sync=True, **widgets.widget_serialization
    )

    @traitlets.default("_esm")
    def _default_esm(self) -> str:
        return f"{view_source()}\n{page_script(self._page_file)}"


class PictureTool(Protocol):
    """What draws in the picture while it is set: presses, drags and clicks at pixels."""

    def grab(self, sight: Sight) -> bool:
        """Whether a press there takes hold of something, which a drag then moves."""

    def hold(self, number: int) -> None:
        """Take hold of a point by its number."""

    def drag(self, sight: Sight) -> None:
        """Move what is held."""

    def click(self, sight: Sight, loop: bool) -> None:
        """A click that held nothing; with Alt or Ctrl it means the edge loop there."""


class Line(Protocol):
    """The line between before and after, where both are seen."""

    def move(self, share: float) -> None:
        """Put it at a share of the width."""

    def end(self) -> None:
        """Show one layout alone again."""


class LiveSection:
    """The browser's view beside the picture: which of them is shown, and what it answers.

    Parameters
    ----------
    poses : bool
        Whether a drag of a control's dot poses it.
    """

    def __init__(self, desk: Desk, poses: bool) -> None:
        self._desk = desk
        self.view = LiveView()
        self.view.add_class("rs-live-view")
        self.view.layout.display = "none"
        self.send = desk.handed(self._send)  # on any thread
        self.sender = LiveSender(self.send, poses)
        self._turners: list[Callable[[], None]] = []
        self._grip: Grip | None = None
        self.moves_stations = False  # whether a dot that is dragged goes along the body
        self._renderer, self._software, self._slow = "", True, 0.0
        self._trouble = ""
        self.pen: PictureTool | None = None  # what has clicks and drags
        self._picked: Callable[[int | None], None] | None = None
        self._hover: Callable[[int | None], None] = lambda vertex: None
        self._line: Line | None = None
        self._choice = widgets.Dropdown(
            options=[_AUTO, _BROWSER, _KERNEL], layout=widgets.Layout(width=pixels(110))
        )
        self._choice.observe(lambda _: self._decide(), "value")
        self._words = widgets.HTML()
        label = widgets.Label("Drawn by")
        label.add_class("rs-word")
        self._text = widgets.Text(
            placeholder="a note from a review page", layout=widgets.Layout(width=pixels(260))
        )
        self.seen = row(self._text, button("Look from there", self._open_seen))
        self._arrangement = widgets.Dropdown(
            options=[
                ("side by side", "side"),
                ("over one another", "over"),
                ("A by how far B is", "difference"),
            ],
            layout=widgets.Layout(width=pixels(150)),
        )
        self._arrangement.disabled = True
        self._arrangement.observe(self._arrange, "value")
        (self._arrangement if poses else self.seen).layout.display = "none"
        self.line = row(label, self._choice, self._arrangement, self._words)
        self.view.on_msg(self._hear)
        self._say()

    def ask_for_vertex(self, picked: Callable[[int | None], None] | None) -> None:
        """Let a callback have the vertex of the next click, None beside the creature; or nobody."""
        self._picked = picked
        self.sender.picks = picked is not None
        if self.shown:
            self._desk.viewer.ask()

    def on_hover(self, hover: Callable[[int | None], None]) -> None:
        """Call back with the vertex that the pointer rests on, None beside the creature."""
        self._hover = hover

    def split_by(self, line: Line) -> None:
        """Let a line hear where it was dragged to, and that both sides are to be seen no more."""
        self._line = line

    def on_turn(self, turned: Callable[[], None]) -> None:
        """Call back whenever the browser begins to draw, begins anew, or ceases."""
        self._turners.append(turned)

    @property
    def shown(self) -> bool:
        """Whether the browser draws now."""
        return self._desk.viewer.live is not None

    # -- which of them -----------------------------------------------------------------------

    def _decide(self) -> None:
        fits = bool(self._renderer) and not self._trouble
        wanted = self._choice.value
        if wanted == _AUTO:
            fits = fits and not self._software and self._slow < _SLOW
        live = fits and wanted != _KERNEL
        if live != self.shown:
            viewer = self._desk.viewer
            self.sender.forget()
            viewer.live = self.sender if live else None
            self.view.layout.display = "" if live else "none"
            self._desk.picture.layout.display = "none" if live else ""
            self._arrangement.disabled = not live
            viewer.ask()
            self._tell_turned()
        self._say()

    def _tell_turned(self) -> None:
        for tell in self._turners:
            tell()

    def _say(self) -> None:
        who = _short(self._renderer)
        if self._trouble:
            words = f"The kernel draws: the browser could not ({_short(self._trouble)})."
        elif not self._renderer:
            words = "The kernel draws: the browser has no WebGL2."
        elif self.shown:
            spent = f", {self._slow:.0f} ms a frame" if self._slow else ""
            words = f"The browser draws: {who}{spent}."
        elif self._software:
            words = "The kernel draws: the browser has no graphics card, so it would be slower."
        elif self._slow >= _SLOW:
            words = f"The kernel draws: the browser takes {self._slow:.0f} ms a frame."
        else:
            words = "The kernel draws."
        show_html(self._words, f'<div class="rs-facts">{html.escape(words)}</div>')

    def _arrange(self, change: dict[str, str]) -> None:
        self.sender.arrangement = change["new"]
        self._desk.viewer.ask()

    # -- what the browser says ---------------------------------------------------------------

    def _send(self, told: dict[str, Any], buffers: list[bytes]) -> None:
        self.view.send(told, buffers)

    def _hear(self, _: Any, told: dict[str, Any], buffers: list[bytes]) -> None:
        answer = getattr(self, f"_hear_{told.get('kind')}", None)
        if answer is not None:
            with self._desk.holding():
                answer(told)

    def _hear_ready(self, told: dict[str, Any]) -> None:
        self._renderer = str(told.get("renderer", ""))
        self._software, self._slow, self._trouble = bool(told.get("software", True)), 0.0, ""
        self.sender.forget()
        was = self.shown
        self._decide()
        if was and self.shown:
            self._desk.viewer.ask()
            self._tell_turned()

    def _hear_timed(self, told: dict[str, Any]) -> None:
        self._slow = float(told["milliseconds"])
        self._decide()

    def _hear_none(self, told: dict[str, Any]) -> None:
        self._trouble = str(told.get("why", "no reason given"))
        self._decide()

    def _hear_camera(self, told: dict[str, Any]) -> None:
        self._stand_at(told)
        if told.get("done"):
            self._desk.viewer.ask()

    def _stand_at(self, camera: dict[str, Any]) -> None:
        """Know where the browser stands."""
        viewer = self._desk.viewer
        view = replace(
            viewer.orbit.view,
            azimuth=float(camera["azimuth"]),
            elevation=float(camera["elevation"]),
        )
        viewer.orbit = Orbit(view, np.array(camera["focus"], float), float(camera["distance"]))
        self.sender.look_from(viewer.orbit)

    def _hear_hover(self, told: dict[str, Any]) -> None:
        vertex = told.get("vertex")
        self._hover(None if vertex is None else int(vertex))

    def _hear_divider(self, told: dict[str, Any]) -> None:
        if self._line is not None:
            self._line.move(float(told["share"]))

    def _hear_end(self, _: dict[str, Any]) -> None:
        if self._line is not None:
            self._line.end()

    def _hear_pick(self, told: dict[str, Any]) -> None:
        desk = self._desk
        if self._picked is not None:
            self._picked(int(told["vertex"]) if told["kind_picked"] == "vertex" else None)
            return
        desk.viewer.choose_layout(int(told.get("layout", 0)))
        if told["kind_picked"] == "control" and told["name"] != desk.model.selected:
            desk.act(lambda: desk.model.select(told["name"]))

    def _hear_drag(self, told: dict[str, Any]) -> None:
        model, name = self._desk.model, str(told["control"])
        if self._grip is None or self._grip.control != name:
            if name != model.selected:
                model.select(name)
            axes = np.array(told["axes"], dtype=float)
            self._grip = Grip(model.rig, model.pose, name, axes)
        if self.moves_stations:
            self._drag_along(self._grip, told)
        else:
            self._drag_pose(self._grip, told)
        if told["done"]:
            self._grip = None
        self.send({"kind": "done"}, [])

    def _hear_draw(self, told: dict[str, Any]) -> None:
        """A click into the picture of the pen, or a drag of one of its points."""
        pen, (wide, high) = self.pen, told["size"]
        if pen is not None:
            self._stand_at(told["camera"])
            camera = self._desk.viewer.orbit.camera(wide / high)
            sight = Sight(camera, (wide, high), (told["x"], told["y"]))
            if told["point"] is not None and told["begins"]:
                pen.hold(int(told["point"]))
            if told["act"] == "drag":
                pen.drag(sight)
            else:
                pen.click(sight, bool(told["loop"]))
        self.send({"kind": "done"}, [])

    def _drag_along(self, grip: Grip, told: dict[str, Any]) -> None:
        """Move a control to the station that its dot is nearest to."""
        model, name = self._desk.model, grip.control
        ribbon, control = model.layout.control(name)
        low, high = edits.free_stations(model.layout.ribbons[ribbon], control.name)
        nearest = grip.station(float(told["right"]), float(told["up"]))
        station = min(max(nearest, low), high)
        if station != control.station:
            self._desk.act(lambda: edits.move_control(model, name, station))

    def _drag_pose(self, grip: Grip, told: dict[str, Any]) -> None:
        """Bend and sway a control so that its dot follows; with a key, what the key says."""
        model, name, keys = self._desk.model, grip.control, told["keys"]
        kind: DragKind = "bend"
        if keys["shift"]:
            kind = "shift"
        elif keys["alt"]:
            kind = "twist"
        elif keys["control"]:
            kind = "stretch"
        value = grip.dragged(float(told["right"]), float(told["up"]), kind)

        def change() -> None:
            both = model.sides.both(model.rig, {name: value})
            pose = Pose({**grip.pose.controls, **both}, grip.pose.keep_volume)
            model.set_pose(pose, f"{name} dragged")

        if not self._desk.act(change):
            self._grip = None

    # -- a view from a page ------------------------------------------------------------------

    def _open_seen(self) -> None:
        self._desk.act(lambda: self._look(self._text.value))

    def _look(self, text: str) -> None:
        """Take the pose of a view and stand where it was seen from."""
        seen, model, viewer = read_seen(text), self._desk.model, self._desk.viewer
        kept = model.layout.poses
        if seen.motion:
            pose = moment_of(model.rig, seen.motion, seen.moment)
            model.set_pose(pose, f"motion {seen.motion}")
        elif seen.pose == "rest":
            model.reset_all()
        elif seen.pose in kept:
            model.set_pose(kept[seen.pose].scaled(1.0 if seen.amount is None else seen.amount))
        elif seen.pose in test_poses_of(model.layout):
            model.show_test_pose(seen.pose, seen.amount)
        else:
            raise RibbonsimError(
                f"the view is of the pose {seen.pose!r}, which this layout does not keep: "
                "open the layout that the page was made of"
            )
        view = replace(viewer.orbit.view, azimuth=seen.azimuth, elevation=seen.elevation)
        viewer.orbit = Orbit(view, np.array(seen.focus), seen.away)


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"

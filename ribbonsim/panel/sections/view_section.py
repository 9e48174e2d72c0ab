"""The picture with its mouse, its sides and what it shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import ipywidgets as widgets

from ribbonsim.panel.sections.before_after_section import BeforeAfterSection
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import button, group, pixels, row, set_options, whole_number
from ribbonsim.panel.sections.hover_section import HoverSection
from ribbonsim.panel.sections.live_section import LiveSection, PictureTool
from ribbonsim.panel.sections.picture_mouse import PictureMouse
from ribbonsim.panel.sections.picture_size import PictureSize
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.sections.strip_section import StripSection
from ribbonsim.panel.work.subject import HEATS, Orbit, Spot

_SIDES = {
    "Front": "front",
    "Side": "side",
    "Top": "top",
    "Three-quarter": "three_quarter",
}
_HEAT_WORDS = {
    "clay": "clay",
    "control weights": "weights of the control",
    "all weights": "weights of all controls",
    "station weights": "weights of a station",
    "stretch": "largest stretch",
    "girth": "girth",
    "volume": "volume change",
}
# what may be shown besides the skin: the word on its switch, and what it means
_SWITCHES = {
    "ribbon": ("Ribbon", "the ribbons that carry the joints"),
    "stations": ("Stations", "the places along the ribbon where joints ride"),
    "controls": ("Controls", "the dots that are moved"),
    "edges": ("Edge lines", "the edges of the mesh's polygons"),
    "glass": ("See through", "the skin as glass"),
    "rest": ("Rest behind", "the creature at rest, faint, behind the pose"),
}
_HELP = (
    "Drag to go round, Shift-drag or right-drag to move the picture, wheel to go nearer, "
    "double-click to see all, click {} to choose it."
)
_STEP = 15.0
_MARKED = "marked"
# word, tip, and what a press does to the camera
_STEPS: tuple[tuple[str, str, Callable[[Orbit], Orbit]], ...] = (
    ("◂", "go round to the left", lambda orbit: orbit.turned(_STEP, 0.0)),
    ("▸", "go round to the right", lambda orbit: orbit.turned(-_STEP, 0.0)),
    ("▴", "go up", lambda orbit: orbit.turned(0.0, -_STEP)),
    ("▾", "go down", lambda orbit: orbit.turned(0.0, _STEP)),
    ("+", "go nearer", lambda orbit: orbit.nearer(1.25)),
    ("−", "go away", lambda orbit: orbit.nearer(0.8)),
)


class ViewSection:
    """The picture, its mouse and its buttons.

    Parameters
    ----------
    clicked : str
        What a click chooses, in words.
    poses : bool
        Whether a drag of a control's dot poses it, where the browser draws, and whether small
        pictures of poses stand under the picture.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, clicked: str = "a control", poses: bool = True) -> None:
        self._desk = desk
        self.live = LiveSection(desk, poses)
        self.hover = HoverSection(desk)
        if poses:  # of several layouts side by side nothing is told
            self.live.on_hover(self.hover.read)
        self._one = poses  # whether it shows one creature: a session keeps what is shown
        self.strip = StripSection(desk) if poses else None
        self.both = BeforeAfterSection(desk) if poses else None
        if self.both is not None:
            self.live.split_by(self.both)
        self._help = _HELP.format(clicked)
        self.mouse = PictureMouse(desk, self.live, self.both, self.hover if poses else None)
        self._undo = button("Undo", self._step_back)
        self._redo = button("Redo", self._step_forward)
        self._undo.add_class("rs-undo")
        self._redo.add_class("rs-redo")
        self._heat = widgets.Dropdown(
            options=[(_HEAT_WORDS[heat], heat) for heat in HEATS],
            value="clay",
            layout=widgets.Layout(width=pixels(190)),
        )
        self._station = whole_number(1, width=pixels(56))
        self._station.name = "station"
        self._station.layout.display = "none"
        self._heat.observe(self._show_heat, "value")
        desk.on_mark(self._show_marked)
        self._station.observe(lambda change: self._show(station=round(change["new"])), "value")
        self.box = self._arrange()
        desk.on_change(self._refresh)

    def _arrange(self) -> widgets.VBox:
        desk, shown = self._desk, self._desk.viewer.show
        sides = [button(word, self._side(name)) for word, name in _SIDES.items()]
        steps = [button(word, self._step(move), tip, "26px") for word, tip, move in _STEPS]
        self._toggles = {
            key: self._toggle(word, key, getattr(shown, key), tip)
            for key, (word, tip) in _SWITCHES.items()
        }
        strip = () if self.strip is None else (self.strip.view,)
        switch = () if self.strip is None else (self.strip.switch,)
        both = () if self.both is None else (self.both.switch,)
        skin = widgets.Label("Skin")
        skin.add_class("rs-word")
        made = widgets.VBox(
            [
                row(
                    group(*sides, button("See all", self._frame_all)),
                    group(*steps),
                    group(self._undo, self._redo, *both),
                ),
                self.hover.line,
                PictureSize(desk),
                desk.picture,
                self.live.view,
                *strip,
                row(
                    group(*self._toggles.values(), *switch), group(skin, self._heat, self._station)
                ),
                desk.readout,
                desk.verdict,
                desk.other,
                row(self.live.line, self.live.seen),
                widgets.HTML(f'<div class="rs-facts">{self._help}</div>'),
            ]
        )
        made.add_class("rs-view")
        return made

    def close(self) -> None:
        """Stop what goes on."""
        for part in (self.strip, self.both):
            if part is not None:
                part.close()

    def pick_vertex(self, then: Callable[[int], None]) -> None:
        """Wait for a click on the creature; asked again while it waits, stop waiting."""
        self.mouse.pick_vertex(then)

    def draw_with(self, pen: PictureTool | None) -> None:
        """Let a pen have presses and clicks; a drag that begins beside what it holds orbits."""
        self.mouse.draw_with(pen)

    def mark(self, place: float | None) -> None:
        """Mark a place along the ribbon."""
        if place != self._desk.viewer.show.place:
            self._show(place=place)

    def _refresh(self) -> None:
        model = self._desk.model
        self._undo.disabled, self._redo.disabled = not model.can_undo, not model.can_redo
        for part, forward in ((self._undo, False), (self._redo, True)):
            words = model.step_words(forward)
            part.tooltip = f"{part.description}: {words}" if words else ""
        if model.is_open:
            self._station.set_range(1, len(model.own.stations))
            self._take_switches()

    def _step_back(self) -> None:
        model = self._desk.model
        words = model.step_words(forward=False)
        self._desk.act(model.undo, f"Undone: {words}." if words else "")

    def _step_forward(self) -> None:
        model = self._desk.model
        words = model.step_words(forward=True)
        self._desk.act(model.redo, f"Done again: {words}." if words else "")

    def _side(self, name: str) -> Callable[[], None]:
        def go() -> None:
            self._desk.act(lambda: self._desk.viewer.frame_all(name))

        return go

    def _step(self, move: Callable[[Orbit], Orbit]) -> Callable[[], None]:
        def go() -> None:
            viewer = self._desk.viewer
            with self._desk.holding():
                viewer.orbit = move(viewer.orbit)
            viewer.ask()

        return go

    def _frame_all(self) -> None:
        self._desk.act(self._desk.viewer.frame_all)

    def _toggle(self, word: str, key: str, on: bool, tip: str) -> widgets.ToggleButton:
        made = widgets.ToggleButton(
            value=on, description=word, tooltip=tip, layout=widgets.Layout(width="auto")
        )
        made.observe(lambda change: self._switch(key, change["new"]), "value")
        return made

    def _switch(self, key: str, on: bool) -> None:
        """Show something or not; the session keeps it."""
        if self._quiet:
            return
        viewer, model = self._desk.viewer, self._desk.model
        told: dict[str, Any] = {key: on}
        viewer.show = replace(viewer.show, **told)
        if self._one:
            model.switches[key] = on
        self._desk.act(lambda: None)

    def _take_switches(self) -> None:
        """Show what a session has kept."""
        viewer, kept = self._desk.viewer, self._desk.model.switches
        told: dict[str, Any] = (
            {key: kept[key] for key in self._toggles if key in kept} if self._one else {}
        )
        if all(getattr(viewer.show, key) == on for key, on in told.items()):
            return
        viewer.show = replace(viewer.show, **told)
        self._quiet = True
        try:
            for key, on in told.items():
                self._toggles[key].value = on
        finally:
            self._quiet = False

    def _show_marked(self, spot: Spot | None) -> None:
        """Have the menu say what is coloured."""
        heats = [(_HEAT_WORDS[heat], heat) for heat in HEATS]
        self._quiet = True
        try:
            if spot is None:
                set_options(self._heat, heats, self._desk.viewer.show.heat)
            else:
                set_options(self._heat, [(spot.words, _MARKED), *heats], _MARKED)
        finally:
            self._quiet = False

    def _show_heat(self, change: dict[str, Any]) -> None:
        if self._quiet or change["new"] in (None, _MARKED):
            return
        viewer = self._desk.viewer
        viewer.show = replace(viewer.show, heat=change["new"])
        self._desk.mark(None)
        self._station.layout.display = "" if change["new"] == "station weights" else "none"
        viewer.ask()

    def _show(self, **what: Any) -> None:
        viewer = self._desk.viewer
        viewer.show = replace(viewer.show, **what)
        viewer.ask()

"""The layout, changed while looking."""

from __future__ import annotations

import html
from collections.abc import Callable

import ipywidgets as widgets
import numpy as np

from ribbonsim.layout.falloff import KERNELS
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.settings import Control
from ribbonsim.panel.sections.appendage_section import AppendageSection
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.drive_section import DriveSection
from ribbonsim.panel.sections.fields import (
    QuantityRow,
    button,
    choice,
    field,
    heading,
    heading_text,
    set_span,
    slider_of_stations,
    text_field,
    whole_number,
    wide,
)
from ribbonsim.panel.sections.guide_section import GuideSection
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.sections.suggest_section import SuggestSection
from ribbonsim.panel.sections.tie_section import TieSection
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.layout_edits import lean_of
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.names import short

_BINDS = "Binding again"
# so many stations the slider goes to; the box takes more
_DENSEST = 49
_SECTIONS = (
    "joints of each section, with commas between; sections share the joint where they meet, "
    "and have a control at each end and in the middle"
)


class LayoutSection:
    """Stations, spans, controls and ends of the chosen ribbon, and what rides on the body.

    Parameters
    ----------
    view : ViewSection
        Where vertices are clicked and places are marked.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, view: ViewSection) -> None:
        self._desk, self._view = desk, view
        self._shown: tuple[Layout, Control] | None = None
        self._measured = ""
        self._make_ribbon_fields()
        self._make_control_fields()
        self._suggest = SuggestSection(desk, view.both)
        self.box = self._arrange()
        desk.on_change(self.refresh)

    def close(self) -> None:
        """Stop what goes on."""
        self._suggest.close()

    def _make_ribbon_fields(self) -> None:
        mark = self._view.mark
        self._stations = whole_number(17, 2, 200, "70px")
        self._dense = slider_of_stations()
        self._dense.readout = False
        self._dense.observe(self._loud(self._slide_stations), "value")
        self._spacing = choice([("dense as spans", "spans"), ("even by length", "length")])
        self._spans = whole_number(16, 1, 200, "70px")
        self._sections = text_field("9, 9")
        for part, act in (
            (self._stations, self._set_stations),
            (self._spacing, self._set_stations),
            (self._spans, self._set_spans),
        ):
            part.observe(self._loud(act), "value")
        self._density = QuantityRow(
            "dense towards",
            "spans and stations: -1 crowds them at the root end, 1 at the tip",
            *(-1.0, 1.0, 0.05, 0.0),
            changed=self._bind(edits.set_density),
            live=False,
        )
        insert = button("Insert", self._insert, "insert a knot and a station there")
        tip = "place along, 0 root end to 1 tip"
        self._knot = QuantityRow("knot at", tip, 0.01, 0.99, 0.01, 0.5, mark, end=insert)
        self._width = QuantityRow(
            *("width", "scene units", 0.01, 1.0, 0.01, 0.5, self._bind(edits.set_width)),
            live=False,
        )
        turn = button("Roll", self._turn, "roll the ribbon about its midline")
        self._roll = QuantityRow(
            *("roll by", "degrees about the midline", -180.0, 180.0, 1.0, 0.0, lambda _: None),
            end=turn,
        )

    def _make_control_fields(self) -> None:
        self._control = choice([])
        self._control.observe(self._choose, "value")
        self._name = widgets.Text(continuous_update=False, layout=wide())
        self._seat = slider_of_stations()
        self._seat.observe(self._loud(self._move), "value")
        tip = "times the distance to its neighbours"
        self._reach = QuantityRow("reach", tip, 0.25, 6.0, 0.05, 2.0, self._set_reach)
        self._falloff = choice([(name.replace("_", " "), name) for name in KERNELS])
        self._falloff.observe(self._loud(self._set_falloff), "value")
        self._new_seat = whole_number(2)

    def _arrange(self) -> widgets.VBox:
        self._title = heading("Ribbon")
        return widgets.VBox(
            [
                AppendageSection(self._desk, self._view).box,
                GuideSection(self._desk, self._view).box,
                self._title,
                field("stations", self._dense, self._stations),
                field("spread", self._spacing),
                field("in sections", self._sections, button("Divide", self._divide, _SECTIONS)),
                field("spans", self._spans),
                self._density,
                self._knot,
                self._width,
                self._roll,
                heading("Chosen control"),
                field("control", self._control, button("Remove", self._remove)),
                field("name", self._name, button("Rename", self._rename)),
                field("station", self._seat),
                self._reach,
                heading("All controls"),
                field("falloff", self._falloff),
                field("new at station", self._new_seat, button("Add a control", self._add)),
                DriveSection(self._desk).box,
                TieSection(self._desk).box,
                self._suggest.box,
            ]
        )

    # -- to the model ------------------------------------------------------------------------

    def _loud(self, act: Callable[[], None]) -> Callable[[object], None]:
        def observe(_: object) -> None:
            if not self._quiet and self._desk.model.is_open:
                act()

        return observe

    def _change(self, act: Callable[[], object], doing: str = _BINDS) -> None:
        self._shown = None  # a field that asked for too much goes back to what holds
        self._desk.act(act, doing=doing)

    def _bind(self, edit: Callable[[PanelModel, float], None]) -> Callable[[float], None]:
        return lambda value: self._change(lambda: edit(self._desk.model, value))

    def _set_stations(self) -> None:
        count, spacing = self._stations.number, self._spacing.value
        self._change(lambda: edits.set_stations(self._desk.model, count, spacing))

    def _slide_stations(self) -> None:
        model, count, spacing = self._desk.model, self._dense.value, self._spacing.value
        self._change(lambda: edits.set_stations(model, count, spacing), doing="")

    def _set_spans(self) -> None:
        spans = self._spans.number
        self._change(lambda: edits.set_spans(self._desk.model, spans))

    def _divide(self) -> None:
        text = self._sections.value
        self._change(lambda: edits.set_sections(self._desk.model, edits.read_sections(text)))

    def _insert(self) -> None:
        self._change(lambda: edits.insert_knot(self._desk.model, self._knot.value))

    def _turn(self) -> None:
        self._change(lambda: edits.turn_ribbon(self._desk.model, self._roll.value))
        self._roll.tell(0.0)

    def _rename(self) -> None:
        model = self._desk.model
        self._change(lambda: edits.rename_control(model, model.selected, self._name.value.strip()))

    def _choose(self, change: dict[str, str]) -> None:
        if not self._quiet and change["new"]:
            self._desk.act(lambda: self._desk.model.select(change["new"]))

    def _move(self) -> None:
        model = self._desk.model
        seat = self._seat.value
        self._change(lambda: edits.move_control(model, model.selected, seat), doing="")

    def _set_reach(self, reach: float) -> None:
        model = self._desk.model
        self._change(lambda: edits.set_reach(model, model.selected, reach), doing="")

    def _set_falloff(self) -> None:
        self._change(lambda: edits.set_falloff(self._desk.model, self._falloff.value))

    def _add(self) -> None:
        self._change(lambda: edits.add_control(self._desk.model, self._new_seat.number))

    def _remove(self) -> None:
        model = self._desk.model
        self._change(lambda: edits.remove_control(model, model.selected))

    # -- from the model ----------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        own, control, ribbon = model.own, model.control, model.ribbon
        shown = (model.layout, control)
        if self._shown is not None and all(a is b for a, b in zip(self._shown, shown, strict=True)):
            return
        self._shown = shown
        self._title.value = heading_text(_titled("Ribbon", model.layout, ribbon))
        self._quiet = True
        try:
            count = len(own.stations)
            self._stations.value, self._spans.value = count, own.ribbon.spans
            set_span(self._dense, 2, max(_DENSEST, count), count)
            self._new_seat.set_range(1, count)
            whole = model.layout.control_names_of(ribbon)
            names = tuple(
                (short(label), name) for label, name in zip(own.control_names, whole, strict=True)
            )
            with self._control.hold_sync():
                if self._control.options != names:
                    self._control.options = names
                self._control.value = model.selected
            set_span(self._seat, *edits.free_stations(own, control.name), control.station)
            self._name.value = control.name
            self._reach.tell(control.reach)
            self._falloff.value = own.control_weights.falloff
            width = float(own.ribbon.width(np.linspace(0.0, 1.0, 33)).mean())
            if ribbon != self._measured:
                self._measured = ribbon
                step = float(f"{own.ribbon.length / 2000:.1g}")
                self._width.set_range(step, 500 * step, step, width)
            self._width.tell(width)
            self._density.tell(lean_of(own.ribbon.breaks))
        finally:
            self._quiet = False


def _titled(text: str, layout: Layout, ribbon: str) -> str:
    """A heading, with the ribbon's name where there are several."""
    return f"{text} of {html.escape(short(ribbon))}" if layout.appendages else text

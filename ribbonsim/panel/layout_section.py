"""The layout, changed while looking."""

from __future__ import annotations

import html
from collections.abc import Callable

import ipywidgets as widgets
import numpy as np

from ribbonsim.appendages import BODY
from ribbonsim.falloff import KERNELS
from ribbonsim.layout import Control, Layout
from ribbonsim.panel.appendage_section import AppendageSection
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import LABEL_WIDTH, QuantityRow, button, heading, row, short
from ribbonsim.panel.model import lean_of
from ribbonsim.panel.tie_section import TieSection
from ribbonsim.panel.view_section import ViewSection

_BINDS = "Binding again"


class LayoutSection:
    """Stations, spans, controls and ends of the chosen ribbon, and what rides on the body.

    Parameters
    ----------
    desk : Desk
    view : ViewSection
        Where vertices are clicked and places are marked.
    """

    def __init__(self, desk: Desk, view: ViewSection) -> None:
        self._desk, self._view = desk, view
        self._quiet = False
        self._shown: tuple[Layout, Control] | None = None
        self._measured = ""
        self._make_ribbon_fields()
        self._make_control_fields()
        self._make_guide_fields()
        self.box = self._arrange()
        desk.on_change(self.refresh)

    def _make_ribbon_fields(self) -> None:
        model, mark = self._desk.model, self._view.mark
        self._stations = _whole(17, 2, 200)
        self._spacing = widgets.Dropdown(
            options=[("dense as spans", "spans"), ("even by length", "length")],
            layout=widgets.Layout(flex="1 1 80px", width="0", min_width="60px"),
        )
        self._spans = _whole(16, 1, 200)
        for field, act in (
            (self._stations, self._set_stations),
            (self._spacing, self._set_stations),
            (self._spans, self._set_spans),
        ):
            field.observe(self._loud(act), "value")
        self._density = QuantityRow(
            "dense towards",
            "spans and stations: -1 crowds them at the root end, 1 at the tip",
            *(-1.0, 1.0, 0.05, 0.0),
            changed=self._bind(model.set_density),
            live=False,
        )
        insert = button("Insert", self._insert, "insert a knot and a station there")
        tip = "place along, 0 root end to 1 tip"
        self._knot = QuantityRow("knot at", tip, 0.01, 0.99, 0.01, 0.5, mark, end=insert)
        self._width = QuantityRow(
            *("width", "scene units", 0.01, 1.0, 0.01, 0.5, self._bind(model.set_width)),
            live=False,
        )
        turn = button("Roll", self._turn, "roll the ribbon about its midline")
        self._roll = QuantityRow(
            *("roll by", "degrees about the midline", -180.0, 180.0, 1.0, 0.0, lambda _: None),
            end=turn,
        )

    def _make_control_fields(self) -> None:
        stretch = {"flex": "1 1 80px", "width": "0", "min_width": "60px"}
        self._control = widgets.Dropdown(options=[], layout=widgets.Layout(**stretch))
        self._control.observe(self._choose, "value")
        self._name = widgets.Text(continuous_update=False, layout=widgets.Layout(**stretch))
        self._seat = widgets.IntSlider(
            value=1, min=1, max=17, continuous_update=False, layout=widgets.Layout(**stretch)
        )
        self._seat.observe(self._loud(self._move), "value")
        tip = "times the distance to its neighbours"
        self._reach = QuantityRow("reach", tip, 0.25, 6.0, 0.05, 2.0, self._set_reach)
        self._falloff = widgets.Dropdown(
            options=[(name.replace("_", " "), name) for name in KERNELS],
            layout=widgets.Layout(**stretch),
        )
        self._falloff.observe(self._loud(self._set_falloff), "value")
        self._new_seat = widgets.BoundedIntText(
            value=2, min=1, max=17, layout=widgets.Layout(width="64px")
        )

    def _make_guide_fields(self) -> None:
        tip = "place along, 0 root end to 1 tip"
        self._guide = QuantityRow("guide at", tip, 0.0, 1.0, 0.01, 0.5, self._view.mark)
        self._shift = [
            widgets.FloatText(
                value=0.0, layout=widgets.Layout(flex="1 1 44px", width="0", min_width="40px")
            )
            for _ in range(3)
        ]

    def _arrange(self) -> widgets.VBox:
        model, pick = self._desk.model, self._view.pick_vertex
        self._ends = widgets.VBox(
            [
                heading("Root and tip"),
                row(
                    button("Swap", lambda: self._change(model.swap_ends)),
                    button("Click the root", lambda: pick(self._root_at)),
                    button("Click the tip", lambda: pick(self._tip_at)),
                ),
            ]
        )
        self._title = heading("Ribbon")
        return widgets.VBox(
            [
                AppendageSection(self._desk, self._view).box,
                self._title,
                row(_label("stations"), self._stations, self._spacing),
                row(_label("spans"), self._spans),
                self._density,
                self._knot,
                self._width,
                self._roll,
                heading("Chosen control"),
                row(_label("control"), self._control, button("Remove", self._remove)),
                row(_label("name"), self._name, button("Rename", self._rename)),
                row(_label("station"), self._seat),
                self._reach,
                heading("All controls"),
                row(_label("falloff"), self._falloff),
                row(_label("new at station"), self._new_seat, button("Add a control", self._add)),
                self._ends,
                heading("Guide"),
                self._guide,
                row(_label("move x, y, z"), *self._shift, button("Move", self._move_guide)),
                TieSection(self._desk).box,
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

    def _bind(self, set_value: Callable[[float], None]) -> Callable[[float], None]:
        return lambda value: self._change(lambda: set_value(value))

    def _set_stations(self) -> None:
        count, spacing = self._stations.value, self._spacing.value
        self._change(lambda: self._desk.model.set_stations(count, spacing))

    def _set_spans(self) -> None:
        spans = self._spans.value
        self._change(lambda: self._desk.model.set_spans(spans))

    def _insert(self) -> None:
        self._change(lambda: self._desk.model.insert_knot(self._knot.value))

    def _turn(self) -> None:
        self._change(lambda: self._desk.model.turn_ribbon(self._roll.value))
        self._roll.tell(0.0)

    def _rename(self) -> None:
        model = self._desk.model
        self._change(lambda: model.rename_control(model.selected, self._name.value.strip()))

    def _choose(self, change: dict[str, str]) -> None:
        if not self._quiet and change["new"]:
            self._desk.act(lambda: self._desk.model.select(change["new"]))

    def _move(self) -> None:
        model = self._desk.model
        self._change(lambda: model.move_control(model.selected, self._seat.value))

    def _set_reach(self, reach: float) -> None:
        model = self._desk.model
        self._change(lambda: model.set_reach(model.selected, reach), doing="")

    def _set_falloff(self) -> None:
        self._change(lambda: self._desk.model.set_falloff(self._falloff.value))

    def _add(self) -> None:
        self._change(lambda: self._desk.model.add_control(self._new_seat.value))

    def _remove(self) -> None:
        model = self._desk.model
        self._change(lambda: model.remove_control(model.selected))

    def _root_at(self, vertex: int) -> None:
        self._change(lambda: self._desk.model.choose_ends(vertex, None))

    def _tip_at(self, vertex: int) -> None:
        self._change(lambda: self._desk.model.choose_ends(None, vertex))

    def _move_guide(self) -> None:
        shift = [field.value for field in self._shift]
        self._change(lambda: self._desk.model.move_guide(self._guide.value, shift))

    # -- from the model ----------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        layout, control, ribbon = model.own, model.control, model.ribbon
        if self._shown is not None and self._shown[0] is layout and self._shown[1] is control:
            return
        self._shown = (layout, control)
        self._ends.layout.display = "" if ribbon == BODY else "none"
        self._title.value = heading(_titled("Ribbon", model.layout, ribbon)).value
        self._quiet = True
        try:
            count = len(layout.stations)
            self._stations.value, self._spans.value = count, layout.ribbon.spans
            self._seat.max = self._new_seat.max = count
            whole = model.layout.control_names_of(ribbon)
            names = tuple(
                (short(own), name) for own, name in zip(layout.control_names, whole, strict=True)
            )
            with self._control.hold_sync():
                if self._control.options != names:
                    self._control.options = names
                self._control.value = model.selected
            self._seat.value, self._name.value = control.station, control.name
            self._reach.tell(control.reach)
            self._falloff.value = layout.control_weights.falloff
            width = float(layout.ribbon.width(np.linspace(0.0, 1.0, 33)).mean())
            fits = self._width.slider.max > width > self._width.slider.min
            if ribbon != self._measured or not fits:
                self._measured = ribbon
                step = float(f"{width / 50:.1g}")
                self._width.set_range(step, 200 * step, step, width)
            self._width.tell(width)
            self._density.tell(lean_of(layout.ribbon.breaks))
        finally:
            self._quiet = False


def _titled(text: str, layout: Layout, ribbon: str) -> str:
    """A heading, with the ribbon's name where there are several."""
    return f"{text} of {html.escape(short(ribbon))}" if layout.appendages else text


def _label(text: str) -> widgets.Label:
    return widgets.Label(text, layout=widgets.Layout(width=LABEL_WIDTH))


def _whole(value: int, low: int, high: int) -> widgets.BoundedIntText:
    return widgets.BoundedIntText(
        value=value, min=low, max=high, layout=widgets.Layout(width="70px")
    )

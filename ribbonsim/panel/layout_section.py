"""The layout, changed while looking."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets
import numpy as np

from ribbonsim.falloff import KERNELS
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import LABEL_WIDTH, QuantityRow, button, heading, row

_BINDS = "Binding again …"


class LayoutSection:
    """Stations, spans, controls and ends of the ribbon.

    Parameters
    ----------
    desk : Desk
    pick_vertex : callable
        Waits for a click and calls back with a vertex.
    """

    def __init__(self, desk: Desk, pick_vertex: Callable[[Callable[[int], None]], None]) -> None:
        self._desk = desk
        self._quiet = False
        self._pick = pick_vertex
        model = desk.model
        whole = {"layout": widgets.Layout(width="70px"), "continuous_update": False}
        self._stations = widgets.BoundedIntText(value=17, min=2, max=200, **whole)
        self._spacing = widgets.Dropdown(
            options=[("dense as spans", "spans"), ("even by length", "length")],
            layout=widgets.Layout(width="138px"),
        )
        self._spans = widgets.BoundedIntText(value=16, min=1, max=200, **whole)
        for field, act in (
            (self._stations, self._set_stations),
            (self._spacing, self._set_stations),
            (self._spans, self._set_spans),
        ):
            field.observe(self._loud(act), "value")
        self._density = QuantityRow(
            "dense towards",
            "-1 the root end, 1 the tip",
            -1.0,
            1.0,
            0.05,
            0.0,
            self._bind(model.set_density),
            live=False,
        )
        self._knot = QuantityRow(
            "knot at", "place along, 0 root end to 1 tip", 0.01, 0.99, 0.01, 0.5, lambda _: None
        )
        self._width = QuantityRow(
            "width", "scene units", 0.01, 1.0, 0.01, 0.5, self._bind(model.set_width), live=False
        )
        self._roll = QuantityRow(
            "turn by", "degrees about the midline", -180.0, 180.0, 1.0, 0.0, lambda _: None
        )
        self._name = widgets.Text(
            continuous_update=False, layout=widgets.Layout(flex="1 1 auto", width="auto")
        )
        self._seat = widgets.IntSlider(
            value=1,
            min=1,
            max=17,
            continuous_update=False,
            layout=widgets.Layout(flex="1 1 auto", width="auto"),
        )
        self._seat.observe(self._loud(self._move), "value")
        self._reach = QuantityRow(
            "reach", "times the distance to its neighbours", 0.25, 6.0, 0.05, 2.0, self._set_reach
        )
        self._falloff = widgets.Dropdown(
            options=list(KERNELS), layout=widgets.Layout(flex="1 1 auto", width="auto")
        )
        self._falloff.observe(self._loud(self._set_falloff), "value")
        self._new_seat = widgets.BoundedIntText(
            value=1, min=1, max=17, layout=widgets.Layout(width="64px")
        )
        self._guide = QuantityRow(
            "guide at", "place along, 0 root end to 1 tip", 0.0, 1.0, 0.01, 0.5, lambda _: None
        )
        self._shift = [
            widgets.FloatText(value=0.0, layout=widgets.Layout(width="72px")) for _ in range(3)
        ]
        self.box = self._arrange()
        desk.on_change(self.refresh)

    def _arrange(self) -> widgets.VBox:
        model = self._desk.model
        return widgets.VBox(
            [
                heading("Ribbon"),
                row(_label("stations"), self._stations, self._spacing),
                row(_label("spans"), self._spans),
                self._density,
                self._knot,
                row(button("Insert a knot there", self._insert)),
                self._width,
                self._roll,
                row(button("Turn the ribbon", self._turn)),
                heading("Chosen control"),
                row(_label("name"), self._name, button("Rename", self._rename)),
                row(_label("station"), self._seat),
                self._reach,
                row(button("Remove it", self._remove)),
                heading("All controls"),
                row(_label("falloff"), self._falloff),
                row(_label("new at station"), self._new_seat, button("Add a control", self._add)),
                heading("Root and tip"),
                row(
                    button("Swap", lambda: self._change(model.swap_ends)),
                    button("Click the root", lambda: self._pick(self._root_at)),
                    button("Click the tip", lambda: self._pick(self._tip_at)),
                ),
                heading("Guide"),
                self._guide,
                row(_label("move x, y, z"), *self._shift, button("Move", self._move_guide)),
            ]
        )

    # -- to the model ------------------------------------------------------------------------

    def _loud(self, act: Callable[[], None]) -> Callable[[object], None]:
        def observe(_: object) -> None:
            if not self._quiet and self._desk.model.is_open:
                act()

        return observe

    def _change(self, act: Callable[[], object]) -> None:
        self._desk.say(_BINDS)
        self._desk.act(act)

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
        self._desk.act(lambda: model.rename_control(model.selected, self._name.value.strip()))

    def _move(self) -> None:
        model = self._desk.model
        self._change(lambda: model.move_control(model.selected, self._seat.value))

    def _set_reach(self, reach: float) -> None:
        model = self._desk.model
        self._desk.act(lambda: model.set_reach(model.selected, reach))

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
        layout = model.layout
        control = layout.controls[layout.control_index(model.selected)]
        self._quiet = True
        try:
            count = len(layout.stations)
            self._stations.value, self._spans.value = count, layout.ribbon.spans
            self._seat.max = self._new_seat.max = count
            self._seat.value, self._name.value = control.station, control.name
            self._reach.tell(control.reach)
            self._falloff.value = layout.control_weights.falloff
            width = float(layout.ribbon.width(np.linspace(0.0, 1.0, 33)).mean())
            if not self._width.slider.max > width > self._width.slider.min:
                step = float(f"{width / 50:.1g}")
                self._width.set_range(step, 200 * step, step, width)
            self._width.tell(width)
        finally:
            self._quiet = False


def _label(text: str) -> widgets.Label:
    return widgets.Label(text, layout=widgets.Layout(width=LABEL_WIDTH))

"""Rigid parts of the mesh, each tied to a station: eyes, teeth, plates."""

from __future__ import annotations

import html

import ipywidgets as widgets

from ribbonsim.appendages import Tie
from ribbonsim.panel import riders
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import LABEL_WIDTH, button, heading, row, short

_BINDS = "Binding again"


class TieSection:
    """Groups and pieces of the mesh, and the stations that they follow rigidly.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._shown: tuple[object, ...] = ()
        wide = {"flex": "1 1 80px", "width": "0", "min_width": "60px"}
        self._part = widgets.Dropdown(options=[], layout=widgets.Layout(**wide))
        self._part.observe(lambda _: self._show_tied(), "value")
        self._station = widgets.BoundedIntText(
            value=1, min=1, max=17, layout=widgets.Layout(width="64px")
        )
        self._tie = button("Tie", self._tie_it, "it follows that station's joint alone")
        self._untie = button("Untie", self._untie_it)
        self._says = widgets.HTML()
        self.box = widgets.VBox(
            [
                heading("Rigid parts"),
                row(_label("part"), self._part),
                row(_label("to station"), self._station, self._tie, self._untie),
                self._says,
            ]
        )
        desk.on_change(self.refresh)

    @property
    def _chosen(self) -> Tie:
        ties = dict(riders.parts_of(self._desk.model.rig.mesh, self._desk.model.layout))
        return ties[self._part.value]

    def _tie_it(self) -> None:
        model, part, station = self._desk.model, self._chosen, self._station.value
        ribbon = model.ribbon
        says = f"{part.part} follows station {station} of {ribbon} now."
        self._desk.act(lambda: riders.tie(model, part, ribbon, station), says, doing=_BINDS)

    def _untie_it(self) -> None:
        model, part = self._desk.model, self._chosen
        says = f"{part.part} follows the skin around it again."
        self._desk.act(lambda: riders.untie(model, part), says, doing=_BINDS)

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        now = (model.layout, model.ribbon)
        if self._shown and self._shown[0] is now[0] and self._shown[1] == now[1]:
            return
        self._shown = now
        parts = riders.parts_of(model.rig.mesh, model.layout)
        self.box.layout.display = "" if parts else "none"
        if not parts:
            return
        self._station.max = len(model.own.stations)
        tied = {one.part for one in model.layout.ties}
        options = [(f"{short(p)}{'  ·  tied' if p in tied else ''}", p) for p, _ in parts]
        kept = self._part.value
        with self._part.hold_sync():
            if list(self._part.options) != options:
                self._part.options = options
                self._part.value = kept if kept in dict(parts) else parts[0][0]
        self._show_tied()

    def _show_tied(self) -> None:
        """Say where the chosen part is tied."""
        model = self._desk.model
        if not model.is_open or self._part.value is None:
            return
        tied = {one.part: one for one in model.layout.ties}
        now = tied.get(self._part.value)
        self._untie.disabled = now is None
        words = f"It bends with its skin. Tie lets it follow that station of {model.ribbon} alone."
        if now is not None:
            words = f"It follows station {now.station} of {now.ribbon} rigidly."
        self._says.value = f'<div class="rs-facts">{html.escape(words)}</div>'


def _label(text: str) -> widgets.Label:
    return widgets.Label(text, layout=widgets.Layout(width=LABEL_WIDTH))

"""Rigid parts of the mesh, each tied to a station: eyes, teeth, plates."""

from __future__ import annotations

import ipywidgets as widgets

from ribbonsim.layout.appendages import Tie
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    button,
    choice,
    facts,
    field,
    heading,
    set_options,
    whole_number,
)
from ribbonsim.panel.state import ties
from ribbonsim.panel.state.names import short

_BINDS = "Binding again"


class TieSection:
    """Groups and pieces of the mesh, and the stations that they follow rigidly."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._shown: tuple[object, ...] = ()
        self._part = choice([])
        self._part.observe(lambda _: self._show_tied(), "value")
        self._station = whole_number(1)
        self._tie = button("Tie", self._tie_it, "it follows that station's joint alone")
        self._untie = button("Untie", self._untie_it)
        self._says = widgets.HTML()
        self.box = widgets.VBox(
            [
                heading("Rigid parts"),
                field("part", self._part),
                field("to station", self._station, self._tie, self._untie),
                self._says,
            ]
        )
        desk.on_change(self.refresh)

    @property
    def _chosen(self) -> Tie:
        parts = dict(ties.parts_of(self._desk.model.rig.mesh, self._desk.model.layout))
        return parts[self._part.value]

    def _tie_it(self) -> None:
        model, part, station = self._desk.model, self._chosen, self._station.number
        ribbon = model.ribbon
        says = f"{part.part} follows station {station} of {ribbon} now."
        self._desk.act(lambda: ties.tie(model, part, ribbon, station), says, doing=_BINDS)

    def _untie_it(self) -> None:
        model, part = self._desk.model, self._chosen
        says = f"{part.part} follows the skin around it again."
        self._desk.act(lambda: ties.untie(model, part), says, doing=_BINDS)

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        now = (model.layout, model.ribbon)
        if self._shown and self._shown[0] is now[0] and self._shown[1] == now[1]:
            return
        self._shown = now
        parts = ties.parts_of(model.rig.mesh, model.layout)
        self.box.layout.display = "" if parts else "none"
        if not parts:
            return
        self._station.set_range(1, len(model.own.stations))
        tied = {tie.part for tie in model.layout.ties}
        options = [(f"{short(p)}{'  ·  tied' if p in tied else ''}", p) for p, _ in parts]
        kept = self._part.value
        set_options(self._part, options, kept if kept in dict(parts) else parts[0][0])
        self._show_tied()

    def _show_tied(self) -> None:
        """Say where the chosen part is tied."""
        model = self._desk.model
        if not model.is_open or self._part.value is None:
            return
        tied = {tie.part: tie for tie in model.layout.ties}
        now = tied.get(self._part.value)
        self._untie.disabled = now is None
        words = f"It bends with its skin. Tie lets it follow that station of {model.ribbon} alone."
        if now is not None:
            words = f"It follows station {now.station} of {now.ribbon} rigidly."
        self._says.value = facts(words)

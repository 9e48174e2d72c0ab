"""How controls move the ribbons, and which of them stands still."""

from __future__ import annotations

import ipywidgets as widgets

from ribbonsim.layout.settings import DRIVES
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    choice,
    facts,
    field,
    heading,
    press_one,
    set_options,
    show_html,
)
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.names import short
from ribbonsim.panel.state.ribbon_words import DRIVE_WORDS, still_words

_ALONE = "each alone"
_BINDS = "Binding again"


class DriveSection:
    """The drive of the whole creature, and the control of the chosen ribbon that stands still."""

    _quiet = Quiet()

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._drive = press_one(DRIVES, [DRIVE_WORDS[drive] for drive in DRIVES])
        self._drive.observe(self._set_drive, "value")
        self._words = widgets.HTML()
        self._still = choice([(_ALONE, "")])
        self._still.observe(self._set_still, "value")
        self._still_words = widgets.HTML()
        self.box = widgets.VBox(
            [
                heading("Drive"),
                field("controls drive", self._drive),
                self._words,
                desk.other,
                field("stands still", self._still),
                self._still_words,
            ]
        )
        desk.on_change(self.refresh)

    def _set_drive(self, change: dict[str, str]) -> None:
        if not self._quiet:
            model, drive = self._desk.model, change["new"]
            self._desk.act(lambda: edits.set_drive(model, drive), doing=_BINDS)  # type: ignore[arg-type]

    def _set_still(self, change: dict[str, str]) -> None:
        if not self._quiet and change["new"] is not None:
            model, name = self._desk.model, change["new"]
            self._desk.act(lambda: edits.set_carry(model, name or None), doing=_BINDS)

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        own = model.own
        self._quiet = True
        try:
            self._drive.value = model.layout.drive
            names = [(_ALONE, ""), *((short(name, 30), name) for name in own.control_names)]
            set_options(self._still, names, own.chain_root or "")
        finally:
            self._quiet = False
        show_html(self._words, facts(DRIVE_WORDS[model.layout.drive]))
        show_html(self._still_words, facts(still_words(own)))

"""What the skin under the pointer is held by, and how far it is stretched there."""

from __future__ import annotations

import html

import ipywidgets as widgets
import numpy as np

from ribbonsim.layout.appendages import BODY
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import show_html
from ribbonsim.panel.work.painting import measured
from ribbonsim.panel.work.subject import Subject
from ribbonsim.panel.work.worker import PICTURES

# seconds that the pointer has to rest; meshes larger than this take too long to look through
_RESTS, _MOST = 0.12, 150_000
# what holds less than this share is not told, and of the rest the strongest
_LEAST, _CONTROLS, _STATIONS = 0.005, 3, 2


class HoverSection:
    """One line about the skin under the pointer.

    Attributes
    ----------
    line : HTML
        Empty beside the creature.
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self.line = widgets.HTML()
        self.line.add_class("rs-hover")
        self._pixel: tuple[float, float] | None = None
        self._find_now = desk.handed(self._find)
        self._show_now = desk.handed(self._show)
        desk.on_change(lambda: self._show(""))  # of another pose or layout

    def over(self, pixel: tuple[float, float] | None) -> None:
        """Hear where over the kernel's picture the pointer is, None outside of it."""
        self._pixel = pixel
        if pixel is None:
            self._show("")
        elif len(self._desk.model.rig.mesh.positions) <= _MOST:
            PICTURES.ask_later((self, "rests"), self._find_now, _RESTS)

    def _find(self) -> None:
        if self._pixel is not None and self._desk.model.is_open:
            self.read(self._desk.viewer.vertex_at(*self._pixel))

    def read(self, vertex: int | None) -> None:
        """Tell about a vertex; nothing beside the creature."""
        desk = self._desk
        if vertex is None or not desk.model.is_open:
            self._show("")
            return
        subject = desk.viewer.subject_of(desk.model)
        PICTURES.ask((self, "read"), lambda: self._show_now(self._words(subject, vertex)))

    def _words(self, subject: Subject, vertex: int) -> str:
        measures = measured(subject)
        gauge = subject.model.gauge_of(subject.rig)
        stretch = gauge.over_vertices(measures.stretch[:, 0])[vertex]
        girth = gauge.along_body(measures.girth)[vertex]
        return f"{held_words(subject, vertex)} · stretch {stretch:.2f}, girth {girth:.2f}"

    def _show(self, words: str) -> None:
        show_html(self.line, f"<span>{html.escape(words)}</span>" if words else "")


def held_words(subject: Subject, vertex: int) -> str:
    """Which controls and stations hold a vertex, the strongest first, in per cent."""
    rig, layout = subject.rig, subject.rig.layout
    stations = [
        f"station {number}" if ribbon == BODY else f"{ribbon} {number}"
        for ribbon, one in layout.ribbons.items()
        for number in range(1, len(one.stations) + 1)
    ]
    controls = _strongest(rig.control_influence[vertex], layout.all_control_names, _CONTROLS)
    return f"{controls} · {_strongest(rig.mesh_weights[vertex], stations, _STATIONS)}"


def _strongest(shares: np.ndarray, names: list[str] | tuple[str, ...], most: int) -> str:
    order = np.argsort(-shares, kind="stable")[:most]
    told = [f"{names[i]} {100.0 * shares[i]:.0f} %" for i in order if shares[i] >= _LEAST]
    return ", ".join(told) or "no control"

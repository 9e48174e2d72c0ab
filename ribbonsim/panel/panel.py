"""The live panel, put together."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import ipywidgets as widgets

from ribbonsim.errors import RibbonsimError
from ribbonsim.notebook import MESH_VARIABLE
from ribbonsim.panel.desk import Desk, Source
from ribbonsim.panel.findings_section import FindingsSection
from ribbonsim.panel.handoff_section import HandoffSection
from ribbonsim.panel.keep_section import KeepSection
from ribbonsim.panel.layout_section import LayoutSection
from ribbonsim.panel.model import PanelModel
from ribbonsim.panel.open_section import OpenSection
from ribbonsim.panel.pose_section import PoseSection
from ribbonsim.panel.review_section import ReviewSection
from ribbonsim.panel.view_section import ViewSection
from ribbonsim.view.backend import check_display

SIZE = (900, 600)


class Panel(widgets.VBox):
    """A live panel: pose a creature, change its layout, and see it bend.

    Display it in a notebook. Nothing in it needs Python; what it holds can be had from
    :attr:`model`. What goes wrong is said in the panel.

    Parameters
    ----------
    source : path, CreatureMesh or Rig, optional
        What to open. If left out: the OBJ file that the environment variable
        ``RIBBONSIM_MESH`` names, else the first demo creature, else nothing yet.
    section : str
        The one that is in front at first, by its name on the tab.

    Examples
    --------
    >>> import ribbonsim as rs
    >>> rs.Panel("meshes/grub.obj")  # doctest: +SKIP
    """

    def __init__(self, source: Source | None = None, section: str = "Pose") -> None:
        self._desk = desk = Desk(SIZE)
        self._findings: FindingsSection | None = None
        self._review: ReviewSection | None = None
        self._handoff: HandoffSection | None = None
        sheet = Path(__file__).with_name("style.css").read_text(encoding="utf-8")
        style = widgets.HTML(f"<style>{sheet}</style>")
        style.layout.display = "none"
        try:
            check_display()
        except RibbonsimError as error:
            desk.complain(str(error))
            super().__init__([style, desk.message])
            self.add_class("rs-panel")
            return
        self._opener = opener = OpenSection(desk)
        super().__init__([style, opener.box, desk.message, self._arrange()])
        self.add_class("rs-panel")
        if source is None:
            named = os.environ.get(MESH_VARIABLE, "")
            source = Path(named) if named else next(iter(opener.demos.values()), None)
        if source is not None:
            opener.open(source)
        self._turn_to(section)

    def _turn_to(self, section: str) -> None:
        known = [self._side.get_title(k) for k in range(len(self._side.children))]
        if section in known:
            self._side.selected_index = known.index(section)
        else:
            self._desk.complain(f"no section is called {section!r}: name one of {', '.join(known)}")

    def _arrange(self) -> widgets.HBox:
        desk = self._desk
        view = ViewSection(desk)
        self._findings, self._review = FindingsSection(desk), ReviewSection(desk)
        self._handoff = HandoffSection(desk)
        sections = {
            "Pose": PoseSection(desk).box,
            "Layout": LayoutSection(desk, view).box,
            "Findings": self._findings.box,
            "Keep": KeepSection(desk).box,
            "Review": self._review.box,
            "Handoff": self._handoff.box,
        }
        side = self._side = widgets.Tab(list(sections.values()), titles=list(sections))
        side.add_class("rs-side")
        for section in (self._findings, self._review):
            number = list(sections.values()).index(section.box)
            side.observe(partial(_tell_front, section, number), "selected_index")
        # a place that is looked for is marked only while its sliders are there
        side.observe(lambda _: view.mark(None), "selected_index")
        main = widgets.HBox([view.box, side])
        main.add_class("rs-main")
        return main

    @property
    def model(self) -> PanelModel:
        """What the panel knows: mesh, layout, pose."""
        return self._desk.model

    def close(self) -> None:
        """Take the panel off the page and free its picture."""
        for section in (self._findings, self._review, self._handoff):
            if section is not None:
                section.close()
        self._desk.viewer.close()
        super().close()


def _tell_front(
    section: FindingsSection | ReviewSection, number: int, change: dict[str, int]
) -> None:
    """Tell a section whether it is the one in front."""
    section.show(change["new"] == number)

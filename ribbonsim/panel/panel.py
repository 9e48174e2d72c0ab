"""The live panel, put together."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

from ribbonsim.panel.desk import Desk
from ribbonsim.panel.keep_section import KeepSection
from ribbonsim.panel.layout_section import LayoutSection
from ribbonsim.panel.model import PanelModel
from ribbonsim.panel.open_section import OpenSection, Source
from ribbonsim.panel.pose_section import PoseSection
from ribbonsim.panel.view_section import ViewSection
from ribbonsim.view.backend import check_display

SIZE = (900, 600)


class Panel(widgets.VBox):
    """A live panel: pose a creature, change its layout, and see it bend.

    Display it in a notebook. Nothing in it needs Python; what it holds can be had from
    :attr:`model`.

    Parameters
    ----------
    source : path, CreatureMesh or Rig, optional
        What to open; the first demo creature if left out.

    Raises
    ------
    RibbonsimError
        If this machine cannot draw.

    Examples
    --------
    >>> import ribbonsim as rs
    >>> rs.Panel("meshes/grub.obj")  # doctest: +SKIP
    """

    def __init__(self, source: Source | None = None) -> None:
        check_display()
        self._desk = desk = Desk(SIZE)
        self._opener = OpenSection(desk)
        view = ViewSection(desk)
        sections = {
            "Pose": PoseSection(desk).box,
            "Layout": LayoutSection(desk, view.pick_vertex).box,
            "Keep": KeepSection(desk).box,
        }
        side = widgets.Tab(list(sections.values()), titles=list(sections))
        side.add_class("rs-side")
        main = widgets.HBox([view.box, side])
        main.add_class("rs-main")
        sheet = Path(__file__).with_name("style.css").read_text(encoding="utf-8")
        super().__init__(
            [widgets.HTML(f"<style>{sheet}</style>"), self._opener.box, desk.message, main]
        )
        self.add_class("rs-panel")
        if source is None:
            demos = list(self._opener.demos.values())
            source = demos[0] if demos else None
        if source is not None:
            self._opener.open(source)

    @property
    def model(self) -> PanelModel:
        """What the panel knows: mesh, layout, pose."""
        return self._desk.model

    def close(self) -> None:
        """Take the panel off the page and free its picture."""
        self._desk.viewer.close()
        super().close()

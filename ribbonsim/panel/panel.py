"""The live panel, put together."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from ribbonsim.panel.display import PanelBox, Still
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.findings_section import FindingsSection
from ribbonsim.panel.sections.keep_section import KeepSection
from ribbonsim.panel.sections.layout_section import LayoutSection
from ribbonsim.panel.sections.motion_section import MotionSection
from ribbonsim.panel.sections.open_section import OpenSection, can_draw, style_sheet
from ribbonsim.panel.sections.pose_section import PoseSection
from ribbonsim.panel.sections.tabs import Part, Tabs
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state.creature_words import size_words
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.opening import Source
from ribbonsim.panel.state.playing import Playing
from ribbonsim.panel.state.ribbon_words import layout_words
from ribbonsim.panel.work.session_files import session_folder
from ribbonsim.panel.work.starting import first_source

SIZE = (900, 600)


class Panel(PanelBox):
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

    _holds = ("_opener", "_side")

    def __init__(self, source: Source | None = None, section: str = "Pose") -> None:
        super().__init__()
        desk = Desk(SIZE, session_folder())
        if not can_draw(desk):
            self._put(desk, [style_sheet(), desk.message])
            return
        self._still = Still(self._still_facts)
        desk.on_still(self._still.update)
        self._opener = opener = OpenSection(desk, swaps=True)
        view = ViewSection(desk)
        tabs = _tabs(desk, view)
        self._side, main = tabs.box, widgets.HBox([view.box, tabs.box])
        main.add_class("rs-main")
        self._put(desk, [style_sheet(), opener.box, desk.message, main], [tabs, view])
        tabs.begin(self._add, section if section in tabs.names else tabs.names[0])
        by_hand = source is None
        if source is None:
            source = first_source(opener.demos, desk.sessions)
        if source is not None:
            opener.open(source, by_hand)
        tabs.tell()
        if section not in tabs.names:
            known = ", ".join(tabs.names)
            desk.complain(f"no section is called {section!r}: name one of {known}")

    def _still_facts(self) -> list[str]:
        model = self._desk.model
        if not model.is_open:
            return ["No creature is open."]
        path = self._desk.sessions.path
        kept = [] if path is None else [f"Kept in {path.name}."]
        return [*size_words(model), layout_words(model.layout), *kept]

    @property
    def model(self) -> PanelModel:
        """What the panel knows: mesh, layout, pose; waits for a mesh that is being opened."""
        self._desk.opening.wait()
        return self._desk.model


def _makers(desk: Desk, view: ViewSection) -> dict[str, Callable[[], Part]]:
    """What makes the sections, by the word on each tab.

    What writes files loads much, and not before its tab is made.
    """
    playing = Playing()

    def posing() -> Part:
        pose = PoseSection(desk)
        pose.follow_live(view.live)
        return pose

    def review() -> Part:
        from ribbonsim.panel.sections.review_section import ReviewSection

        return ReviewSection(desk, playing)

    def handoff() -> Part:
        from ribbonsim.panel.sections.handoff_section import HandoffSection

        return HandoffSection(desk, playing)

    return {
        "Pose": posing,
        "Motion": lambda: MotionSection(desk, view.live, playing),
        "Layout": lambda: LayoutSection(desk, view),
        "Findings": lambda: FindingsSection(desk, view.both),
        "Keep": lambda: KeepSection(desk),
        "Review": review,
        "Handoff": handoff,
    }


def _tabs(desk: Desk, view: ViewSection) -> Tabs:
    """The tabs, and what the view does when they are turned."""
    tabs = Tabs(desk, _makers(desk, view))

    def turned(_: object) -> None:
        view.live.moves_stations = tabs.front == "Layout"
        # a place that is looked for is marked only while its sliders are there
        view.mark(None)

    tabs.box.observe(turned, "selected_index")
    return tabs

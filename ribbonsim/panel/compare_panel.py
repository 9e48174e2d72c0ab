"""The compare panel: layouts of one mesh side by side, changed while looking."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import ipywidgets as widgets

from ribbonsim.arrays import Progress
from ribbonsim.panel.display import PanelBox
from ribbonsim.panel.sections.compare_motion import CompareMotion
from ribbonsim.panel.sections.desk import AnySessions, Desk
from ribbonsim.panel.sections.layouts_section import LayoutsSection
from ribbonsim.panel.sections.numbers_section import NumbersSection
from ribbonsim.panel.sections.open_section import OpenSection, can_draw, style_sheet
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state.bench import Bench
from ribbonsim.panel.state.compare_opening import (
    Layouts,
    OpenedBench,
    has_changed,
    open_bench,
    session_of,
    take_opened,
)
from ribbonsim.panel.state.compare_session import CompareSession
from ribbonsim.panel.state.opening import Source
from ribbonsim.panel.work.session_files import SessionFiles, session_folder
from ribbonsim.panel.work.starting import first_source
from ribbonsim.panel.work.tiles import TileViewer
from ribbonsim.panel.work.viewer import Viewer

SIZE = (900, 600)


class _CompareDesk(Desk):
    """A desk whose model is that of the chosen layout."""

    def __init__(self, size: tuple[int, int], bench: Bench, choose: Callable[[int], None]) -> None:
        self.bench = bench
        self._chooser = choose
        self._opened: OpenedBench | None = None
        super().__init__(size, session_folder())

    def _make_sessions(self, folder: Path | None) -> AnySessions:
        return SessionFiles(CompareSession, folder, self.handed(self.say), self.complain)

    def _make_viewer(self, size: tuple[int, int]) -> Viewer:
        return TileViewer(self.bench, *self._answers(), size, self._chooser)

    def open_with(self, source: Source, layouts: Layouts) -> None:
        """Open a mesh with layouts."""

        def work(progress: Progress) -> OpenedBench:
            return open_bench(source, layouts, self.sessions, progress)

        self.opening.start(work, self._show_opened)

    def _show_opened(self, opened: OpenedBench) -> None:
        if self.act(lambda: self._take_opened(opened)):
            self._say_opened(opened)

    def _read(self, source: Source, progress: Progress) -> OpenedBench:
        """Read a mesh, and take up what was kept or make two layouts for it."""
        return open_bench(source, None, self.sessions, progress)

    def _take_opened(self, came: OpenedBench) -> None:
        """Take layouts, and stand where their bend shows best."""
        take_opened(self.bench, came)
        self._opened = came
        self._take_chosen()
        self.viewer.frame_all(self.bench.telling_view())

    def _session(self) -> CompareSession | None:
        return None if self._opened is None else session_of(self.bench, self._opened)

    def _has_changed(self) -> bool:
        return self._opened is not None and has_changed(self.bench, self._opened)

    def start_afresh(self) -> str:
        """Go back to the layouts that there were at first; what is said of it."""
        self.bench.start_afresh()
        return "Started afresh; Bring back gives the layouts that were there, one by one."

    def close(self) -> None:
        """Stop what goes on, keep what was done, and let go of the creature."""
        super().close()
        self._opened = None

    @property
    def unsaved(self) -> bool:
        """Whether any layout has changes that opening another creature would lose."""
        return self.bench.unsaved

    def refresh(self) -> None:
        """Let every section show the bench as it is."""
        self.bench.mind_kept()
        self._take_chosen()
        super().refresh()

    def _take_chosen(self) -> None:
        if self.bench.entries:
            self.model = self.viewer.model = self.bench.entries[self.bench.chosen].model


class ComparePanel(PanelBox):
    """Two to six layouts of one mesh side by side, in the same pose and by one camera.

    Display it in a notebook. Nothing in it needs Python; what it holds can be had from
    :attr:`bench`. What goes wrong is said in the panel.

    Parameters
    ----------
    source : path or CreatureMesh, optional
        The mesh. If left out: the OBJ file that the environment variable
        ``RIBBONSIM_MESH`` names, else the first demo creature.
    layouts : sequence of Layout or path, optional
        Two to six. If left out: a first layout, and the same with fewer controls.

    Examples
    --------
    >>> import ribbonsim as rs
    >>> rs.ComparePanel("meshes/grub.obj", ["a.toml", "b.toml"])  # doctest: +SKIP
    """

    _holds = ("_opener", "_layouts", "_numbers")

    def __init__(
        self,
        source: Source | None = None,
        layouts: Layouts = None,
    ) -> None:
        super().__init__()
        self._bench = bench = Bench()
        # a click on a tile chooses its layout, in a section that is made after the picture
        desk = _CompareDesk(SIZE, bench, lambda number: self._layouts.choose(number))
        self._numbers = numbers = NumbersSection(desk, bench)
        if not can_draw(desk):
            self._put(desk, [style_sheet(), desk.message])
            return
        view = ViewSection(desk, "a layout or its control", poses=False)
        moving = CompareMotion(desk, view.live, bench)
        self._layouts = LayoutsSection(desk, bench, numbers, moving.box)
        self._opener = opener = OpenSection(desk)
        main = widgets.HBox([view.box, self._layouts.box])
        main.add_class("rs-main")
        parts = [style_sheet(), opener.box, desk.message, main, numbers.table, numbers.others]
        self._put(desk, parts, [numbers])
        if source is None:
            source = first_source(opener.demos, desk.sessions)
        if source is None:
            return
        if layouts is None:
            opener.open(source, by_hand=False)
        else:
            desk.open_with(source, layouts)

    @property
    def bench(self) -> Bench:
        """The layouts that stand side by side; waits for a mesh that is being opened."""
        self._desk.opening.wait()
        return self._bench

    def close(self) -> None:
        """Take the panel off the page, stop what goes on and free what it holds."""
        super().close()
        self._bench = Bench()

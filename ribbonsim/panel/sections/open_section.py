"""Choose a creature: a demo creature, a path, or a mesh file sent from the browser."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import MESH_ENDINGS
from ribbonsim.panel.sections.cards import bar_styles
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import button, facts, pixels, row, show_html
from ribbonsim.panel.sections.quiet import Quiet
from ribbonsim.panel.sections.sent_files import MeshDrop, read_sent
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.creature_words import headline, mesh_words
from ribbonsim.panel.state.demo import demo_meshes
from ribbonsim.panel.state.opening import Source
from ribbonsim.panel.state.paths import find_file, offered, start_folders
from ribbonsim.panel.state.ribbon_words import root_words
from ribbonsim.view.backend import check_display

_NONE = "demo creature …"
_HOW_TO_BEGIN = (
    "Nothing is open yet: choose a demo creature, write the path of a mesh file and press Open, "
    "or upload one."
)


class OpenSection:
    """The line on top of the panel, and what was found in the mesh.

    Parameters
    ----------
    swaps : bool
        Whether root and tip are told, and can be exchanged.
    """

    _quiet = Quiet()

    def __init__(self, desk: Desk, swaps: bool = False) -> None:
        self._desk = desk
        self.demos = demo_meshes()
        self._waiting: Source | None = None
        self._open_demo = ""
        self._choice = widgets.Dropdown(
            options=[(_NONE, ""), *((name, name) for name in self.demos)],
            layout=widgets.Layout(width=pixels(150)),
        )
        self._choice.observe(self._choose, "value")
        self._path = widgets.Combobox(
            placeholder="path of a mesh file",
            options=offered(start_folders()),
            tooltip="seen from the notebook's folder, or from where you started; Enter opens it",
            layout=widgets.Layout(flex="1 1 180px", width="auto"),
        )
        self._path.on_msg(self._entered)
        self._upload = widgets.FileUpload(
            accept=",".join(MESH_ENDINGS),
            multiple=False,
            description="Upload a mesh",
            tooltip="or drop the file on the panel; one of 10 MB or more is opened by its path",
            layout=widgets.Layout(width="auto"),
        )
        self._upload.add_class("rs-upload")
        self._upload.observe(self._take_upload, "value")
        self._drop = MeshDrop(self._take_files, desk.complain)
        self._drop.layout.display = "none"
        self._ask = row(
            widgets.Label("The layout has changes that are not saved."),
            button("Open all the same", self._go_on),
            button("Stay", self._stay),
        )
        self._ask.add_class("rs-ask")
        self._ask.layout.display = "none"
        self._facts = widgets.HTML(f'<div class="rs-facts">{_HOW_TO_BEGIN}</div>')
        self._root = widgets.HTML()
        self._kept = widgets.HTML()
        self._afresh = button(
            "Start afresh",
            self._start_afresh,
            "what there was at first; nothing is lost by it",
        )
        self._session = widgets.HBox([self._kept, self._afresh])
        self._session.add_class("rs-group")
        self._session.layout.display = "none"
        swap = button("Swap root and tip", self._swap, "if it is the other end")
        self._ends = row(self._root, swap)
        self._swaps = swaps
        self._ends.layout.display = "none"
        self._top = widgets.HBox([self._facts, self._ends, self._session])
        self._top.add_class("rs-top")
        self.box = widgets.VBox(
            [
                row(self._choice, self._path, button("Open", self._open_path), self._upload),
                self._drop,
                desk.opens,
                self._top,
                self._ask,
            ]
        )
        desk.on_change(self.refresh)

    def open(self, source: Source, by_hand: bool = True) -> None:
        """Open a creature, unless unsaved changes would be lost."""
        if self._desk.unsaved and self._desk.sessions.folder is None:
            self._waiting = source
            self._ask.layout.display = ""
        else:
            self._open_now(source, by_hand)

    def _open_now(self, source: Source, by_hand: bool = True) -> None:
        self._ask.layout.display = "none"
        self._waiting = None

        def opened() -> None:
            by_path = {path: name for name, path in self.demos.items()}
            self._open_demo = by_path.get(source, "") if isinstance(source, Path) else ""

        self._desk.open(source, opened, by_hand)

    def _start_afresh(self) -> None:
        desk, says = self._desk, [""]

        def start() -> None:
            says[0] = desk.start_afresh()

        if desk.act(start, doing="Looking for the body"):
            desk.act(desk.viewer.frame_all, says[0])

    def _go_on(self) -> None:
        if self._waiting is not None:
            self._open_now(self._waiting)

    def _stay(self) -> None:
        self._waiting = None
        self._ask.layout.display = "none"
        self.refresh()

    def _swap(self) -> None:
        self._desk.act(lambda: edits.swap_ends(self._desk.model), doing="Binding again")

    def _choose(self, change: dict[str, str]) -> None:
        if change["new"] and not self._quiet:
            self.open(self.demos[change["new"]])

    def _open_path(self) -> None:
        try:
            self.open(find_file(self._path.value, start_folders()))
        except RibbonsimError as error:
            self._desk.complain(str(error))
            self._path.options = offered(start_folders())

    def _entered(self, _: object, content: dict[str, object], _buffers: object) -> None:
        """Open the path when Enter is pressed."""
        if content.get("event") == "submit":
            self._open_path()

    def _take_upload(self, change: dict[str, tuple[dict[str, object], ...]]) -> None:
        if not change["new"]:
            return
        sent: Any = change["new"][0]
        self._upload.value = ()  # so that the same file can be sent again
        self._take_files({Path(str(sent["name"])).name: bytes(sent["content"])})

    def _take_files(self, files: dict[str, bytes]) -> None:
        found: list[CreatureMesh] = []
        if self._desk.act(lambda: found.append(read_sent(files)), doing="Reading"):
            self.open(found[0])

    def refresh(self) -> None:
        """Show what was found in the mesh, and which demo creature is open."""
        model = self._desk.model
        if model.is_open:
            show_html(self._facts, _folded([headline(model), *mesh_words(model)]))
            if self._swaps:
                self._ends.layout.display = ""
                # where nobody looked for them there is nothing to say
                show_html(self._root, facts(root_words(model)) if model.guide else "")
            self._show_session()
        if self._waiting is None:
            self._quiet = True
            try:
                self._choice.value = self._open_demo
            finally:
                self._quiet = False

    def _show_session(self) -> None:
        """Say where what is done is kept."""
        path = self._desk.sessions.path
        self._session.layout.display = "none" if path is None else ""
        if path is not None:
            tip = f"all that you do is kept as you work, in {path}"
            show_html(self._kept, facts(f"Kept in {path.name}", tip=tip))


def _folded(lines: list[str]) -> str:
    """The first line, and behind it the others."""
    first, *rest = (html.escape(line) for line in lines)
    more = "".join(f"<div>{line}</div>" for line in rest)
    return f'<details class="rs-facts"><summary>{first}</summary>{more}</details>'


def style_sheet() -> widgets.HTML:
    """The panel's style."""
    sheet = Path(__file__).parents[1].joinpath("style.css").read_text(encoding="utf-8")
    style = widgets.HTML(f"<style>{sheet}{bar_styles()}</style>")
    style.layout.display = "none"
    return style


def can_draw(desk: Desk) -> bool:
    """Whether pictures can be drawn here; the message line says why not."""
    try:
        check_display()
    except RibbonsimError as error:
        desk.complain(str(error))
        return False
    return True

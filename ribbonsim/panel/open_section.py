"""Choose a creature: a demo creature, a path, or a mesh file sent from the browser."""

from __future__ import annotations

import html
import tempfile
from pathlib import Path

import ipywidgets as widgets

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh import MESH_ENDINGS, CreatureMesh, load_mesh
from ribbonsim.panel.demo import demo_meshes
from ribbonsim.panel.desk import Desk, Source
from ribbonsim.panel.fields import button, row

_NONE = "demo creature …"
_HOW_TO_BEGIN = (
    "Nothing is open yet: choose a demo creature, write the path of a mesh file and press Open, "
    "or upload one."
)


class OpenSection:
    """The line on top of the panel, and what was found in the mesh.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._quiet = False
        self.demos = demo_meshes()
        self._waiting: Source | None = None
        self._open_demo = ""
        self._choice = widgets.Dropdown(
            options=[(_NONE, ""), *((name, name) for name in self.demos)],
            layout=widgets.Layout(width="150px"),
        )
        self._choice.observe(self._choose, "value")
        self._path = widgets.Text(
            placeholder="path of a mesh file",
            layout=widgets.Layout(flex="1 1 180px", width="auto"),
        )
        self._upload = widgets.FileUpload(
            accept=",".join(MESH_ENDINGS),
            multiple=False,
            description="Upload a mesh",
            tooltip="a file of 10 MB or more may be too large to send: open it by its path",
            layout=widgets.Layout(width="auto"),
        )
        self._upload.observe(self._take_upload, "value")
        self._ask = row(
            widgets.Label("The layout has changes that are not saved."),
            button("Open all the same", self._go_on),
            button("Stay", self._stay),
        )
        self._ask.add_class("rs-ask")
        self._ask.layout.display = "none"
        self._facts = widgets.HTML(f'<div class="rs-facts">{_HOW_TO_BEGIN}</div>')
        self.box = widgets.VBox(
            [
                row(self._choice, self._path, button("Open", self._open_path), self._upload),
                self._facts,
                self._ask,
            ]
        )
        desk.on_change(self.refresh)

    def open(self, source: Source) -> None:
        """Open a creature, unless unsaved changes would be lost.

        Parameters
        ----------
        source : path, CreatureMesh or Rig
        """
        if self._desk.unsaved:
            self._waiting = source
            self._ask.layout.display = ""
        else:
            self._open_now(source)

    def _open_now(self, source: Source) -> None:
        desk = self._desk
        self._ask.layout.display = "none"
        self._waiting = None

        def act() -> None:
            desk.open(source)
            by_path = {path: name for name, path in self.demos.items()}
            self._open_demo = by_path.get(source, "") if isinstance(source, Path) else ""

        desk.act(act, doing="Opening")

    def _go_on(self) -> None:
        if self._waiting is not None:
            self._open_now(self._waiting)

    def _stay(self) -> None:
        self._waiting = None
        self._ask.layout.display = "none"
        self.refresh()

    def _choose(self, change: dict[str, str]) -> None:
        if change["new"] and not self._quiet:
            self.open(self.demos[change["new"]])

    def _open_path(self) -> None:
        path = self._path.value.strip()
        if path:
            self.open(Path(path).expanduser())
        else:
            self._desk.complain("there is no path: write where the mesh file is")

    def _take_upload(self, change: dict[str, tuple[dict[str, object], ...]]) -> None:
        if not change["new"]:
            return
        sent = change["new"][0]
        self._upload.value = ()  # so that the same file can be sent again
        found: list[CreatureMesh] = []
        if self._desk.act(lambda: found.append(_read_upload(sent)), doing="Reading"):
            self.open(found[0])

    def refresh(self) -> None:
        """Show what was found in the mesh, and which demo creature is open."""
        model = self._desk.model
        if model.is_open:
            lines = " ".join(html.escape(fact) for fact in model.facts())
            text = f'<div class="rs-facts">{lines}</div>'
            if self._facts.value != text:
                self._facts.value = text
        if self._waiting is None:
            self._quiet = True
            try:
                self._choice.value = self._open_demo
            finally:
                self._quiet = False


def _read_upload(sent: dict[str, object]) -> CreatureMesh:
    name = Path(str(sent["name"])).name
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, name)
        path.write_bytes(bytes(sent["content"]))  # type: ignore[call-overload]
        try:
            return load_mesh(path)
        except RibbonsimError as error:
            # the folder is gone by the time anybody reads this: name the file alone
            raise RibbonsimError(str(error).replace(str(path), name)) from error

"""What is kept: poses, layouts side by side, and layout files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import ipywidgets as widgets

from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.fields import button, heading, row


class KeepSection:
    """Poses kept with the layout, layouts put aside, and files."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        wide = widgets.Layout(width="auto", height="92px")
        self._poses = widgets.Select(options=[], layout=wide)
        self._pose_name = _text("name of the pose")
        self._layouts = widgets.Select(options=[], layout=wide)
        self._layout_name = _text("name of the copy")
        self._path = _text("creature.toml")
        self._replace = widgets.Checkbox(
            value=False, description="replace the file if it is there", indent=False
        )
        self.box = widgets.VBox(
            [
                heading("Poses, kept with the layout"),
                self._poses,
                row(self._pose_name, button("Keep this pose", self._keep_pose)),
                row(
                    button("Recall", self._with_pose(desk.model.recall_pose)),
                    button("Rename", self._rename_pose),
                    button("Delete", self._with_pose(desk.model.delete_pose)),
                ),
                heading("Layouts, put aside while you try another"),
                self._layouts,
                row(self._layout_name, button("Duplicate this layout", self._keep_layout)),
                row(button("Go on with the chosen one", self._take_layout)),
                heading("Layout file, with its poses"),
                row(self._path),
                self._replace,
                row(button("Save", self._save), button("Load", self._load)),
            ]
        )
        desk.on_change(self.refresh)

    def _keep_pose(self) -> None:
        self._desk.act(lambda: self._desk.model.keep_pose(self._pose_name.value), "Pose kept.")
        self._pose_name.value = ""

    def _with_pose(self, act: Callable[[str], None]) -> Callable[[], object]:
        return lambda: self._desk.act(lambda: act(self._poses.value or ""))

    def _rename_pose(self) -> None:
        old, new = self._poses.value or "", self._pose_name.value.strip()
        self._desk.act(lambda: self._desk.model.rename_pose(old, new))

    def _keep_layout(self) -> None:
        model, name = self._desk.model, self._layout_name.value
        self._desk.act(lambda: model.keep_layout(name), "Layout duplicated.")
        self._layout_name.value = ""

    def _take_layout(self) -> None:
        self._desk.act(lambda: self._desk.model.take_layout(self._layouts.value or ""))

    def _save(self) -> None:
        path, force = self._path.value.strip(), self._replace.value

        def save() -> None:
            if not path:
                raise RibbonsimError("there is no path: write where the layout shall go")
            if Path(path).exists() and not force:
                raise RibbonsimError(
                    f"{path} is there already: tick 'replace the file' or take another name"
                )
            self._desk.model.save(path, force)

        self._desk.act(save, f"Saved as {path}.")

    def _load(self) -> None:
        path = self._path.value.strip()

        def load() -> None:
            if not path:
                raise RibbonsimError("there is no path: write where the layout file is")
            self._desk.model.load(path)

        self._desk.act(load, f"Loaded {path}.", doing="Binding again")

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        for field, names in (
            (self._poses, list(model.layout.poses)),
            (self._layouts, list(model.shelf)),
        ):
            if list(field.options) != names:
                field.options = names
        if not self._path.value:
            self._path.value = f"{model.rig.mesh.name}.toml"


def _text(hint: str) -> widgets.Text:
    return widgets.Text(
        placeholder=hint, layout=widgets.Layout(flex="1 1 80px", width="0", min_width="60px")
    )

"""What is kept: poses, layouts side by side, and layout files."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import (
    button,
    facts,
    heading,
    pixels,
    row,
    text_field,
    tick,
)
from ribbonsim.panel.state import kept
from ribbonsim.panel.state.model import PanelModel

_NO_POSES = "No pose is kept yet: name the pose that you see, and press Keep this pose."
_NO_LAYOUTS = "No layout is put aside yet: name a copy, and press Duplicate this layout."


class KeepSection:
    """Poses kept with the layout, layouts put aside, and files."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._poses = _list()
        self._no_poses = widgets.HTML(facts(_NO_POSES))
        self._pose_name = text_field("name of the pose")
        self._layouts = _list()
        self._no_layouts = widgets.HTML(facts(_NO_LAYOUTS))
        self._layout_name = text_field("name of the copy")
        self._path = text_field("creature.toml")
        self._replace = tick("replace the file if it is there")
        self.box = widgets.VBox(
            [
                heading("Poses, kept with the layout"),
                self._no_poses,
                self._poses,
                row(self._pose_name, button("Keep this pose", self._keep_pose)),
                row(
                    button("Recall", self._with_pose(kept.recall_pose)),
                    button("Rename", self._rename_pose),
                    button("Delete", self._with_pose(kept.delete_pose)),
                ),
                heading("Layouts, put aside while you try another"),
                self._no_layouts,
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
        self._desk.act(
            lambda: kept.keep_pose(self._desk.model, self._pose_name.value), "Pose kept."
        )
        self._pose_name.value = ""

    def _with_pose(self, act: Callable[[PanelModel, str], None]) -> Callable[[], object]:
        return lambda: self._desk.act(lambda: act(self._desk.model, self._poses.value or ""))

    def _rename_pose(self) -> None:
        old, new = self._poses.value or "", self._pose_name.value.strip()
        self._desk.act(lambda: kept.rename_pose(self._desk.model, old, new))

    def _keep_layout(self) -> None:
        model, name = self._desk.model, self._layout_name.value
        self._desk.act(lambda: kept.keep_layout(model, name), "Layout duplicated.")
        self._layout_name.value = ""

    def _take_layout(self) -> None:
        self._desk.act(lambda: kept.take_layout(self._desk.model, self._layouts.value or ""))

    def _save(self) -> None:
        model, path, force = self._desk.model, self._path.value, self._replace.value
        self._desk.act(lambda: kept.save_layout(model, path, force), f"Saved as {path.strip()}.")

    def _load(self) -> None:
        model, path = self._desk.model, self._path.value.strip()
        load = lambda: model.load(kept.named_path(path))  # noqa: E731
        self._desk.act(load, f"Loaded {path}.", doing="Binding again")

    def refresh(self) -> None:
        """Show the model as it is."""
        model = self._desk.model
        if not model.is_open:
            return
        for field, none, names in (
            (self._poses, self._no_poses, list(model.layout.poses)),
            (self._layouts, self._no_layouts, list(model.shelf)),
        ):
            if list(field.options) != names:
                field.options = names
            field.layout.display = "" if names else "none"
            none.layout.display = "none" if names else ""
        if not self._path.value:
            self._path.value = f"{model.rig.mesh.name}.toml"


def _list() -> widgets.Select:
    return widgets.Select(
        options=[], layout=widgets.Layout(width="auto", height=pixels(92), display="none")
    )

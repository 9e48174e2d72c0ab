"""Poses kept with the layout, and layouts put on the shelf while another is tried."""

from __future__ import annotations

from pathlib import Path

from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import check_free
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.one_ribbon import free_name
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.paths import cleaned


def keep_pose(model: PanelModel, name: str) -> None:
    """Keep the pose with the layout, under a name."""
    label = name.strip() or free_name("pose", list(model.layout.poses))
    _refuse_test_pose(label)
    model.set_kept_poses({**model.layout.poses, label: model.pose})


def recall_pose(model: PanelModel, name: str) -> None:
    """Take a kept pose."""
    model.set_pose(_kept(model, name))


def delete_pose(model: PanelModel, name: str) -> None:
    """Forget a kept pose."""
    _kept(model, name)
    model.set_kept_poses({key: pose for key, pose in model.layout.poses.items() if key != name})


def rename_pose(model: PanelModel, name: str, new: str) -> None:
    """Rename a kept pose."""
    _kept(model, name)
    if new != name and new in model.layout.poses:
        raise RibbonsimError(f"a pose is called {new!r} already: choose another name")
    _refuse_test_pose(new)
    renamed = {new if key == name else key: pose for key, pose in model.layout.poses.items()}
    model.set_kept_poses(renamed)


def _refuse_test_pose(name: str) -> None:
    """Refuse a name that a file of all poses would have twice."""
    if name.lower().replace(" ", "_") in ALL_TEST_POSES:
        raise RibbonsimError(f"a test pose is called {name!r}: choose another name")


def _kept(model: PanelModel, name: str) -> Pose:
    if name not in model.layout.poses:
        raise RibbonsimError(f"no pose is called {name!r}: choose one from the list")
    return model.layout.poses[name]


def keep_layout(model: PanelModel, name: str) -> str:
    """Put a copy of the layout on the shelf; the name it got."""
    label = name.strip() or free_name("layout", list(model.shelf))
    model.shelf[label] = model.layout
    return label


def take_layout(model: PanelModel, name: str) -> None:
    """Take a layout from the shelf."""
    if name not in model.shelf:
        raise RibbonsimError(f"no layout is called {name!r}: choose one from the list")
    model.take_layout(model.shelf[name])


def named_path(path: str) -> str:
    """A path that was written into the panel, refused if nothing was."""
    return str(Path(cleaned(path)).expanduser())


def save_layout(model: PanelModel, path: str, force: bool) -> None:
    """Save the layout with its kept poses, refusing in the words of the panel's fields."""
    named = named_path(path)
    if Path(named).exists() and not force:
        raise RibbonsimError(
            f"{named} is there already: tick 'replace the file' or take another name"
        )
    check_free(named, force, (model.rig.mesh.source,))
    model.save(named, force)

"""The main job with no screen: from a mesh to a folder of pictures, tables and one page."""

from __future__ import annotations

import csv
import io
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager

import numpy as np

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.bendcheck.amounts import usual_amounts
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.names import cell, file_names
from ribbonsim.files.writing import Bundle
from ribbonsim.layout.appendage_targets import APPENDAGE_POSES, test_poses_of
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.targets import Target, make_target
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.pages.preview_result import LAYOUT, PAGE, STATIONS, PoseResult, PreviewResult
from ribbonsim.rig.bind import bind
from ribbonsim.rig.first_layout import BuildOptions, build_layout, station_table
from ribbonsim.rig.rig import Method, Rig

MAIN_SIZE = (1280, 900)
GALLERY_SIZE = (960, 720)


def preview(
    mesh_path: str | os.PathLike[str],
    out_folder: str | os.PathLike[str],
    *,
    options: BuildOptions | None = None,
    layout_path: str | os.PathLike[str] | None = None,
    poses: Mapping[str, float | None] | None = None,
    method: Method = "linear",
    force: bool = False,
    progress: Progress | None = None,
) -> PreviewResult:
    """Bind a mesh to a ribbon, pose it, and write pictures, tables and one page of it all."""
    if layout_path is not None and options is not None:
        raise RibbonsimError(
            "a layout file holds all that the building options say: give the one or the others"
        )
    clock = _Clock(progress)
    with clock.stage("read the mesh"):
        mesh = load_mesh(mesh_path)
    with clock.stage("lay out the ribbon"):
        layout = build_layout(mesh, options) if layout_path is None else Layout.load(layout_path)
        asked = dict.fromkeys(test_poses_of(layout)) if poses is None else dict(poses)
        bodily = {name: size for name, size in asked.items() if name not in APPENDAGE_POSES}
        for name, size in bodily.items():
            make_target(layout.ribbon, name, size)  # says what cannot be asked for
    pictures = picture_names(asked, layout.all_control_names)
    inputs = [mesh_path] if layout_path is None else [mesh_path, layout_path]
    with Bundle(out_folder, force, inputs) as bundle:
        bundle.claim([PAGE, LAYOUT, STATIONS, *pictures.values()])
        with clock.stage("bind the mesh"):
            rig = bind(mesh, layout)
            usual = usual_amounts(rig, [name for name, size in asked.items() if size is None])
            sizes = {name: usual[name] if size is None else size for name, size in asked.items()}
        with clock.stage("measure the poses"):
            held = {name: rig.pose_for(name, size) for name, size in sizes.items()}
            targets = {name: rig.targets_for(name, sizes[name])[BODY] for name in bodily}
            measured = tuple(
                _measure(rig, name, sizes[name], targets.get(name), held[name], method)
                for name in held
            )
        with clock.stage("draw"):
            drawn = _draw(rig, held, method, lambda done, total: clock.tell("draw", done, total))
        with clock.stage("write"):
            placed = {key: bundle.folder / name for key, name in pictures.items()}
            result = PreviewResult(bundle.folder, placed, rig, measured, clock.seconds)
            bundle.write(_contents(result, drawn, str(mesh_path), method))
    return result


class _Clock:
    """Times stages and tells of them."""

    def __init__(self, progress: Progress | None) -> None:
        self.seconds: dict[str, float] = {}
        self._progress = progress

    def tell(self, stage: str, done: int, total: int) -> None:
        if self._progress is not None:
            self._progress(stage, done, total)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self.tell(name, 0, 1)
        start = time.perf_counter()
        yield
        self.seconds[name] = time.perf_counter() - start
        self.tell(name, 1, 1)


# -- files -------------------------------------------------------------------------------------


def picture_names(poses: Iterable[str], controls: Iterable[str]) -> dict[str, str]:
    """Names of the pictures' files, by what they show."""
    keys = ["ribbon", "rest", *(f"pose_{name}" for name in poses)]
    keys += [f"weights_{name}" for name in controls]
    return dict(zip(keys, file_names(keys), strict=True))


def _contents(
    result: PreviewResult, drawn: Mapping[str, Bytes], mesh_path: str, method: Method
) -> dict[str, str | bytes]:
    """What goes into each file, by its name."""
    from ribbonsim.layout.toml import layout_text
    from ribbonsim.pages.html import encode_png
    from ribbonsim.pages.preview_page import render_preview

    layout = result.rig.layout
    return {
        LAYOUT: layout_text(layout),
        STATIONS: stations_csv(layout),
        **{result.pictures[name].name: encode_png(drawn[name]) for name in drawn},
        PAGE: render_preview(result, drawn, mesh_path, method),
    }


def stations_csv(layout: Layout) -> str:
    """List stations and controls as comma-separated values."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(
        ["station", "t", "arc_length", "spacing", "x", "y", "z", "control", "reach", "carried_by"]
    )
    for row in station_table(layout):
        numbers = (row.station, row.t, row.arc_length, row.spacing, *row.point)
        writer.writerow([*numbers, cell(row.control), row.reach, cell(row.carried_by)])
    return stream.getvalue()


# -- measuring and drawing -----------------------------------------------------------------------


def _measure(
    rig: Rig, name: str, amount: float, target: Target | None, pose: Pose, method: Method
) -> PoseResult:
    joints = rig.joint_pose(pose)
    rest = rig.mesh.volume
    # a flat or open mesh can have next to no volume, and a share of nothing says nothing
    has_volume = abs(rest) > 1e-9 * rig.mesh.diagonal**3
    posed: CreatureMesh = rig.mesh.with_positions(rig.skin_joints(joints, method))
    stretched, girthed = (
        int(np.abs(np.log(factors)).argmax()) for factors in (joints.stretch, joints.girth)
    )
    return PoseResult(
        name=name,
        amount=amount,
        shape_error=None if target is None else rig.shape_error(target, pose),
        volume_change=posed.volume / rest - 1.0 if has_volume else None,
        stretch=float(joints.stretch[stretched]),
        stretch_station=stretched + 1,
        girth=float(joints.girth[girthed]),
        girth_station=girthed + 1,
    )


def _draw(
    rig: Rig, poses: Mapping[str, Pose], method: Method, tell: Callable[[int, int], None]
) -> dict[str, Bytes]:
    from ribbonsim.view.camera import telling_view
    from ribbonsim.view.pictures import draw_influence, draw_pose, draw_rest, draw_ribbon
    from ribbonsim.view.scene import Stage

    view = telling_view(rig.layout.ribbon.midline(np.linspace(0.0, 1.0, 65)), up=rig.layout.up)
    names = rig.layout.all_control_names
    total = 2 + len(poses) + len(names)
    drawn: dict[str, Bytes] = {}

    def keep(name: str, picture: Bytes) -> None:
        drawn[name] = picture
        tell(len(drawn), total)

    with Stage(rig.mesh, MAIN_SIZE) as stage:
        keep("ribbon", draw_ribbon(stage, rig, view))
        keep("rest", draw_rest(stage, rig, view))
        stage.resize(GALLERY_SIZE)
        for name, pose in poses.items():
            keep(f"pose_{name}", draw_pose(stage, rig, pose, view, method))
        for name in names:
            keep(f"weights_{name}", draw_influence(stage, rig, name, view))
    return drawn

"""The main job with no screen: from a mesh to a folder of pictures, tables and one page."""

from __future__ import annotations

import csv
import io
import os
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendage_targets import ALL_TEST_POSES, APPENDAGE_POSES, test_poses_of
from ribbonsim.build import BuildOptions, build_layout, station_table
from ribbonsim.errors import RibbonsimError
from ribbonsim.files import make_folder, write_file
from ribbonsim.layout import Layout
from ribbonsim.mesh import CreatureMesh, load_mesh
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig, bind
from ribbonsim.targets import Target, make_target

Bytes = NDArray[np.uint8]
Progress = Callable[[str, int, int], None]

MAIN_SIZE = (1280, 900)
GALLERY_SIZE = (960, 720)


@dataclass(frozen=True)
class PoseResult:
    """A test pose and what it measures.

    Parameters
    ----------
    name : str
    amount : float
        In the test pose's unit.
    shape_error : float or None
        None for poses of appendages.
        Root mean square distance from the target's midline over the body length.
    volume_change : float or None
        Posed volume over rest volume, less one; None if there is none at rest.
    stretch, girth : float
        Of the ribbon joints, the factor that is farthest from 1.
    stretch_station, girth_station : int
        Where these are, from 1.
    """

    name: str
    amount: float
    shape_error: float | None
    volume_change: float | None
    stretch: float
    stretch_station: int
    girth: float
    girth_station: int


@dataclass(frozen=True, eq=False)
class PreviewResult:
    """What a preview made.

    Parameters
    ----------
    folder, index, layout_file, stations_file : Path
    pictures : dict of str to Path
        By name: ``ribbon``, ``rest``, ``pose_<name>``, ``weights_<control>``.
    rig : Rig
    poses : tuple of PoseResult
    seconds : dict of str to float
        How long each stage took.
    """

    folder: Path
    index: Path
    layout_file: Path
    stations_file: Path
    pictures: dict[str, Path]
    rig: Rig
    poses: tuple[PoseResult, ...]
    seconds: dict[str, float]


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
    """Bind a mesh to a ribbon, pose it, and write pictures, tables and one page of it all.

    Parameters
    ----------
    mesh_path : path
        An OBJ, glTF, PLY or STL file.
    out_folder : path
        Made if it is not there.
    options : BuildOptions, optional
        How to make the layout.
    layout_path : path, optional
        A layout to use instead of making one.
    poses : mapping of str to float or None, optional
        Test poses with their amounts, None for the usual one; every test pose if left out.
    method : {"linear", "dual_quaternion"}
    force : bool
        Replace files that are there.
    progress : callable, optional
        Called as ``progress(stage, done, total)``; the counts are those of the stage.

    Returns
    -------
    PreviewResult

    Raises
    ------
    RibbonsimError
        If the input cannot be used, a file is there already, or nothing can be drawn or
        written. No file is written before everything is drawn.
    """
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
        targets = {
            name: make_target(layout.ribbon, name, size)
            for name, size in asked.items()
            if name not in APPENDAGE_POSES
        }
    files = PreviewFiles.plan(Path(out_folder), list(asked), layout.all_control_names)
    files.check(force)
    with clock.stage("bind the mesh"):
        rig = bind(mesh, layout)
    with clock.stage("measure the poses"):
        held = {name: rig.pose_for(name, size) for name, size in asked.items()}
        measured = tuple(
            _measure(rig, name, asked[name], targets.get(name), held[name], method) for name in held
        )
    with clock.stage("draw"):
        drawn = _draw(rig, held, method, lambda done, total: clock.tell("draw", done, total))
    with clock.stage("write"):
        result = PreviewResult(
            files.folder,
            files.index,
            files.layout,
            files.stations,
            files.pictures,
            rig,
            measured,
            clock.seconds,
        )
        _write(result, drawn, str(mesh_path), method, force)
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


@dataclass(frozen=True)
class PreviewFiles:
    """Where a preview's files go.

    Parameters
    ----------
    folder, index, layout, stations : Path
    pictures : dict of str to Path
    """

    folder: Path
    index: Path
    layout: Path
    stations: Path
    pictures: dict[str, Path] = field(default_factory=dict)

    @classmethod
    def plan(cls, folder: Path, poses: Sequence[str], controls: Sequence[str]) -> PreviewFiles:
        """Name the files.

        Parameters
        ----------
        folder : Path
        poses, controls : sequence of str
            Names; what a file's name cannot hold becomes ``_``.

        Returns
        -------
        PreviewFiles
        """
        keys = ["ribbon", "rest", *(f"pose_{name}" for name in poses)]
        pictures = {key: folder / f"{key}.png" for key in keys}
        taken = {path.name.casefold() for path in pictures.values()}
        for name in controls:
            stem = re.sub(r"[^\w.-]+", "_", name)[:48] or "_"
            file, count = f"weights_{stem}.png", 2
            while file.casefold() in taken:
                file, count = f"weights_{stem}_{count}.png", count + 1
            taken.add(file.casefold())
            pictures[f"weights_{name}"] = folder / file
        return cls(
            folder,
            folder / "index.html",
            folder / "layout.toml",
            folder / "stations.csv",
            pictures,
        )

    def check(self, force: bool) -> None:
        """Make the folder and see that no file is in the way.

        Parameters
        ----------
        force : bool
            Files may be replaced.

        Raises
        ------
        RibbonsimError
            Naming the first file that is there, or saying why the folder cannot be used.
        """
        make_folder(self.folder)
        for path in (self.index, self.layout, self.stations, *self.pictures.values()):
            if path.is_dir():
                raise RibbonsimError(f"{path} is a folder: move it or choose another place")
            if path.exists() and not force:
                raise RibbonsimError(
                    f"{path} exists and is kept: choose another folder, or ask for it to be "
                    "replaced (--force)"
                )


def _write(
    result: PreviewResult, drawn: Mapping[str, Bytes], mesh_path: str, method: Method, force: bool
) -> None:
    from ribbonsim.html import encode_png
    from ribbonsim.page import render_page

    page = render_page(result, drawn, mesh_path, method)
    result.rig.layout.save(result.layout_file, force)
    write_file(result.stations_file, stations_csv(result.rig.layout), force)
    for name, picture in drawn.items():
        write_file(result.pictures[name], encode_png(picture), force)
    write_file(result.index, page, force)


def stations_csv(layout: Layout) -> str:
    """List stations and controls as comma-separated values.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    str
        RFC 4180, with a header; lengths in scene units, empty where there is nothing.
    """
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(
        ["station", "t", "arc_length", "spacing", "x", "y", "z", "control", "reach", "carried_by"]
    )
    for row in station_table(layout):
        numbers = (row.station, row.t, row.arc_length, row.spacing, *row.point)
        writer.writerow([*numbers, row.control, row.reach, row.carried_by])
    return stream.getvalue()


# -- measuring and drawing -----------------------------------------------------------------------


def _measure(
    rig: Rig, name: str, amount: float | None, target: Target | None, pose: Pose, method: Method
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
        amount=ALL_TEST_POSES[name].usual if amount is None else amount,
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

    view = telling_view(rig.layout.ribbon.midline(np.linspace(0.0, 1.0, 65)))
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

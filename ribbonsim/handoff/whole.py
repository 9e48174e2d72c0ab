"""Everything that leaves, in one folder: files of all formats appear together or not at all."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.checks import check_choice
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.names import file_names
from ribbonsim.files.writing import Bundle
from ribbonsim.handoff.clips import Clip, choose_poses, motion_clip
from ribbonsim.handoff.gltf import export_gltf
from ribbonsim.handoff.obj import export_posed_meshes, export_surface
from ribbonsim.handoff.tables import export_tables
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.usd import check_usd, export_usd
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import METHODS, Method, Rig
from ribbonsim.rig.take import DEFAULT_FPS, Take

# What each format brings, in the order in which they are written.
FORMATS = {
    "gltf": "glTF 2.0: mesh, skeleton, weights and animations, in metres where the unit is known",
    "usd": "USD: the same with polygons kept, and the ribbons as spline surfaces",
    "tables": "weights, stations, controls and ribbons as CSV and JSON",
    "obj": "a mesh for each pose, and the ribbons as free-form surfaces",
    "sheet": "the build sheet, as a page and for printing",
}
SURFACE_FILE = "ribbon.obj"

_STAGES = {
    "gltf": "write glTF",
    "usd": "write USD",
    "tables": "write tables",
    "obj": "write OBJ",
}
_SHEET_STAGES = {
    "measure": "measure what differs",
    "draw": "draw the build sheet",
    "write": "set the build sheet",
}
_LAST_STAGE = "put all in place"


def stages_of(formats: Sequence[str]) -> tuple[str, ...]:
    """Stages that :func:`hand_off` tells of, in order."""
    files = [stage for key, stage in _STAGES.items() if key in formats]
    sheet = _SHEET_STAGES.values() if "sheet" in formats else ()
    return (*files, *sheet, _LAST_STAGE)


@dataclass(frozen=True)
class Handoff:
    """What was written.

    Parameters
    ----------
    folder : Path
    files : dict of str to tuple of Path
        By format.
    poses : tuple of str
    units : Units
    """

    folder: Path
    files: dict[str, tuple[Path, ...]]
    poses: tuple[str, ...]
    units: Units


def hand_off(
    rig: Rig,
    folder: str | os.PathLike[str],
    formats: Sequence[str] | None = None,
    poses: Mapping[str, Pose] | Sequence[str] | None = None,
    *,
    clips: Mapping[str, Clip] | None = None,
    motions: Sequence[str | Take] | None = None,
    fps: float = DEFAULT_FPS,
    method: Method = "linear",
    units: Units | None = None,
    text: bool = False,
    force: bool = False,
    picture: Bytes | None = None,
    progress: Progress | None = None,
) -> Handoff:
    """Write a rig in several formats into one folder.

    Parameters
    ----------
    rig : Rig
    folder : path
        Made if it is not there.
    formats : sequence of str, optional
        Of ``gltf``, ``usd``, ``tables``, ``obj`` and ``sheet``; all of them if left out.
    poses : mapping of str to Pose, sequence of str, or None
        Poses by name; names of kept and test poses; or, if None, all of those.
    clips : mapping of str to Clip, optional
        Further animations of glTF and USD, such as :func:`ribbonsim.turntable_clip` makes.
    motions : sequence of str or Take, optional
        Motions, by name or as :meth:`ribbonsim.Rig.motion` makes them: each is an animation of
        glTF and USD, and stands in the build sheet with its keys.
    fps : float
        Frames a second of motions.
    method : {"linear", "dual_quaternion"}
        What animations and posed meshes are to look like.
    units : Units, optional
        What to convert to; numbers stay as they are if left out. glTF has the y axis up by its
        standard, and is in metres where the scene's unit is known.
    text : bool
        Write glTF and USD as text, ``.gltf`` with a ``.bin`` beside and ``.usda``, instead of
        ``.glb`` and ``.usdc``.
    force : bool
        Replace files that are there.
    picture : (height, width, 3) array of uint8, optional
        For the build sheet, as :func:`ribbonsim.build_sheet` takes it.
    progress : callable, optional
        Called as ``progress(stage, done, total)``; raise in it to stop. Nothing is then
        written.

    Returns
    -------
    Handoff

    Raises
    ------
    RibbonsimError
        If a format or pose is unknown, a library that a format needs is not installed, a file
        is in the way, or nothing can be drawn or written.
    """
    asked = _chosen_formats(formats)
    check_choice("method", method, METHODS)
    held = units or Units(up=rig.layout.up)
    report = progress or (lambda *_: None)
    chosen = choose_poses(rig, poses)
    # the sheet gives values to check by for poses that were named; else it chooses two itself
    checked = chosen if poses is not None else None
    takes = tuple(one if isinstance(one, Take) else rig.motion(one) for one in motions or ())
    moved = {take.name: motion_clip(take, fps) for take in takes} if _moves(asked) else {}
    every = {**(clips or {}), **moved}
    work = _Work(rig, chosen, checked, every, takes, method, held, text, picture, report)
    with Bundle(folder, force, (rig.mesh.source,)) as bundle:
        bundle.claim(name for key in asked for name in work.names(key))
        made = {key: work.write(key, bundle.scratch / key) for key in asked}
        files = {path.name: path.read_bytes() for paths in made.values() for path in paths}
        report(_LAST_STAGE, 0, 1)
        bundle.write(files)
        report(_LAST_STAGE, 1, 1)
    placed = {key: tuple(bundle.folder / path.name for path in made[key]) for key in asked}
    return Handoff(bundle.folder, placed, tuple(chosen), held)


def _moves(formats: Sequence[str]) -> bool:
    return "gltf" in formats or "usd" in formats


def _chosen_formats(formats: Sequence[str] | None) -> list[str]:
    """Formats in the order of work; those whose library is missing are named at once."""
    wanted = (
        list(FORMATS) if formats is None else [formats] if isinstance(formats, str) else formats
    )
    for key in wanted:
        check_choice("format", key, tuple(FORMATS))
    if not len(wanted):
        raise RibbonsimError(f"no format is chosen: choose from {', '.join(FORMATS)}")
    if "usd" in wanted:
        check_usd()
    if "sheet" in wanted:
        from ribbonsim.handoff.sheet.pdf import check_pdf

        check_pdf()
    return [key for key in FORMATS if key in wanted]


@dataclass(frozen=True, eq=False)
class _Work:
    """Writes one format after another."""

    rig: Rig
    poses: Mapping[str, Pose]
    checked: Mapping[str, Pose] | None
    clips: Mapping[str, Clip]
    takes: tuple[Take, ...]
    method: Method
    units: Units
    text: bool
    picture: Bytes | None
    report: Progress

    def names(self, key: str) -> list[str]:
        """Names of the files of a format."""
        from ribbonsim.handoff.record import SCHEMA_FILE
        from ribbonsim.handoff.tables import RECORD_FILE, TABLE_FILES

        stem = self.rig.mesh.name
        if key == "gltf":
            if not self.text:
                return file_names([stem], ".glb")
            (name,) = file_names([stem], ".gltf")
            return [name, f"{Path(name).stem}.bin"]
        if key == "usd":
            return file_names([stem], ".usda" if self.text else ".usdc")
        if key == "tables":
            return [RECORD_FILE, SCHEMA_FILE, *TABLE_FILES]
        if key == "obj":
            return [*file_names(self.poses, ".obj", lead=stem), SURFACE_FILE]
        from ribbonsim.handoff.sheet.build_sheet import PAGE, PRINT

        return [PAGE, PRINT]

    def write(self, key: str, folder: Path) -> list[Path]:
        """Write a format into a folder of its own."""
        if key == "sheet":
            from ribbonsim.handoff.sheet.build_sheet import build_sheet

            sheet = build_sheet(
                self.rig,
                folder,
                self.checked,
                motions=self.takes,
                units=self.units,
                picture=self.picture,
                progress=self._within_sheet,
            )
            return [sheet.page, sheet.pdf]
        stage = _STAGES[key]
        self.report(stage, 0, 1)
        done = self._exported(key, folder)
        self.report(stage, 1, 1)
        return done

    def _exported(self, key: str, folder: Path) -> list[Path]:
        rig, poses, moves, units = self.rig, self.poses, self.clips, self.units
        if key == "gltf":
            path, units = folder / self.names(key)[0], for_gltf(units)
            return export_gltf(rig, path, poses, moves, units=units, method=self.method)
        if key == "usd":
            path = folder / self.names(key)[0]
            return [export_usd(rig, path, poses, moves, units=units, method=self.method)]
        if key == "tables":
            return export_tables(rig, folder, poses=poses, units=units)
        posed = export_posed_meshes(rig, folder, poses, method=self.method, units=units)
        return [*posed, export_surface(rig, folder / SURFACE_FILE, units=units)]

    def _within_sheet(self, stage: str, done: int, total: int) -> None:
        self.report(_SHEET_STAGES[stage], done, total)


def for_gltf(units: Units) -> Units:
    """Units as glTF wants them: y up, and metres where the scene's unit is known."""
    metres = None if units.scene is None else "metre"
    return Units(units.scene, metres, units.up, "y")

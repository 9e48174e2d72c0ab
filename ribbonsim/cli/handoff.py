"""The command ``ribbonsim handoff``: the chosen layout leaves in open formats."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from ribbonsim.cli.options import (
    building_options_but,
    force_option,
    layout_option,
    mesh_argument,
    method_option,
    motions_option,
    out_option,
    poses_option,
)
from ribbonsim.cli.parameter_types import FromToType, ListType
from ribbonsim.cli.progress import count_of, progress_shown, tell_notes
from ribbonsim.cli.say import say

if TYPE_CHECKING:
    from ribbonsim.curves.up import Up
    from ribbonsim.handoff.clips import Clip
    from ribbonsim.handoff.units import Axis, Units
    from ribbonsim.handoff.whole import Handoff
    from ribbonsim.layout.pose import Pose
    from ribbonsim.rig.first_layout import BuildOptions
    from ribbonsim.rig.rig import Method, Rig
    from ribbonsim.show.moves import Movement

_SHORT = {
    "mm": "millimetre",
    "cm": "centimetre",
    "dm": "decimetre",
    "m": "metre",
    "in": "inch",
    "ft": "foot",
}


@click.command("handoff", short_help="Write the rig for other packages, in open formats.")
@mesh_argument
@layout_option("The layout that leaves; one is made for the mesh if this is left out.")
@building_options_but("up")
@out_option("DIR", "Folder for all files; made if it is not there.")
@click.option(
    "--formats",
    type=ListType(),
    metavar="LIST",
    help="Of gltf, usd, tables, obj and sheet.  [all]",
)
@poses_option("Kept poses and test poses, such as c_bend,twist=360. All of them if left out.")
@click.option(
    "--motion",
    type=click.Choice(["ease", "sequence"]),
    help="One animation more, that moves as a turntable of these poses does: into them and out, "
    "or through all of them.",
)
@motions_option("Motions of the creature, each as an animation")
@click.option("--frames", type=int, default=72, show_default=True, help="Of that animation.")
@click.option(
    "--fps", type=float, default=24.0, show_default=True, help="Frames a second of animations."
)
@method_option
@click.option(
    "--units",
    "unit",
    type=FromToType(_SHORT),
    metavar="UNIT[:UNIT]",
    help="What a scene unit is, and what to write: cm says centimetres, cm:m converts them to "
    "metres. Of mm, cm, dm, m, in, ft.",
)
@click.option(
    "--up",
    type=FromToType({axis: axis for axis in ("x", "y", "z", "-x", "-y", "-z")}),
    metavar="AXIS[:AXIS]",
    help="Which axis points up in the scene, and which in what is written, y or z: y:z turns Y up "
    "into Z up.  [as the layout has it]",
)
@click.option(
    "--text", is_flag=True, help="glTF and USD as text: .gltf with a .bin beside, and .usda."
)
@force_option
def handoff_command(
    mesh: Path,
    layout_file: Path | None,
    out: Path,
    building: BuildOptions | None,
    formats: list[str] | None,
    poses: dict[str, float | None] | None,
    motion: Movement | None,
    motions: list[str] | None,
    frames: int,
    fps: float,
    method: Method,
    unit: tuple[str, str | None] | None,
    up: tuple[Up, Axis | None] | None,
    text: bool,
    force: bool,
) -> None:
    """Write the rig of MESH, an OBJ, glTF or PLY file, for other packages.

    glTF and USD hold mesh, skeleton, weights and animations; tables hold every weight by the
    vertex numbers of the file; OBJ holds posed meshes and the ribbons as spline surfaces; the
    build sheet tells how to build the same by hand. glTF has the y axis up by its standard, and
    is in metres where --units says what a scene unit is.
    """
    from ribbonsim.handoff.whole import hand_off
    from ribbonsim.rig.first_layout import BuildOptions, load_rig
    from ribbonsim.rig.own_motions import motions_asked

    context = click.get_current_context()
    for name in ("frames", "fps"):
        if name == "fps" and motions is not None:
            continue
        if motion is None and context.get_parameter_source(name) is not ParameterSource.DEFAULT:
            raise click.UsageError(f"--{name} is for the animation of --motion: give both")
    with progress_shown() as progress:
        progress("bind the mesh", 0, 1)
        if up is not None and layout_file is None:
            building = replace(building or BuildOptions(), up=up[0])
        rig = load_rig(mesh, layout_file, building)
        asked = _poses(rig, poses)
        moves = {} if motion is None else _moves(rig, asked, motion, frames, fps)
        done = hand_off(
            rig,
            out,
            formats,
            asked,
            clips=moves,
            motions=None if motions is None else motions_asked(rig, motions),
            fps=fps,
            method=method,
            units=_units(unit, up or (rig.layout.up, None)),
            text=text,
            force=force,
            progress=progress,
        )
    tell_notes(rig.mesh, rig.layout, building, layout_file is None)
    _tell_files(done)
    _tell_offset(rig, done)
    _tell_amounts(rig, poses, done)


def _units(unit: tuple[str, str | None] | None, up: tuple[Up, Axis | None]) -> Units:
    from ribbonsim.handoff.units import Units

    scene, written = unit or (None, None)
    return Units(scene, written, *up)


def _poses(rig: Rig, asked: dict[str, float | None] | None) -> dict[str, Pose] | None:
    """Poses by name; an amount makes a test pose of it, whatever is kept under the name."""
    from ribbonsim.handoff.clips import choose_poses

    if asked is None:
        return None
    chosen: dict[str, Pose] = {}
    for name, amount in asked.items():
        if amount is None:
            chosen |= choose_poses(rig, [name])
        else:
            chosen[name] = rig.pose_for(name, amount)
    return chosen


def _moves(
    rig: Rig, asked: dict[str, Pose] | None, motion: Movement, frames: int, fps: float
) -> dict[str, Clip]:
    from ribbonsim.handoff.clips import choose_poses, turntable_clip

    poses = choose_poses(rig, None) if asked is None else asked
    made = turntable_clip(poses, motion, frames, fps)
    return {made.name: made}


def _tell_amounts(rig: Rig, asked: dict[str, float | None] | None, done: Handoff) -> None:
    """Say which test poses of no given amount are smaller than usual."""
    from ribbonsim.bendcheck.amounts import less_than_usual, usual_amounts
    from ribbonsim.layout.appendage_targets import test_poses_of

    own = [name for name in test_poses_of(rig.layout) if name not in rig.layout.poses]
    free = [n for n in own if n in done.poses and (asked is None or asked.get(n) is None)]
    words = less_than_usual(usual_amounts(rig, free))
    if words:
        say(words)


def _tell_offset(rig: Rig, done: Handoff) -> None:
    """Say where formats of single precision put a creature that is far from the origin."""
    units = done.units.about(rig.mesh)
    if any(units.origin) and {"gltf", "usd"} & set(done.files):
        place = ", ".join(f"{value:.15g}" for value in units.offset)
        say(
            f"{rig.mesh.name} stands far from the origin, so glTF and USD hold it about its "
            f"middle, and their root node stands at {place}."
        )


def _tell_files(done: Handoff) -> None:
    from ribbonsim.handoff.whole import FORMATS

    for key, files in done.files.items():
        first = files[0].name
        rest = f" and {count_of(len(files) - 1, 'file')} more" if len(files) > 1 else ""
        say(f"{key:>7}  {first}{rest}: {FORMATS[key]}")
    total = sum(len(files) for files in done.files.values())
    say(
        f"{done.folder} holds {count_of(total, 'file')} with {count_of(len(done.poses), 'pose')}. "
        f"{done.units.sentence()}"
    )
    if "sheet" in done.files:
        say(f"Open {done.files['sheet'][0]} to see how the ribbon is built by hand.")

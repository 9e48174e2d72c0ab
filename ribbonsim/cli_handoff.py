"""The command ``ribbonsim handoff``: the chosen layout leaves in open formats."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from ribbonsim.cli_options import (
    METHODS,
    PosesType,
    building_options,
    count_of,
    progress_shown,
    read_building,
    tell_notes,
)

if TYPE_CHECKING:
    from ribbonsim.handoff.baking import Motion
    from ribbonsim.handoff.units import Units
    from ribbonsim.handoff.whole import Handoff
    from ribbonsim.pose import Pose
    from ribbonsim.rig import Rig
    from ribbonsim.view.motion import Motion as Kind

_SHORT = {
    "mm": "millimetre",
    "cm": "centimetre",
    "dm": "decimetre",
    "m": "metre",
    "in": "inch",
    "ft": "foot",
}


class ListType(click.ParamType):
    """Words with commas between."""

    name = "list"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> list[str]:
        """Read a list.

        Parameters
        ----------
        value : str
        param, ctx
            As click hands them over.

        Returns
        -------
        list of str
        """
        if not isinstance(value, str):
            return value
        words = [word.strip() for word in value.split(",")]
        if not all(words):
            self.fail(f"{value!r} has an empty name in it", param, ctx)
        return words


class FromToType(click.ParamType):
    """What the scene has, and after a colon what is to be written if that is another.

    Parameters
    ----------
    known : mapping of str to str
        What may be given, and its full name, which may be given too.
    """

    name = "from:to"

    def __init__(self, known: Mapping[str, str]) -> None:
        self.known = known

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str | None]:
        """Read one or two words.

        Parameters
        ----------
        value : str
        param, ctx
            As click hands them over.

        Returns
        -------
        (str, str or None)
        """
        if not isinstance(value, str):
            return value
        have, colon, want = (word.strip().lower() for word in value.partition(":"))
        if not have or (colon and not want):
            self.fail(f"{value!r} is neither a name nor two with a colon between", param, ctx)
        known = self.known
        for word in filter(None, (have, want)):
            if word not in known and word not in known.values():
                self.fail(f"{word!r} is none of {', '.join(known)}", param, ctx)
        return known.get(have, have), known.get(want, want) or None


@click.command("handoff", short_help="Write the rig for other packages, in open formats.")
@click.argument("mesh", metavar="MESH", type=click.Path(path_type=Path))
@click.option(
    "--layout",
    "layout_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The layout that leaves; one is made for the mesh if this is left out.",
)
@building_options
@click.option(
    "--out",
    "folder",
    required=True,
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder for all files; made if it is not there.",
)
@click.option(
    "--formats",
    type=ListType(),
    metavar="LIST",
    help="Of gltf, usd, tables, obj and sheet.  [all]",
)
@click.option(
    "--poses",
    type=PosesType(),
    metavar="LIST",
    help="Kept poses and test poses, such as c_bend,twist=360. All of them if left out.",
)
@click.option(
    "--motion",
    type=click.Choice(["ease", "sequence"]),
    help="One animation more, that moves as a turntable of these poses does: into them and out, "
    "or through all of them.",
)
@click.option("--frames", type=int, default=72, show_default=True, help="Of that animation.")
@click.option("--fps", type=float, default=24.0, show_default=True, help="Its frames a second.")
@click.option(
    "--method",
    type=click.Choice(list(METHODS)),
    default="linear",
    show_default=True,
    help="What animations and posed meshes are to look like.",
)
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
    type=FromToType({"y": "y", "z": "z"}),
    default="y",
    metavar="AXIS[:AXIS]",
    help="Which axis points up in the scene, and which in what is written: y:z turns Y up into "
    "Z up.  [y]",
)
@click.option(
    "--text", is_flag=True, help="glTF and USD as text: .gltf with a .bin beside, and .usda."
)
@click.option("--force", is_flag=True, help="Replace files that are there.")
def handoff_command(
    mesh: Path,
    layout_file: Path | None,
    folder: Path,
    formats: list[str] | None,
    poses: dict[str, float | None] | None,
    motion: Kind | None,
    frames: int,
    fps: float,
    method: str,
    unit: tuple[str, str | None] | None,
    up: tuple[str, str | None],
    text: bool,
    force: bool,
    **building: Any,  # the options of building_options, which read_building names
) -> None:
    """Write the rig of MESH, an OBJ, glTF, PLY or STL file, for other packages.

    glTF and USD hold mesh, skeleton, weights and animations; tables hold every weight by the
    vertex numbers of the file; OBJ holds posed meshes and the ribbons as spline surfaces; the
    build sheet tells how to build the same by hand. glTF has the y axis up by its standard, and
    is in metres where --units says what a scene unit is.
    """
    from ribbonsim.build import load_rig
    from ribbonsim.handoff.whole import hand_off

    units = _units(unit, up)
    options = read_building(building, with_layout=layout_file is not None)
    context = click.get_current_context()
    for name in ("frames", "fps"):
        if motion is None and context.get_parameter_source(name) is not ParameterSource.DEFAULT:
            raise click.UsageError(f"--{name} is for the animation of --motion: give both")
    blended = METHODS[method]
    with progress_shown() as tell:
        tell("bind the mesh", 0, 1)
        rig = load_rig(mesh, layout_file, options)
        asked = _poses(rig, poses)
        moves = {} if motion is None else _moves(rig, asked, motion, frames, fps)
        done = hand_off(
            rig,
            folder,
            formats,
            asked,
            motions=moves,
            method=blended,
            units=units,
            text=text,
            force=force,
            progress=tell,
        )
    tell_notes(rig.mesh, rig.layout, bool(building["appendages"]))
    _tell_files(done)


def _units(unit: tuple[str, str | None] | None, up: tuple[str, str | None]) -> Units:
    from ribbonsim.handoff.units import Units

    scene, written = unit or (None, None)
    return Units(scene, written, up[0], up[1])  # type: ignore[arg-type]  # checked by Units


def _poses(rig: Rig, asked: dict[str, float | None] | None) -> dict[str, Pose] | None:
    """Poses by name; an amount makes a test pose of it, whatever is kept under the name."""
    from ribbonsim.handoff.baking import choose_poses

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
    rig: Rig, asked: dict[str, Pose] | None, motion: Kind, frames: int, fps: float
) -> dict[str, Motion]:
    from ribbonsim.handoff.baking import choose_poses
    from ribbonsim.handoff.turntable_motion import turntable_motion

    poses = choose_poses(rig, None) if asked is None else asked
    made = turntable_motion(poses, motion, frames, fps)
    return {made.name: made}


def _tell_files(done: Handoff) -> None:
    from ribbonsim.handoff.whole import FORMATS

    for key, files in done.files.items():
        first = files[0].name
        rest = f" and {count_of(len(files) - 1, 'file')} more" if len(files) > 1 else ""
        click.echo(f"{key:>7}  {first}{rest}: {FORMATS[key]}")
    total = sum(len(files) for files in done.files.values())
    click.echo(
        f"{done.folder} holds {count_of(total, 'file')} with {count_of(len(done.poses), 'pose')}. "
        f"{done.units.sentence()}"
    )
    if "sheet" in done.files:
        click.echo(f"Open {done.files['sheet'][0]} to see how the ribbon is built by hand.")

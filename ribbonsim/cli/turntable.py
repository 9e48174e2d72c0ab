"""The command ``ribbonsim turntable``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ribbonsim.cli.options import (
    bind_layouts,
    building_options,
    force_option,
    layout_option,
    mesh_argument,
    method_option,
    names_of,
    out_option,
    poses_option,
)
from ribbonsim.cli.parameter_types import ListType
from ribbonsim.cli.progress import progress_shown, tell_notes
from ribbonsim.cli.say import say
from ribbonsim.errors import RibbonsimError

if TYPE_CHECKING:
    from ribbonsim.arrays import Progress
    from ribbonsim.bendcheck.cases import PoseList
    from ribbonsim.rig.first_layout import BuildOptions
    from ribbonsim.rig.rig import Method, Rig
    from ribbonsim.show.page_of_pictures import Paper

_FINISHES = ("fog", "paper", "dusk", "night")
_SKINS = ("clay", "two-tone", "wire")


@click.command("turntable", short_help="Film a mesh from all sides, posed and moving.")
@mesh_argument
@out_option(
    "FILE",
    "Film to write: .mp4, .gif, .webp or .apng; without an ending a folder of PNG files. May be "
    "left out if a page or a sheet is asked for.",
    short=("-o",),
    required=False,
)
@layout_option(
    "Use the layout in this file; given two to four times, they stand side by side.", several=True
)
@building_options
@method_option
@poses_option(
    "Test poses or poses kept in the layout, such as c_bend=120. At rest if left out.",
    name="--pose",
)
@click.option(
    "--motion",
    metavar="hold|ease|sequence|NAME",
    help="Hold the pose, ease into it and out again, or go through all; or a motion of the "
    "creature: swim, crawl, slither, rear_up, strike, breathe, flutter, or one that the layout "
    "keeps.  [hold; sequence if there are several]",
)
@click.option("--size", default="720p", show_default=True, metavar="720p|1080p|square|WxH")
@click.option("--frames", type=int, metavar="N", help="How many frames.  [72, or whole loops]")
@click.option("--seconds", type=float, metavar="S", help="How long, instead of --frames.")
@click.option("--fps", type=int, default=24, show_default=True, help="Frames a second.")
@click.option("--start", type=float, metavar="DEGREES", help="Where the camera begins; 0 is +Z.")
@click.option(
    "--elevation",
    type=float,
    default=12.0,
    show_default=True,
    metavar="DEGREES",
    help="Of the camera above the horizon.",
)
@click.option(
    "--lens", type=float, default=50.0, show_default=True, help="Focal length, mm on 24 mm film."
)
@click.option(
    "--turns", type=float, default=1.0, show_default=True, help="How often round; 0 stands still."
)
@click.option(
    "--direction",
    type=click.Choice(["clockwise", "counterclockwise"]),
    default="clockwise",
    show_default=True,
    help="Which way the creature turns, seen from above.",
)
@click.option(
    "--finish",
    type=click.Choice(_FINISHES),
    default="fog",
    show_default=True,
    help="Backdrop and light.",
)
@click.option(
    "--skin", type=click.Choice(_SKINS), default="clay", show_default=True, help="Material."
)
@click.option(
    "--hover",
    is_flag=True,
    help="Leave the creature where its poses put it, instead of on the ground in every frame.",
)
@click.option("--no-ground", is_flag=True, help="Leave out ground and shadow.")
@click.option("--draft", is_flag=True, help="Draw faster, with rougher edges.")
@click.option("--ribbon", is_flag=True, help="Draw the ribbons over the skin.")
@click.option(
    "--strip", is_flag=True, help="Show girth along the body: as the pose asks, and of the skin."
)
@click.option("--project", default="", metavar="NAME", help="Written on the slate.")
@click.option("--note", default="", metavar="TEXT", help="Written on the slate, last.")
@click.option("--no-slate", is_flag=True, help="Write nothing under the picture.")
@click.option(
    "--sheet",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write a contact sheet too: .pdf or .png.",
)
@click.option(
    "--paper", type=click.Choice(["a4", "16:9"]), default="a4", show_default=True, help="Its shape."
)
@click.option(
    "--page",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write a review page too, .html: the creature to turn and pose, verdict, a decision.",
)
@click.option(
    "--page-motions",
    type=ListType(),
    metavar="LIST",
    help="Motions that the page plays, or none.  [all]",
)
@click.option("--page-film", is_flag=True, help="Let the film play in the page as well.")
@click.option("--question", default="", metavar="TEXT", help="What the page asks.")
@force_option
def turntable_command(
    mesh: Path,
    out: Path | None,
    layout_files: tuple[Path, ...],
    building: BuildOptions | None,
    method: Method,
    poses: dict[str, float | None] | None,
    size: str,
    frames: int | None,
    seconds: float | None,
    fps: int,
    sheet: Path | None,
    paper: Paper,
    page: Path | None,
    page_motions: list[str] | None,
    page_film: bool,
    question: str,
    hover: bool,
    force: bool,
    **options: Any,  # what _picture_options names
) -> None:
    """Film MESH, an OBJ, glTF or PLY file, while the camera goes round it.

    The creature stays in the picture from every side and in every pose, and the film loops
    without a jump. Several layouts stand side by side and move in step.
    """
    from ribbonsim.show.turntable import turntable

    if out is None and sheet is None and page is None:
        raise RibbonsimError("nothing to write is named: give --out, --page or --sheet")
    _check_files(sheet, page, force)
    shown = _picture_options(options)
    count = _frame_count(frames, seconds, fps)
    with progress_shown() as progress:
        progress("bind the mesh", 0, 1)
        rigs = _load_rigs(mesh, layout_files, building, progress)
        asked = _poses_of(poses)
        common: dict[str, Any] = {
            "names": names_of(layout_files) if len(rigs) > 1 else None,
            "method": method,
            "force": force,
            "progress": progress,
        }
        filmed: dict[str, Any] = {"size": size, "frames": count, "fps": fps, "standing": not hover}
        made: list[str] = []
        film: Path | bool = page_film
        if out is not None:
            result = turntable(rigs, out, asked, **filmed, **common, **shown)
            made.append(f"{result.path} holds {result.words}; it took {result.seconds:.1f} s.")
            # of a folder of pictures the page makes a film of its own
            film = result.path if page_film and result.path.is_file() else page_film
        if sheet is not None:
            _write_sheet(sheet, rigs, asked, paper, shown, common)
        if page is not None:
            told = {"question": question, "motions": _page_motions(page_motions)}
            _write_page(page, rigs, asked, film, told, shown, common)
    tell_notes(rigs[0].mesh, rigs[0].layout, building, not layout_files)
    for sentence in made:
        say(sentence)
    for also in filter(None, (sheet, page)):
        say(f"{also} shows it too." if made else f"{also} shows it.")


def _check_files(sheet: Path | None, page: Path | None, force: bool) -> None:
    """Complain of names before the film is made, not after."""
    from ribbonsim.pages.review_page import check_page
    from ribbonsim.show.contact_sheet import check_sheet

    if sheet is not None:
        check_sheet(sheet, force)
    if page is not None:
        check_page(page, force)


def _write_sheet(
    sheet: Path,
    rigs: Sequence[Rig],
    asked: PoseList,
    paper: Paper,
    shown: dict[str, Any],
    common: dict[str, Any],
) -> None:
    from ribbonsim.show.contact_sheet import contact_sheet

    contact_sheet(
        rigs,
        sheet,
        asked,
        motion=_creature_motion(shown["motion"]),
        paper=paper,
        elevation=shown["camera"].elevation,
        look=shown["look"],
        ribbon="ribbon" in shown["overlays"],
        slate=shown["slate"],
        **common,
    )


def _creature_motion(motion: str | None) -> str | None:
    """A motion of the creature, and none of the film's own ways to go through poses."""
    from ribbonsim.show.moves import MOVEMENTS

    return None if motion in MOVEMENTS else motion


def _page_motions(names: list[str] | None) -> list[str] | None:
    return [] if names == ["none"] else names


def _write_page(
    page: Path,
    rigs: Sequence[Rig],
    asked: PoseList,
    film: Path | bool,
    told: dict[str, Any],
    shown: dict[str, Any],
    common: dict[str, Any],
) -> None:
    from ribbonsim.pages.review_page import review_page

    review_page(
        rigs,
        page,
        asked,
        film=film,
        **told,
        **common,
        **shown,
    )


def _picture_options(options: dict[str, Any]) -> dict[str, Any]:
    """Take the options of camera, look and slate out of all others."""
    from ribbonsim.show.moves import CameraPath
    from ribbonsim.show.slate import Slate
    from ribbonsim.show.studio import Look

    camera = CameraPath(
        **{key: options.pop(key) for key in ("start", "elevation", "lens", "direction", "turns")}
    )
    look = Look(
        finish=options.pop("finish"),
        skin=options.pop("skin").replace("-", "_"),
        ground=not options.pop("no_ground"),
        quality="draft" if options.pop("draft") else "fine",
    )
    slate = Slate(options.pop("project"), options.pop("note"), shown=not options.pop("no_slate"))
    overlays = tuple(name for name in ("ribbon", "strip") if options.pop(name))
    return {
        "camera": camera,
        "look": look,
        "slate": slate,
        "overlays": overlays,
        "motion": options.pop("motion"),
    }


def _frame_count(frames: int | None, seconds: float | None, fps: int) -> int | None:
    if frames is not None and seconds is not None:
        raise click.UsageError("--frames and --seconds say the same: give one of them")
    if seconds is None:
        return frames
    from ribbonsim.checks import check_number

    check_number("seconds", seconds, 0.05, 3600.0)
    return round(seconds * fps)


def _poses_of(
    poses: dict[str, float | None] | None,
) -> dict[str, float | None] | Sequence[str] | None:
    """By name alone where no amount is given, so that the layout's own poses are found."""
    if poses is None or any(amount is not None for amount in poses.values()):
        return poses
    return list(poses)


def _load_rigs(
    mesh: Path, layout_files: Sequence[Path], building: BuildOptions | None, progress: Progress
) -> list[Rig]:
    from ribbonsim.mesh.load import load_mesh
    from ribbonsim.rig.first_layout import load_rig

    if len(layout_files) < 2:
        return [load_rig(mesh, layout_files[0] if layout_files else None, building)]
    return bind_layouts(load_mesh(mesh), layout_files, progress)

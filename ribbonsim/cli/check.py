"""The commands ``ribbonsim check`` and ``ribbonsim compare``: whether a mesh bends right."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ribbonsim.cli.options import (
    bind_layouts,
    building_options,
    force_option,
    json_option,
    layout_option,
    mesh_argument,
    method_option,
    motions_option,
    names_of,
    out_option,
    poses_option,
)
from ribbonsim.cli.progress import progress_shown, tell_notes
from ribbonsim.cli.say import say, say_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ribbonsim.arrays import Progress
    from ribbonsim.bendcheck.cases import PoseList
    from ribbonsim.bendcheck.compare import Comparison
    from ribbonsim.bendcheck.over_time import MotionMeasures
    from ribbonsim.bendcheck.report import Report
    from ribbonsim.rig.first_layout import BuildOptions
    from ribbonsim.rig.rig import Method, Rig
    from ribbonsim.rig.take import Instant

_page_option = out_option(
    "DIR",
    "Write a page with pictures and plots, and all numbers, into this folder.",
    required=False,
)
_motions_option = motions_option("Look through motions instead of poses")
_poses_option = poses_option("Test poses, such as c_bend,twist=360. All of them if left out.")


@click.command("check", short_help="Say whether a mesh bends right on a layout, and what to try.")
@mesh_argument
@layout_option("Check the layout in this file, by its own limits, instead of making one.")
@building_options
@method_option
@_poses_option
@_motions_option
@_page_option
@json_option
@force_option
def check_command(
    mesh: Path,
    layout_file: Path | None,
    building: BuildOptions | None,
    method: Method,
    poses: dict[str, float | None] | None,
    motions: list[str] | None,
    out: Path | None,
    as_json: bool,
    force: bool,
) -> None:
    """Put MESH into test poses, or through motions, and say whether it bends right.

    Each finding says what is wrong, where and how much, and quotes a change that was tried and
    measured. Ends with 0 if it bends right, 1 if it does not, and 2 on an error.
    """
    from ribbonsim.bendcheck.words import report_text
    from ribbonsim.rig.first_layout import load_rig

    with progress_shown() as progress:
        progress("bind the mesh", 0, 1)
        rig = load_rig(mesh, layout_file, building)
        seen = _looked_through([rig], motions, poses, method, progress)
        asked: PoseList = poses if motions is None else _moments_of(seen)
        if out is None:
            from ribbonsim.bendcheck.report import check

            report = check(rig, asked, method, progress=progress)
        else:
            from ribbonsim.pages.check_page import check_into_folder

            report = check_into_folder(
                rig,
                out,
                asked,
                mesh_path=str(mesh),
                layout_path=None if layout_file is None else str(layout_file),
                method=method,
                force=force,
                progress=progress,
            )
    tell_notes(rig.mesh, rig.layout, building, layout_file is None)
    _print_found(
        report, report_text(report), as_json, out, "see where", dict(zip([""], seen, strict=False))
    )
    click.get_current_context().exit(0 if report.bends_right else 1)


@click.command("compare", short_help="Put layouts of one mesh side by side.")
@mesh_argument
@click.argument(
    "layout_files", metavar="LAYOUT...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@_page_option
@method_option
@_poses_option
@_motions_option
@click.option("--contacts", is_flag=True, help="Look for skin that cuts itself, too.")
@click.option(
    "--heat/--no-heat", default=True, help="Draw every pose coloured by stretch, too.  [heat]"
)
@click.option(
    "--both-drives",
    is_flag=True,
    help="Hold each layout driven by shares against itself skinned to its controls.",
)
@json_option
@force_option
def compare_command(
    mesh: Path,
    layout_files: tuple[Path, ...],
    both_drives: bool,
    out: Path | None,
    method: Method,
    poses: dict[str, float | None] | None,
    motions: list[str] | None,
    contacts: bool,
    heat: bool,
    as_json: bool,
    force: bool,
) -> None:
    """Put two to six layouts of MESH into the same poses and say what sets them apart.

    Test poses are fitted to each layout, so each is asked for the same shape. Limits are those
    of the first.
    """
    from ribbonsim.bendcheck.compare import both_drives as under_both
    from ribbonsim.bendcheck.compare import compare
    from ribbonsim.bendcheck.differences import comparison_text
    from ribbonsim.mesh.load import load_mesh

    with progress_shown() as progress:
        progress("read the mesh", 0, 1)
        creature = load_mesh(mesh)
        rigs = bind_layouts(creature, layout_files, progress)
        names = names_of(layout_files)
        if both_drives:
            rigs, names = under_both(rigs, names)
        seen = _looked_through(rigs, motions, poses, method, progress, contacts)
        asked: PoseList = poses if motions is None else _moments_of(seen)
        if out is None:
            found = compare(rigs, asked, names, method, contacts=contacts, progress=progress)
        else:
            from ribbonsim.pages.compare_page import compare_into_folder

            found = compare_into_folder(
                rigs,
                out,
                asked,
                names,
                mesh_path=str(mesh),
                method=method,
                contacts=contacts,
                heat=heat,
                force=force,
                progress=progress,
            )
    tell_notes(creature)
    text = comparison_text(
        found.table, found.names, found.differences, (*found.notes, *found.other_drives)
    )
    told = dict(zip(found.labels, seen, strict=False))
    _print_found(found, text, as_json, out, "see them side by side", told)


def _looked_through(
    rigs: Sequence[Rig],
    motions: list[str] | None,
    poses: dict[str, float | None] | None,
    method: Method,
    progress: Progress,
    contacts: bool = True,
) -> list[list[MotionMeasures]]:
    """The motions that are asked for, measured on each layout."""
    if motions is None:
        return []
    if poses is not None:
        raise click.UsageError("--poses and --motions exclude each other: give one of them")
    from ribbonsim.bendcheck.over_time import measure_motions
    from ribbonsim.rig.own_motions import motions_asked

    return [
        measure_motions(
            rig, motions_asked(rig, motions), method, contacts=contacts, progress=progress
        )
        for rig in rigs
    ]


def _moments_of(seen: Sequence[Sequence[MotionMeasures]]) -> dict[str, Instant]:
    """The worst moments of all layouts."""
    return {
        name: one for motions in seen for told in motions for name, one in told.instants().items()
    }


def _print_found(
    found: Report | Comparison,
    text: str,
    as_json: bool,
    folder: Path | None,
    purpose: str,
    seen: Mapping[str, Sequence[MotionMeasures]],
) -> None:
    from ribbonsim.bendcheck.over_time import motions_text, told

    if as_json:
        more = {"motions": {name: told(one) for name, one in seen.items()}} if seen else {}
        say_json({**found.to_dict(), **more})
        return
    if seen:
        say(f"{motions_text(seen)}\n\nThe worst moments:")
    say(text)
    if folder is not None:
        say(f"\nOpen {folder / 'index.html'} to {purpose}.")

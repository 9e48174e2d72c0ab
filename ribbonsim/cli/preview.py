"""The commands ``ribbonsim preview`` and ``ribbonsim layout``: a first look at a mesh."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ribbonsim.cli.options import (
    building_options,
    force_option,
    layout_option,
    mesh_argument,
    method_option,
    out_option,
    poses_option,
)
from ribbonsim.cli.progress import count_of, progress_shown, tell_notes
from ribbonsim.cli.say import say

if TYPE_CHECKING:
    from ribbonsim.layout.layout import Layout
    from ribbonsim.rig.first_layout import BuildOptions
    from ribbonsim.rig.rig import Method


@click.command(
    "preview", short_help="Bind a mesh to a ribbon, pose it, and make a page of pictures."
)
@mesh_argument
@out_option("DIR", "Folder for the page, pictures and tables; made if it is not there.")
@layout_option("Use the layout in this file instead of making one.")
@building_options
@method_option
@poses_option(
    "Test poses, such as c_bend,twist=360: degrees, turns or a factor, as the pose has it. "
    "All of them if left out."
)
@force_option
def preview_command(
    mesh: Path,
    out: Path,
    layout_file: Path | None,
    building: BuildOptions | None,
    method: Method,
    poses: dict[str, float | None] | None,
    force: bool,
) -> None:
    """Bind MESH to a ribbon, put it into test poses, and write pictures.

    MESH is an OBJ, glTF or PLY file.

    The folder gets index.html, one page that holds everything and can be sent as it is, besides
    the pictures as PNG, the layout as TOML and the stations as CSV.
    """
    from ribbonsim.pages.preview import preview

    with progress_shown() as progress:
        result = preview(
            mesh,
            out,
            options=building,
            layout_path=layout_file,
            poses=poses,
            method=method,
            force=force,
            progress=progress,
        )
    tell_notes(result.rig.mesh, result.rig.layout, building, layout_file is None)
    say(
        f"{result.rig.mesh.name} was put into {count_of(len(result.poses), 'test pose')} in "
        f"{sum(result.seconds.values()):.1f} s; open {result.index} to see how it bends."
    )


@click.command("layout", short_help="Make a layout for a mesh and write it to a file.")
@mesh_argument
@out_option("FILE", "The layout file to write, such as eel.toml.")
@building_options
@click.option(
    "--show",
    is_flag=True,
    help="Print what was understood of the creature, its ribbons, stations and controls.",
)
@force_option
def layout_command(
    mesh: Path, out: Path, building: BuildOptions | None, show: bool, force: bool
) -> None:
    """Run a ribbon through MESH, and write stations and controls as TOML.

    MESH is an OBJ, glTF or PLY file.

    The file can be edited by hand and given to ribbonsim preview --layout.
    """
    from ribbonsim.mesh.load import load_mesh
    from ribbonsim.rig.first_layout import BuildOptions, build_layout

    with progress_shown() as progress:
        progress("read the mesh", 0, 1)
        creature = load_mesh(mesh)
        progress("lay out the ribbon", 0, 1)
        layout = build_layout(creature, building)
        layout.save(out, force)
        progress("lay out the ribbon", 1, 1)
    tell_notes(creature, layout, building, built=not show)
    if show:
        from ribbonsim.rig.understood import all_sentences

        for sentence in all_sentences(creature, layout, building or BuildOptions()):
            say(sentence)
        say("")
        _print_table(layout)
    stations = count_of(len(layout.stations), "station")
    controls = count_of(len(layout.controls), "control")
    limbs = len(layout.appendages)
    riding = f", and {count_of(limbs, 'appendage')} that it carries" if limbs else ""
    if building is not None and building.appendages and not limbs:
        riding = ", and no appendage: nothing stands out of the body far enough"
    command = ["ribbonsim", "preview", str(mesh), "--layout", str(out), "--out", "preview"]
    say(
        f"{out} holds {stations} and {controls} on a ribbon of "
        f"{count_of(layout.ribbon.spans, 'span')}{riding}; see how it bends with: "
        f"{shlex.join(command)}"
    )


def _print_table(layout: Layout) -> None:
    from ribbonsim.rig.first_layout import ribbon_tree, station_table

    if layout.appendages:
        for ribbon in ribbon_tree(layout):
            say(ribbon)
        say("")
    heads = ("station", "t", "length", "spacing", "control", "reach", "carried by")
    lines: list[Sequence[str]] = [heads]
    for row in station_table(layout):
        spacing = "" if row.spacing is None else f"{row.spacing:.5g}"
        reach = "" if row.reach is None else f"{row.reach:g}"
        lines.append(
            (
                *(str(row.station), f"{row.t:.4f}", f"{row.arc_length:.5g}", spacing),
                *(row.control or "", reach, row.carried_by or ""),
            )
        )
    widths = [max(len(line[k]) for line in lines) for k in range(len(heads))]
    for line in lines:
        cells = [
            cell.ljust(width) if k in (4, 6) else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        say("  ".join(cells).rstrip())

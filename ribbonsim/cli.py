"""The command line: the group of commands, most of them, and the door to the process."""

from __future__ import annotations

import os
import re
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from ribbonsim.cli_handoff import handoff_command
from ribbonsim.cli_options import (
    METHODS,
    PosesType,
    building_options,
    count_of,
    names_of,
    progress_shown,
    read_building,
    tell_notes,
)
from ribbonsim.cli_turntable import turntable_command
from ribbonsim.errors import RibbonsimError
from ribbonsim.version import version

if TYPE_CHECKING:
    from ribbonsim.layout import Layout


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version(), message="ribbonsim %(version)s")
def cli() -> None:
    r"""Find out whether a long soft creature bends right on a ribbon.

    Controls move a ribbon, the ribbon carries joints, the joints carry the skin. Begin with

    \b
        ribbonsim preview creature.obj --out preview

    and open preview/index.html.
    """


@cli.command("preview", short_help="Bind a mesh to a ribbon, pose it, and make a page of pictures.")
@click.argument("mesh", metavar="MESH", type=click.Path(path_type=Path))
@click.option(
    "--out",
    "folder",
    required=True,
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder for the page, pictures and tables; made if it is not there.",
)
@click.option(
    "--layout",
    "layout_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Use the layout in this file instead of making one.",
)
@building_options
@click.option(
    "--method",
    type=click.Choice(list(METHODS)),
    default="linear",
    show_default=True,
    help="How joints are blended on the skin.",
)
@click.option(
    "--poses",
    type=PosesType(),
    metavar="LIST",
    help="Test poses, such as c_bend,twist=360: degrees, turns or a factor, as the pose has it. "
    "All of them if left out.",
)
@click.option("--force", is_flag=True, help="Replace files that are there.")
def preview_command(
    mesh: Path,
    folder: Path,
    layout_file: Path | None,
    method: str,
    poses: dict[str, float | None] | None,
    force: bool,
    **building: Any,  # the options of building_options, which read_building names
) -> None:
    """Bind MESH to a ribbon, put it into test poses, and write pictures.

    MESH is an OBJ, glTF, PLY or STL file.

    The folder gets index.html, one page that holds everything and can be sent as it is, besides
    the pictures as PNG, the layout as TOML and the stations as CSV.
    """
    from ribbonsim.preview import preview

    options = read_building(building)
    if layout_file is not None and options is not None:
        raise click.UsageError(
            "--layout holds all that the building options say: leave out --root, --tip, --swap, "
            "--width, --spans, --stations, --controls, --appendages and --appendage"
        )
    with progress_shown() as tell:
        result = preview(
            mesh,
            folder,
            options=options,
            layout_path=layout_file,
            poses=poses,
            method=METHODS[method],
            force=force,
            progress=tell,
        )
    tell_notes(result.rig.mesh, result.rig.layout, bool(building["appendages"]))
    click.echo(
        f"{result.rig.mesh.name} was put into {count_of(len(result.poses), 'test pose')} in "
        f"{sum(result.seconds.values()):.1f} s; open {result.index} to see how it bends."
    )


@cli.command("layout", short_help="Make a layout for a mesh and write it to a file.")
@click.argument("mesh", metavar="MESH", type=click.Path(path_type=Path))
@click.option(
    "--out",
    "file",
    required=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The layout file to write, such as eel.toml.",
)
@building_options
@click.option("--show", is_flag=True, help="Print the tree of ribbons, stations and controls.")
@click.option("--force", is_flag=True, help="Replace a file that is there.")
def layout_command(mesh: Path, file: Path, show: bool, force: bool, **building: Any) -> None:
    """Run a ribbon through MESH, and write stations and controls as TOML.

    MESH is an OBJ, glTF, PLY or STL file.

    The file can be edited by hand and given to ribbonsim preview --layout.
    """
    from ribbonsim.build import build_layout
    from ribbonsim.mesh import load_mesh

    with progress_shown() as tell:
        tell("read the mesh", 0, 1)
        creature = load_mesh(mesh)
        tell("lay out the ribbon", 0, 1)
        layout = build_layout(creature, read_building(building))
        layout.save(file, force)
        tell("lay out the ribbon", 1, 1)
    tell_notes(creature)
    if show:
        _print_table(layout)
    stations = count_of(len(layout.stations), "station")
    controls = count_of(len(layout.controls), "control")
    limbs = len(layout.appendages)
    riding = f", and {count_of(limbs, 'appendage')} that it carries" if limbs else ""
    if building["appendages"] and not limbs:
        riding = ", and no appendage: nothing stands out of the body far enough"
    command = shlex.join(
        ["ribbonsim", "preview", str(mesh), "--layout", str(file), "--out", "preview"]
    )
    click.echo(
        f"{file} holds {stations} and {controls} on a ribbon of "
        f"{count_of(layout.ribbon.spans, 'span')}{riding}; see how it bends with: {command}"
    )


@cli.command("check", short_help="Say whether a mesh bends right on a layout, and what to try.")
@click.argument("mesh", metavar="MESH", type=click.Path(path_type=Path))
@click.option(
    "--layout",
    "layout_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Check the layout in this file, by its own limits, instead of making one.",
)
@building_options
@click.option(
    "--method",
    type=click.Choice(list(METHODS)),
    default="linear",
    show_default=True,
    help="How joints are blended on the skin.",
)
@click.option(
    "--poses",
    type=PosesType(),
    metavar="LIST",
    help="Test poses, such as c_bend,twist=360. All of them if left out.",
)
@click.option(
    "--out",
    "folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Write a page with pictures and plots, and all numbers, into this folder.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
def check_command(
    mesh: Path,
    layout_file: Path | None,
    method: str,
    poses: dict[str, float | None] | None,
    folder: Path | None,
    as_json: bool,
    force: bool,
    **building: Any,
) -> None:
    """Put MESH into test poses and say whether it bends right.

    Each finding says what is wrong, where and how much, and quotes a change that was tried and
    measured. Ends with 0 if it bends right, 1 if it does not, and 2 on an error.
    """
    import json

    from ribbonsim.build import load_rig

    options = read_building(building, with_layout=layout_file is not None)
    with progress_shown() as tell:
        tell("bind the mesh", 0, 1)
        rig = load_rig(mesh, layout_file, options)
        blended = METHODS[method]
        if folder is None:
            from ribbonsim.bendcheck.report import check

            report = check(rig, poses, blended, progress=tell)
        else:
            from ribbonsim.check_page import check_into_folder

            report = check_into_folder(
                rig,
                folder,
                poses,
                mesh_path=str(mesh),
                layout_path=None if layout_file is None else str(layout_file),
                method=blended,
                force=force,
                progress=tell,
            )
    tell_notes(rig.mesh, rig.layout, bool(building["appendages"]))
    if as_json:
        click.echo(json.dumps(report.to_dict(), indent=2, ensure_ascii=False))
    else:
        from ribbonsim.bendcheck.words import report_text

        click.echo(report_text(report))
        if folder is not None:
            click.echo(f"\nOpen {folder / 'index.html'} to see where.")
    click.get_current_context().exit(0 if report.bends_right else 1)


@cli.command("compare", short_help="Put layouts of one mesh side by side.")
@click.argument("mesh", metavar="MESH", type=click.Path(path_type=Path))
@click.argument(
    "layout_files", metavar="LAYOUT...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--out",
    "folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Write a page with pictures and plots, and all numbers, into this folder.",
)
@click.option(
    "--method",
    type=click.Choice(list(METHODS)),
    default="linear",
    show_default=True,
    help="How joints are blended on the skin.",
)
@click.option(
    "--poses",
    type=PosesType(),
    metavar="LIST",
    help="Test poses, such as c_bend,twist=360. All of them if left out.",
)
@click.option("--contacts", is_flag=True, help="Look for skin that cuts itself, too.")
@click.option(
    "--heat/--no-heat", default=True, help="Draw every pose coloured by stretch, too.  [heat]"
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
def compare_command(
    mesh: Path,
    layout_files: tuple[Path, ...],
    folder: Path | None,
    method: str,
    poses: dict[str, float | None] | None,
    contacts: bool,
    heat: bool,
    as_json: bool,
    force: bool,
) -> None:
    """Put two to six layout files of MESH into the same poses and say what sets them apart.

    Test poses are fitted to each layout, so each is asked for the same shape. Limits are those
    of the first.
    """
    import json

    from ribbonsim.bendcheck.compare import compare
    from ribbonsim.layout import Layout
    from ribbonsim.mesh import load_mesh
    from ribbonsim.rig import bind

    blended = METHODS[method]
    with progress_shown() as tell:
        tell("read the mesh", 0, 1)
        creature = load_mesh(mesh)
        layouts = [Layout.load(file) for file in layout_files]
        rigs = []
        for done, layout in enumerate(layouts):
            tell("bind the mesh", done, len(layouts))
            rigs.append(bind(creature, layout))
        names = names_of(layout_files)
        if folder is None:
            found = compare(rigs, poses, names, blended, contacts=contacts, progress=tell)
        else:
            from ribbonsim.compare_page import compare_into_folder

            found = compare_into_folder(
                rigs,
                folder,
                poses,
                names,
                mesh_path=str(mesh),
                method=blended,
                contacts=contacts,
                heat=heat,
                force=force,
                progress=tell,
            )
    tell_notes(creature)
    if as_json:
        click.echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False))
        return
    from ribbonsim.bendcheck.differences import comparison_text

    click.echo(comparison_text(found.table, found.names, found.differences, found.notes))
    if folder is not None:
        click.echo(f"\nOpen {folder / 'index.html'} to see them side by side.")


cli.add_command(turntable_command)
cli.add_command(handoff_command)


@cli.command("notebook", short_help="Open the live panel in JupyterLab.")
@click.argument("mesh", metavar="[MESH]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--folder",
    default=".",
    show_default="the working folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Where to work; the notebook is put into its folder notebooks if there is none.",
)
@click.option("--port", type=click.IntRange(1, 65535), metavar="N", help="Port of JupyterLab.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def notebook_command(mesh: Path | None, folder: Path, port: int | None, no_browser: bool) -> None:
    """Open the live panel in JupyterLab, with MESH, an OBJ, glTF, PLY or STL file, in it.

    Without MESH it opens a demo creature. A notebook that is there already is not replaced.
    """
    from ribbonsim.notebook import start_notebook

    code = start_notebook(mesh, folder, port, browser=not no_browser)
    if code:
        raise RibbonsimError(f"JupyterLab ended with code {code}: see what it wrote above")


def _print_table(layout: Layout) -> None:
    from ribbonsim.build import ribbon_tree, station_table

    if layout.appendages:
        for ribbon in ribbon_tree(layout):
            click.echo(ribbon)
        click.echo()
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
        click.echo("  ".join(cells).rstrip())


# -- the door ------------------------------------------------------------------------------------


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and end the process.

    Ends with code 0 if all went well, 2 if the input could not be used, 130 if the user
    stopped it. What went wrong is said in one sentence on standard error.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process if left out.
    """
    try:
        given = list(sys.argv[1:] if arguments is None else arguments)
        with cli.make_context("ribbonsim", given) as context:
            cli.invoke(context)
        sys.stdout.flush()
    except RibbonsimError as error:
        _end(str(error), 2)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        sys.exit(2)
    except click.ClickException as error:
        _end(_one_sentence(error), 2)
    except (click.Abort, KeyboardInterrupt):
        _end("stopped; files that were not finished are not there", 130)
    except click.exceptions.Exit as end:  # after --help and --version
        sys.exit(end.exit_code)
    except BrokenPipeError:
        # whoever read the output has enough; what is still buffered must not complain at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    sys.exit(0)


def _one_sentence(error: click.ClickException) -> str:
    words = re.sub(r"\s+", " ", error.format_message()).rstrip(".").replace(". (", " (")
    where = getattr(error, "ctx", None)
    path = where.command_path if where is not None else "ribbonsim"
    return f"{words[:1].lower()}{words[1:]}; see {path} --help"


def _end(sentence: str, code: int) -> NoReturn:
    click.echo(f"ribbonsim: {sentence.rstrip('.')}.", err=True)
    sys.exit(code)

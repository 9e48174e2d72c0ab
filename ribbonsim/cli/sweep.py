"""The command ``ribbonsim sweep``: layouts by poses by meshes to one table."""

from __future__ import annotations

from pathlib import Path

import click

from ribbonsim.cli.options import force_option, out_option
from ribbonsim.cli.progress import count_of, progress_shown
from ribbonsim.cli.say import say


@click.command("sweep", short_help="Measure many layouts, poses and meshes, to one table.")
@click.argument("plan", metavar="FILE.toml|FOLDER", type=click.Path(path_type=Path))
@out_option("DIR", "Folder for the table, a page, and what lets a stopped run go on.")
@click.option("--jobs", type=click.IntRange(1, 4096), metavar="N", help="Processes.  [all cores]")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="A dask scheduler whose workers do the work, such as tcp://host:8786.",
)
@force_option
def sweep_command(
    plan: Path, out: Path, jobs: int | None, scheduler: str | None, force: bool
) -> None:
    """Put layouts into poses on meshes, all with all, and write a table and a page.

    A FOLDER is swept with all meshes and layouts in it. A TOML file lists meshes, layouts and
    poses, and may have a grid: controls = [3, 5, 7], stations = [13, 17], reach = [1.5, 2].
    Layouts are put on the ribbon that is found in each mesh, as preview and check find it: of a
    layout file only stations, controls, reach and drive are taken, by shares of the ribbon's
    length, and neither its ribbon nor its appendages. If a run is stopped, the same command goes
    on where it was; a mesh that cannot be used is a line of the table.
    """
    from ribbonsim.pages.sweep_page import write_sweep
    from ribbonsim.placing.sweep import sweep

    with progress_shown() as progress:
        found = sweep(plan, out, jobs, scheduler, force, progress)
        page = write_sweep(found, out, force)
    bad = [row for row in found.rows if row.get("error")]
    say(
        f"{count_of(len(found.plan.recipes), 'layout')} by "
        f"{count_of(len(found.plan.meshes), 'mesh').replace('meshs', 'meshes')}: "
        f"{count_of(len(found.rows), 'line')} in {', '.join(map(str, found.files))}."
    )
    for row in bad:
        say(f"{row['mesh']}: {row['error']}")
    say(f"\nOpen {page} to see it.")

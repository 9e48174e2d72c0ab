"""The command ``ribbonsim suggest``: the layout that bends as asked with the fewest controls."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ribbonsim.cli.options import (
    building_options_but,
    force_option,
    json_option,
    layout_option,
    mesh_argument,
    method_option,
    motions_option,
    out_option,
    poses_option,
)
from ribbonsim.cli.parameter_types import ListType, PosesType, RangeType
from ribbonsim.cli.progress import progress_shown, tell_notes
from ribbonsim.cli.say import say, say_json
from ribbonsim.cli.stopping import stop_taken

if TYPE_CHECKING:
    from ribbonsim.arrays import Progress
    from ribbonsim.bendcheck.cases import PoseList
    from ribbonsim.layout.settings import Drive
    from ribbonsim.placing.result import Suggestion
    from ribbonsim.placing.search import Search
    from ribbonsim.rig.first_layout import BuildOptions
    from ribbonsim.rig.rig import Method, Rig


@click.command("suggest", short_help="Find the layout that bends right with the fewest controls.")
@mesh_argument
@poses_option(
    "The poses that matter, such as look_aside,tail_flick=40, or poses kept in the layout file. "
    "All test poses if neither these nor motions are given."
)
@motions_option("The motions that matter, each by its worst moments")
@click.option(
    "--controls",
    type=RangeType(),
    default="3-9",
    show_default=True,
    metavar="N|N-M",
    help="How many controls, from the fewest to the most.",
)
@click.option(
    "--within",
    type=float,
    metavar="PERCENT",
    help="How close the skin is to be, per cent of the body length. If left out, as close as the "
    "best even layout.",
)
@click.option(
    "--weights",
    type=PosesType(),
    metavar="LIST",
    help="How much poses count, such as look_aside=2; 1 where nothing is said.",
)
@click.option("--stations", type=int, metavar="N", help="Stations of the body; found if left out.")
@click.option(
    "--keep",
    type=ListType(),
    default=(),
    metavar="LIST",
    help="Controls of the layout file that stay where they stand.",
)
@out_option("FILE", "Layout file to write.", required=False)
@click.option(
    "--page",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Write a page with plot and pictures, and all numbers, into this folder.",
)
@layout_option("Begin with the ribbons, limits and kept poses of the layout in this file.")
@click.option(
    "--drive",
    type=click.Choice(("shares", "skinned")),
    help="How controls move the ribbon, if it is to be so; if left out, what is closer.",
)
@building_options_but("stations", "controls", "sections", "drive")
@method_option
@json_option
@force_option
def suggest_command(
    mesh: Path,
    poses: dict[str, float | None] | None,
    motions: list[str] | None,
    controls: tuple[int, int],
    within: float | None,
    weights: dict[str, float | None] | None,
    stations: int | None,
    keep: list[str],
    drive: Drive | None,
    out: Path | None,
    page: Path | None,
    layout_file: Path | None,
    building: BuildOptions | None,
    method: Method,
    as_json: bool,
    force: bool,
) -> None:
    """Find how many controls MESH needs for some poses, where they stand, and on which stations.

    What is suggested is measured by the real drive and skin, and never worse than even. If it is
    stopped, the best that was found until then is kept.
    """
    from ribbonsim.files.writing import check_free
    from ribbonsim.placing.search import Search
    from ribbonsim.placing.wanted import Wanted
    from ribbonsim.rig.first_layout import load_rig

    if out is not None:
        check_free(out, force)
    if motions and weights:
        raise click.UsageError("--weights are of poses: leave them out where motions are given")
    told = {name: 1.0 if value is None else value for name, value in (weights or {}).items()}
    with progress_shown() as progress:
        progress("bind the mesh", 0, 1)
        rig = load_rig(mesh, layout_file, building)
        wanted = Wanted(*controls, within, stations, tuple(keep), method, drive)
        asked = _asked(rig, poses, motions, method, progress)
        found, code = _sought(Search(rig, asked, told, wanted), progress)
        if out is not None:
            found.save(out, force=force)
        if page is not None:
            from ribbonsim.pages.suggest_page import write_suggestion

            layout = "" if out is None else str(out)
            write_suggestion(found, page, str(mesh), layout, force, progress)
    tell_notes(rig.mesh, rig.layout, building, layout_file is None)
    _print_found(found, code, as_json, out, page)
    click.get_current_context().exit(code)


def _asked(
    rig: Rig,
    poses: dict[str, float | None] | None,
    motions: list[str] | None,
    method: Method,
    progress: Progress,
) -> PoseList:
    """Poses, and the worst moments of motions."""
    if motions is None:
        return poses
    from ribbonsim.bendcheck.over_time import worst_moments
    from ribbonsim.rig.own_motions import motions_asked

    names = motions_asked(rig, motions)
    return {**(poses or {}), **worst_moments(rig, names, method, progress=progress)}


def _sought(search: Search, progress: Progress) -> tuple[Suggestion, int]:
    """What was found, to the end or until it was stopped, and the code to end with."""
    found: Suggestion | None = None
    try:
        for found in search.run(_stage_by_stage(progress)):  # noqa: B007
            pass
    except KeyboardInterrupt:
        if found is None:
            raise
        return found, stop_taken()
    assert found is not None
    return found, 0


def _stage_by_stage(progress: Progress) -> Progress:
    """On no terminal, a line for each stage that says something new."""
    if sys.stderr.isatty():
        return progress
    last = [""]

    def show(stage: str, done: int, total: int) -> None:
        progress(stage, 0 if stage != last[0] else done or 1, total)
        last[0] = stage

    return show


def _print_found(
    found: Suggestion, code: int, as_json: bool, out: Path | None, page: Path | None
) -> None:
    from ribbonsim.placing.words import differences

    if as_json:
        say_json(found.to_dict())
        return
    if code:
        say("Stopped; this is the best that was found until then.\n")
    say(differences(found))
    say("")
    for sentence in found.sentences:
        say(sentence)
    for line in found.best.broken or ():
        say(f"It breaks a limit: {line}")
    if out is not None:
        say(f"\n{out} holds the layout of {found.recommended} controls.")
    if page is not None:
        say(f"\nOpen {page / 'index.html'} to see it.")

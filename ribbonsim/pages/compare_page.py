"""A comparison as a folder: one page that needs nothing beside it, pictures, and the numbers."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.bendcheck.cases import Case, PoseList
from ribbonsim.bendcheck.compare import LETTERS, Comparison, compare, wishes_of
from ribbonsim.bendcheck.differences import EXCUSED, Row
from ribbonsim.bendcheck.figures import NOTHING, figure
from ribbonsim.bendcheck.words import MEASURE_TITLES, measure_figures
from ribbonsim.files.names import file_names
from ribbonsim.files.writing import Bundle
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.pages.html import (
    METHOD_WORDS,
    Embedded,
    FoldedPose,
    Table,
    embed,
    encode_png,
    inline_plots,
    plain,
    render_page,
    shell_path,
    unbroken,
)
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.view.camera import telling_view
from ribbonsim.view.look import Scale
from ribbonsim.view.pictures import STRETCH_SCALE, draw_apart, draw_shape, draw_stretch
from ribbonsim.view.plot_style import Plot
from ribbonsim.view.plots import PLOTS
from ribbonsim.view.scene import Stage
from ribbonsim.view.stripes import stripes, twist_stripes

PICTURE_SIZE = (560, 420)


@dataclass(frozen=True)
class LayoutCard:
    """A layout as pages show it: what it has and whether it bends right."""

    letter: str
    name: str
    stations: str
    controls: str
    blending: str
    right: bool
    broken: str


@dataclass(frozen=True)
class Cell:
    """A figure of one layout, with its place and rank."""

    text: str
    place: str
    rank: str
    over: bool


@dataclass(frozen=True)
class TableRow:
    """A measure with the figures of all layouts."""

    title: str
    where: str
    limit: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class _GridPose:
    name: str
    words: str
    pictures: tuple[Embedded, ...]
    captions: tuple[str, ...]


@dataclass(frozen=True)
class _Grid:
    title: str
    words: str
    bar: str
    heads: tuple[tuple[str, str], ...]
    poses: tuple[_GridPose, ...]


@dataclass(frozen=True, eq=False)
class _Drawn:
    """Pictures by kind, pose and layout, those apart of all but the first; plots by pose."""

    shapes: Mapping[str, tuple[Bytes, ...]]
    heats: Mapping[str, tuple[Bytes, ...]]
    aparts: Mapping[str, tuple[Bytes, ...]]
    plots: Mapping[str, tuple[Plot, ...]]


def compare_into_folder(
    rigs: Sequence[Rig],
    folder: str | os.PathLike[str],
    poses: PoseList = None,
    names: Sequence[str] | None = None,
    *,
    mesh_path: str = "",
    method: Method = "linear",
    contacts: bool = False,
    methods: Sequence[Method] | None = None,
    heat: bool = True,
    force: bool = False,
    progress: Progress | None = None,
) -> Comparison:
    """Compare layouts and write page, pictures and numbers into a folder."""
    tell = progress or (lambda *_: None)
    asked = [wish.name for wish in wishes_of(poses, rigs)]
    named = _files(asked, len(rigs), heat)
    with Bundle(folder, force) as bundle:
        bundle.claim(["index.html", "comparison.json", *named.values()])
        found = compare(
            rigs,
            poses,
            names,
            method,
            contacts=contacts,
            progress=progress,
            methods=methods,
        )
        drawn = _draw(found, heat, tell)
        tell("write", 0, 1)
        files: dict[str, str | bytes] = {}
        kinds = (("pose", drawn.shapes), ("heat", drawn.heats), ("apart", drawn.aparts))
        for kind, pictures in kinds:
            for pose, row in pictures.items():
                for letter, picture in zip(found.letters[-len(row) :], row, strict=True):
                    files[named[f"{kind}_{pose}_{letter}"]] = encode_png(picture)
        for pose, plots in drawn.plots.items():
            for kind, plot in zip(PLOTS, plots, strict=True):
                files[named[f"{kind}_{pose}"]] = plot.file()
        files["comparison.json"] = json.dumps(found.to_dict(), indent=2, ensure_ascii=False)
        files["index.html"] = render_comparison(found, drawn, mesh_path)
        bundle.write(files)
        tell("write", 1, 1)
    return found


def _files(poses: Sequence[str], layouts: int, heat: bool) -> dict[str, str]:
    kinds = ("pose", "heat") if heat else ("pose",)
    keys = [
        f"{kind}_{pose}_{letter}"
        for pose in poses
        for kind in kinds
        for letter in LETTERS[:layouts]
    ]
    keys += [f"apart_{pose}_{letter}" for pose in poses for letter in LETTERS[1:layouts]]
    plots = [f"{kind}_{pose}" for pose in poses for kind in PLOTS]
    files = (*file_names(keys), *file_names(plots, ".svg"))
    return dict(zip((*keys, *plots), files, strict=True))


def _draw(found: Comparison, heat: bool, tell: Progress) -> _Drawn:
    """Draw every pose of every layout; one camera serves all layouts of a pose."""
    shapes: dict[str, tuple[Bytes, ...]] = {}
    heats: dict[str, tuple[Bytes, ...]] = {}
    aparts: dict[str, tuple[Bytes, ...]] = {}
    scale = _apart_scale(found)
    plots: dict[str, tuple[Plot, ...]] = {}
    with Stage(found.rigs[0].mesh, PICTURE_SIZE) as stage:
        for done, pose in enumerate(found.poses):
            tell("draw", done, len(found.poses))
            cases = [report.cases[pose] for report in found.reports]
            points = np.vstack([case.positions for case in cases])
            view = telling_view(
                cases[0].ribbon.midline(np.linspace(0.0, 1.0, 65)), up=cases[0].rig.layout.up
            )
            # of one pose all pictures have stripes, or none has
            striped = any(twist_stripes(case.rig, case.pose) is not None for case in cases)
            shades = [stripes(case.rig) if striped else None for case in cases]
            shapes[pose] = tuple(
                draw_shape(stage, case, view, points, shade)
                for case, shade in zip(cases, shades, strict=True)
            )
            if heat:
                heats[pose] = tuple(
                    draw_stretch(stage, case, view, points, shade)
                    for case, shade in zip(cases, shades, strict=True)
                )
            aparts[pose] = tuple(
                draw_apart(stage, cases[0], case, 100.0 * one.distances, scale, view, points)
                for case, one in zip(cases[1:], found.apart[pose], strict=True)
            )
            plots[pose] = _plot(found, cases)
    tell("draw", len(found.poses), len(found.poses))
    return _Drawn(shapes, heats, aparts, plots)


def _apart_scale(found: Comparison) -> Scale:
    """One scale for all pictures of how far skins are apart: percent of the body's length."""
    most = max((one.most for row in found.apart.values() for one in row), default=0.0)
    high = float(f"{max(100.0 * most, 0.01):.2g}")
    return Scale("apart", 0.0, high, unit=" %")


def _plot(found: Comparison, cases: Sequence[Case]) -> tuple[Plot, ...]:
    names = [
        letter if letter == name else f"{letter} {name}"
        for letter, name in zip(found.letters, found.names, strict=True)
    ]
    return tuple(plot(cases, names, found.limits) for plot in PLOTS.values())


# -- the page ------------------------------------------------------------------------------------


def render_comparison(found: Comparison, drawn: _Drawn, mesh_path: str) -> str:
    """Render the page of a comparison; the path is for the commands that it suggests."""
    telling = _telling_pose(found)
    return render_page(
        "compare.html",
        found.mesh,
        source=found.rigs[0].mesh.source,
        layouts=[layout_card(found, i) for i in range(len(found.rigs))],
        poses=[
            FoldedPose(
                plain(pose),
                _describe(pose),
                inline_plots(drawn.plots[pose]),
                open=pose == telling,
                table=_figures(found, pose),
            )
            for pose in found.poses
        ],
        notes=(*found.notes, *found.other_drives),
        differences=found.differences,
        rows=[table_row(row) for row in found.table],
        grids=_grids(found, drawn),
        scale=STRETCH_SCALE,
        apart_scale=_apart_scale(found),
        excused=EXCUSED if _has_excused(found) else "",
        method=_blending(found),
        commands=_commands(mesh_path),
    )


def _has_excused(found: Comparison) -> bool:
    return any(row.excuses(i) for row in found.table for i in range(len(found.rigs)))


def _blending(found: Comparison) -> str:
    if len(set(found.methods)) == 1:
        return METHOD_WORDS[found.methods[0]]
    return "its own way of blending"


def _figures(found: Comparison, pose: str) -> Table:
    """Measures of one pose: what it is, and the figure of each layout."""
    columns = [measure_figures(report.measures[pose]) for report in found.reports]
    rows = zip(MEASURE_TITLES, *columns, strict=True)
    shown = tuple(row for row in rows if any(text != NOTHING for text in row[1:]))
    return Table((f"measured in {plain(pose)}", *found.letters), shown)


def _telling_pose(found: Comparison) -> str:
    """The pose in which most of the worst figures stand."""
    where = [row.places[i] for row in found.table for i in row.worst]
    return max(
        found.poses, key=lambda pose: sum(w.startswith(f"in {plain(pose)} at") for w in where)
    )


def layout_card(found: Comparison, i: int) -> LayoutCard:
    """Say what a layout of a comparison has."""
    layout, report = found.rigs[i].layout, found.reports[i]
    stands = ", ".join(str(control.station) for control in layout.controls)
    count, broken = len(layout.controls), len(report.findings)
    return LayoutCard(
        found.letters[i],
        "" if found.names[i] == found.letters[i] else found.names[i],
        f"{len(layout.stations)} stations",
        f"{count} {'control at station' if count == 1 else 'controls at stations'} {stands}",
        METHOD_WORDS[found.methods[i]] if len(set(found.methods)) > 1 else "",
        report.bends_right,
        f"{broken} {'limit' if broken == 1 else 'limits'} broken",
    )


def table_row(row: Row) -> TableRow:
    """Write a row of a comparison's table."""
    cells = [
        Cell(
            text,
            place.removeprefix("in "),
            "best" if i in row.best else "worst" if i in row.worst else "",
            not row.holds(i),
        )
        for i, (text, place) in enumerate(zip(row.texts, row.places, strict=True))
    ]
    where = "more is better" if row.better == "high" else ""
    return TableRow(row.title, where, row.limit_text, tuple(cells))


def _grids(found: Comparison, drawn: _Drawn) -> list[_Grid]:
    heads = tuple(
        (letter, "" if letter == name else name)
        for letter, name in zip(found.letters, found.names, strict=True)
    )
    shapes = _Grid(
        "Pose by pose",
        "Each pose is seen by the same camera in every layout. Under it stand the smallest girth "
        "over what it should be, the change of volume and the shape error.",
        "",
        heads,
        tuple(_grid_pose(found, pose, drawn.shapes[pose]) for pose in found.poses),
    )
    aparts = _Grid(
        "Where they differ",
        "The layout lies over A, which is the pale shape behind it. Colour is how far the skin is "
        "from where A has it, in percent of the body's length. The largest stands under each.",
        "apart",
        heads[1:],
        tuple(
            _GridPose(
                plain(pose),
                _describe(pose),
                tuple(embed(each) for each in drawn.aparts[pose]),
                tuple(unbroken(f"farthest {one.words}") for one in found.apart[pose]),
            )
            for pose in found.poses
        ),
    )
    if not drawn.heats:
        return [shapes, aparts]
    heats = _Grid(
        "Stretch of the skin",
        "The same colours mean the same stretch in all pictures, over what the pose itself "
        "asks for.",
        "stretch",
        heads,
        tuple(_grid_pose(found, pose, drawn.heats[pose], heat=True) for pose in found.poses),
    )
    return [shapes, aparts, heats]


def _grid_pose(
    found: Comparison, pose: str, pictures: Sequence[Bytes], heat: bool = False
) -> _GridPose:
    captions = []
    for i in range(len(found.rigs)):
        if heat:
            low, high = (_shown(found, kind, pose, i) for kind in ("squeeze", "stretch"))
            words = f"stretch from {low} to {high}"
        else:
            volume = _shown(found, "volume", pose, i)
            error = _shown(found, "shape", pose, i)
            words = f"girth {_shown(found, 'pinch', pose, i)}, volume {volume}"
            words += f", shape {error}" if error else ""
        captions.append(unbroken(words))
    return _GridPose(
        plain(pose), _describe(pose), tuple(embed(each) for each in pictures), tuple(captions)
    )


def _shown(found: Comparison, kind: str, pose: str, i: int) -> str:
    value = found.number(kind, pose, i)  # type: ignore[arg-type]
    return "" if value is None else figure(kind, value)


def _describe(pose: str) -> str:
    return (
        ALL_TEST_POSES[pose].describes
        if pose in ALL_TEST_POSES
        else "a pose of controls, carried over"
    )


def _commands(mesh_path: str) -> list[tuple[str, str]]:
    mesh = shell_path(mesh_path or "creature.obj")
    return [
        (
            "See what to try for the layout that you like best.",
            f"ribbonsim check {mesh} --layout best.toml --out checked",
        ),
        (
            "Compare again in single poses, with amounts of your own.",
            f"ribbonsim compare {mesh} a.toml b.toml --poses curl=360,twist=270 --out compared",
        ),
    ]

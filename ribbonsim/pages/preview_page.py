"""The page of a preview: one HTML file that needs nothing beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Bytes
from ribbonsim.bendcheck.amounts import less_than_usual
from ribbonsim.bendcheck.cases import wishes
from ribbonsim.bendcheck.figures import figure
from ribbonsim.bendcheck.other_drive import under_other_drive
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.layout import Layout
from ribbonsim.pages.html import (
    METHOD_WORDS,
    Embedded,
    Table,
    embed,
    plain,
    render_page,
    shell_path,
)
from ribbonsim.pages.preview_result import PoseResult, PreviewResult
from ribbonsim.rig.first_layout import body_radius, station_table
from ribbonsim.rig.rig import Method


@dataclass(frozen=True)
class _Figure:
    """A picture of the gallery; facts are label, value and what is written small behind it."""

    picture: Embedded
    title: str = ""
    text: str = ""
    facts: tuple[tuple[str, str, str], ...] = ()


def render_preview(
    result: PreviewResult, drawn: Mapping[str, Bytes], mesh_path: str, method: Method
) -> str:
    """Render the page of a preview, with pictures by the names of ``result.pictures``."""
    rig = result.rig
    return render_page(
        "preview.html",
        rig.mesh.name,
        source=rig.mesh.source,
        mesh=rig.mesh,
        layout=rig.layout,
        numbers=_key_numbers(result),
        ribbon_figure=_Figure(embed(drawn["ribbon"])),
        pose_figures=_pose_figures(result, drawn),
        weight_figures=[
            _Figure(
                embed(drawn[f"weights_{control.name}"]), control.name, f"station {control.station}"
            )
            for control in rig.layout.controls
        ],
        stations=_stations(rig.layout),
        width=format_length(float(rig.layout.ribbon.width(0.5))),
        method=METHOD_WORDS[method],
        other_drive=_other_drive(result),
        less=less_than_usual({pose.name: pose.amount for pose in result.poses}),
        commands=_commands(result, mesh_path),
    )


def _other_drive(result: PreviewResult) -> str:
    """What the other drive makes of the poses that are shown."""
    asked = {pose.name: pose.amount for pose in result.poses}
    other = under_other_drive(result.rig, wishes(asked, result.rig.layout))
    return "" if other is None else other.sentence


def _stations(layout: Layout) -> Table:
    whole = layout.ribbon.length

    def place(value: float) -> str:
        return format_place(value, whole)

    table = station_table(layout)
    rows = tuple(
        (
            str(row.station),
            f"{row.t:.4f}",
            place(row.arc_length),
            "" if row.spacing is None else place(row.spacing),
            *map(place, row.point),
            row.control or "",
            "" if row.reach is None else format_length(row.reach),
            row.carried_by or "",
        )
        for row in table
    )
    return Table(
        ("station", "t", "arc length", "spacing", *"xyz", "control", "reach", "carried by"),
        rows,
        words=frozenset({7, 9}),
        marked=frozenset(k for k, row in enumerate(table) if row.control),
    )


def format_length(value: float) -> str:
    """Write a length with four significant digits and no exponent."""
    if value == 0:
        return "0"
    if 1e-5 <= abs(value) < 1e7:
        return np.format_float_positional(value, precision=4, fractional=False, trim="-")
    return f"{value:.3e}"


def format_place(value: float, whole: float) -> str:
    """Write a length or coordinate to the same decimals as all others on a body."""
    if not 1e-3 <= whole < 1e7:
        return f"{value:.3e}"
    decimals = max(0, 3 - int(np.floor(np.log10(whole))))
    text = f"{value:.{decimals + 1}f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def _key_numbers(result: PreviewResult) -> list[tuple[str, str, str]]:
    """Value, unit and label."""
    rig = result.rig
    ribbon = rig.layout.ribbon
    guide = ribbon.midline(ribbon.place_at(np.linspace(0.0, ribbon.length, 129)))
    thickness = 2.0 * body_radius(rig.mesh, guide)
    return [
        (f"{len(rig.mesh.positions):,}", "", "vertices"),
        (format_length(ribbon.length), "units", "body length"),
        (format_length(thickness), "units", "body thickness"),
        (str(ribbon.spans), "", "spans"),
        (str(len(rig.layout.stations)), "", "stations"),
        (str(len(rig.layout.controls)), "", "controls"),
    ]


def _pose_figures(result: PreviewResult, drawn: Mapping[str, Bytes]) -> list[_Figure]:
    errors = [pose.shape_error for pose in result.poses if pose.shape_error is not None]
    figures = [_Figure(embed(drawn["rest"]), "rest", "as the mesh was made")]
    for pose in result.poses:
        test = ALL_TEST_POSES[pose.name]
        text = f"{format_amount(pose.amount, test.unit)}; {test.describes}"
        most = len(errors) > 1 and pose.shape_error == max(errors)
        picture = embed(drawn[f"pose_{pose.name}"])
        figures.append(_Figure(picture, plain(pose.name), text, tuple(_pose_facts(pose, most))))
    return figures


def format_amount(amount: float, unit: str) -> str:
    """Write the amount of a test pose."""
    if unit == "degrees":
        return f"{amount:g}°"
    if unit == "turns":
        return f"{amount:g} turn" if amount == 1 else f"{amount:g} turns"
    return f"× {amount:g}"


def _pose_facts(pose: PoseResult, most: bool) -> list[tuple[str, str, str]]:
    """Label, value and what is written small behind it."""
    change = pose.volume_change
    shape = []
    if pose.shape_error is not None:
        text = figure("shape", pose.shape_error, digits=1)
        shape = [("shape error", text, "largest" if most else "of length")]
    return [
        *shape,
        ("volume", "no volume" if change is None else figure("volume", change), ""),
        _factor("stretch", pose.stretch, pose.stretch_station),
        _factor("girth", pose.girth, pose.girth_station),
    ]


def _factor(what: str, factor: float, station: int) -> tuple[str, str, str]:
    """A factor is largest or smallest somewhere, unless it is one all over."""
    text = figure("stretch", factor)
    if float(text) == 1.0:
        return what, f"× {text}", "all along"
    return f"{'largest' if factor > 1 else 'smallest'} {what}", f"× {text}", f"at station {station}"


def _commands(result: PreviewResult, mesh_path: str) -> list[tuple[str, str]]:
    """What to do next: words and a command line."""
    mesh, layout_file = shell_path(mesh_path), shell_path(str(result.layout_file))
    again = shell_path(str(result.folder.with_name(result.folder.name + "_2")))
    controls = ",".join(str(control.station) for control in result.rig.layout.controls)
    return [
        (
            "Try other numbers: more stations, or controls at the stations that you name.",
            f"ribbonsim preview {mesh} --out {again} --stations 25 --controls 7",
        ),
        (
            "Keep a layout in a file and look at the table of its stations.",
            f"ribbonsim layout {mesh} --out {shell_path(result.rig.mesh.name + '.toml')} "
            f"--controls {controls} --show",
        ),
        (
            "Edit this preview's layout file and preview it again.",
            f"ribbonsim preview {mesh} --layout {layout_file} --out {again}",
        ),
        (
            "See whether it bends right, where it does not, and what helps.",
            f"ribbonsim check {mesh} --layout {layout_file} --out checked",
        ),
        (
            "Film it for review, and hand it off to other packages.",
            f"ribbonsim turntable {mesh} --layout {layout_file} --out turn.mp4\n"
            f"ribbonsim handoff {mesh} --layout {layout_file} --out handed",
        ),
    ]

"""Plots in the look of the pictures: girth, curvature and stretch, one line for each layout.

Lines are told apart by colour, by dashes and by markers at once, so no plot depends on colours
alone. Stations and controls are marked along the body under each plot.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from ribbonsim.arrays import Array
from ribbonsim.bendcheck.cases import Case
from ribbonsim.layout.limits import Limits
from ribbonsim.view.plot_parts import (
    HEIGHT,
    WIDTH,
    dash_style,
    draw_line,
    dress_axes,
    figure_along_body,
    frame_values,
    legend_height,
    station_places,
    write_legend,
    write_title,
)
from ribbonsim.view.plot_style import LIMIT, LINES, SMALL, SOFT, TEXT, Line, Plot

_ALONG = 241


# -- the plots -----------------------------------------------------------------------------------


def plot_girth(
    cases: Sequence[Case], names: Sequence[str] = (), limits: Limits | None = None
) -> Plot:
    """Plot girth along the body, posed over rest, with the limits."""
    held = limits or cases[0].rig.layout.limits
    title = f"Girth along the body, {cases[0].wish.shown}"
    figure, axes = figure_along_body(cases, title)
    first = cases[0]
    place = station_places(first.rig.layout)
    low, high = held.pinch * first.asked_girth, held.bulge * first.asked_girth
    for border in (low, high):
        axes.plot(place, border, color=LIMIT, linewidth=1.1, dashes=(2.0, 2.0), zorder=1)
    axes.axhline(1.0, color=SOFT, linewidth=1.0, zorder=1)
    values = [case.measures.girth for case in cases]
    for case, line, girth in zip(cases, LINES, values, strict=False):
        at = station_places(case.rig.layout)
        draw_line(axes, at, girth, line, marked=True)
    spread = np.concatenate([*values, low, high])
    frame_values(axes, float(spread.min()), float(spread.max()))
    axes.set_ylabel("posed over rest", fontsize=TEXT, color=SOFT)
    words = f"limits, × {held.pinch:g} and × {held.bulge:g}"
    write_legend(figure, names, [("rest", SOFT, ()), (words, LIMIT, (2.0, 2.0))], len(cases))
    return Plot(figure, title)


def plot_curvature(
    cases: Sequence[Case], names: Sequence[str] = (), limits: Limits | None = None
) -> Plot:
    """Plot how sharply the midline bends along the body, against the target."""
    held = limits or cases[0].rig.layout.limits
    title = f"Curvature along the body, {cases[0].wish.shown}"
    figure, axes = figure_along_body(cases, title)
    highest = 90.0  # less than a quarter turn over a whole body is not sharp
    extra = []
    target = target_curvature(cases[0])
    if target is not None:
        place, wanted = target
        axes.fill_between(place, wanted, color=SOFT, alpha=0.16, linewidth=0.0, zorder=1)
        axes.plot(place, wanted, color=SOFT, linewidth=1.2, zorder=1)
        limit = held.kink * max(float(wanted.max()), np.degrees(0.5))
        axes.axhline(limit, color=LIMIT, linewidth=1.1, dashes=(2.0, 2.0), zorder=1)
        words = f"limit, × {held.kink:g}"
        extra = [("target", SOFT, ()), (words, LIMIT, (2.0, 2.0))]
        highest = max(highest, limit)
    for case, line in zip(cases, LINES, strict=False):
        place, curvature = posed_curvature(case)
        draw_line(axes, place, curvature, line)
        highest = max(highest, float(curvature.max()))
    axes.set_ylim(0.0, 1.08 * highest)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 3, 4.5, 6, 9, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}°"))
    axes.set_ylabel("per body length", fontsize=TEXT, color=SOFT)
    write_legend(figure, names, extra, len(cases))
    return Plot(figure, title)


def plot_stretch(
    cases: Sequence[Case], names: Sequence[str] = (), limits: Limits | None = None
) -> Plot:
    """Plot how much of the skin is stretched how far: a histogram by area.

    Both stretches of each triangle are counted, each over what the pose itself asks for.
    """
    held = limits or cases[0].rig.layout.limits
    title = f"Stretch of the skin, {cases[0].wish.shown}"
    height = HEIGHT + legend_height(len(cases), extra=False)
    figure = Figure(figsize=(WIDTH, height), layout=None)
    axes = figure.add_axes((0.13, 0.44 / height, 0.85, 2.07 / height))
    write_title(figure, title)
    pairs = [case.relative_stretch for case in cases]
    low = min(0.72 * held.squeeze, *(float(small.min()) for _, small in pairs))
    high = max(1.4 * held.stretch, *(float(large.max()) for large, _ in pairs))
    edges = np.geomspace(max(low, 0.05), min(high, 20.0), 61)
    floor = 3e-3
    for k, (case, (large, small)) in enumerate(zip(cases, pairs, strict=True)):
        line = LINES[k]
        for values, kind in ((large, "larger"), (small, "smaller")):
            share = 100.0 * area_shares(case, values, edges)
            styled = LINES[1] if len(cases) == 1 and kind == "smaller" else line
            _steps(axes, edges, np.maximum(share, 0.5 * floor), styled, floor, len(cases) == 1)
    for limit in (held.squeeze, held.stretch):
        if edges[0] < limit < edges[-1]:
            share = np.log(limit / edges[0]) / np.log(edges[-1] / edges[0])
            _mark_limit(axes, limit, float(share))
    _log_axes(axes, edges, floor)
    extra = [] if len(cases) > 1 else [("smaller stretch", LINES[1].colour, LINES[1].dashes)]
    write_legend(figure, names or ("larger stretch",), extra, len(cases))
    return Plot(figure, title)


PLOTS = {"girth": plot_girth, "curvature": plot_curvature, "stretch": plot_stretch}


def _mark_limit(axes: Axes, limit: float, share: float) -> None:
    """A line across the plot, its number on the side where there is room."""
    axes.axvline(limit, color=LIMIT, linewidth=1.1, dashes=(2.0, 2.0))
    axes.annotate(
        f"limit {limit:g}",
        (limit, 1.0),
        (3 if share < 0.5 else -3, -4),
        xycoords=("data", "axes fraction"),
        textcoords="offset points",
        fontsize=SMALL,
        color=LIMIT,
        ha="left" if share < 0.5 else "right",
        va="top",
    )


def _steps(axes: Axes, edges: Array, share: Array, line: Line, floor: float, filled: bool) -> None:
    x, y = np.repeat(edges, 2)[1:-1], np.repeat(share, 2)
    if filled:
        axes.fill_between(x, y, floor, color=line.colour, alpha=0.16, linewidth=0.0)
    axes.plot(x, y, color=line.colour, linewidth=1.5, **dash_style(line.dashes))


def _log_axes(axes: Axes, edges: Array, floor: float) -> None:
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(edges[0], edges[-1])
    axes.set_ylim(floor, 130.0)
    ticks = [t for t in (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0)
             if edges[0] <= t <= edges[-1]]  # fmt: skip
    axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
    axes.set_xticks([], minor=True)
    shares = [0.01, 0.1, 1.0, 10.0, 100.0]
    axes.set_yticks(shares, [f"{s:g} %" for s in shares])
    axes.set_yticks([], minor=True)
    axes.axvline(1.0, color=SOFT, linewidth=1.0, zorder=1)
    axes.set_xlabel("stretch over what the pose asks for", fontsize=TEXT, color=SOFT)
    axes.set_ylabel("share of the skin", fontsize=TEXT, color=SOFT)
    dress_axes(axes)


# -- what is plotted -----------------------------------------------------------------------------


def posed_curvature(case: Case) -> tuple[Array, Array]:
    """Curvature of a posed midline."""
    ribbon = case.rig.layout.ribbon
    t = np.linspace(0.0, 1.0, _ALONG)
    place = ribbon.arc_length(t) / ribbon.length
    return place, np.degrees(case.ribbon.curvature(t) * ribbon.length)


def target_curvature(case: Case) -> tuple[Array, Array] | None:
    """Curvature that a test pose asks for."""
    if case.target is None:
        return None
    steps = np.diff(case.target.frames[:, :3, 3], axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    turns = np.linalg.norm(np.diff(steps / lengths[:, None], axis=0), axis=1)
    curvature = turns / (0.5 * (lengths[1:] + lengths[:-1]))
    whole = case.rig.layout.ribbon.length
    place, value = case.target.lengths[1:-1] / whole, np.degrees(curvature * whole)
    return place[::2], value[::2]


def area_shares(case: Case, values: Array, edges: Array) -> Array:
    """Histogram of a value of triangles, each counted by its area at rest."""
    mesh = case.rig.mesh
    a, b, c = (mesh.positions[mesh.triangles[:, k]] for k in range(3))
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    held = np.clip(values, edges[0], edges[-1])
    counts, _ = np.histogram(held, edges, weights=areas)
    return counts / max(float(areas.sum()), 1e-300)

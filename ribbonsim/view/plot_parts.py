"""What plots are put together from: axes along the body, legend, stations and controls below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator

from ribbonsim.arrays import Array
from ribbonsim.bendcheck.cases import Case
from ribbonsim.layout.layout import Layout
from ribbonsim.view.look import CONTROL, INK
from ribbonsim.view.plot_style import GRID, LINES, SMALL, SOFT, Line

WIDTH, HEIGHT = 5.6, 3.05
_LONGEST_NAME = 18
_IN_A_ROW, _ROW = 3, 0.145


def station_places(layout: Layout) -> Array:
    """(N,) places of the stations along the body, 0 to 1 by length at rest."""
    return layout.body.station_shares


def figure_along_body(cases: Sequence[Case], title: str) -> tuple[Figure, Axes]:
    """A figure whose axes run along the body, with stations and controls under it."""
    many = len(cases) > 1
    rows = len(cases) if many else 1
    below = 0.16 + 0.15 * rows if many else 0.52
    above = legend_height(rows, extra=True)
    height = HEIGHT + (0.15 * (rows - 2) if many else 0.0) + above
    figure = Figure(figsize=(WIDTH, height), layout=None)
    left, right, top = 0.105, 0.98, 1.0 - (0.50 + above) / height
    base = (below + 0.06) / height
    axes = figure.add_axes((left, base, right - left, top - base))
    strip = figure.add_axes((left, 0.02, right - left, below / height - 0.02))
    write_title(figure, title)
    axes.set_xlim(-0.012, 1.012)
    axes.set_xticks([])
    strip.set_xlim(-0.012, 1.012)
    strip.axis("off")
    dress_axes(axes)
    if many:
        _layout_rows(strip, cases)
    else:
        _named_stations(axes, strip, cases[0].rig.layout, (right - left) * WIDTH * 72.0)
    return figure, axes


def write_title(figure: Figure, title: str) -> None:
    """The title, bold at the top left."""
    height = figure.get_figheight()
    figure.text(
        0.012, 1.0 - 0.07 / height, _short(title, 60), fontsize=10.0, fontweight="bold",
        color=INK, va="top", parse_math=False,
    )  # fmt: skip


def dress_axes(axes: Axes) -> None:
    """Quiet axes: two borders and level grid lines."""
    axes.set_facecolor("none")
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(GRID)
    axes.tick_params(colors=SOFT, labelsize=SMALL, length=0, pad=4)
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)


def draw_line(axes: Axes, x: Array, y: Array, line: Line, marked: bool = False) -> None:
    """A line in a layout's style."""
    axes.plot(
        x, y, color=line.colour, linewidth=1.7, marker=line.marker if marked else None,
        markersize=3.4, **dash_style(line.dashes), solid_capstyle="round",
    )  # fmt: skip


def dash_style(lengths: tuple[float, ...]) -> dict[str, Any]:
    """What matplotlib takes for dashes."""
    return {"dashes": lengths} if lengths else {}


def frame_values(axes: Axes, low: float, high: float) -> None:
    """Room above and below the values, and few ticks."""
    room = 0.10 * (high - low)
    axes.set_ylim(low - room, high + room)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.2f}"))


def write_legend(
    figure: Figure, names: Sequence[str], extra: Sequence[tuple[str, str, tuple]], count: int
) -> None:
    """Line styles under the title: layouts in rows of three, then what they are held against."""
    many = count > 1
    shown = list(names[:count]) if names else ["posed"] * count
    lines = [
        Line2D([], [], color=line.colour, linewidth=1.7, marker=line.marker if many else None,
               markersize=3.4, label=_short(name), **dash_style(line.dashes))
        for line, name in zip(LINES, shown, strict=False)
    ]  # fmt: skip
    others = [
        Line2D([], [], color=colour, linewidth=1.3, label=label, **dash_style(dashes))
        for label, colour, dashes in extra
    ]
    rows = [lines[k : k + _IN_A_ROW] for k in range(0, len(lines), _IN_A_ROW)] + [others]
    if not many:
        rows = [lines + others]
    height = figure.get_figheight()
    for k, handles in enumerate(row for row in rows if row):
        legend = figure.legend(
            handles=handles, loc="upper left", ncols=len(handles), frameon=False, fontsize=SMALL,
            labelcolor=SOFT, bbox_to_anchor=(0.005, 1.0 - (0.235 + _ROW * k) / height),
            handlelength=2.9, columnspacing=1.3, handletextpad=0.5, borderaxespad=0.0,
            borderpad=0.3,
        )  # fmt: skip
        figure.add_artist(legend)
        for text in legend.get_texts():
            text.set_parse_math(False)


def legend_height(count: int, extra: bool) -> float:
    """Inches that the legend takes beyond its first row."""
    if count < 2:
        return 0.0
    return _ROW * (-(-count // _IN_A_ROW) - 1 + extra)


def _layout_rows(strip: Axes, cases: Sequence[Case]) -> None:
    """One row for each layout: its stations as ticks, its controls as markers."""
    rows = len(cases)
    strip.set_ylim(-rows - 0.9, 0.5)
    for k, (case, line) in enumerate(zip(cases, LINES, strict=False)):
        layout = case.rig.layout
        place = station_places(layout)
        held = place[[control.station - 1 for control in layout.controls]]
        strip.plot(place[[0, -1]], [-k, -k], color=GRID, linewidth=0.8)
        strip.plot(place, np.full(len(place), -k), "|", color=SOFT, markersize=3.6,
                   markeredgewidth=0.8)  # fmt: skip
        strip.plot(held, np.full(len(held), -k), line.marker, color=line.colour, markersize=5.0)
    _ends(strip, -rows - 0.1, "stations and controls of each layout")


def _named_stations(axes: Axes, strip: Axes, layout: Layout, width: float) -> None:
    """Stations as numbered ticks and controls as named markers, for one layout."""
    place = station_places(layout)
    held = {control.station: control.name for control in layout.controls}
    strip.set_ylim(-3.4, 0.6)
    strip.plot(place[[0, -1]], [0, 0], color=GRID, linewidth=0.8)
    strip.plot(place, np.zeros(len(place)), "|", color=SOFT, markersize=4.5, markeredgewidth=0.9)
    stands = place[[station - 1 for station in held]]
    strip.plot(stands, np.zeros(len(stands)), "o", color=CONTROL, markeredgecolor=INK,
               markeredgewidth=0.9, markersize=5.6)  # fmt: skip
    for at in stands:
        axes.axvline(at, color=GRID, linewidth=0.8, zorder=0)
    last = -1.0
    for number, at in enumerate(place, start=1):
        if (at - last) * width > 13.0:
            strip.text(at, -0.62, str(number), fontsize=SMALL - 0.8, color=SOFT, ha="center",
                       va="top")  # fmt: skip
            last = at
    _control_names(strip, stands, list(held.values()), width)


def _control_names(strip: Axes, stands: Array, names: list[str], width: float) -> None:
    """Names level where they have room, else in two rows, else only those that fit."""
    shown = [_short(name) for name in names]
    half = [0.29 * SMALL * len(name) / width for name in shown]
    for rows in (1, 2):
        if rows == 2 or _fit(stands, half, 1):
            taken = [-1.0] * rows
            for k, (at, name) in enumerate(zip(stands, shown, strict=True)):
                row = k % rows
                left = min(max(at - half[k], -0.01), 1.01 - 2 * half[k])
                if left < taken[row] + 0.008:
                    continue
                strip.text(left + half[k], -1.55 - 0.95 * row, name, fontsize=SMALL, color=INK,
                           ha="center", va="top", parse_math=False)  # fmt: skip
                taken[row] = left + 2 * half[k]
            return


def _fit(stands: Array, half: Sequence[float], rows: int) -> bool:
    taken = -1.0
    for at, h in zip(stands, half, strict=True):
        left = min(max(at - h, -0.01), 1.01 - 2 * h)
        if left < taken + 0.008:
            return False
        taken = left + 2 * h
    return True


def _ends(strip: Axes, y: float, words: str) -> None:
    for x, text, side in ((0.0, "root", "left"), (0.5, words, "center"), (1.0, "tip", "right")):
        strip.text(x, y, text, fontsize=SMALL, color=SOFT, ha=side, va="center")


def _short(name: str, longest: int = _LONGEST_NAME) -> str:
    flat = " ".join(name.split()) or " "
    return flat if len(flat) <= longest else f"{flat[: longest - 1]}…"

"""The ribbon laid flat: spans, rows of control points, stations, controls and their shares."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ribbonsim.arrays import Array
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.rig.weights import surface_weights
from ribbonsim.view.look import CONTROL, INK, PAPER
from ribbonsim.view.plot_style import GRID, LINES, SMALL, SOFT, TEXT, Plot

_WIDTH, _HEIGHT = 7.3, 3.3
_SAMPLES = 601
_NUMBER_ROOM, _DIGIT_ROOM = 5.0, 4.8
# What a number stands on where lines run below it.
_CLEAR = {"boxstyle": "square,pad=0.12", "facecolor": PAPER, "edgecolor": "none"}


def plot_strip(layout: OneRibbon, title: str, unit: float = 1.0, unit_name: str = "") -> Plot:
    """Draw a ribbon laid flat along its length at rest.

    ``title`` is for those who cannot see it; ``unit`` is what a scene unit is worth in the unit
    that is written, ``unit_name`` that unit.
    """
    figure = Figure(figsize=(_WIDTH, _HEIGHT), layout=None)
    flat = figure.add_axes((0.062, 0.60, 0.922, 0.37))
    below = figure.add_axes((0.062, 0.115, 0.922, 0.40))
    whole = unit * layout.ribbon.length
    for axes in (flat, below):
        axes.set_xlim(-0.012 * whole, 1.012 * whole)
        axes.set_facecolor("none")
        for spine in axes.spines.values():
            spine.set_visible(False)
        axes.tick_params(colors=SOFT, labelsize=SMALL, length=0, pad=3)
    _draw_flat(flat, layout, unit, 0.922 * _WIDTH * 72.0 / (1.024 * whole))
    _draw_influence(below, layout, unit)
    below.set_xlabel(
        f"length along the midline{f', {unit_name}' if unit_name else ''}",
        fontsize=SMALL, color=SOFT, labelpad=2,
    )  # fmt: skip
    return Plot(figure, title)


def _draw_flat(axes: Axes, layout: OneRibbon, unit: float, points_a_length: float) -> None:
    """Edges, knots and rows of control points, stations with numbers, controls with names."""
    ribbon = layout.ribbon
    axes.set_ylim(-2.35, 2.6)
    axes.set_xticks([])
    axes.set_yticks([])
    whole = unit * ribbon.length
    colour = LINES[0].colour
    axes.fill_between([0.0, whole], -1.0, 1.0, color=colour, alpha=0.13, linewidth=0)
    for edge in (-1.0, 1.0):
        axes.plot([0.0, whole], [edge, edge], color=colour, linewidth=1.3)
    knots = unit * ribbon.arc_length(ribbon.breaks)
    for at in knots:
        axes.plot([at, at], [-1.0, 1.0], color=colour, linewidth=0.9)
    rows = unit * ribbon.arc_length(ribbon.greville)
    axes.plot(rows, np.full(len(rows), -1.0), "s", color=PAPER, markeredgecolor=colour,
              markersize=3.0, markeredgewidth=0.8)  # fmt: skip
    axes.plot(rows, np.full(len(rows), 1.0), "s", color=PAPER, markeredgecolor=colour,
              markersize=3.0, markeredgewidth=0.8)  # fmt: skip
    _number(axes, rows, -1.45, points_a_length, colour, kept=[0, len(rows) - 1])
    places = unit * layout.station_lengths
    held = [control.station - 1 for control in layout.controls]
    axes.plot(places, np.zeros(len(places)), "o", color=PAPER, markeredgecolor=INK,
              markersize=4.2, markeredgewidth=0.9)  # fmt: skip
    axes.plot(places[held], np.zeros(len(held)), "D", color=CONTROL, markeredgecolor=INK,
              markersize=6.2, markeredgewidth=0.9)  # fmt: skip
    _number(axes, places, 0.58, points_a_length, INK, kept=held, bold=True)
    _name_controls(axes, layout, places[held], points_a_length)
    axes.text(-0.008 * whole, -1.45, "row", fontsize=SMALL - 0.6, color=colour, ha="right",
              va="center")  # fmt: skip
    axes.text(-0.008 * whole, 0.58, "station", fontsize=SMALL - 0.6, color=INK, ha="right",
              va="center")  # fmt: skip
    for x, text, side in ((0.0, "root", "left"), (whole, "tip", "right")):
        axes.text(x, -2.25, text, fontsize=SMALL, color=SOFT, ha=side, va="bottom")


def _number(
    axes: Axes,
    places: Array,
    y: float,
    points_a_length: float,
    colour: str,
    kept: Sequence[int],
    bold: bool = False,
) -> None:
    """Number places from 1; where there is room for few, the kept ones stay."""
    stay, last = places[list(kept)], -np.inf
    room = (_NUMBER_ROOM + _DIGIT_ROOM * len(str(len(places)))) / points_a_length
    for i, at in enumerate(places):
        crowded = i not in kept and (np.abs(stay - at) < room).any()
        if crowded or at - last < room:
            continue
        weight = "bold" if bold and i in kept else "normal"
        axes.text(at, y, str(i + 1), fontsize=SMALL - 0.6, color=colour, ha="center", va="center",
                  fontweight=weight, bbox=_CLEAR)  # fmt: skip
        last = at


def _name_controls(axes: Axes, layout: OneRibbon, stands: Array, points_a_length: float) -> None:
    """Names above the ribbon, in two rows where one is too short, cut where two are."""
    taken = [-np.inf, -np.inf]
    for control, at in zip(layout.controls, stands, strict=True):
        name = control.name if len(control.name) <= 18 else f"{control.name[:17]}…"
        half = 0.31 * SMALL * len(name) / points_a_length
        low, high = axes.get_xlim()
        middle = float(np.clip(at, low + half, high - half))
        level = next((k for k in (0, 1) if middle - half > taken[k]), None)
        if level is None:
            continue
        axes.text(middle, 1.62 + 0.62 * level, name, fontsize=SMALL, color=INK, ha="center",
                  va="center", parse_math=False)  # fmt: skip
        axes.plot([at, at], [0.9, 1.3 + 0.62 * level], color=SOFT, linewidth=0.6, zorder=0)
        taken[level] = middle + half + 4.0 / points_a_length


def _draw_influence(axes: Axes, layout: OneRibbon, unit: float) -> None:
    """How much of the ribbon's movement each control gives, along the length."""
    t = np.linspace(0.0, 1.0, _SAMPLES)
    along = unit * layout.ribbon.arc_length(t)
    share = layout.ribbon.basis(t) @ surface_weights(layout)
    axes.set_ylim(-0.02, 1.1)
    axes.set_yticks([0.0, 0.5, 1.0])
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    for k in range(len(layout.controls)):
        line = LINES[k % len(LINES)]
        style = (0, line.dashes) if line.dashes else "solid"
        axes.plot(along, share[:, k], color=line.colour, linewidth=1.4, linestyle=style)
        top = int(np.argmax(share[:, k]))
        axes.text(along[top], share[top, k] + 0.02, str(k + 1), fontsize=SMALL, color=line.colour,
                  ha="center", va="bottom", fontweight="bold")  # fmt: skip
        axes.plot(along[top], share[top, k], line.marker, color=line.colour, markersize=3.2)
    words = "what each control, numbered from the root, gives to the ribbon's movement"
    axes.text(0.0, 1.08, words, fontsize=TEXT - 1.0, color=SOFT,
              transform=axes.transAxes, va="bottom")  # fmt: skip

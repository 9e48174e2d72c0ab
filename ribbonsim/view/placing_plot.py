"""The plot of a suggestion: number of controls against skin error, and the body laid flat."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from scipy.ndimage import median_filter

from ribbonsim.arrays import Array
from ribbonsim.layout.appendages import BODY
from ribbonsim.placing.result import Placed, Suggestion
from ribbonsim.placing.words import poses_in_words
from ribbonsim.view.look import CONTROL, INK
from ribbonsim.view.plot_parts import dress_axes, write_title
from ribbonsim.view.plot_style import GRID, LIMIT, LINES, SMALL, SOFT, TEXT, Plot

_WIDTH, _HEIGHT = 6.4, 5.0
# of the outline; and pieces that are shaded
_BINS, _PIECES = 60, 160
_TICKS = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


def plot_suggestion(found: Suggestion, chosen: int | None = None) -> Plot:
    """Plot what a search found.

    Parameters
    ----------
    found : Suggestion
    chosen : int, optional
        The number of controls whose layout is laid out below; the recommended one if left out.

    Returns
    -------
    Plot
    """
    title = f"Skin error by number of controls, {poses_in_words(found)}"
    figure = Figure(figsize=(_WIDTH, _HEIGHT), layout=None)
    write_title(figure, title)
    axes = figure.add_axes((0.1, 0.47, 0.88, 0.43))
    below = figure.add_axes((0.1, 0.02, 0.88, 0.34))
    _errors(axes, found, chosen)
    _laid_flat(below, found, found.recommended if chosen is None else chosen)
    return Plot(figure, title)


def _errors(axes: Axes, found: Suggestion, chosen: int | None) -> None:
    dress_axes(axes)
    numbers = list(found.numbers)
    even = [100.0 * found.even[k].skin_error for k in numbers]
    suggested = [100.0 * found.suggested[k].skin_error for k in numbers]
    limit = 100.0 * found.limit
    accent = LINES[0].colour
    axes.set_yscale("log")
    axes.plot(numbers, even, color=SOFT, linewidth=1.5, marker="s", markersize=4.2, label="even",
              dashes=(4.5, 1.6), zorder=2)  # fmt: skip
    axes.plot(numbers, suggested, color=accent, linewidth=1.9, marker="o", markersize=5.0,
              label="suggested", zorder=3)  # fmt: skip
    shown = [*even, *suggested]
    edge = (numbers[0] - 0.45, numbers[-1] + 0.45)
    lines = [(limit, SOFT, "many controls and stations")]
    if found.within is not None:
        lines.append((found.within, LIMIT, "wanted"))
    for value, colour, words in lines:
        axes.axhline(value, color=colour, linewidth=1.1, dashes=(2.0, 2.0), zorder=1)
        axes.text(edge[1], value, words, color=colour, fontsize=SMALL, ha="right", va="bottom")
        shown.append(value)
    ring = found.recommended
    axes.plot([ring], [100.0 * found.suggested[ring].skin_error], "o", markersize=12.0,
              markerfacecolor="none", markeredgecolor=accent, markeredgewidth=1.6, zorder=4,
              label="recommended")  # fmt: skip
    if chosen is not None and chosen != ring:
        axes.axvline(chosen, color=GRID, linewidth=6.0, zorder=0)
    low, high = max(min(shown), 1e-3), max(shown)
    axes.set_ylim(low / 1.5, high * 1.6)
    axes.set_xlim(*edge)
    axes.yaxis.set_major_locator(FixedLocator([t for t in _TICKS if low / 1.5 < t < high * 1.6]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g} %"))
    axes.xaxis.set_major_locator(FixedLocator(numbers))
    axes.set_xlabel("controls", fontsize=TEXT, color=SOFT, labelpad=2)
    axes.set_ylabel("of the body length", fontsize=TEXT, color=SOFT)
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, fontsize=SMALL, frameon=False,
                labelcolor=INK, borderaxespad=0.1)  # fmt: skip


def _laid_flat(axes: Axes, found: Suggestion, number: int) -> None:
    """The body as a strip, shaded where it bends; even above it and suggested below."""
    axes.axis("off")
    axes.set_xlim(-0.012, 1.012)
    axes.set_ylim(-2.9, 2.9)
    at, sharp = found.bends
    edges = np.linspace(0.0, 1.0, _PIECES + 1)
    half = np.interp(edges, *_outline(found))
    shade = np.interp(0.5 * (edges[1:] + edges[:-1]), at, sharp)
    accent = LINES[0].colour
    axes.fill_between(edges, -half, half, color=GRID, linewidth=0.0, zorder=1)
    for k, share in enumerate(shade):
        own = slice(k, k + 2)
        axes.fill_between(edges[own], -half[own], half[own], color=accent,
                          alpha=0.7 * float(share), linewidth=0.0, zorder=2)  # fmt: skip
    rows = ((1.75, found.even[number], SOFT, "even"), (-1.75, found.suggested[number], accent, ""))
    for level, placed, colour, words in rows:
        _row(axes, level, placed, colour)
        name = words or "suggested"
        count = f"{len(placed.controls)} controls on {len(placed.stations)} stations"
        text = f"{name}: {count}, {100.0 * placed.skin_error:.2f} %"
        axes.text(0.0, level + (0.62 if level > 0 else -0.62), text, fontsize=SMALL, color=colour,
                  va="bottom" if level > 0 else "top")  # fmt: skip
    for x, words, side in ((0.0, "root", "left"), (1.0, "tip", "right")):
        axes.text(x, -0.75, words, fontsize=SMALL, color=SOFT, ha=side, va="center", zorder=5)


def _row(axes: Axes, level: float, placed: Placed, colour: str) -> None:
    axes.plot([0.0, 1.0], [level, level], color=GRID, linewidth=0.8, zorder=1)
    axes.plot(placed.stations, np.full(len(placed.stations), level), "|", color=colour,
              markersize=7.0, markeredgewidth=1.0, zorder=3)  # fmt: skip
    axes.plot(placed.controls, np.full(len(placed.controls), level), "o", color=CONTROL,
              markeredgecolor=INK, markeredgewidth=0.9, markersize=6.4, zorder=4)  # fmt: skip


def _outline(found: Suggestion) -> tuple[Array, Array]:
    """Middles along the ribbon, and half the thickness of the skin there, the thickest being 1."""
    rig, name = found.rig, found.best.ribbon
    ribbon = rig.layout.ribbons[name].ribbon
    points, places = rig.mesh.positions, rig.places
    if name != BODY:
        limb = rig.limbs[name]
        points, places = points[limb.vertices], limb.places
    away = np.linalg.norm(points - ribbon.midline(ribbon.place_at(places)), axis=1)
    share = np.clip((places / ribbon.length * _BINS).astype(int), 0, _BINS - 1)
    half = np.zeros(_BINS)
    for number in range(_BINS):
        mine = away[share == number]
        # a fin that stands out there says nothing of the body's own thickness
        half[number] = np.percentile(mine, 30.0) if len(mine) else np.nan
    middles = (np.arange(_BINS) + 0.5) / _BINS
    known = np.isfinite(half)
    half = median_filter(np.interp(middles, middles[known], half[known]), 5)
    return middles, half / max(float(half.max()), 1e-300)

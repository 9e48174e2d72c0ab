"""Plots in the look of the pictures: girth, curvature and stretch, one line for each layout.

Lines are told apart by colour, by dashes and by markers at once, so no plot depends on colours
alone. Stations and controls are marked along the body under each plot.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from ribbonsim.bendcheck.cases import Case
from ribbonsim.bendcheck.findings import relative_stretch
from ribbonsim.layout import Layout
from ribbonsim.limits import Limits
from ribbonsim.view.look import CONTROL, INK, PAPER

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

SOFT = "#5a6873"
GRID = "#dcdcd7"
LIMIT = "#a8324a"
TEXT = 8.6
SMALL = 7.4

_WIDTH, _HEIGHT = 5.6, 3.05
_ALONG = 241
_LONGEST_NAME = 18
_JOINS = 'stroke-linejoin="round" stroke-linecap="butt"'
_IN_A_ROW, _ROW = 3, 0.145


@dataclass(frozen=True)
class Line:
    """How one layout is drawn in every plot.

    Parameters
    ----------
    colour : str
    dashes : tuple of float
        Lengths on and off in line widths; empty for a solid line.
    marker : str
        Matplotlib's letter for it.
    """

    colour: str
    dashes: tuple[float, ...]
    marker: str


LINES = (
    Line("#14727b", (), "o"),
    Line("#d98200", (4.5, 1.6), "s"),
    Line("#39308f", (1.2, 1.4), "^"),
    Line("#d0608c", (6.0, 1.5, 1.2, 1.5), "D"),
    Line("#37444f", (8.0, 2.0), "v"),
    Line("#58a9e0", (3.0, 1.3, 1.0, 1.3, 1.0, 1.3), "P"),
)

# What a page may restyle, so that plots follow its light or dark paper.
_STYLED = {
    INK: "ink",
    SOFT: "soft",
    GRID: "line",
    LIMIT: "limit",
    PAPER: "card",
    **{line.colour: f"line{k}" for k, line in enumerate(LINES, start=1)},
}


@dataclass(frozen=True, eq=False)
class Plot:
    """A finished plot.

    Parameters
    ----------
    figure : matplotlib Figure
    title : str
        What it shows, for those who cannot see it.
    """

    figure: Figure
    title: str

    def picture(self, scale: float = 2.0) -> Bytes:
        """Draw the plot on white paper.

        Parameters
        ----------
        scale : float
            Pixels to a hundredth of an inch.

        Returns
        -------
        (height, width, 3) array of uint8
        """
        canvas = FigureCanvasAgg(self.figure)
        self.figure.set_dpi(100.0 * scale)
        self.figure.set_facecolor(PAPER)
        with _without_glyph_warnings():
            canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3].copy()

    def svg(self) -> str:
        """Write the plot as SVG that can stand in the midst of an HTML page.

        Colours are custom properties with the project's own as fallback, so a page can set
        ``--ink``, ``--soft``, ``--line``, ``--card``, ``--limit`` and ``--line1`` to
        ``--line6``. Text from files is escaped.

        Returns
        -------
        str
            One ``svg`` element without namespaces or identifiers that could clash.
        """
        stream = io.StringIO()
        self.figure.set_facecolor("none")
        style = {"svg.fonttype": "none", "svg.hashsalt": self.title}
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        with _without_glyph_warnings(), rc_context(style):  # type: ignore[arg-type]
            FigureCanvasSVG(self.figure).print_svg(stream, metadata=nothing)
        return _fit_for_a_page(stream.getvalue())


def _fit_for_a_page(text: str) -> str:
    body = text[text.index("<svg") :]
    head, _, rest = body.partition(">")
    box = re.search(r'viewBox="[^"]*"', head)
    # its style would hold for the whole page; what it says stands on the element below
    rest = re.sub(r"\s*<style.*?</style>", "", rest, flags=re.DOTALL)
    rest = re.sub(r"\s*<metadata>.*?</metadata>", "", rest, flags=re.DOTALL)
    rest = re.sub(r'<g id="[^"]*"', "<g", rest)
    rest = re.sub(r"<!--.*?-->", "", rest, flags=re.DOTALL)
    rest = rest.replace("xlink:href=", "href=")
    rest = re.sub(r"'DejaVu Sans'(?:, [^;\"]*)?sans-serif", "sans-serif", rest)
    for colour, name in _STYLED.items():
        rest = re.sub(rf"(?<=: ){colour}", f"var(--{name}, {colour})", rest)
    return f'<svg {box.group() if box else ""} role="img" class="plot" {_JOINS}>{rest}'.strip()


@contextmanager
def _without_glyph_warnings() -> Iterator[None]:
    """A name may use letters that the font lacks; a box stands for them."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        yield


# -- the plots -----------------------------------------------------------------------------------


def plot_girth(
    cases: Sequence[Case], names: Sequence[str] = (), limits: Limits | None = None
) -> Plot:
    """Plot girth along the body, posed over rest, with the limits.

    Parameters
    ----------
    cases : sequence of Case
        One pose in one to six layouts.
    names : sequence of str
        Of the layouts; may be left out for one.
    limits : Limits, optional
        Those of the first layout if left out.

    Returns
    -------
    Plot
    """
    held = limits or cases[0].rig.layout.limits
    title = f"Girth along the body, {cases[0].wish.shown}"
    figure, axes = _along_the_body(cases, names, title)
    first = cases[0]
    place = station_places(first.rig.layout)
    low, high = held.pinch * first.asked_girth, held.bulge * first.asked_girth
    for border in (low, high):
        axes.plot(place, border, color=LIMIT, linewidth=1.1, dashes=(2.0, 2.0), zorder=1)
    axes.axhline(1.0, color=SOFT, linewidth=1.0, zorder=1)
    values = [case.measures.girth for case in cases]
    for case, line, girth in zip(cases, LINES, values, strict=False):
        at = station_places(case.rig.layout)
        _draw(axes, at, girth, line, marked=True)
    spread = np.concatenate([*values, low, high])
    _frame(axes, float(spread.min()), float(spread.max()))
    axes.set_ylabel("posed over rest", fontsize=TEXT, color=SOFT)
    words = f"limits, × {held.pinch:g} and × {held.bulge:g}"
    _legend(figure, names, [("rest", SOFT, ()), (words, LIMIT, (2.0, 2.0))], len(cases))
    return Plot(figure, title)


def plot_curvature(
    cases: Sequence[Case], names: Sequence[str] = (), limits: Limits | None = None
) -> Plot:
    """Plot how sharply the midline bends along the body, against the target.

    Parameters
    ----------
    cases : sequence of Case
        One pose in one to six layouts.
    names : sequence of str
    limits : Limits, optional

    Returns
    -------
    Plot
        In degrees per body length at rest.
    """
    held = limits or cases[0].rig.layout.limits
    title = f"Curvature along the body, {cases[0].wish.shown}"
    figure, axes = _along_the_body(cases, names, title)
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
        _draw(axes, place, curvature, line)
        highest = max(highest, float(curvature.max()))
    axes.set_ylim(0.0, 1.08 * highest)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 3, 4.5, 6, 9, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}°"))
    axes.set_ylabel("per body length", fontsize=TEXT, color=SOFT)
    _legend(figure, names, extra, len(cases))
    return Plot(figure, title)


def plot_stretch(
    cases: Sequence[Case], names: Sequence[str] = (), limits: Limits | None = None
) -> Plot:
    """Plot how much of the skin is stretched how far: a histogram by area.

    Both stretches of each triangle are counted, each over what the pose itself asks for.

    Parameters
    ----------
    cases : sequence of Case
        One pose in one to six layouts.
    names : sequence of str
    limits : Limits, optional

    Returns
    -------
    Plot
    """
    held = limits or cases[0].rig.layout.limits
    title = f"Stretch of the skin, {cases[0].wish.shown}"
    height = _HEIGHT + _legend_height(len(cases), extra=False)
    figure = Figure(figsize=(_WIDTH, height), layout=None)
    axes = figure.add_axes((0.13, 0.44 / height, 0.85, 2.07 / height))
    _title(figure, title)
    pairs = [relative_stretch(case) for case in cases]
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
    _legend(figure, names or ("larger stretch",), extra, len(cases))
    return Plot(figure, title)


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
    axes.plot(x, y, color=line.colour, linewidth=1.5, **_dashes(line.dashes))


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
    _dress(axes)


# -- what is plotted -----------------------------------------------------------------------------


def station_places(layout: Layout) -> Array:
    """Places of the stations along the body, 0 to 1 by length at rest.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    (N,) array
    """
    return layout.ribbon.arc_length(layout.stations) / layout.ribbon.length


def posed_curvature(case: Case) -> tuple[Array, Array]:
    """Curvature of a posed midline.

    Parameters
    ----------
    case : Case

    Returns
    -------
    (m,), (m,) arrays
        Places along the body, 0 to 1; degrees per body length at rest.
    """
    ribbon = case.rig.layout.ribbon
    t = np.linspace(0.0, 1.0, _ALONG)
    place = ribbon.arc_length(t) / ribbon.length
    return place, np.degrees(case.ribbon.curvature(t) * ribbon.length)


def target_curvature(case: Case) -> tuple[Array, Array] | None:
    """Curvature that a test pose asks for.

    Parameters
    ----------
    case : Case

    Returns
    -------
    (m,), (m,) arrays, or None
        As :func:`posed_curvature`; None if the pose has no target.
    """
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
    """Histogram of a value of triangles, each counted by its area at rest.

    Parameters
    ----------
    case : Case
    values : (T,) array
    edges : (m + 1,) array
        What lies beyond them is counted in the first and the last bin.

    Returns
    -------
    (m,) array
        Shares that sum to one.
    """
    mesh = case.rig.mesh
    a, b, c = (mesh.positions[mesh.triangles[:, k]] for k in range(3))
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    held = np.clip(values, edges[0], edges[-1])
    counts, _ = np.histogram(held, edges, weights=areas)
    return counts / max(float(areas.sum()), 1e-300)


# -- parts ---------------------------------------------------------------------------------------


def _along_the_body(cases: Sequence[Case], names: Sequence[str], title: str) -> tuple[Figure, Axes]:
    """A figure whose axes run along the body, with stations and controls under it."""
    many = len(cases) > 1
    rows = len(cases) if many else 1
    below = 0.16 + 0.15 * rows if many else 0.52
    above = _legend_height(rows, extra=True)
    height = _HEIGHT + (0.15 * (rows - 2) if many else 0.0) + above
    figure = Figure(figsize=(_WIDTH, height), layout=None)
    left, right, top = 0.105, 0.98, 1.0 - (0.50 + above) / height
    base = (below + 0.06) / height
    axes = figure.add_axes((left, base, right - left, top - base))
    strip = figure.add_axes((left, 0.02, right - left, below / height - 0.02))
    _title(figure, title)
    axes.set_xlim(-0.012, 1.012)
    axes.set_xticks([])
    strip.set_xlim(-0.012, 1.012)
    strip.axis("off")
    _dress(axes)
    if many:
        _layout_rows(strip, cases)
    else:
        _named_stations(axes, strip, cases[0].rig.layout, (right - left) * _WIDTH * 72.0)
    return figure, axes


def _title(figure: Figure, title: str) -> None:
    height = figure.get_figheight()
    figure.text(
        0.012, 1.0 - 0.07 / height, _short(title, 60), fontsize=10.0, fontweight="bold",
        color=INK, va="top", parse_math=False,
    )  # fmt: skip


def _dress(axes: Axes) -> None:
    axes.set_facecolor("none")
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(GRID)
    axes.tick_params(colors=SOFT, labelsize=SMALL, length=0, pad=4)
    axes.grid(axis="y", color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)


def _draw(axes: Axes, x: Array, y: Array, line: Line, marked: bool = False) -> None:
    axes.plot(
        x, y, color=line.colour, linewidth=1.7, marker=line.marker if marked else None,
        markersize=3.4, **_dashes(line.dashes), solid_capstyle="round",
    )  # fmt: skip


def _dashes(lengths: tuple[float, ...]) -> dict[str, Any]:
    return {"dashes": lengths} if lengths else {}


def _frame(axes: Axes, low: float, high: float) -> None:
    room = 0.10 * (high - low)
    axes.set_ylim(low - room, high + room)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.2f}"))


def _legend(
    figure: Figure, names: Sequence[str], extra: Sequence[tuple[str, str, tuple]], count: int
) -> None:
    """Line styles under the title: layouts in rows of three, then what they are held against."""
    many = count > 1
    shown = list(names[:count]) if names else ["posed"] * count
    lines = [
        Line2D([], [], color=line.colour, linewidth=1.7, marker=line.marker if many else None,
               markersize=3.4, label=_short(name), **_dashes(line.dashes))
        for line, name in zip(LINES, shown, strict=False)
    ]  # fmt: skip
    others = [
        Line2D([], [], color=colour, linewidth=1.3, label=label, **_dashes(dashes))
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


def _legend_height(count: int, extra: bool) -> float:
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

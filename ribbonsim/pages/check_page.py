"""A bend check as a folder: one page that needs nothing beside it, pictures, and the numbers."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.bendcheck.cases import Case, PoseList, Wish, measure_case, wishes
from ribbonsim.bendcheck.causes import Cause
from ribbonsim.bendcheck.figures import figure, figures, size_figure
from ribbonsim.bendcheck.findings import Finding, Tried
from ribbonsim.bendcheck.look import holds
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.bendcheck.words import MEASURE_TITLES, measure_figures
from ribbonsim.files.names import file_names
from ribbonsim.files.writing import Bundle
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.limits import Limits
from ribbonsim.layout.pose import Pose
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
)
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.view.camera import telling_view
from ribbonsim.view.closeups import draw_finding
from ribbonsim.view.pictures import STRETCH_SCALE, draw_stretch
from ribbonsim.view.plot_style import Plot
from ribbonsim.view.plots import PLOTS
from ribbonsim.view.scene import Stage
from ribbonsim.view.stripes import stripes

CLOSE_SIZE, SMALL_SIZE = (680, 600), (340, 300)
# small pictures of other poses in a card, and cards that stand open
_MOST_SMALL, _OPEN = 6, 3
POSE_SIZE = (920, 540)


@dataclass(frozen=True)
class _Card:
    kind: str
    pose: str
    statement: str
    elsewhere: str
    advice: str
    picture: Embedded
    others: tuple[tuple[Embedded, str], ...]
    tried: Table


@dataclass(frozen=True, eq=False)
class _Drawn:
    """What was drawn: close-ups by file, poses and plots by pose."""

    closeups: Mapping[str, Bytes]
    poses: Mapping[str, Bytes]
    plots: Mapping[str, tuple[Plot, ...]]


def check_into_folder(
    rig: Rig,
    folder: str | os.PathLike[str],
    poses: PoseList = None,
    *,
    mesh_path: str = "",
    layout_path: str | None = None,
    method: Method = "linear",
    force: bool = False,
    progress: Progress | None = None,
) -> Report:
    """Check a rig and write page, pictures and numbers into a folder."""
    tell = progress or (lambda *_: None)
    names = [wish.name for wish in wishes(poses, rig.layout)]
    with Bundle(folder, force) as bundle:
        bundle.claim(["index.html", "report.json", *_pose_files(names).values()])
        report = check(rig, poses, method, progress=progress)
        bundle.claim([name for card in _closeups(report) for name, _ in card])
        drawn = _draw(rig, report, tell)
        tell("write", 0, 1)
        files: dict[str, str | bytes] = {
            name: encode_png(picture) for name, picture in drawn.closeups.items()
        }
        named = _pose_files(names)
        for name, picture in drawn.poses.items():
            files[named[f"pose_{name}"]] = encode_png(picture)
            for kind, plot in zip(PLOTS, drawn.plots[name], strict=True):
                files[named[f"{kind}_{name}"]] = plot.file()
        files["report.json"] = json.dumps(report.to_dict(), indent=2, ensure_ascii=False)
        files["index.html"] = render_check(rig, report, drawn, mesh_path, layout_path)
        bundle.write(files)
        tell("write", 1, 1)
    return report


def _pose_files(poses: Sequence[str]) -> dict[str, str]:
    pictures = [f"pose_{name}" for name in poses]
    plots = [f"{kind}_{name}" for name in poses for kind in PLOTS]
    files = (*file_names(pictures), *file_names(plots, ".svg"))
    return dict(zip((*pictures, *plots), files, strict=True))


def _closeups(report: Report) -> list[list[tuple[str, Finding]]]:
    """For each cause the findings that are drawn, with the files they go to; the worst first."""
    drawn = [cause.shown[: _MOST_SMALL + 1] for cause in report.causes]
    stems = [
        f"finding_{number:02}_{finding.kind}" + (f"_{finding.pose}" if place else "")
        for number, findings in enumerate(drawn, start=1)
        for place, finding in enumerate(findings)
    ]
    names = iter(file_names(stems))
    return [[(next(names), finding) for finding in findings] for findings in drawn]


def _draw(rig: Rig, report: Report, tell: Progress) -> _Drawn:
    cards = _closeups(report)
    total = sum(map(len, cards)) + len(report.cases)
    closeups: dict[str, Bytes] = {}
    pictures: dict[str, Bytes] = {}
    plots: dict[str, tuple[Plot, ...]] = {}
    first = [card[0] for card in cards]
    rest = None
    if any(not finding.pose for _, finding in first):
        rest = _at_rest(rig, report.method)
    with Stage(rig.mesh, CLOSE_SIZE) as stage:
        for size, group in (
            (CLOSE_SIZE, first),
            (SMALL_SIZE, [pair for card in cards for pair in card[1:]]),
        ):
            stage.resize(size)
            for name, finding in group:
                tell("draw", len(closeups), total)
                case = rest if rest is not None and not finding.pose else report.cases[finding.pose]
                closeups[name] = draw_finding(stage, case, finding)
        stage.resize(POSE_SIZE)
        shade = stripes(rig)
        for done, (name, case) in enumerate(report.cases.items(), start=len(closeups)):
            tell("draw", done, total)
            view = telling_view(
                case.ribbon.midline(np.linspace(0.0, 1.0, 65)), up=case.rig.layout.up
            )
            points = np.asarray(case.positions, float)
            pictures[name] = draw_stretch(stage, case, view, points, shade)
            plots[name] = tuple(plot([case], (), report.limits) for plot in PLOTS.values())
    tell("draw", total, total)
    return _Drawn(closeups, pictures, plots)


def _at_rest(rig: Rig, method: Method) -> Case:
    return measure_case(rig, Gauge(rig), Wish("rest", pose=Pose()), method, contacts=False)


# -- the page ------------------------------------------------------------------------------------


def render_check(
    rig: Rig, report: Report, drawn: _Drawn, mesh_path: str, layout_path: str | None
) -> str:
    """Render the page of a check; the paths are for the commands that it suggests."""
    worst = report.causes[0].worst.pose if report.causes else ""
    cards = [
        _card(cause, shown, drawn)
        for cause, shown in zip(report.causes, _closeups(report), strict=True)
    ]
    return render_page(
        "check.html",
        report.name,
        source=rig.mesh.source,
        right=report.bends_right,
        verdict=_verdict(report),
        notes=rig.mesh.notes,
        numbers=_key_numbers(rig, report),
        cards=cards[:_OPEN],
        more=cards[_OPEN:],
        floors=report.floors,
        unmeasured=report.unmeasured,
        untried=report.untried,
        measures=_measures(report),
        other_drive="" if report.other_drive is None else report.other_drive.sentence,
        weights=_weights(report),
        poses=[_section(report, drawn, name, name == worst) for name in report.cases],
        scale=STRETCH_SCALE,
        limits=_limits(report.limits),
        method=METHOD_WORDS[report.method],
        commands=_commands(mesh_path, layout_path),
    )


def _verdict(report: Report) -> str:
    """What stands under the headline: the worst finding, or that there is none."""
    if report.bends_right:
        return report.verdict
    more = len(report.causes) - 1
    others = f" And {more} more {'thing' if more == 1 else 'things'}." if more else ""
    return report.causes[0].worst.statement + others


def _card(cause: Cause, shown: Sequence[tuple[str, Finding]], drawn: _Drawn) -> _Card:
    worst = cause.worst
    others = tuple((embed(drawn.closeups[name]), _caption(one)) for name, one in shown[1:])
    return _Card(
        worst.kind,
        plain(worst.asked or worst.pose),
        worst.statement,
        cause.elsewhere,
        worst.advice,
        embed(drawn.closeups[shown[0][0]]),
        others,
        _tried(worst),
    )


def _caption(finding: Finding) -> str:
    value = figure(finding.kind, finding.value)
    return f"{plain(finding.asked or finding.pose)}: {finding.kind} {value}"


# the findings that mark each column of the measures
_KINDS: tuple[tuple[str, ...], ...] = (
    ("stretch",),
    ("squeeze",),
    ("pinch", "bulge"),
    ("volume",),
    ("fold",),
    ("contact",),
    ("kink",),
    ("shape",),
)


def _measures(report: Report) -> Table:
    over = {
        (row, column)
        for row, name in enumerate(report.measures)
        for column, kinds in enumerate(_KINDS, start=1)
        if any(finding.pose == name and finding.kind in kinds for finding in report.findings)
    }
    rows = ((plain(name), *measure_figures(held)) for name, held in report.measures.items())
    return Table(("pose", *MEASURE_TITLES), tuple(rows), over=frozenset(over))


def _tried(finding: Finding) -> Table:
    """The changes that were tried, what ends it or comes nearest first."""
    rows = tuple(
        (
            f"→ {tried.change}" if tried == finding.tried else tried.change,
            " → ".join(_before_and_after(finding, tried)),
            _outcome(finding, tried),
        )
        for tried in finding.attempts
    )
    chosen = (k for k, tried in enumerate(finding.attempts) if tried == finding.tried)
    return Table((), rows, frozenset(), "", frozenset(chosen))


def _before_and_after(finding: Finding, tried: Tried) -> tuple[str, str]:
    """Both figures; where the limit lies between them, they and the limit read differently."""
    if tried.clears:
        before, after, _ = figures(finding.kind, tried.before, tried.after, finding.limit)
        return before, after
    return figure(finding.kind, tried.before), figure(finding.kind, tried.after)


def _outcome(finding: Finding, tried: Tried) -> str:
    if tried.clears:
        return "within the limit"
    if holds(finding.kind, tried.after, finding.limit):
        return "breaks another limit"
    before, after = _before_and_after(finding, tried)
    if before == after:
        return "no change"
    better = abs(tried.after - finding.limit) < abs(tried.before - finding.limit)
    return "better" if better else "worse"


def _section(report: Report, drawn: _Drawn, name: str, opened: bool) -> FoldedPose:
    kinds = [finding.kind for finding in report.findings if finding.pose == name]
    words = "a pose of the layout's controls"
    if report.cases[name].wish.pose is None:
        words = ALL_TEST_POSES[name].describes
    plots = inline_plots(drawn.plots[name])
    return FoldedPose(plain(name), words, plots, opened, ", ".join(kinds), embed(drawn.poses[name]))


def _key_numbers(rig: Rig, report: Report) -> list[tuple[str, str, str]]:
    tried = sum(len(cause.worst.attempts) for cause in report.causes)
    return [
        (str(len(report.causes)), "", "finding" if len(report.causes) == 1 else "findings"),
        (str(tried), "", "changes tried"),
        (str(len(report.cases)), "", "poses"),
        (str(len(rig.layout.stations)), "", "stations"),
        (str(len(rig.layout.controls)), "", "controls"),
        (f"{len(rig.mesh.positions):,}", "", "vertices"),
    ]


def _weights(report: Report) -> list[tuple[str, str, str]]:
    labels = {
        "bleed": "weight from far along the body",
        "asymmetry": "left against right in weights",
        "mirrored_poses": "mirrored poses against their mirror image",
        "roughness": "roughness of the weights",
    }
    return [
        (figure(key, report.weights[key]), "", label)
        for key, label in labels.items()
        if key in report.weights
    ]


def _limits(limits: Limits) -> list[tuple[str, str, str]]:
    labels = {
        "stretch": "largest stretch",
        "squeeze": "smallest stretch",
        "pinch": "smallest girth",
        "bulge": "largest girth",
        "off": "off the ribbon, in radii",
        "tear": "opening of a tear",
        "volume": "change of volume",
        "kink": "kink",
        "shape": "shape error",
        "bleed": "weight from far",
        "asymmetry": "left against right",
        "folds": "folds",
        "contacts": "contacts",
    }
    kinds = {"folds": "fold", "contacts": "contact"}
    values = asdict(limits)
    return [
        (size_figure(kinds.get(key, key), values[key]), "", label) for key, label in labels.items()
    ]


def _commands(mesh_path: str, layout_path: str | None) -> list[tuple[str, str]]:
    mesh = shell_path(mesh_path or "creature.obj")
    layout = f" --layout {shell_path(layout_path)}" if layout_path else ""
    first = shell_path(layout_path or "first.toml")
    make = "" if layout_path else f"ribbonsim layout {mesh} --out {first}\n"
    return [
        (
            "Check again with another way of blending, or with poses and amounts of your own.",
            f"ribbonsim check {mesh}{layout} --method dual-quaternion --poses c_bend=120,twist=360",
        ),
        (
            "Make another layout and see both side by side.",
            f"{make}ribbonsim layout {mesh} --out second.toml --controls 7\n"
            f"ribbonsim compare {mesh} {first} second.toml --out compared",
        ),
    ]

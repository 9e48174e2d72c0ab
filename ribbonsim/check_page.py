"""A bend check as a folder: one page that needs nothing beside it, pictures, and the numbers."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from ribbonsim.appendage_targets import ALL_TEST_POSES
from ribbonsim.bendcheck.cases import Case, PoseList, Wish, measure_case, wishes
from ribbonsim.bendcheck.figures import figure, figures, size_figure
from ribbonsim.bendcheck.findings import Finding, Tried
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.bendcheck.words import MEASURE_TITLES, measure_figures
from ribbonsim.bundle import Bundle, file_names
from ribbonsim.html import (
    METHOD_WORDS,
    Embedded,
    embed,
    encode_png,
    page_environment,
    shell_path,
)
from ribbonsim.limits import Limits
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig
from ribbonsim.view.camera import telling_view
from ribbonsim.view.pictures import STRETCH_SCALE, draw_finding, draw_stretch
from ribbonsim.view.plots import Plot, plot_curvature, plot_girth, plot_stretch
from ribbonsim.view.scene import Stage

Bytes = NDArray[np.uint8]
Progress = Callable[[str, int, int], None]

CLOSE_SIZE = (680, 600)
POSE_SIZE = (920, 540)
_PLOTS = {"girth": plot_girth, "curvature": plot_curvature, "stretch": plot_stretch}


@dataclass(frozen=True)
class _Attempt:
    change: str
    before: str
    after: str
    outcome: str
    chosen: bool


@dataclass(frozen=True)
class _Card:
    kind: str
    pose: str
    statement: str
    picture: Embedded
    tried: tuple[_Attempt, ...]
    nothing_helps: bool


@dataclass(frozen=True)
class _PoseSection:
    name: str
    words: str
    trouble: str
    open: bool
    picture: Embedded
    plots: tuple[tuple[Markup, str], ...]


@dataclass(frozen=True)
class _MeasureRow:
    name: str
    cells: tuple[tuple[str, bool], ...]


@dataclass(frozen=True, eq=False)
class _Drawn:
    """What was drawn: findings in their order, poses and plots by pose."""

    findings: tuple[Bytes, ...]
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
    """Check a rig and write page, pictures and numbers into a folder.

    Parameters
    ----------
    rig : Rig
    folder : path
        Made if it is not there.
    poses : Pose, mapping, sequence of str or None
        As for :func:`ribbonsim.check`.
    mesh_path, layout_path : str
        As the user gave them, for the commands that the page suggests.
    method : {"linear", "dual_quaternion"}
    force : bool
        Replace files that are there.
    progress : callable, optional
        Called as ``progress(stage, done, total)``; raise in it to stop. Nothing is then
        written.

    Returns
    -------
    Report

    Raises
    ------
    RibbonsimError
        If a pose is unknown, a file is in the way, or nothing can be drawn or written.
    """
    tell = progress or (lambda *_: None)
    names = [wish.name for wish in wishes(poses, rig.layout)]
    with Bundle(folder, force) as bundle:
        bundle.claim(["index.html", "report.json", *_pose_files(names).values()])
        report = check(rig, poses, method, progress=progress)
        bundle.claim(_finding_files(report))
        drawn = _draw(rig, report, tell)
        tell("write", 0, 1)
        files: dict[str, str | bytes] = dict(
            zip(_finding_files(report), map(encode_png, drawn.findings), strict=True)
        )
        named = _pose_files(names)
        for name, picture in drawn.poses.items():
            files[named[f"pose_{name}"]] = encode_png(picture)
            for kind, plot in zip(_PLOTS, drawn.plots[name], strict=True):
                files[named[f"{kind}_{name}"]] = encode_png(plot.picture())
        files["report.json"] = json.dumps(report.to_dict(), indent=2, ensure_ascii=False)
        files["index.html"] = render_check(rig, report, drawn, mesh_path, layout_path)
        bundle.write(files)
        tell("write", 1, 1)
    return report


def _pose_files(poses: Sequence[str]) -> dict[str, str]:
    keys = [f"{kind}_{name}" for name in poses for kind in ("pose", *_PLOTS)]
    return dict(zip(keys, file_names(keys), strict=True))


def _finding_files(report: Report) -> list[str]:
    stems = [
        f"finding_{number:02}_{finding.kind}"
        for number, finding in enumerate(report.findings, start=1)
    ]
    return file_names(stems)


def _draw(rig: Rig, report: Report, tell: Progress) -> _Drawn:
    total = len(report.findings) + len(report.cases)
    closeups: list[Bytes] = []
    pictures: dict[str, Bytes] = {}
    plots: dict[str, tuple[Plot, ...]] = {}
    with Stage(rig.mesh, CLOSE_SIZE) as stage:
        rest: Case | None = None
        for done, finding in enumerate(report.findings):
            tell("draw", done, total)
            if finding.pose:
                case = report.cases[finding.pose]
            else:
                rest = rest or _at_rest(rig, report.method)
                case = rest
            closeups.append(draw_finding(stage, case, finding))
        stage.resize(POSE_SIZE)
        for done, (name, case) in enumerate(report.cases.items(), start=len(closeups)):
            tell("draw", done, total)
            view = telling_view(case.ribbon.midline(np.linspace(0.0, 1.0, 65)))
            pictures[name] = draw_stretch(stage, case, view, np.asarray(case.positions, float))
            plots[name] = tuple(plot([case], (), report.limits) for plot in _PLOTS.values())
    tell("draw", total, total)
    return _Drawn(tuple(closeups), pictures, plots)


def _at_rest(rig: Rig, method: Method) -> Case:
    return measure_case(rig, Gauge(rig), Wish("rest", pose=Pose()), method, contacts=False)


# -- the page ------------------------------------------------------------------------------------


def render_check(
    rig: Rig, report: Report, drawn: _Drawn, mesh_path: str, layout_path: str | None
) -> str:
    """Render the page of a check.

    Parameters
    ----------
    rig : Rig
    report : Report
    drawn : pictures and plots
    mesh_path, layout_path : str
        For the commands that the page suggests.

    Returns
    -------
    str
        HTML that asks for nothing outside itself.
    """
    worst = report.findings[0].pose if report.findings else ""
    return (
        page_environment()
        .get_template("check.html")
        .render(
            name=report.name,
            verdict=_verdict(report),
            mesh=rig.mesh,
            report=report,
            numbers=_key_numbers(rig, report),
            cards=[
                _card(finding, picture)
                for finding, picture in zip(report.findings, drawn.findings, strict=True)
            ],
            heads=MEASURE_TITLES,
            rows=[_measure_row(report, name) for name in report.measures],
            weights=_weights(report),
            poses=[_section(report, drawn, name, name == worst) for name in report.cases],
            scale=STRETCH_SCALE,
            limits=_limits(report.limits),
            method=METHOD_WORDS[report.method],
            commands=_commands(mesh_path, layout_path),
        )
    )


def _verdict(report: Report) -> str:
    """What stands under the headline: the worst finding, or that there is none."""
    if report.bends_right:
        return report.verdict
    more = len(report.findings) - 1
    others = f" And {more} more {'finding' if more == 1 else 'findings'}." if more else ""
    return report.findings[0].statement + others


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


def _measure_row(report: Report, name: str) -> _MeasureRow:
    numbers = report.measures[name]
    broken = {finding.kind for finding in report.findings if finding.pose == name}
    cells = [
        (text, bool(broken & set(kinds)))
        for text, kinds in zip(measure_figures(numbers), _KINDS, strict=True)
    ]
    return _MeasureRow(_plain(name), tuple(cells))


def _card(finding: Finding, picture: Bytes) -> _Card:
    attempts = [
        _Attempt(
            tried.change,
            *_before_and_after(finding, tried),
            _outcome(finding, tried),
            tried == finding.tried,
        )
        for tried in finding.attempts
    ]
    attempts.sort(key=lambda attempt: not attempt.chosen)
    return _Card(
        finding.kind,
        _plain(finding.pose),
        finding.statement,
        embed(picture),
        tuple(attempts),
        finding.tried is None,
    )


def _before_and_after(finding: Finding, tried: Tried) -> tuple[str, str]:
    """Both figures; where the limit lies between them, they and the limit read differently."""
    if tried.clears:
        before, after, _ = figures(finding.kind, tried.before, tried.after, finding.limit)
        return before, after
    return figure(finding.kind, tried.before), figure(finding.kind, tried.after)


def _outcome(finding: Finding, tried: Tried) -> str:
    if tried.clears:
        return "within the limit"
    before, after = _before_and_after(finding, tried)
    if before == after:
        return "no change"
    better = abs(tried.after - finding.limit) < abs(tried.before - finding.limit)
    return "better" if better else "worse"


def _section(report: Report, drawn: _Drawn, name: str, opened: bool) -> _PoseSection:
    kinds = [finding.kind for finding in report.findings if finding.pose == name]
    case = report.cases[name]
    words = "a pose of the layout's controls"
    if case.wish.pose is None:
        words = ALL_TEST_POSES[name].describes
    plots = tuple((Markup(plot.svg()), plot.title) for plot in drawn.plots[name])
    return _PoseSection(
        _plain(name), words, ", ".join(kinds), opened, embed(drawn.poses[name]), plots
    )


def _key_numbers(rig: Rig, report: Report) -> list[tuple[str, str]]:
    tried = sum(len(finding.attempts) for finding in report.findings)
    return [
        (str(len(report.findings)), "findings"),
        (str(tried), "changes tried"),
        (str(len(report.cases)), "poses"),
        (str(len(rig.layout.stations)), "stations"),
        (str(len(rig.layout.controls)), "controls"),
        (f"{len(rig.mesh.positions):,}", "vertices"),
    ]


def _weights(report: Report) -> list[tuple[str, str]]:
    labels = {
        "bleed": "weight from far along the body",
        "asymmetry": "left against right in weights",
        "mirrored_poses": "mirrored poses against their mirror image",
        "roughness": "roughness of the weights",
    }
    return [
        (figure(key, report.weights[key]), label)
        for key, label in labels.items()
        if key in report.weights
    ]


def _limits(limits: Limits) -> list[tuple[str, str]]:
    labels = {
        "stretch": "largest stretch",
        "squeeze": "smallest stretch",
        "pinch": "smallest girth",
        "bulge": "largest girth",
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
    return [(size_figure(kinds.get(key, key), values[key]), label) for key, label in labels.items()]


def _plain(name: str) -> str:
    return name.replace("_", " ")


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

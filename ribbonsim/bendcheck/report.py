"""The check: poses measured, findings, remedies tried, a verdict."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass

import numpy as np

from ribbonsim.bendcheck.cases import Case, PoseList, Wish, measure_case, wishes
from ribbonsim.bendcheck.findings import Finding, findings_of, place_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.remedies import Workbench, changes_for
from ribbonsim.bendcheck.symmetry import pose_asymmetry, weight_asymmetry
from ribbonsim.bendcheck.weights import bleed, roughness
from ribbonsim.limits import Limits
from ribbonsim.plane import SymmetryPlane, find_plane
from ribbonsim.rig import Method, Rig

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class PoseMeasures:
    """The numbers of one pose.

    Parameters
    ----------
    stretch, squeeze : float
        Largest and smallest stretch of a triangle.
    area : float
        Posed surface over rest.
    girth_low, girth_high : float
        Lowest and highest girth at a station, posed over rest.
    volume : float
        Posed over rest.
    folds : int
        Triangles turned over.
    contacts : int or None
        Pairs of triangles that cut each other and do not at rest; None if not looked for.
    kink : float
        Sharpest curvature of the midline over the target's sharpest.
    shape_error : float or None
        Distance from the target over the body length; None without a target.
    """

    stretch: float
    squeeze: float
    area: float
    girth_low: float
    girth_high: float
    volume: float
    folds: int
    contacts: int | None
    kink: float
    shape_error: float | None


@dataclass(frozen=True, eq=False)
class Report:
    """What a check found.

    Parameters
    ----------
    name : str
        Of the mesh.
    method : {"linear", "dual_quaternion"}
    measures : dict of str to PoseMeasures
        By pose.
    weights : dict of str to float
        ``bleed``, ``roughness`` and, for a symmetric mesh, ``asymmetry`` of the layout and
        ``mirrored_poses``: how far the mesh in a mirrored pose is from the mirror image of the
        mesh in the pose, at the worst, over the body length.
    findings : tuple of Finding
        The worst first.
    cases : dict of str to Case
        The measured poses themselves.
    limits : Limits
    """

    name: str
    method: Method
    measures: dict[str, PoseMeasures]
    weights: dict[str, float]
    findings: tuple[Finding, ...]
    cases: dict[str, Case]
    limits: Limits

    @property
    def bends_right(self) -> bool:
        """Whether no limit was broken."""
        return not self.findings

    @property
    def verdict(self) -> str:
        """The worst finding in a sentence, or that there is none."""
        if self.bends_right:
            if len(self.measures) == 1:
                return f"{self.name} bends right in {next(iter(self.measures)).replace('_', ' ')}."
            return f"{self.name} bends right in {len(self.measures)} poses."
        more = len(self.findings) - 1
        others = "" if not more else f" And {more} more {'finding' if more == 1 else 'findings'}."
        return f"{self.name} does not bend right: {_lower(self.findings[0].statement)}{others}"

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers and words, fit for JSON.

        Returns
        -------
        dict
        """
        return {
            "name": self.name,
            "method": self.method,
            "bends_right": self.bends_right,
            "verdict": self.verdict,
            "limits": asdict(self.limits),
            "weights": self.weights,
            "measures": {name: asdict(values) for name, values in self.measures.items()},
            "findings": [
                {
                    "kind": finding.kind,
                    "pose": finding.pose,
                    "station": finding.place.station,
                    "control": finding.place.control,
                    "part": finding.place.part,
                    "ribbon": finding.place.ribbon,
                    "against": finding.place.against,
                    "alike": finding.place.alike,
                    "value": finding.value,
                    "limit": finding.limit,
                    "severity": finding.severity,
                    "vertices": (finding.vertices + 1).tolist(),
                    "faces": (finding.faces + 1).tolist(),
                    "statement": finding.statement,
                    "advice": finding.advice,
                    "tried": [tried.to_dict() for tried in finding.attempts],
                }
                for finding in self.findings
            ],
        }


def check(
    rig: Rig,
    poses: PoseList = None,
    method: Method = "linear",
    limits: Limits | None = None,
    contacts: bool = True,
    remedies: bool = True,
    progress: Progress | None = None,
) -> Report:
    """Check whether a rig bends right.

    Parameters
    ----------
    rig : Rig
    poses : Pose, mapping, sequence of str or None
        One pose; poses or amounts of test poses by name; names of test poses; None for all
        test poses at their usual amounts.
    method : {"linear", "dual_quaternion"}
    limits : Limits, optional
        Those of the layout if left out.
    contacts : bool
        Look for contacts too.
    remedies : bool
        Try changes for each finding and quote the best.
    progress : callable, optional
        Called as ``progress(what, done, total)``; raise in it to stop.

    Returns
    -------
    Report

    Raises
    ------
    RibbonsimError
        If a pose or a control in it is unknown.
    """
    asked = wishes(poses, rig.layout)
    held = rig.layout.limits if limits is None else limits
    tell = progress or (lambda *_: None)
    gauge = Gauge(rig)
    cases: dict[str, Case] = {}
    found: list[tuple[Finding, Wish | None]] = []
    for done, wish in enumerate(asked):
        tell(wish.shown, done, len(asked))
        case = measure_case(rig, gauge, wish, method, contacts)
        cases[wish.name] = case
        found += [(finding, wish) for finding in findings_of(case, held)]
    plane = find_plane(rig.mesh)
    weights, layout_findings = _layout_findings(rig, held, plane)
    if plane is not None and _runs_in(rig, plane):
        apart = [pose_asymmetry(rig, plane, case.pose, method) for case in cases.values()]
        weights["mirrored_poses"] = max(apart, default=0.0)
    found += [(finding, None) for finding in layout_findings]
    found.sort(key=lambda pair: -pair[0].severity)
    findings = [finding for finding, _ in found]
    if remedies:
        bench = Workbench(rig)
        for i, (finding, asked_in) in enumerate(found):
            tried = []
            for change in changes_for(rig, method, finding):
                tell("trying changes", i, len(found))
                tried.append(bench.trial(finding, asked_in, change))
            findings[i] = finding.with_attempts(tried)
    tell("done", len(asked), len(asked))
    numbers = {name: _numbers(case) for name, case in cases.items()}
    return Report(rig.mesh.name, method, numbers, weights, tuple(findings), cases, held)


def _numbers(case: Case) -> PoseMeasures:
    measures = case.measures
    return PoseMeasures(
        stretch=float(measures.stretch[:, 0].max()),
        squeeze=float(measures.stretch[:, 1].min()),
        area=float(measures.surface),
        girth_low=float(measures.girth.min()),
        girth_high=float(measures.girth.max()),
        volume=float(measures.volume),
        folds=int(np.count_nonzero(measures.folded)),
        contacts=None if case.contacts is None else len(case.contacts),
        kink=case.sharpness[0],
        shape_error=case.shape_error,
    )


def _runs_in(rig: Rig, plane: SymmetryPlane) -> bool:
    """Whether the ribbon lies in a plane of symmetry; a round body has many it does not lie in."""
    ribbon = rig.layout.ribbon
    along = ribbon.midline(np.linspace(0.0, 1.0, 65))
    away = np.linalg.norm(plane.mirror(along) - along, axis=1)
    flat = np.abs(ribbon.frames(0.5)[:3, 1:3].T @ plane.normal).max() > 0.99
    return bool(flat and away.max() < 0.01 * ribbon.length)


def _layout_findings(
    rig: Rig, limits: Limits, plane: SymmetryPlane | None
) -> tuple[dict[str, float], list[Finding]]:
    """What is of the layout itself, whatever the pose."""
    held = bleed(rig)
    numbers = {"bleed": float(held.max()), "roughness": float(roughness(rig))}
    found = []
    if numbers["bleed"] > limits.bleed:
        found.append(_of_layout(rig, "bleed", held, limits.bleed))
    if plane is not None:
        apart = weight_asymmetry(rig, plane)
        numbers["asymmetry"] = float(apart.max())
        if numbers["asymmetry"] > limits.asymmetry:
            found.append(_of_layout(rig, "asymmetry", apart, limits.asymmetry))
    return numbers, found


def _of_layout(rig: Rig, kind: str, values: np.ndarray, limit: float) -> Finding:
    vertices = np.flatnonzero(values > limit)
    value = float(values.max())
    return Finding(
        kind,  # type: ignore[arg-type]
        "",
        place_of(rig, vertices),
        value,
        limit,
        value / max(limit, 1e-3),
        vertices,
        np.zeros((0, 2), dtype=np.int64),
    )


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]

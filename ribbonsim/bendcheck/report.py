"""The check: poses measured, findings, remedies tried, a verdict."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.cases import Case, PoseList, measure_case, wishes, with_amounts
from ribbonsim.bendcheck.causes import Cause, causes_of, with_same_remedy
from ribbonsim.bendcheck.findings import Finding
from ribbonsim.bendcheck.floor_notes import floor_notes
from ribbonsim.bendcheck.limbs import LooseLimbs
from ribbonsim.bendcheck.look import findings_of, place_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.other_drive import UnderOtherDrive, under_other_drive
from ribbonsim.bendcheck.search import Search
from ribbonsim.bendcheck.symmetry import pose_asymmetry, weight_asymmetry
from ribbonsim.bendcheck.weights import bleed, roughness
from ribbonsim.body.plane import SymmetryPlane, find_plane
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.limits import Limits
from ribbonsim.rig.rig import Method, Rig


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
        ``bleed``, ``roughness`` and, where the ribbon lies in the mesh's plane of symmetry,
        ``asymmetry`` of the layout and
        ``mirrored_poses``: how far the mesh in a mirrored pose is from the mirror image of the
        mesh in the pose, at the worst, over the body length.
    findings : tuple of Finding
        One for each pose and measure, the worst first.
    causes : tuple of Cause
        The same, grouped by what goes wrong at one place; the worst first.
    floors : tuple of str
        What even an exact ribbon does not do in poses that are asked, in sentences.
    untried : int
        Causes for which no changes were tried, as that would have taken too long.
    unmeasured : tuple of str
        What could not be measured and why, in sentences.
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
    causes: tuple[Cause, ...] = ()
    floors: tuple[str, ...] = ()
    untried: int = 0
    unmeasured: tuple[str, ...] = ()

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
        more = len(self.causes) - 1
        others = "" if not more else f" And {more} more {'thing' if more == 1 else 'things'}."
        return f"{self.name} does not bend right: {_lower(self.causes[0].worst.statement)}{others}"

    @cached_property
    def other_drive(self) -> UnderOtherDrive | None:
        """What the other drive makes of the same layout in the poses that were checked."""
        wishes = [case.wish for case in self.cases.values()]
        return under_other_drive(next(iter(self.cases.values())).rig, wishes) if wishes else None

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers and words, fit for JSON.

        Returns
        -------
        dict
        """
        numbers = {id(finding): number for number, finding in enumerate(self.findings, start=1)}
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
            "causes": [cause.to_dict(numbers) for cause in self.causes],
            "floors": list(self.floors),
            "untried": self.untried,
            "unmeasured": list(self.unmeasured),
            "other_drive": "" if self.other_drive is None else self.other_drive.sentence,
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
    gauge = Gauge(rig)
    asked = with_amounts(wishes(poses, rig.layout), gauge)
    held = rig.layout.limits if limits is None else limits
    show = progress or (lambda *_: None)
    cases: dict[str, Case] = {}
    found: list[Finding] = []
    for done, wish in enumerate(asked):
        show(wish.shown, done, len(asked))
        cases[wish.name] = measure_case(rig, gauge, wish, method, contacts)
        found += findings_of(cases[wish.name], held)
    plane = find_plane(rig.mesh, rig.layout.ribbon)
    if plane is not None and not _runs_in(rig, plane):
        plane = None
    weights, layout_findings = _layout_findings(rig, held, plane)
    if plane is not None:
        apart = [pose_asymmetry(rig, plane, case.pose, method) for case in cases.values()]
        weights["mirrored_poses"] = max(apart, default=0.0)
    limbs = LooseLimbs(rig)
    causes = causes_of([*found, *layout_findings], rig.layout)
    left_out = 0
    if remedies and causes:
        search = Search(rig, method, held, asked, found, cases, limbs)
        causes = with_same_remedy(search.run(causes, progress))
        left_out = search.left_out
    findings = sorted((one for cause in causes for one in cause.findings), key=_severity)
    show("done", len(asked), len(asked))
    return Report(
        rig.mesh.name,
        method,
        {name: _numbers(case) for name, case in cases.items()},
        weights,
        tuple(findings),
        cases,
        held,
        tuple(causes),
        tuple(note for case in cases.values() for note in floor_notes(case, held, limbs)),
        left_out,
        _unmeasured(gauge),
    )


def _unmeasured(gauge: Gauge) -> tuple[str, ...]:
    """What the skin is too flat or too coarse for."""
    names = [BODY] if gauge.body_rings.is_empty else []
    names += [name for name, rings in gauge.limb_rings.items() if rings.is_empty]
    return tuple(
        f"The girth of {name} is not measured: its rings of skin enclose next to nothing, so it is "
        "too flat or too coarse for that."
        for name in names
    )


def _severity(finding: Finding) -> float:
    return -finding.severity


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
    """Whether the ribbon lies in a plane of symmetry; else left and right are not its own."""
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

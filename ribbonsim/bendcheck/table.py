"""The table of a comparison: each measure over all layouts, and where each is at its worst."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ribbonsim.bendcheck.cases import Case
from ribbonsim.bendcheck.differences import Row
from ribbonsim.bendcheck.findings import FindingKind
from ribbonsim.bendcheck.look import place_of
from ribbonsim.bendcheck.readings import quantity
from ribbonsim.bendcheck.report import Report
from ribbonsim.layout.limits import Limits
from ribbonsim.rig.rig import Rig


@dataclass(frozen=True)
class _Measure:
    """One line of the table: what it is called, and how poses are drawn together."""

    kind: FindingKind
    title: str
    better: Literal["high", "low"]
    limit: str


_MEASURES = (
    _Measure("pinch", "smallest girth", "high", "pinch"),
    _Measure("bulge", "largest girth", "low", "bulge"),
    _Measure("off", "largest distance off the ribbon", "low", "off"),
    _Measure("tear", "widest tear", "low", "tear"),
    _Measure("stretch", "largest stretch", "low", "stretch"),
    _Measure("squeeze", "smallest stretch", "high", "squeeze"),
    _Measure("volume", "largest change of volume", "low", "volume"),
    _Measure("fold", "triangles turned over", "low", "folds"),
    _Measure("contact", "triangles cutting each other", "low", "contacts"),
    _Measure("kink", "sharpest kink", "low", "kink"),
    _Measure("shape", "largest shape error", "low", "shape"),
)


def table_rows(reports: Sequence[Report], limits: Limits) -> list[Row]:
    """Lines of the table; those that no report has a value for are left out."""
    broken: list[float | None] = [float(len(report.findings)) for report in reports]
    rows = [Row.of("findings", "limits broken", "low", None, broken, [""] * len(reports))]
    for measure in _MEASURES:
        values, places = [], []
        for report in reports:
            value, place = _over_poses(measure, report)
            values.append(value)
            places.append(place)
        if any(value is not None for value in values):
            limit = float(getattr(limits, measure.limit))
            breaking = [
                i
                for i, report in enumerate(reports)
                if any(finding.kind == measure.kind for finding in report.findings)
            ]
            rows.append(
                Row.of(
                    measure.kind,
                    measure.title,
                    measure.better,
                    limit,
                    values,
                    places,
                    breaking,
                )
            )
    return rows + _weight_rows(reports, limits)


def _weight_rows(reports: Sequence[Report], limits: Limits) -> list[Row]:
    rows = []
    lines: tuple[tuple[str, str, float | None], ...] = (
        ("bleed", "weight from far along the body", limits.bleed),
        ("asymmetry", "left against right in weights", limits.asymmetry),
        ("roughness", "roughness of the weights", None),
    )
    for key, title, limit in lines:
        values: list[float | None] = [report.weights.get(key) for report in reports]
        if all(value is not None for value in values):
            rows.append(Row.of(key, title, "low", limit, values, [""] * len(reports)))
    return rows


def _over_poses(measure: _Measure, report: Report) -> tuple[float | None, str]:
    """The worst over the poses, or their total, and where that is."""
    found = {name: number_of(measure.kind, case) for name, case in report.cases.items()}
    known = {name: value for name, value in found.items() if value is not None}
    if not known:
        return None, ""
    sign = -1.0 if measure.better == "high" else 1.0
    worst = max(known, key=lambda name: sign * abs(known[name]))
    counted = measure.kind in ("fold", "contact")
    value = float(sum(known.values())) if counted else known[worst]
    if counted and value == 0.0:
        return value, ""
    return value, f"in {worst.replace('_', ' ')} {_place(measure.kind, report.cases[worst])}"


def number_of(kind: FindingKind, case: Case) -> float | None:
    """A measure of one pose; None where it was not asked for or has no target."""
    if kind == "contact" and case.contacts is None:
        return None
    if kind == "shape" and case.target is None:
        return None
    return quantity(kind, case)


def _place(kind: FindingKind, case: Case) -> str:
    """Where a measure of a pose is at its worst, as ``at station 14 by neck``."""
    rig, measures = case.rig, case.measures
    triangles = rig.mesh.triangles
    if kind == "stretch":
        return str(place_of(rig, triangles[int(np.argmax(case.relative_stretch[0]))]))
    if kind == "squeeze":
        return str(place_of(rig, triangles[int(np.argmin(case.relative_stretch[1]))]))
    if kind == "fold":
        return str(place_of(rig, np.unique(triangles[measures.folded])))
    if kind == "contact" and case.contacts is not None:
        return str(place_of(rig, np.unique(triangles[case.contacts])))
    if kind in ("pinch", "bulge"):
        ratio = measures.girth / case.asked_girth
        station = int(np.argmin(ratio) if kind == "pinch" else np.argmax(ratio))
    elif kind == "off":
        station = int(np.argmax(measures.off))
    elif kind == "tear":
        torn = case.gauge.seams.torn(case.positions, 0.5 * measures.tear * rig.layout.ribbon.length)
        return str(place_of(rig, torn)) if len(torn) else ""
    elif kind == "volume":
        station = int(np.argmax(np.abs(np.log(np.maximum(measures.volumes, 1e-6)))))
    elif kind == "kink":
        station = int(np.argmin(np.abs(rig.layout.stations - case.sharpness[1])))
    else:
        station = _farthest_station(case)
    return f"at station {station + 1} by {_control_near(rig, station)}"


def _farthest_station(case: Case) -> int:
    """Where the midline is farthest from its target."""
    layout = case.rig.layout
    if case.target is None:
        return 0
    wanted = case.target.at(layout.body.station_lengths).frames[:, :3, 3]
    return int(np.argmax(np.linalg.norm(case.ribbon.midline(layout.stations) - wanted, axis=1)))


def _control_near(rig: Rig, station: int) -> str:
    lengths = rig.layout.ribbon.arc_length(rig.layout.stations)
    stands = np.array([lengths[control.station - 1] for control in rig.layout.controls])
    return rig.layout.control_names[int(np.argmin(np.abs(stands - lengths[station])))]

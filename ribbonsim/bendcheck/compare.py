"""Layouts side by side: the same poses asked of each, and the measures in one table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from ribbonsim.bendcheck.cases import Case, PoseList, Wish, wishes
from ribbonsim.bendcheck.differences import Row, differences_of
from ribbonsim.bendcheck.findings import Kind, place_of, quantity, relative_stretch
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.carry_over import carry_over
from ribbonsim.errors import RibbonsimError
from ribbonsim.limits import Limits
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig

Progress = Callable[[str, int, int], None]

LETTERS = "ABCDEF"


@dataclass(frozen=True)
class _Measure:
    """One line of the table: what it is called, and how poses are drawn together."""

    kind: Kind
    title: str
    better: Literal["high", "low"]
    limit: str


_MEASURES = (
    _Measure("pinch", "smallest girth", "high", "pinch"),
    _Measure("bulge", "largest girth", "low", "bulge"),
    _Measure("stretch", "largest stretch", "low", "stretch"),
    _Measure("squeeze", "smallest stretch", "high", "squeeze"),
    _Measure("volume", "largest change of volume", "low", "volume"),
    _Measure("fold", "triangles turned over", "low", "folds"),
    _Measure("contact", "triangles cutting each other", "low", "contacts"),
    _Measure("kink", "sharpest kink", "low", "kink"),
    _Measure("shape", "largest shape error", "low", "shape"),
)


@dataclass(frozen=True, eq=False)
class Comparison:
    """What a comparison found.

    Parameters
    ----------
    mesh : str
        Name of the mesh that all layouts share.
    names : tuple of str
        Of the layouts, all different.
    methods : tuple of {"linear", "dual_quaternion"}
        One for each layout.
    rigs : tuple of Rig
    reports : tuple of Report
        One for each layout, by the same limits and without remedies.
    limits : Limits
    notes : tuple of str
        What has to be known to read the numbers, in sentences.
    """

    mesh: str
    names: tuple[str, ...]
    methods: tuple[Method, ...]
    rigs: tuple[Rig, ...]
    reports: tuple[Report, ...]
    limits: Limits
    notes: tuple[str, ...] = ()

    @property
    def letters(self) -> tuple[str, ...]:
        """One for each layout, from A."""
        return tuple(LETTERS[: len(self.names)])

    @property
    def labels(self) -> tuple[str, ...]:
        """How layouts are called in sentences: letter and name."""
        return tuple(
            letter if letter == name else f"{letter} ({name})"
            for letter, name in zip(self.letters, self.names, strict=True)
        )

    @property
    def poses(self) -> tuple[str, ...]:
        """Names of the poses."""
        return tuple(self.reports[0].cases)

    @cached_property
    def table(self) -> tuple[Row, ...]:
        """Measures by layout; each is the worst over the poses, counts are totals."""
        return tuple(_rows(self))

    @cached_property
    def differences(self) -> tuple[str, ...]:
        """What sets the layouts apart, in sentences, the weightiest first."""
        controls = [len(rig.layout.controls) for rig in self.rigs]
        stations = [len(rig.layout.stations) for rig in self.rigs]
        return tuple(differences_of(self.table, self.labels, controls, stations))

    def number(self, kind: Kind, pose: str, layout: int) -> float | None:
        """A measure of one pose in one layout.

        Parameters
        ----------
        kind : str
            As of a finding.
        pose : str
        layout : int
            From 0.

        Returns
        -------
        float or None
            None if it was not looked for, or the pose has no target.
        """
        return _number(kind, self.reports[layout].cases[pose])

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers and words, fit for JSON.

        Returns
        -------
        dict
        """
        return {
            "mesh": self.mesh,
            "poses": list(self.poses),
            "limits": asdict(self.limits),
            "notes": list(self.notes),
            "layouts": [
                {
                    "letter": letter,
                    "name": name,
                    "method": report.method,
                    "stations": len(rig.layout.stations),
                    "controls": {c.name: c.station for c in rig.layout.controls},
                    "bends_right": report.bends_right,
                    "verdict": report.verdict,
                    "weights": report.weights,
                    "measures": {pose: asdict(of) for pose, of in report.measures.items()},
                    "findings": [finding.statement for finding in report.findings],
                }
                for letter, name, rig, report in zip(
                    self.letters, self.names, self.rigs, self.reports, strict=True
                )
            ],
            "table": [row.to_dict(self.letters) for row in self.table],
            "differences": list(self.differences),
        }


def compare(
    rigs: Sequence[Rig],
    poses: PoseList = None,
    names: Sequence[str] | None = None,
    method: Method = "linear",
    limits: Limits | None = None,
    contacts: bool = False,
    progress: Progress | None = None,
    methods: Sequence[Method] | None = None,
    posed: int = 0,
) -> Comparison:
    """Put two to six layouts of one mesh into the same poses and compare the measures.

    Test poses are fitted to each layout, so each is asked for the same shape. A pose of
    controls is one of the first layout's, or of the one that ``posed`` names, and is carried
    over to the others.

    Parameters
    ----------
    rigs : sequence of Rig
        Of one mesh.
    poses : Pose, mapping, sequence of str or None
        As for :func:`ribbonsim.check`.
    names : sequence of str, optional
        One for each layout, all different; the layouts' own if left out, or letters where
        those do not tell them apart.
    method : {"linear", "dual_quaternion"}
    limits : Limits, optional
        Those of the first layout if left out.
    contacts : bool
        Look for contacts too; takes longer than all the rest.
    progress : callable, optional
        Called as ``progress(what, done, total)``; raise in it to stop.
    methods : sequence of {"linear", "dual_quaternion"}, optional
        One for each layout, in place of ``method``.
    posed : int
        The layout, from 0, that poses of controls are of.

    Returns
    -------
    Comparison

    Raises
    ------
    RibbonsimError
        If the rigs cannot be compared or a pose is unknown.
    """
    _check_rigs(rigs)
    called = _names(rigs, names)
    held = rigs[0].layout.limits if limits is None else limits
    asked = wishes_of(poses, rigs)
    if not asked:
        raise RibbonsimError("no pose to compare in: give at least one")
    blends = (method,) * len(rigs) if methods is None else tuple(methods)
    if len(blends) != len(rigs):
        raise RibbonsimError(
            f"{len(blends)} methods are given for {len(rigs)} layouts: give one for each"
        )
    if not 0 <= posed < len(rigs):
        raise RibbonsimError(f"no layout {posed} can own the poses: give 0 to {len(rigs) - 1}")
    reports = []
    for rig, name, blend in zip(rigs, called, blends, strict=True):
        reports.append(
            check(
                rig,
                _poses_for(asked, rigs[posed], rig),
                blend,
                held,
                contacts,
                remedies=False,
                progress=_under(progress, f"measure {name}"),
            )
        )
    mesh = rigs[0].mesh.name
    return Comparison(mesh, called, blends, tuple(rigs), tuple(reports), held, _notes(rigs))


def _under(progress: Progress | None, stage: str) -> Progress | None:
    if progress is None:
        return None
    return lambda _, done, total: progress(stage, done, total)


def _check_rigs(rigs: Sequence[Rig]) -> None:
    if not 2 <= len(rigs) <= len(LETTERS):
        raise RibbonsimError(
            f"{len(rigs)} {'layout' if len(rigs) == 1 else 'layouts'} cannot be compared: "
            f"give 2 to {len(LETTERS)}"
        )
    first = rigs[0].mesh
    for number, rig in enumerate(rigs[1:], start=2):
        same = rig.mesh is first or (
            np.array_equal(rig.mesh.positions, first.positions)
            and np.array_equal(rig.mesh.triangles, first.triangles)
        )
        if not same:
            raise RibbonsimError(
                f"layout {number} is bound to another mesh ({rig.mesh.name}) than the first "
                f"({first.name}): bind all layouts to one mesh"
            )


def _names(rigs: Sequence[Rig], names: Sequence[str] | None) -> tuple[str, ...]:
    if names is None:
        own = tuple(rig.layout.name for rig in rigs)
        return own if len(set(own)) == len(own) and all(own) else tuple(LETTERS[: len(rigs)])
    given = tuple(str(name) for name in names)
    if len(given) != len(rigs):
        raise RibbonsimError(
            f"{len(given)} names are given for {len(rigs)} layouts: give one for each"
        )
    for name in given:
        if given.count(name) > 1:
            raise RibbonsimError(f"two layouts are called {name!r}: give them different names")
    return given


def _poses_for(asked: Sequence[Wish], owner: Rig, rig: Rig) -> dict[str, Pose | float | None]:
    """The wishes as this layout takes them."""
    return {
        wish.name: wish.amount
        if wish.pose is None
        else (wish.pose if rig is owner else carry_over(owner, rig, wish.pose))
        for wish in asked
    }


def wishes_of(poses: PoseList, rigs: Sequence[Rig]) -> list[Wish]:
    """Read the poses that several rigs are asked for.

    Parameters
    ----------
    poses : Pose, mapping, sequence of str or None
        None for all test poses; those of appendages only if every layout has some.
    rigs : sequence of Rig

    Returns
    -------
    list of Wish
    """
    least = min((rig.layout for rig in rigs), key=lambda layout: len(layout.appendages))
    return wishes(poses, least)


def _notes(rigs: Sequence[Rig]) -> tuple[str, ...]:
    """Layouts whose ribbons run the other way are asked for other shapes."""
    places = np.linspace(0.0, 1.0, 33)
    first = rigs[0].layout.ribbon.midline(places)
    notes = []
    for letter, rig in zip(LETTERS[1:], rigs[1:], strict=False):
        line = rig.layout.ribbon.midline(places)
        along, against = (np.linalg.norm(way - first) for way in (line, line[::-1]))
        if against < along:
            notes.append(
                f"The ribbon of {letter} runs from the other end than that of A, so the same "
                "pose bends another part of the body."
            )
    return tuple(notes)


# -- the table -----------------------------------------------------------------------------------


def _rows(comparison: Comparison) -> list[Row]:
    reports, limits = comparison.reports, comparison.limits
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
            rows.append(
                Row.of(
                    measure.kind,
                    measure.title,
                    measure.better,
                    limit,
                    values,
                    places,
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
    found = {name: _number(measure.kind, case) for name, case in report.cases.items()}
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


def _number(kind: Kind, case: Case) -> float | None:
    if kind == "contact" and case.contacts is None:
        return None
    if kind == "shape" and case.target is None:
        return None
    return float(quantity(kind, case))


def _place(kind: Kind, case: Case) -> str:
    """Where a measure of a pose is at its worst, as ``at station 14 by neck``."""
    rig, measures = case.rig, case.measures
    triangles = rig.mesh.triangles
    if kind == "stretch":
        return str(place_of(rig, triangles[int(np.argmax(relative_stretch(case)[0]))]))
    if kind == "squeeze":
        return str(place_of(rig, triangles[int(np.argmin(relative_stretch(case)[1]))]))
    if kind == "fold":
        return str(place_of(rig, np.unique(triangles[measures.folded])))
    if kind == "contact" and case.contacts is not None:
        return str(place_of(rig, np.unique(triangles[case.contacts])))
    if kind in ("pinch", "bulge"):
        ratio = measures.girth / case.asked_girth
        station = int(np.argmin(ratio) if kind == "pinch" else np.argmax(ratio))
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
    wanted = case.target.at(layout.ribbon.arc_length(layout.stations)).frames[:, :3, 3]
    return int(np.argmax(np.linalg.norm(case.ribbon.midline(layout.stations) - wanted, axis=1)))


def _control_near(rig: Rig, station: int) -> str:
    lengths = rig.layout.ribbon.arc_length(rig.layout.stations)
    stands = np.array([lengths[control.station - 1] for control in rig.layout.controls])
    return rig.layout.control_names[int(np.argmin(np.abs(stands - lengths[station])))]

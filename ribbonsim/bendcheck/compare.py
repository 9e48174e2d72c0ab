"""Layouts side by side: the same poses asked of each, and the measures in one table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.apart import Apart, apart
from ribbonsim.bendcheck.cases import (
    PoseList,
    Wish,
    wish_for,
    wishes,
    with_amounts,
)
from ribbonsim.bendcheck.differences import Row, differences_of
from ribbonsim.bendcheck.figures import figure
from ribbonsim.bendcheck.findings import FindingKind
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.bendcheck.table import number_of, table_rows
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.limits import Limits
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.settings import DRIVES
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Instant

LETTERS = "ABCDEF"


# skins no farther apart than this share of the body's length are not worth a sentence
_TOGETHER = 5e-4
# places nearer than this share of the length count as one that stands still
_STILL = 0.02


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
    other_drives : tuple of str
        For each layout where it would miss the poses most if its controls moved the ribbons the
        other way, in a sentence.
    """

    mesh: str
    names: tuple[str, ...]
    methods: tuple[Method, ...]
    rigs: tuple[Rig, ...]
    reports: tuple[Report, ...]
    limits: Limits
    notes: tuple[str, ...] = ()
    other_drives: tuple[str, ...] = ()

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
        return tuple(table_rows(self.reports, self.limits))

    @cached_property
    def differences(self) -> tuple[str, ...]:
        """What sets the layouts apart, in sentences, the weightiest first."""
        controls = [len(rig.layout.controls) for rig in self.rigs]
        stations = [len(rig.layout.stations) for rig in self.rigs]
        told = differences_of(self.table, self.labels, controls, stations)
        return (*told, *self._farthest())

    @cached_property
    def apart(self) -> dict[str, tuple[Apart, ...]]:
        """For each pose how far each layout but the first puts the skin from the first one's."""
        first, *others = (report.cases for report in self.reports)
        return {pose: tuple(apart(first[pose], each[pose]) for each in others) for pose in first}

    def _farthest(self) -> list[str]:
        """For each layout but the first where it leaves the first one's skin most."""
        told = []
        for number, label in enumerate(self.labels[1:]):
            most = max((found[number] for found in self.apart.values()), key=lambda one: one.most)
            if most.most < _TOGETHER:
                continue
            told.append(
                f"The skin of {label} is farthest from that of {self.labels[0]} in {most.pose}, "
                f"by {figure('shape', most.most)} of the body's length {most.place}."
            )
        return told

    def number(self, kind: FindingKind, pose: str, layout: int) -> float | None:
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
        return number_of(kind, self.reports[layout].cases[pose])

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
            "other_drives": list(self.other_drives),
            "layouts": [
                {
                    "letter": letter,
                    "name": name,
                    "method": report.method,
                    "drive": rig.layout.drive,
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
            "apart": {pose: [one.to_dict() for one in found] for pose, found in self.apart.items()},
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
    # amounts fit the mesh, and are the same for all layouts
    asked = with_amounts(wishes_of(poses, rigs), Gauge(rigs[0]))
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
    mesh, notes = rigs[0].mesh.name, _notes(rigs)
    found = Comparison(mesh, called, blends, tuple(rigs), tuple(reports), held, notes)
    told = [
        f"{label}: {report.other_drive.sentence}"
        for label, report in zip(found.labels, reports, strict=True)
        if report.other_drive is not None
    ]
    return replace(found, other_drives=tuple(told))


def both_drives(rigs: Sequence[Rig], names: Sequence[str]) -> tuple[list[Rig], list[str]]:
    """Each rig as it is and under the other drive, with names that say which."""
    pairs = [
        (rig.under(drive), f"{name} {drive}")
        for rig, name in zip(rigs, names, strict=True)
        for drive in DRIVES
    ]
    return [rig for rig, _ in pairs], [name for _, name in pairs]


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


def _poses_for(
    asked: Sequence[Wish], owner: Rig, rig: Rig
) -> dict[str, Pose | Instant | float | None]:
    """The wishes as this layout takes them."""
    told = [wish if rig is owner else wish_for(wish, owner, rig) for wish in asked]
    return {
        wish.name: wish.amount if wish.pose is None else wish.instant or wish.pose for wish in told
    }


def wishes_of(poses: PoseList, rigs: Sequence[Rig]) -> list[Wish]:
    """Read the poses asked of several rigs; appendages' test poses only if all rigs have some."""
    least = min((rig.layout for rig in rigs), key=lambda layout: len(layout.appendages))
    return wishes(poses, least)


def _notes(rigs: Sequence[Rig]) -> tuple[str, ...]:
    """Layouts that are asked for other shapes, or elsewhere, and why."""
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
        elif _stand_apart(rigs[0], rig):
            root, own = (one.layout.chain_root for one in (rigs[0], rig))
            notes.append(
                f"{own} stands still in {letter} and {root} in A, so a pose turns and shifts one "
                "as a whole against the other."
            )
    return tuple(notes)


def _stand_apart(first: Rig, other: Rig) -> bool:
    """Whether what stands still does so at two places."""
    here, there = first.still_place(BODY), other.still_place(BODY)
    if here is None or there is None:
        return False
    return abs(here - there) > _STILL * first.layout.ribbon.length

"""Findings: what bends wrong, where and how much."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ribbonsim.check.cases import Case
from ribbonsim.limits import Limits
from ribbonsim.rig import Rig

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

Kind = Literal[
    "fold",
    "contact",
    "pinch",
    "bulge",
    "stretch",
    "squeeze",
    "volume",
    "kink",
    "shape",
    "bleed",
    "asymmetry",
]


@dataclass(frozen=True)
class Place:
    """Where a finding is.

    Parameters
    ----------
    station : int
        Number, from 1 at the root end.
    control : str
        The control nearest along the body.
    part : str
        The group that most of the faces there belong to; empty if the mesh has one group.
    """

    station: int
    control: str
    part: str = ""

    def __str__(self) -> str:
        part = f" on {self.part}" if self.part else ""
        return f"at station {self.station} by {self.control}{part}"


@dataclass(frozen=True)
class Tried:
    """A change that was made on a copy and measured.

    Parameters
    ----------
    change : str
        What was changed, as an instruction.
    before, after : float
        The finding's value without and with it.
    clears : bool
        Whether the limit holds with it.
    """

    change: str
    before: float
    after: float
    clears: bool


@dataclass(frozen=True, eq=False)
class Finding:
    """One thing that bends wrong.

    Parameters
    ----------
    kind : str
    pose : str
        The pose it was found in; empty if it is of the layout itself.
    place : Place
    value, limit : float
    severity : float
        1 at the limit; twice as far beyond rest is 2.
    vertices : (m,) int array
        The vertices it concerns, counted from 0.
    faces : (n, 2) int array
        For contacts, pairs of triangles; empty otherwise.
    tried : Tried or None
        What helped most of all that was tried; None if nothing was tried or helped.
    attempts : tuple of Tried
        Everything that was tried.
    """

    kind: Kind
    pose: str
    place: Place
    value: float
    limit: float
    severity: float
    vertices: Ints
    faces: Ints
    tried: Tried | None = None
    attempts: tuple[Tried, ...] = ()

    @property
    def sentence(self) -> str:
        """What is wrong, where, how much, the limit, and what to try."""
        return f"{self.statement} {self.advice}".strip()

    @property
    def statement(self) -> str:
        """The sentence without the advice."""
        words = _WORDS[self.kind](self)
        lead = f"In {self.pose.replace('_', ' ')} " if self.pose else ""
        text = f"{lead}{words}"
        return f"{text[0].upper()}{text[1:]}."

    @property
    def advice(self) -> str:
        """What was tried and what came of it."""
        if self.tried is not None:
            done = ", within the limit" if self.tried.clears else ""
            before, after = (
                _figure(self.kind, value) for value in (self.tried.before, self.tried.after)
            )
            return f"Try this: {self.tried.change}; {before} becomes {after}{done}."
        if self.attempts:
            names = ", ".join(attempt.change for attempt in self.attempts)
            return f"Nothing that was tried helps much ({names})."
        return ""

    def with_attempts(self, attempts: list[Tried]) -> Finding:
        """Return the finding with what was tried for it.

        Parameters
        ----------
        attempts : list of Tried

        Returns
        -------
        Finding
        """
        helpful = [a for a in attempts if _gain(self.kind, a) > 0.1]
        best = max(helpful, key=lambda a: (a.clears, _gain(self.kind, a)), default=None)
        return replace(self, tried=best, attempts=tuple(attempts))


def findings_of(case: Case, limits: Limits) -> list[Finding]:
    """Findings of one measured pose.

    Parameters
    ----------
    case : Case
    limits : Limits

    Returns
    -------
    list of Finding
        The worst first.
    """
    look = _Look(case, limits)
    found = [
        *look.folds(),
        *look.contacts(),
        *look.girths(),
        *look.stretches(),
        *look.volume(),
        *look.midline(),
    ]
    return sorted(found, key=lambda finding: -finding.severity)


def place_of(rig: Rig, vertices: Ints) -> Place:
    """Where most of some vertices are.

    Parameters
    ----------
    rig : Rig
    vertices : (m,) int array

    Returns
    -------
    Place
    """
    layout, mesh = rig.layout, rig.mesh
    lengths = layout.ribbon.arc_length(layout.stations)
    middle = float(np.median(rig.places[vertices]))
    station = int(np.argmin(np.abs(lengths - middle))) + 1
    return Place(station, _nearest_control(rig, station), _part_of(mesh, vertices))


def _nearest_control(rig: Rig, station: int) -> str:
    layout = rig.layout
    lengths = layout.ribbon.arc_length(layout.stations)
    stands = np.array([lengths[control.station - 1] for control in layout.controls])
    return layout.control_names[int(np.argmin(np.abs(stands - lengths[station - 1])))]


def _part_of(mesh, vertices: Ints) -> str:  # type: ignore[no-untyped-def]
    if len(mesh.group_names) < 2:
        return ""
    chosen = np.zeros(len(mesh.positions), dtype=bool)
    chosen[vertices] = True
    touched = chosen[mesh.triangles].any(axis=1)
    if not touched.any():
        return ""
    groups = mesh.polygon_groups[mesh.triangle_polygons[touched]]
    return mesh.group_names[int(np.bincount(groups).argmax())]


class _Look:
    """Looks through one case for what breaks a limit."""

    def __init__(self, case: Case, limits: Limits) -> None:
        self.case, self.limits = case, limits
        self.rig, self.measures = case.rig, case.measures

    def _make(
        self,
        kind: Kind,
        value: float,
        limit: float,
        severity: float,
        vertices: Ints,
        place: Place | None = None,
        faces: Ints | None = None,
    ) -> Finding:
        none = np.zeros((0, 2), dtype=np.int64)
        where = place_of(self.rig, vertices) if place is None else place
        return Finding(
            kind,
            self.case.wish.name,
            where,
            value,
            limit,
            severity,
            vertices,
            none if faces is None else faces,
        )

    def folds(self) -> list[Finding]:
        folded = np.flatnonzero(self.measures.folded)
        if len(folded) <= self.limits.folds:
            return []
        vertices = np.unique(self.rig.mesh.triangles[folded])
        severity = 2.0 + 20.0 * len(folded) / len(self.rig.mesh.triangles)
        return [self._make("fold", len(folded), self.limits.folds, severity, vertices)]

    def contacts(self) -> list[Finding]:
        pairs = self.case.contacts
        if pairs is None or len(pairs) <= self.limits.contacts:
            return []
        vertices = np.unique(self.rig.mesh.triangles[pairs])
        severity = 2.0 + 10.0 * len(pairs) / len(self.rig.mesh.triangles)
        return [
            self._make("contact", len(pairs), self.limits.contacts, severity, vertices, faces=pairs)
        ]

    def girths(self) -> list[Finding]:
        ratio = self.measures.girth / self.case.asked_girth
        found = []
        for kind, worst in (("pinch", int(np.argmin(ratio))), ("bulge", int(np.argmax(ratio)))):
            value, limit = float(ratio[worst]), float(getattr(self.limits, kind))
            if not holds(kind, value, limit):  # type: ignore[arg-type]
                vertices = self._around(worst)
                place = Place(worst + 1, _nearest_control(self.rig, worst + 1))
                severity = _log_times(value, limit)
                found.append(self._make(kind, value, limit, severity, vertices, place))  # type: ignore[arg-type]
        return found

    def _around(self, station: int) -> Ints:
        held = np.argmax(self.rig.mesh_weights, axis=1) == station
        if not held.any():
            held = self.rig.mesh_weights[:, station] > 0
        return np.flatnonzero(held)

    def stretches(self) -> list[Finding]:
        large, small = relative_stretch(self.case)
        found = []
        for kind, values, beyond in (
            ("stretch", large, large > self.limits.stretch),
            ("squeeze", small, small < self.limits.squeeze),
        ):
            if not beyond.any():
                continue
            value = float(values.max() if kind == "stretch" else values.min())
            limit = float(getattr(self.limits, kind))
            vertices = np.unique(self.rig.mesh.triangles[beyond])
            found.append(self._make(kind, value, limit, _log_times(value, limit), vertices))  # type: ignore[arg-type]
        return found

    def volume(self) -> list[Finding]:
        change = self.measures.volume - 1.0
        if not self.rig.mesh.is_closed or abs(change) <= self.limits.volume:
            return []
        worst = int(np.argmax(np.abs(np.log(np.maximum(self.measures.volumes, 1e-6)))))
        place = Place(worst + 1, _nearest_control(self.rig, worst + 1))
        severity = _times(abs(change), self.limits.volume)
        vertices = self._around(worst)
        return [self._make("volume", change, self.limits.volume, severity, vertices, place)]

    def midline(self) -> list[Finding]:
        found = []
        ratio, t = self.case.sharpness
        if ratio > self.limits.kink:
            severity = _times(ratio - 1.0, self.limits.kink - 1.0)
            found.append(self._along("kink", ratio, self.limits.kink, severity, t))
        error = self.case.shape_error
        if error is not None and error > self.limits.shape:
            severity = _times(error, self.limits.shape)
            place = self._farthest_from_target()
            found.append(self._along("shape", error, self.limits.shape, severity, place))
        return found

    def _along(self, kind: Kind, value: float, limit: float, severity: float, t: float) -> Finding:
        station = int(np.argmin(np.abs(self.rig.layout.stations - t)))
        place = Place(station + 1, _nearest_control(self.rig, station + 1))
        return self._make(kind, value, limit, severity, self._around(station), place)

    def _farthest_from_target(self) -> float:
        target = self.case.target
        if target is None:
            return 0.5
        t = self.rig.layout.ribbon.place_at(target.lengths)
        apart = np.linalg.norm(self.case.ribbon.midline(t) - target.frames[:, :3, 3], axis=1)
        return float(t[int(np.argmax(apart))])


def _times(value: float, limit: float) -> float:
    """How many times the limit; a limit of nothing counts as a thousandth."""
    return float(value / max(limit, 1e-3))


def _log_times(value: float, limit: float) -> float:
    return _times(abs(np.log(max(value, 1e-3))), abs(np.log(max(limit, 1e-3))))


def relative_stretch(case: Case) -> tuple[Array, Array]:
    """Stretches of triangles as shares of what the pose itself asks for at their places.

    Parameters
    ----------
    case : Case

    Returns
    -------
    (T,), (T,) arrays
        The larger and the smaller; 1 for triangles that turned over, which are findings of
        another kind.
    """
    rig, measures = case.rig, case.measures
    lengths = rig.layout.ribbon.arc_length(rig.layout.stations)
    places = rig.places[rig.mesh.triangles].mean(axis=1)
    along = np.interp(places, lengths, case.asked_stretch)
    across = np.interp(places, lengths, case.asked_girth)
    high = np.maximum(np.maximum(along, across), 1.0)
    low = np.minimum(np.minimum(along, across), 1.0)
    large = np.where(measures.folded, 1.0, measures.stretch[:, 0] / high)
    small = np.where(measures.folded, 1.0, measures.stretch[:, 1] / low)
    return large, small


def quantity(kind: Kind, case: Case) -> float:
    """The number that a finding of a kind is about.

    Parameters
    ----------
    kind : str
    case : Case

    Returns
    -------
    float
    """
    if kind in ("pinch", "bulge"):
        ratio = case.measures.girth / case.asked_girth
        return float(ratio.min() if kind == "pinch" else ratio.max())
    if kind in ("stretch", "squeeze"):
        large, small = relative_stretch(case)
        return float(large.max() if kind == "stretch" else small.min())
    numbers: dict[str, Callable[[], float]] = {
        "fold": lambda: float(np.count_nonzero(case.measures.folded)),
        "contact": lambda: float(0 if case.contacts is None else len(case.contacts)),
        "volume": lambda: case.measures.volume - 1.0,
        "kink": lambda: case.sharpness[0],
        "shape": lambda: case.shape_error or 0.0,
    }
    return numbers[kind]()


def holds(kind: Kind, value: float, limit: float) -> bool:
    """Whether a value is within its limit.

    Parameters
    ----------
    kind : str
    value, limit : float

    Returns
    -------
    bool
    """
    return value >= limit if kind in ("pinch", "squeeze") else abs(value) <= limit


# -- words -------------------------------------------------------------------------------------


def _figure(kind: Kind, value: float) -> str:
    if kind in ("fold", "contact"):
        return f"{value:.0f}"
    if kind in ("volume", "shape", "bleed", "asymmetry"):
        return f"{100.0 * value:+.1f} %" if kind == "volume" else f"{100.0 * value:.1f} %"
    return f"{value:.2f}"


def _gain(kind: Kind, tried: Tried) -> float:
    """Share of the trouble that a change takes away."""
    rest = {"pinch": 1.0, "bulge": 1.0, "stretch": 1.0, "squeeze": 1.0, "kink": 1.0}.get(kind, 0.0)
    before, after = abs(tried.before - rest), abs(tried.after - rest)
    return 0.0 if before == 0 else (before - after) / before


def _count(finding: Finding) -> str:
    number = len(finding.vertices)
    return f"{number:,} {'vertex' if number == 1 else 'vertices'}"


def _pairs(finding: Finding) -> str:
    shown = ", ".join(f"{a + 1} with {b + 1}" for a, b in finding.faces[:3])
    more = "" if len(finding.faces) <= 3 else ", ..."
    return f"triangles {shown}{more}"


_WORDS: dict[Kind, Callable[[Finding], str]] = {
    "fold": lambda f: (
        f"{f.value:.0f} triangles turn over {f.place} ({_count(f)}); {f.limit:.0f} are allowed"
    ),
    "contact": lambda f: (
        f"the skin cuts itself {f.place}: {f.value:.0f} pairs of triangles "
        f"({_pairs(f)}); {f.limit:.0f} are allowed"
    ),
    "pinch": lambda f: (
        f"the body pinches {f.place}: girth is {f.value:.2f} of what it should be there "
        f"({_count(f)}); the limit is {f.limit:.2f}"
    ),
    "bulge": lambda f: (
        f"the body bulges {f.place}: girth is {f.value:.2f} of what it should be there "
        f"({_count(f)}); the limit is {f.limit:.2f}"
    ),
    "stretch": lambda f: (
        f"the skin stretches {f.place} to {f.value:.2f} of what the pose asks for "
        f"({_count(f)}); the limit is {f.limit:.2f}"
    ),
    "squeeze": lambda f: (
        f"the skin is squeezed {f.place} to {f.value:.2f} of what the pose asks for "
        f"({_count(f)}); the limit is {f.limit:.2f}"
    ),
    "volume": lambda f: (
        f"the volume changes by {100 * f.value:+.1f} %, most {f.place}; "
        f"the limit is {100 * f.limit:.0f} %"
    ),
    "kink": lambda f: (
        f"the midline kinks {f.place}: it bends {f.value:.2f} times as sharply as it should "
        f"anywhere; the limit is {f.limit:.2f}"
    ),
    "shape": lambda f: (
        f"the body misses the shape by {100 * f.value:.1f} % of its length, most {f.place}; "
        f"the limit is {100 * f.limit:.1f} %"
    ),
    "bleed": lambda f: (
        f"weights bleed {f.place}: {_count(f)} hold up to {100 * f.value:.1f} % from far along "
        f"the body; the limit is {100 * f.limit:.1f} %"
    ),
    "asymmetry": lambda f: (
        f"left and right differ {f.place}: weights of mirrored vertices by up to "
        f"{100 * f.value:.1f} % ({_count(f)}); the limit is {100 * f.limit:.1f} %"
    ),
}

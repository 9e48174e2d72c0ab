"""Findings: what bends wrong, where and how much."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendages import BODY
from ribbonsim.bendcheck.cases import Case, PartCase
from ribbonsim.bendcheck.figures import figures
from ribbonsim.layout import Layout
from ribbonsim.limits import Limits
from ribbonsim.mesh import CreatureMesh
from ribbonsim.rig import Method, Rig

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
        The control nearest along the ribbon, by its name in the whole creature.
    part : str
        The group that most of the faces there belong to; empty if the mesh has one group.
    ribbon : str
        Name of the ribbon.
    against : str
        For contacts between two ribbons' skin, the other ribbon.
    alike : str
        The partner on the other side, where the same is found.
    """

    station: int
    control: str
    part: str = ""
    ribbon: str = BODY
    against: str = ""
    alike: str = ""

    def __str__(self) -> str:
        of = "" if self.ribbon == BODY else f" of {self.ribbon}"
        part = f" on {self.part}" if self.part and self.part != self.ribbon else ""
        meets = f", where {self.ribbon} meets {self.against}" if self.against else ""
        alike = f", and alike on {self.alike}" if self.alike else ""
        return f"at station {self.station}{of} by {self.control}{part}{meets}{alike}"


@dataclass(frozen=True, eq=False)
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
    layout : Layout
        The changed layout.
    method : {"linear", "dual_quaternion"}
        The blending it was tried with.
    """

    change: str
    before: float
    after: float
    clears: bool
    layout: Layout
    method: Method

    def to_dict(self) -> dict[str, object]:
        """Return words and numbers, fit for JSON.

        Returns
        -------
        dict
        """
        return {
            "change": self.change,
            "before": self.before,
            "after": self.after,
            "clears": self.clears,
            "method": self.method,
        }


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
        words = _words(self)
        lead = f"In {self.pose.replace('_', ' ')} " if self.pose else ""
        text = f"{lead}{words}"
        return f"{text[0].upper()}{text[1:]}."

    @property
    def advice(self) -> str:
        """What was tried and what came of it."""
        if self.tried is not None:
            done = ", within the limit" if self.tried.clears else ""
            before, after, _ = figures(self.kind, self.tried.before, self.tried.after, self.limit)
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
        *look.midlines(),
    ]
    found = _both_sides(case.rig.layout, found)
    return sorted(found, key=lambda finding: -finding.severity)


def _both_sides(layout: Layout, found: list[Finding]) -> list[Finding]:
    """Make one finding of what is the same on both appendages of a pair."""
    partners = {one.name: one.partner for one in layout.appendages}
    kept: list[Finding] = []
    for finding in found:
        twin = next((i for i, other in enumerate(kept) if _are_twins(finding, other, partners)), -1)
        if twin < 0:
            kept.append(finding)
            continue
        other = kept[twin]
        place = replace(other.place, alike=finding.place.ribbon)
        vertices = np.union1d(other.vertices, finding.vertices)
        kept[twin] = replace(other, place=place, vertices=vertices)
    return kept


def _are_twins(one: Finding, other: Finding, partners: Mapping[str, str | None]) -> bool:
    ribbon = one.place.ribbon
    return (
        one.kind == other.kind
        and ribbon != BODY
        and partners.get(ribbon) == other.place.ribbon
        and one.place.station == other.place.station
        and bool(np.isclose(one.value, other.value, rtol=0.05))
    )


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
    ribbon = _ribbon_of(rig, vertices)
    one, there = rig.layout.ribbons[ribbon], vertices
    if ribbon != BODY:
        there = vertices[np.isin(vertices, rig.limbs[ribbon].vertices)]
    along = rig.part(ribbon).places[there]
    lengths = one.ribbon.arc_length(one.stations)
    index = int(np.argmin(np.abs(lengths - float(np.median(along)))))
    return replace(station_place(rig, ribbon, index), part=_part_of(rig.mesh, there))


def station_place(rig: Rig, ribbon: str, index: int) -> Place:
    """The place of a station.

    Parameters
    ----------
    rig : Rig
    ribbon : str
    index : int
        Of the station, from 0.

    Returns
    -------
    Place
    """
    control = _nearest_control(rig.layout.ribbons[ribbon], index + 1)
    return Place(index + 1, rig.layout.control_name(ribbon, control), ribbon=ribbon)


def _ribbon_of(rig: Rig, vertices: Ints) -> str:
    """The ribbon whose skin holds more of some vertices than any other's."""
    counts = {BODY: 0}
    left = vertices
    for one in reversed(rig.layout.appendages):
        on = np.isin(left, rig.limbs[one.name].vertices)
        counts[one.name] = int(np.count_nonzero(on))
        left = left[~on]
    counts[BODY] = len(left)
    return max(counts, key=lambda name: counts[name])


def _nearest_control(layout: Layout, station: int) -> str:
    lengths = layout.ribbon.arc_length(layout.stations)
    stands = np.array([lengths[control.station - 1] for control in layout.controls])
    return layout.control_names[int(np.argmin(np.abs(stands - lengths[station - 1])))]


def _part_of(mesh: CreatureMesh, vertices: Ints) -> str:
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
        limit, place = self.limits.contacts, self._meeting(pairs)
        return [self._make("contact", len(pairs), limit, severity, vertices, place, pairs)]

    def _meeting(self, pairs: Ints) -> Place:
        """Where most of the pairs are, and whose skin meets whose."""
        triangles = self.rig.mesh.triangles
        names = list(self.rig.layout.ribbons)
        owner = np.zeros(len(self.rig.mesh.positions), dtype=np.int64)
        for number, name in enumerate(names[1:], start=1):
            owner[self.rig.limbs[name].vertices] = number
        sides = np.sort(np.median(owner[triangles[pairs]], axis=2).astype(np.int64), axis=1)
        both, count = np.unique(sides, axis=0, return_counts=True)
        low, high = both[np.argmax(count)]
        mine = pairs[(sides == both[np.argmax(count)]).all(axis=1)]
        on_high = np.median(owner[triangles[mine]], axis=2) == high
        place = place_of(self.rig, np.unique(triangles[mine[on_high]]))
        return place if low == high else replace(place, against=names[low])

    def girths(self) -> list[Finding]:
        found = []
        for part in self.case.parts:
            ratio = part.girth / part.asked_girth
            for kind, worst in (("pinch", int(np.argmin(ratio))), ("bulge", int(np.argmax(ratio)))):
                value, limit = float(ratio[worst]), float(getattr(self.limits, kind))
                if not holds(kind, value, limit):  # type: ignore[arg-type]
                    severity = _log_times(value, limit)
                    found.append(self._at(kind, value, limit, severity, part.name, worst))  # type: ignore[arg-type]
        return found

    def _at(
        self, kind: Kind, value: float, limit: float, severity: float, ribbon: str, index: int
    ) -> Finding:
        """A finding at a station of a ribbon, counted from 0."""
        place = station_place(self.rig, ribbon, index)
        column = self.rig.joints_of[ribbon].start + index
        return self._make(kind, value, limit, severity, self._around(column), place)

    def _around(self, joint: int) -> Ints:
        held = np.argmax(self.rig.mesh_weights, axis=1) == joint
        if not held.any():
            held = self.rig.mesh_weights[:, joint] > 0
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
        severity = _times(abs(change), self.limits.volume)
        return [self._at("volume", change, self.limits.volume, severity, BODY, worst)]

    def midlines(self) -> list[Finding]:
        found = []
        for part in self.case.parts:
            ratio, t = part.sharpness
            if ratio > self.limits.kink:
                severity = _times(ratio - 1.0, self.limits.kink - 1.0)
                where = _nearest_station(part, t)
                found.append(self._at("kink", ratio, self.limits.kink, severity, part.name, where))
            error = part.shape_error
            if error is not None and error > self.limits.shape:
                severity = _times(error, self.limits.shape)
                where = _nearest_station(part, _farthest_from_target(part))
                found.append(
                    self._at("shape", error, self.limits.shape, severity, part.name, where)
                )
        return found


def _nearest_station(part: PartCase, t: float) -> int:
    return int(np.argmin(np.abs(part.layout.stations - t)))


def _farthest_from_target(part: PartCase) -> float:
    """Place ``t`` where a ribbon is farthest from the shape it is asked for."""
    if part.target is None:
        return 0.5
    t = part.layout.ribbon.place_at(part.target.lengths)
    apart = np.linalg.norm(part.ribbon.midline(t) - part.target.frames[:, :3, 3], axis=1)
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
    if rig.layout.appendages:
        own: NDArray[np.bool_] = np.any(rig.mesh_weights[:, rig.joints_of[BODY].stop :], axis=1)
        limb = own[rig.mesh.triangles].any(axis=1)
        corners = rig.mesh_weights[rig.mesh.triangles[limb]].mean(axis=1)
        along[limb], across[limb] = corners @ case.joints.stretch, corners @ case.joints.girth
    high = np.maximum(np.maximum(along, across), 1.0)
    low = np.minimum(np.minimum(along, across), 1.0)
    large = np.where(measures.folded, 1.0, measures.stretch[:, 0] / high)
    small = np.where(measures.folded, 1.0, measures.stretch[:, 1] / low)
    return large, small


def quantity(kind: Kind, case: Case, ribbon: str = BODY) -> float:
    """The number that a finding of a kind is about.

    Parameters
    ----------
    kind : str
    case : Case
    ribbon : str
        That it is on, for girth and midline.

    Returns
    -------
    float
    """
    part = next((one for one in case.parts if one.name == ribbon), case.body)
    if kind in ("pinch", "bulge"):
        ratio = part.girth / part.asked_girth
        return float(ratio.min() if kind == "pinch" else ratio.max())
    if kind in ("stretch", "squeeze"):
        large, small = relative_stretch(case)
        return float(large.max() if kind == "stretch" else small.min())
    numbers: dict[str, Callable[[], float]] = {
        "fold": lambda: float(np.count_nonzero(case.measures.folded)),
        "contact": lambda: float(0 if case.contacts is None else len(case.contacts)),
        "volume": lambda: case.measures.volume - 1.0,
        "kink": lambda: part.sharpness[0],
        "shape": lambda: part.shape_error or 0.0,
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


def _words(finding: Finding) -> str:
    """What is wrong, where, how much and the limit, without the pose."""
    # a limit of volume stands for both directions, so it is shown without a sign
    value, limit = figures(finding.kind, finding.value, finding.limit)
    limit = limit.lstrip("+")
    ribbon = "the body" if finding.place.ribbon == BODY else finding.place.ribbon
    return _WORDS[finding.kind].format(
        value=value,
        limit=limit,
        place=finding.place,
        count=_count(finding),
        pairs=_pairs(finding),
        ribbon=ribbon,
    )


_ASKED = "of what it should be there ({count}); the limit is {limit}"
_SKIN = "{place} to {value} of what the pose asks for ({count}); the limit is {limit}"
_WORDS: dict[Kind, str] = {
    "fold": "{value} triangles turn over {place} ({count}); {limit} are allowed",
    "contact": "the skin cuts itself {place}: {value} pairs of triangles ({pairs}); "
    "{limit} are allowed",
    "pinch": "{ribbon} pinches {place}: girth is {value} " + _ASKED,
    "bulge": "{ribbon} bulges {place}: girth is {value} " + _ASKED,
    "stretch": "the skin stretches " + _SKIN,
    "squeeze": "the skin is squeezed " + _SKIN,
    "volume": "the volume changes by {value}, most {place}; the limit is {limit}",
    "kink": "the midline of {ribbon} kinks {place}: it bends {value} times as sharply as it should "
    "anywhere; the limit is {limit}",
    "shape": "{ribbon} misses the shape by {value} of its length, most {place}; "
    "the limit is {limit}",
    "bleed": "weights bleed {place}: {count} hold up to {value} from far along the body; "
    "the limit is {limit}",
    "asymmetry": "left and right differ {place}: weights of mirrored vertices by up to {value} "
    "({count}); the limit is {limit}",
}

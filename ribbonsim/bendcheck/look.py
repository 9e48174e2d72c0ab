"""Looking through a measured pose for what breaks a limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ribbonsim.arrays import Ints
from ribbonsim.bendcheck.cases import Case, PartCase
from ribbonsim.bendcheck.findings import Finding, FindingKind, Place
from ribbonsim.bendcheck.readings import Reading, counted_contacts, read
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.limits import Limits
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.rig import Rig


def findings_of(case: Case, limits: Limits) -> list[Finding]:
    """Findings of one measured pose, the worst first."""
    look = _Look(case, limits)
    found = [
        *look.folds(),
        *look.contacts(),
        *look.girths(),
        *look.tears(),
        *look.stretches(),
        *look.volume(),
        *look.midlines(),
    ]
    found = _both_sides(case.rig.layout, found)
    return sorted(found, key=lambda finding: -finding.severity)


def _both_sides(layout: Layout, found: list[Finding]) -> list[Finding]:
    """Make one finding of what is the same on both appendages of a pair."""
    partners = {limb.name: limb.partner for limb in layout.appendages}
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


def _are_twins(finding: Finding, other: Finding, partners: Mapping[str, str | None]) -> bool:
    ribbon = finding.place.ribbon
    return (
        finding.kind == other.kind
        and ribbon != BODY
        and partners.get(ribbon) == other.place.ribbon
        and finding.place.station == other.place.station
        and bool(np.isclose(finding.value, other.value, rtol=0.05))
    )


def place_of(rig: Rig, vertices: Ints) -> Place:
    """Where most of some vertices are."""
    ribbon = _ribbon_of(rig, vertices)
    own, there = rig.layout.ribbons[ribbon], vertices
    if ribbon != BODY:
        there = vertices[np.isin(vertices, rig.limbs[ribbon].vertices)]
    along = rig.part(ribbon).places[there]
    lengths = own.station_lengths
    index = int(np.argmin(np.abs(lengths - float(np.median(along)))))
    return replace(station_place(rig, ribbon, index), part=_part_of(rig.mesh, there))


def station_place(rig: Rig, ribbon: str, index: int) -> Place:
    """The place of a ribbon's station, counted from 0."""
    control = _nearest_control(rig.layout.ribbons[ribbon], index + 1)
    return Place(index + 1, rig.layout.control_name(ribbon, control), ribbon=ribbon)


def _ribbon_of(rig: Rig, vertices: Ints) -> str:
    """The ribbon whose skin holds more of some vertices than any other's."""
    counts = {BODY: 0}
    left = vertices
    for limb in reversed(rig.layout.appendages):
        on = np.isin(left, rig.limbs[limb.name].vertices)
        counts[limb.name] = int(np.count_nonzero(on))
        left = left[~on]
    counts[BODY] = len(left)
    return max(counts, key=lambda name: counts[name])


def _nearest_control(layout: OneRibbon, station: int) -> str:
    lengths = layout.station_lengths
    stands = layout.control_lengths
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
        kind: FindingKind,
        reading: Reading,
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
            reading.value,
            reading.limit,
            severity,
            vertices,
            none if faces is None else faces,
            asked=self.case.wish.shown,
            floor=reading.floor,
        )

    def _read(self, kind: FindingKind, ribbon: str = BODY) -> Reading | None:
        """What a measure says if its limit is broken."""
        reading = read(kind, self.case, self.limits, ribbon)
        return None if reading.holds else reading

    def folds(self) -> list[Finding]:
        reading = self._read("fold")
        if reading is None or reading.beyond is None:
            return []
        vertices = np.unique(self.rig.mesh.triangles[reading.beyond])
        severity = 2.0 + 20.0 * reading.value / len(self.rig.mesh.triangles)
        return [self._make("fold", reading, severity, vertices)]

    def contacts(self) -> list[Finding]:
        if self.case.contacts is None or len(self.case.contacts) <= self.limits.contacts:
            return []
        reading, pairs = self._read("contact"), counted_contacts(self.case)
        if reading is None:
            return []
        vertices = np.unique(self.rig.mesh.triangles[pairs])
        severity = 2.0 + 10.0 * len(pairs) / len(self.rig.mesh.triangles)
        return [self._make("contact", reading, severity, vertices, self._meeting(pairs), pairs)]

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
        kinds: tuple[FindingKind, ...] = ("pinch", "bulge", "off")
        for part in self.case.parts:
            for kind in kinds:
                reading = self._read(kind, part.name)
                if reading is not None:
                    by = _times if kind == "off" else _log_times
                    severity = by(reading.value, reading.limit)
                    found.append(self._at(kind, reading, severity, part.name, reading.where))
        return found

    def tears(self) -> list[Finding]:
        reading = self._read("tear")
        if reading is None:
            return []
        gap = reading.limit * self.rig.layout.ribbon.length
        vertices = self.case.gauge.seams.torn(self.case.positions, gap)
        severity = 1.0 + _times(reading.value, reading.limit)
        return [self._make("tear", reading, severity, vertices)]

    def _at(
        self, kind: FindingKind, reading: Reading, severity: float, ribbon: str, index: int
    ) -> Finding:
        """A finding at a station of a ribbon, counted from 0."""
        place = station_place(self.rig, ribbon, index)
        column = self.rig.joints_of[ribbon].start + index
        return self._make(kind, reading, severity, self._around(column), place)

    def _around(self, joint: int) -> Ints:
        held = np.argmax(self.rig.mesh_weights, axis=1) == joint
        if not held.any():
            held = self.rig.mesh_weights[:, joint] > 0
        return np.flatnonzero(held)

    def stretches(self) -> list[Finding]:
        found = []
        kinds: tuple[FindingKind, ...] = ("stretch", "squeeze")
        for kind in kinds:
            reading = self._read(kind)
            if reading is not None and reading.beyond is not None:
                vertices = np.unique(self.rig.mesh.triangles[reading.beyond])
                severity = _log_times(reading.value, reading.limit)
                found.append(self._make(kind, reading, severity, vertices))
        return found

    def volume(self) -> list[Finding]:
        reading = self._read("volume")
        if reading is None:
            return []
        worst = int(np.argmax(np.abs(np.log(np.maximum(self.measures.volumes, 1e-6)))))
        severity = _times(abs(reading.value), reading.limit)
        return [self._at("volume", reading, severity, BODY, worst)]

    def midlines(self) -> list[Finding]:
        found = []
        for part in self.case.parts:
            kink, shape = self._read("kink", part.name), self._read("shape", part.name)
            if kink is not None:
                severity = _times(kink.value - 1.0, kink.limit - 1.0)
                where = _nearest_station(part, part.sharpness[1])
                found.append(self._at("kink", kink, severity, part.name, where))
            if shape is not None:
                severity = _times(shape.value, shape.limit)
                where = _nearest_station(part, _farthest_from_target(part))
                found.append(self._at("shape", shape, severity, part.name, where))
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


def holds(kind: FindingKind, value: float, limit: float) -> bool:
    """Whether a value is within its limit."""
    return value >= limit if kind in ("pinch", "squeeze") else abs(value) <= limit

"""Faults planted into a skin: for each kind cases that have it and cases that nearly have it."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation
from tubes import straight, tube

from ribbonsim import Layout, Pose, Ribbon, bind
from ribbonsim.bendcheck.cases import Wish, measure_case
from ribbonsim.bendcheck.look import findings_of

LENGTH, AROUND = 12.0, 24


@dataclass(frozen=True)
class Planted:
    """A skin, posed by hand on a straight ribbon, the findings it must give and may give."""

    name: str
    radius: float
    pose: object
    expected: frozenset
    may: frozenset = frozenset()

    def judge(self, found):
        """What was missed, and what was found that is not there."""
        return self.expected - found, found - self.expected - self.may


def rig_of(radius):
    mesh = tube(straight(LENGTH, 97), radius, AROUND, round_ends=5)
    return bind(mesh, Layout.from_ribbon(Ribbon.along(straight(LENGTH), 0.4, 16), 17, 5))


def found_in(planted, rig, gauge, contacts=True):
    """Kinds of the findings of a skin posed by hand."""
    case = measure_case(rig, gauge, Wish("planted", pose=Pose()), "linear", contacts=False)
    posed = planted.pose(rig.mesh.positions.copy(), planted.radius)
    measures = gauge.measure(posed, rig.layout.ribbon, case.joints)
    touching = gauge.contacts(posed) if contacts else None
    whole = replace(case, positions=posed, measures=measures, contacts=touching)
    return {finding.kind for finding in findings_of(whole, rig.layout.limits)}


def _hump(x, centre, width):
    return np.exp(-0.5 * ((x - centre) / width) ** 2)


def waist(factor):
    """A neck of a tenth of the body whose section is scaled."""

    def pose(points, radius):
        near = np.clip((0.55 - np.abs(points[:, 0] - 6.0)) / 0.12, 0.0, 1.0)
        points[:, 1:] *= 1.0 + (factor - 1.0) * near[:, None]
        return points

    return pose


def aside(radii):
    """A stretch of body moved sideways off its ribbon, gently."""

    def pose(points, radius):
        points[:, 2] += radii * radius * _hump(points[:, 0], 6.0, 1.8)
        return points

    return pose


def stretched(factor):
    """A piece of body drawn out along, its section the same (volume within a twentieth)."""

    def pose(points, radius):
        x = points[:, 0]
        points[:, 0] += (factor - 1.0) * (np.clip(x, 5.8, 6.2) - 5.8)
        return points

    return pose


def crumpled(factor):
    """A piece of body pushed together along, its section the same."""

    def pose(points, radius):
        x = points[:, 0]
        points[:, 0] += (factor - 1.0) * (np.clip(x, 5.8, 6.2) - 5.8)
        return points

    return pose


def swollen(change):
    """The whole body thicker or thinner by an even factor, for a change of volume."""

    def pose(points, radius):
        points[:, 1:] *= np.sqrt(1.0 + change)
        return points

    return pose


def pulled(share):
    """One vertex drawn towards the next along; past it, triangles turn over."""

    def pose(points, radius):
        here, there = 40 * AROUND + 3, 41 * AROUND + 3
        points[here] += share * (points[there] - points[here])
        return points

    return pose


def moved(rotvec, shift):
    """A rigid motion along the ribbon's own line, which is no fault."""

    def pose(points, radius):
        return Rotation.from_rotvec(rotvec).apply(points) + shift

    return pose


def kinds(*names):
    return frozenset(names)


# a triangle that turned over is squeezed, its neighbours are drawn out, and they meet
_CRUMPLED = kinds("squeeze", "stretch", "contact")


def planted_cases():
    """Skins with their findings; those without any are near to one."""
    made = []
    for radius in (0.35, 0.6):
        small = f"radius {radius}"
        made += [
            Planted(f"pinch 0.80, {small}", radius, waist(0.80), kinds("pinch")),
            Planted(f"pinch 0.70, {small}", radius, waist(0.70), kinds("pinch")),
            Planted(f"waist of 0.88, {small}", radius, waist(0.88), kinds()),
            Planted(f"waist of 0.95, {small}", radius, waist(0.95), kinds()),
            Planted(f"bulge 1.26, {small}", radius, waist(1.26), kinds("bulge")),
            Planted(f"swelling of 1.16, {small}", radius, waist(1.16), kinds()),
            Planted(f"off by 0.45, {small}", radius, aside(0.45), kinds("off")),
            Planted(f"off by 0.9, {small}", radius, aside(0.9), kinds("off")),
            Planted(f"aside by 0.30, {small}", radius, aside(0.30), kinds()),
            Planted(f"aside by 0.1, {small}", radius, aside(0.1), kinds()),
            Planted(f"stretch 1.9, {small}", radius, stretched(1.9), kinds("stretch")),
            Planted(f"stretch 2.2, {small}", radius, stretched(2.2), kinds("stretch")),
            Planted(f"drawn out by 1.6, {small}", radius, stretched(1.6), kinds()),
            Planted(f"squeeze 0.40, {small}", radius, crumpled(0.40), kinds("squeeze")),
            Planted(f"pushed to 0.52, {small}", radius, crumpled(0.52), kinds()),
            Planted(f"volume +7 %, {small}", radius, swollen(0.07), kinds("volume")),
            Planted(f"volume -7 %, {small}", radius, swollen(-0.07), kinds("volume")),
            Planted(f"volume +4 %, {small}", radius, swollen(0.04), kinds()),
            Planted(f"volume -4 %, {small}", radius, swollen(-0.04), kinds()),
            Planted(f"pulled past, {small}", radius, pulled(1.8), kinds("fold"), _CRUMPLED),
            Planted(f"pulled a quarter, {small}", radius, pulled(0.25), kinds(), kinds("squeeze")),
            Planted(f"at rest, {small}", radius, moved([0, 0, 0], [0, 0, 0]), kinds()),
            Planted(f"roll by 40, {small}", radius, moved([0.7, 0, 0], [0, 0, 0]), kinds()),
        ]
    return made

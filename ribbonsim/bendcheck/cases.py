"""One pose of one rig, posed and measured: what findings are drawn from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array, Ints
from ribbonsim.bendcheck.amounts import shown_pose, usual_amounts
from ribbonsim.bendcheck.exact import motions_in, motions_to
from ribbonsim.bendcheck.floor import Floor, floor_of
from ribbonsim.bendcheck.measures import Gauge, Measures
from ribbonsim.bendcheck.midline import sharpness, told_bend
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import APPENDAGE_POSES, test_poses_of
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.targets import TEST_POSES, Target, shape_error
from ribbonsim.rig.carry_over import carry_over
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.posed import Posed
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Instant

PoseList = Pose | Mapping[str, Pose | Instant | float | None] | Sequence[str] | None


@dataclass(frozen=True, eq=False)
class Wish:
    """A pose to be checked: a test pose by its amount, or a pose of the rig's controls.

    Parameters
    ----------
    amount : float or None
        Of a test pose; None for its usual one.
    pose : Pose or None
        A pose of the layout's own; None for a test pose.
    instant : Instant or None
        A moment of a motion, which is asked of any layout; its pose stands in ``pose``.
    """

    name: str
    amount: float | None = None
    pose: Pose | None = None
    instant: Instant | None = None

    @classmethod
    def at(cls, name: str, instant: Instant) -> Wish:
        """A moment of a motion, as its own layout does it."""
        return cls(name, pose=instant.pose, instant=instant)

    @property
    def bare(self) -> str:
        """The name alone, in words."""
        return self.name.replace("_", " ")

    @property
    def shown(self) -> str:
        """The name, and the amount if it is known, as they stand in sentences."""
        return self.bare if self.amount is None else shown_pose(self.name, self.amount)


def wishes(poses: PoseList, layout: Layout | None = None) -> list[Wish]:
    """Read the poses that a caller asks for; None asks for all test poses."""
    if poses is None:
        return [Wish(name) for name in (TEST_POSES if layout is None else test_poses_of(layout))]
    if isinstance(poses, Pose):
        return [Wish("pose", pose=poses)]
    pairs = poses.items() if isinstance(poses, Mapping) else [(name, None) for name in poses]
    asked = []
    for name, value in pairs:
        if isinstance(value, Pose):
            asked.append(Wish(name, pose=value))
        elif isinstance(value, Instant):
            asked.append(Wish.at(name, value))
        elif name in TEST_POSES or name in APPENDAGE_POSES:
            asked.append(Wish(name, None if value is None else float(value)))
        else:
            raise RibbonsimError(
                f"no test pose is called {name!r}: "
                f"choose from {', '.join([*TEST_POSES, *APPENDAGE_POSES])}"
            )
    return asked


def with_amounts(asked: Sequence[Wish], gauge: Gauge) -> list[Wish]:
    """The same wishes; test poses of which no amount is given get one that fits the creature."""
    unsaid = [wish.name for wish in asked if wish.pose is None and wish.amount is None]
    usual = usual_amounts(gauge.rig, unsaid, gauge)
    return [
        replace(wish, amount=usual[wish.name])
        if wish.pose is None and wish.amount is None
        else wish
        for wish in asked
    ]


@dataclass(frozen=True, eq=False)
class PartCase:
    """One ribbon of a measured pose.

    Parameters
    ----------
    name : str
        Of the ribbon.
    layout : OneRibbon
        With its own stations and controls.
    ribbon : Ribbon
        Posed, as if what carries it were at rest.
    target : Target or None
        The shape it is asked for.
    girth, asked_girth : (N,) arrays
        At each of its stations: measured, posed over rest, and what the pose itself asks for.
        Along an appendage's base, where the skin is partly its carrier's, both are the same.
    off : (N,) array
        How far the skin's rings have left the ribbon, in radii; 0 along a base.
    told : float
        The sharpest bend by length that its sliders tell a piece of it.
    """

    name: str
    layout: OneRibbon
    ribbon: Ribbon
    target: Target | None
    girth: Array
    asked_girth: Array
    off: Array
    told: float

    @property
    def shape_error(self) -> float | None:
        """Distance from the target over the ribbon's length; None without a target."""
        if self.target is None:
            return None
        return shape_error(self.layout.ribbon, self.ribbon, self.target)

    @property
    def sharpness(self) -> tuple[float, float]:
        """Sharpest curvature over what is asked for, and the place ``t`` where it is."""
        return sharpness(self.ribbon, self.layout.ribbon, self.target, self.told)


@dataclass(frozen=True, eq=False)
class Case:
    """A measured pose.

    Parameters
    ----------
    target : Target or None
        Of a test pose.
    positions : (V, 3) array
    ribbon : Ribbon
        Posed.
    joints : JointPose
        What the pose itself asks for at each joint.
    contacts : (c, 2) int array or None
        None if contacts were not looked for.
    targets : mapping of str to Target
        Of a test pose, by ribbon.
    like : Case, optional
        The same test pose of another layout, which has the same targets and floor.
    """

    wish: Wish
    rig: Rig
    gauge: Gauge
    method: Method
    pose: Pose
    target: Target | None
    positions: NDArray[np.floating]
    ribbon: Ribbon
    measures: Measures
    joints: JointPose
    contacts: Ints | None
    appendages: tuple[PartCase, ...]
    targets: Mapping[str, Target]
    like: Case | None = None

    @cached_property
    def body(self) -> PartCase:
        """The body ribbon."""
        own, found = self.rig.layout.body, self.measures
        girths = found.girth, self.asked_girth, found.off
        told = _told(self.rig, BODY, self.pose)
        return PartCase(BODY, own, self.ribbon, self.target, *girths, told)

    @property
    def parts(self) -> tuple[PartCase, ...]:
        """Every ribbon, the body's first."""
        return (self.body, *self.appendages)

    @property
    def is_asked(self) -> bool:
        """Whether it is a shape that is asked of any layout, and not a pose of this one's own."""
        return self.wish.pose is None or self.wish.instant is not None

    @cached_property
    def floor(self) -> Floor:
        """The same pose on an exact ribbon."""
        if self.like is not None:
            return self.like.floor
        if self.wish.instant is not None:
            exact = motions_to(self.rig, self.targets)
            return floor_of(self.gauge, exact, self.wish.instant.settled)
        if self.wish.pose is None:
            return floor_of(self.gauge, motions_to(self.rig, self.targets))
        return floor_of(self.gauge, motions_in(self.rig, self.rig.posed(self.pose)))

    @property
    def asked_girth(self) -> Array:
        """(N,) girth that the pose itself asks for at each station of the body."""
        return self.joints.girth[self.rig.joints_of[BODY]]

    @property
    def asked_stretch(self) -> Array:
        """(N,) stretch along that the pose itself asks for at each station of the body."""
        return self.joints.stretch[self.rig.joints_of[BODY]]

    @property
    def shape_error(self) -> float | None:
        """Distance from the target over the body length; None without a target."""
        return self.body.shape_error

    @property
    def sharpness(self) -> tuple[float, float]:
        """Sharpest curvature of the body over the target's, and the place ``t`` where it is."""
        return self.body.sharpness

    @cached_property
    def asked_sizes(self) -> tuple[Array, Array]:
        """(T,), (T,) the largest and smallest factor that the pose itself asks of each triangle."""
        rig = self.rig
        lengths = rig.layout.body.station_lengths
        places = rig.places[rig.mesh.triangles].mean(axis=1)
        along = np.interp(places, lengths, self.asked_stretch)
        across = np.interp(places, lengths, self.asked_girth)
        if rig.layout.appendages:
            joints, body = self.joints, rig.joints_of[BODY].stop
            told = np.stack([joints.stretch, joints.girth, np.arange(len(joints.girth)) >= body])
            at = rig.mesh_weights @ told.T
            limb = (at[:, 2] > 0.0)[rig.mesh.triangles].any(axis=1)
            along[limb], across[limb] = at[rig.mesh.triangles[limb], :2].mean(axis=1).T
        high, low = np.maximum(along, across), np.minimum(along, across)
        return np.maximum(high, 1.0), np.minimum(low, 1.0)

    @cached_property
    def relative_stretch(self) -> tuple[Array, Array]:
        """(T,), (T,) stretches of triangles as shares of what the pose itself asks for there.

        The larger and the smaller; 1 for triangles that turned over, which are findings of
        another kind.
        """
        high, low = self.asked_sizes
        measures = self.measures
        large = np.where(measures.folded, 1.0, measures.stretch[:, 0] / high)
        small = np.where(measures.folded, 1.0, measures.stretch[:, 1] / low)
        return large, small


def measure_case(
    rig: Rig,
    gauge: Gauge,
    wish: Wish,
    method: Method,
    contacts: bool = True,
    like: Case | None = None,
    targets: Mapping[str, Target] | None = None,
    fitted: Pose | None = None,
) -> Case:
    """Pose a rig as wished and measure it; looking for contacts takes longer than all the rest.

    ``like`` is the same test pose of another layout that has the same appendages, and ``targets``
    are those of a test pose where they are known; ``fitted`` is the pose that comes nearest to it.
    """
    if wish.instant is not None:
        wish = Wish.at(wish.name, wish.instant.on(rig))
        targets = wish.instant.targets if wish.instant is not None else {}
        like = None if like is None or like.wish.instant is None else like
    elif wish.pose is not None:
        like, targets = None, {}
    elif targets is None:
        targets = rig.targets_for(wish.name, wish.amount) if like is None else like.targets
    if wish.pose is not None:
        pose = wish.pose
    else:
        pose = rig.fit_all(targets) if fitted is None else fitted
    posed = rig.posed(pose)
    positions = rig.skin_joints(posed.joints, method)
    if wish.instant is not None:
        positions = wish.instant.settled(positions)
    ribbon = posed.ribbons[BODY]
    return Case(
        wish=wish,
        rig=rig,
        gauge=gauge,
        method=method,
        pose=pose,
        target=targets.get(BODY),
        positions=positions,
        ribbon=ribbon,
        measures=gauge.measure(positions, ribbon, posed.joints),
        joints=posed.joints,
        contacts=gauge.contacts(positions) if contacts else None,
        appendages=tuple(
            _measure_appendage(rig, gauge, limb, pose, posed, positions, targets.get(limb.name))
            for limb in rig.layout.appendages
        ),
        targets=targets,
        like=like,
    )


def _measure_appendage(
    rig: Rig,
    gauge: Gauge,
    appendage: Appendage,
    pose: Pose,
    posed: Posed,
    positions: NDArray[np.floating],
    target: Target | None,
) -> PartCase:
    name, layout = appendage.name, appendage.layout
    rings = gauge.rings_of(name, positions, posed.ribbons[name])
    asked = posed.joints.girth[rig.joints_of[name]]
    # along its base the skin is partly the carrier's, which may well swell there
    at_base = layout.station_lengths < appendage.blend
    girth = np.where(at_base, asked, rings.girth)
    off = np.where(at_base, 0.0, rings.off)
    told = _told(rig, name, pose)
    return PartCase(name, layout, posed.at_home[name], target, girth, asked, off, told)


def _told(rig: Rig, ribbon: str, pose: Pose) -> float:
    values = [pose[name] for name in rig.layout.control_names_of(ribbon)]
    return told_bend(rig.layout.ribbons[ribbon], values)


def wish_for(wish: Wish, old: Rig, new: Rig) -> Wish:
    """The same wish for another layout: a test pose stays, a pose is carried over."""
    if wish.pose is None:
        return wish
    if wish.instant is not None:
        return Wish.at(wish.name, wish.instant.on(new))
    return Wish(wish.name, pose=carry_over(old, new, wish.pose))

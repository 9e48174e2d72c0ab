"""One pose of one rig, posed and measured: what findings are drawn from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendage_targets import APPENDAGE_POSES, test_poses_of
from ribbonsim.appendages import BODY, Appendage
from ribbonsim.bendcheck.measures import Gauge, Measures
from ribbonsim.carry_over import carry_over
from ribbonsim.chains import JointPose
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout import Layout
from ribbonsim.pose import Pose
from ribbonsim.posed import Posed
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Method, Rig
from ribbonsim.targets import TEST_POSES, Target, shape_error

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PoseList = Pose | Mapping[str, Pose | float | None] | Sequence[str] | None


@dataclass(frozen=True, eq=False)
class Wish:
    """A pose to be checked: a test pose by its amount, or a pose of the rig's controls.

    Parameters
    ----------
    name : str
    amount : float or None
        Of a test pose; None for its usual one.
    pose : Pose or None
        A pose of the layout's own; None for a test pose.
    """

    name: str
    amount: float | None = None
    pose: Pose | None = None

    @property
    def shown(self) -> str:
        """The name as it stands in sentences."""
        return self.name.replace("_", " ")


def wishes(poses: PoseList, layout: Layout | None = None) -> list[Wish]:
    """Read the poses that a caller asks for.

    Parameters
    ----------
    poses : Pose, mapping, sequence of str or None
        One pose; poses or amounts of test poses by name; names of test poses; None for all
        test poses.
    layout : Layout, optional
        With appendages, all test poses are theirs too.

    Returns
    -------
    list of Wish

    Raises
    ------
    RibbonsimError
        If a name is not that of a test pose.
    """
    if poses is None:
        return [Wish(name) for name in (TEST_POSES if layout is None else test_poses_of(layout))]
    if isinstance(poses, Pose):
        return [Wish("pose", pose=poses)]
    pairs = poses.items() if isinstance(poses, Mapping) else [(name, None) for name in poses]
    asked = []
    for name, value in pairs:
        if isinstance(value, Pose):
            asked.append(Wish(name, pose=value))
        elif name in TEST_POSES or name in APPENDAGE_POSES:
            asked.append(Wish(name, None if value is None else float(value)))
        else:
            raise RibbonsimError(
                f"no test pose is called {name!r}: "
                f"choose from {', '.join([*TEST_POSES, *APPENDAGE_POSES])}"
            )
    return asked


@dataclass(frozen=True, eq=False)
class PartCase:
    """One ribbon of a measured pose.

    Parameters
    ----------
    name : str
        Of the ribbon.
    layout : Layout
        Its own.
    ribbon : Ribbon
        Posed, as if what carries it were at rest.
    target : Target or None
        The shape it is asked for.
    girth, asked_girth : (N,) arrays
        At each of its stations: measured, posed over rest, and what the pose itself asks for.
        Along an appendage's base, where the skin is partly its carrier's, both are the same.
    """

    name: str
    layout: Layout
    ribbon: Ribbon
    target: Target | None
    girth: Array
    asked_girth: Array

    @property
    def shape_error(self) -> float | None:
        """Distance from the target over the ribbon's length; None without a target."""
        if self.target is None:
            return None
        return shape_error(self.layout.ribbon, self.ribbon, self.target)

    @property
    def sharpness(self) -> tuple[float, float]:
        """Sharpest curvature over the target's sharpest, and the place ``t`` where it is."""
        t = np.linspace(0.0, 1.0, 401)
        curvature = self.ribbon.curvature(t)
        place = int(np.argmax(curvature))
        if self.target is None:
            even = _mean_curvature(self.ribbon, t, curvature)
            # a pose is not to blame for how sharply the ribbon bends at rest
            even = max(even, float(self.layout.ribbon.curvature(t).max()))
            return (float(curvature[place] / even) if even > 0 else 1.0), float(t[place])
        wanted = _target_curvature(self.target)
        least = 0.5 / self.layout.ribbon.length
        return float(curvature[place] / max(wanted, least)), float(t[place])


@dataclass(frozen=True, eq=False)
class Case:
    """A measured pose.

    Parameters
    ----------
    wish : Wish
    rig : Rig
    method : {"linear", "dual_quaternion"}
    pose : Pose
    target : Target or None
        Of a test pose.
    positions : (V, 3) array
    ribbon : Ribbon
        Posed.
    measures : Measures
    joints : JointPose
        What the pose itself asks for at each joint.
    contacts : (c, 2) int array or None
        None if contacts were not looked for.
    appendages : tuple of PartCase
    """

    wish: Wish
    rig: Rig
    method: Method
    pose: Pose
    target: Target | None
    positions: NDArray[np.floating]
    ribbon: Ribbon
    measures: Measures
    joints: JointPose
    contacts: Ints | None
    appendages: tuple[PartCase, ...] = ()

    @cached_property
    def body(self) -> PartCase:
        """The body ribbon."""
        layout = self.rig.layout
        return PartCase(
            BODY, layout, self.ribbon, self.target, self.measures.girth, self.asked_girth
        )

    @property
    def parts(self) -> tuple[PartCase, ...]:
        """Every ribbon, the body's first."""
        return (self.body, *self.appendages)

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


def measure_case(rig: Rig, gauge: Gauge, wish: Wish, method: Method, contacts: bool = True) -> Case:
    """Pose a rig as wished and measure it.

    Parameters
    ----------
    rig : Rig
    gauge : Gauge
        Of this rig.
    wish : Wish
    method : {"linear", "dual_quaternion"}
    contacts : bool
        Look for contacts too; takes longer than all the rest.

    Returns
    -------
    Case
    """
    targets: Mapping[str, Target] = {}
    if wish.pose is None:
        targets = rig.targets_for(wish.name, wish.amount)
    pose = rig.fit_all(targets) if wish.pose is None else wish.pose
    posed = rig.posed(pose)
    positions = rig.skin_joints(posed.joints, method)
    ribbon = posed.ribbons[BODY]
    return Case(
        wish=wish,
        rig=rig,
        method=method,
        pose=pose,
        target=targets.get(BODY),
        positions=positions,
        ribbon=ribbon,
        measures=gauge.measure(positions, ribbon, posed.joints),
        joints=posed.joints,
        contacts=gauge.contacts(positions) if contacts else None,
        appendages=tuple(
            _measure_appendage(rig, gauge, one, posed, positions, targets.get(one.name))
            for one in rig.layout.appendages
        ),
    )


def _measure_appendage(
    rig: Rig,
    gauge: Gauge,
    appendage: Appendage,
    posed: Posed,
    positions: NDArray[np.floating],
    target: Target | None,
) -> PartCase:
    name, layout = appendage.name, appendage.layout
    girth = gauge.girth_of(name, positions, posed.ribbons[name])
    asked = posed.joints.girth[rig.joints_of[name]]
    # along its base the skin is partly the carrier's, which may well swell there
    at_base = layout.ribbon.arc_length(layout.stations) < appendage.blend
    girth = np.where(at_base, asked, girth)
    return PartCase(name, layout, posed.at_home[name], target, girth, asked)


def wish_for(wish: Wish, old: Rig, new: Rig) -> Wish:
    """The same wish for another layout: a test pose stays, a pose is carried over.

    Parameters
    ----------
    wish : Wish
    old, new : Rig

    Returns
    -------
    Wish
    """
    if wish.pose is None:
        return wish
    return Wish(wish.name, pose=carry_over(old, new, wish.pose))


def _mean_curvature(ribbon: Ribbon, t: Array, curvature: Array) -> float:
    speed = np.linalg.norm(ribbon.midline(t, 1), axis=1)
    return float(np.sum(curvature * speed) / np.sum(speed))


def _target_curvature(target: Target) -> float:
    """The sharpest curvature of a target's midline."""
    points = target.frames[:, :3, 3]
    steps = np.diff(points, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    tangents = steps / lengths[:, None]
    turns = np.linalg.norm(np.diff(tangents, axis=0), axis=1)
    return float((turns / (0.5 * (lengths[1:] + lengths[:-1]))).max())

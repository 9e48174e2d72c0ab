"""Test poses of appendages: target shapes of everything that rides on a body."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array
from ribbonsim.checks import check_number
from ribbonsim.curves.frames import ACROSS, invert_rigid, rigid_log
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import Appendage
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.targets import (
    AMOUNTS,
    TEST_POSES,
    Rates,
    Target,
    TestPose,
    integrate,
    step_places,
)

_HEADING = 0.5
# what bends less than so many degrees at rest has no side of its own
_STRAIGHT = 5.0


def _rest(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends)


def _curl(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, bend=amount * (0.5 + x))


def _wave(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, bend=np.pi * amount * np.sin(2.0 * np.pi * x))


APPENDAGE_POSES: dict[str, TestPose] = {
    pose.name: pose
    for pose in (
        TestPose("appendage_curl", "degrees", 120.0, "curls up every appendage", _curl),
        TestPose("appendage_wave", "degrees", 60.0, "bends every appendage up and down", _wave),
        TestPose("appendage_fold", "degrees", 60.0, "lays every appendage back", _rest),
        TestPose("appendage_spread", "degrees", 40.0, "lifts every appendage off", _rest),
    )
}
ALL_TEST_POSES: dict[str, TestPose] = {**TEST_POSES, **APPENDAGE_POSES}


def test_poses_of(layout: Layout) -> dict[str, TestPose]:
    """Test poses that make sense for a layout: those of appendages only where there are any."""
    return {**TEST_POSES, **(APPENDAGE_POSES if layout.appendages else {})}


test_poses_of.__test__ = False  # type: ignore[attr-defined]  # not a test, whatever collects names


def appendage_target(
    layout: Layout, appendage: Appendage, name: str, amount: float | None = None
) -> Target:
    """Build the target of a test pose for one appendage.

    Curl and wave bend it along its own length, curl to the side that its outer half curls to
    at rest; fold turns it about its base towards the root of what carries it, spread away from
    that ribbon, both at most as far as there.

    Parameters
    ----------
    layout : Layout
        Of the whole creature.
    name : str
        One of :data:`APPENDAGE_POSES`.
    amount : float, optional
        Degrees; the usual amount if left out.

    Returns
    -------
    Target
        As if what carries the appendage were at rest.

    Raises
    ------
    RibbonsimError
        If the amount cannot be used.
    """
    pose = APPENDAGE_POSES[name]
    size = pose.usual if amount is None else amount
    check_number(f"amount of {name} in {pose.unit}", size, *AMOUNTS[pose.unit])
    ribbon = appendage.layout.ribbon
    turned = _own_curl(ribbon) if name == "appendage_curl" else 1.0
    target = integrate(ribbon, pose.rates(*step_places(), turned * float(size)), pose.anchor)
    heading = _HEADINGS.get(name)
    if heading is None:
        return target
    base = np.asarray(ribbon.midline(0.0))
    turn = _turn_towards(
        np.asarray(ribbon.midline(_HEADING)) - base, heading(layout, appendage), float(size)
    )
    motion = np.eye(4)
    motion[:3, :3] = turn
    motion[:3, 3] = base - turn @ base
    return replace(target, frames=motion @ target.frames)


def _own_curl(ribbon: Ribbon) -> float:
    """1 or -1: to which side an appendage's outer half bends at rest."""
    frames = ribbon.frames(ribbon.place_at(np.linspace(0.5, 1.0, 33) * ribbon.length))
    steps = rigid_log(invert_rigid(frames[:-1]) @ frames[1:])
    return -1.0 if np.degrees(steps[:, ACROSS].sum()) < -_STRAIGHT else 1.0


def _carrier_frame(layout: Layout, appendage: Appendage) -> Array:
    carrier = layout.ribbons[appendage.rides_on].ribbon
    return carrier.frames(carrier.place_at(appendage.at * carrier.length))


def _back(layout: Layout, appendage: Appendage) -> Array:
    return -_carrier_frame(layout, appendage)[:3, 0]


def _outward(layout: Layout, appendage: Appendage) -> Array:
    frame = _carrier_frame(layout, appendage)
    away = np.asarray(appendage.layout.ribbon.midline(0.0)) - frame[:3, 3]
    return away - (away @ frame[:3, 0]) * frame[:3, 0]


_HEADINGS: dict[str, Callable[[Layout, Appendage], Array]] = {
    "appendage_fold": _back,
    "appendage_spread": _outward,
}


def _turn_towards(now: Array, wanted: Array, degrees: float) -> Array:
    """Rotation (3, 3) that turns one direction towards another, or away from it, and not past."""
    a = now / max(float(np.linalg.norm(now)), 1e-300)
    b = wanted / max(float(np.linalg.norm(wanted)), 1e-300)
    axis = np.cross(a, b)
    sine = float(np.linalg.norm(axis))
    if sine < 1e-9:
        return np.eye(3)
    full = float(np.arctan2(sine, a @ b))
    angle = float(np.clip(np.radians(degrees), full - np.pi, full))
    return Rotation.from_rotvec(angle * axis / sine).as_matrix()

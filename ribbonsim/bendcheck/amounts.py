"""How much of a test pose a creature can be asked for: a thick body bends less than a thin one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from weakref import WeakKeyDictionary

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.bendcheck.exact import motions_to
from ribbonsim.bendcheck.floor import floor_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.rings import RingGauge
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendage_targets import APPENDAGE_POSES
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.targets import TEST_POSES, TestPose, step_places
from ribbonsim.rig.rig import Rig

# The inner side of a tube bent to the radius R is squeezed to 1 - r/R (Pappus), so that this much
# curvature times radius leaves it more than half of its length.
_MOST_BEND = 0.45
# A tube twisted by so many radians per radius of length is sheared by that, and its surface
# stretched to 1.55 and squeezed to 0.65.
_MOST_SHEAR = 0.9
# Shares of what fits the body, of which the first is asked that an exact ribbon does: a fin that
# sticks out turns over before the body does, and a folded one meets the skin.
_SHARES = (1.0, 0.85, 0.7, 0.5, 0.35, 0.2)
# amounts are said in steps that are round
_STEPS = {"degrees": 5.0, "turns": 0.05}
_LEAST = {"degrees": 10.0, "turns": 0.05}

_KNOWN: WeakKeyDictionary[Rig, dict[str, float]] = WeakKeyDictionary()


def usual_amounts(rig: Rig, names: Iterable[str], gauge: Gauge | None = None) -> dict[str, float]:
    """Amounts of test poses that fit a rig's creature, found once for each rig."""
    known, asked = _KNOWN.setdefault(rig, {}), list(names)
    missing = [name for name in dict.fromkeys(asked) if name not in known]
    if missing:
        gauge = gauge or Gauge(rig)
        known |= {name: usual_amount(gauge, name) for name in missing}
    return {name: known[name] for name in asked}


def usual_pose(rig: Rig, name: str) -> Pose:
    """A test pose in the amount that fits a rig's creature."""
    return rig.pose_for(name, usual_amounts(rig, [name])[name])


def less_than_usual(amounts: Mapping[str, float]) -> str:
    """Say which amounts were scaled down; empty if none was."""
    less = [
        shown_pose(name, amount)
        for name, amount in amounts.items()
        if abs(amount) < abs({**TEST_POSES, **APPENDAGE_POSES}[name].usual)
    ]
    return f"As far as a body so thick can go: {', '.join(less)}." if less else ""


def shown_pose(name: str, amount: float) -> str:
    """A test pose with its amount, as they stand in sentences."""
    bare, unit = name.replace("_", " "), {**TEST_POSES, **APPENDAGE_POSES}[name].unit
    if unit == "degrees":
        return f"{bare} {amount:g}\N{DEGREE SIGN}"
    if unit == "turns":
        return f"{bare} by {amount:g} {'turn' if amount == 1 else 'turns'}"
    return f"{bare} to {amount:g}"


def usual_amount(gauge: Gauge, name: str) -> float:
    """The amount of a test pose that fits a creature: the usual one, or less if it is too thick."""
    pose = {**TEST_POSES, **APPENDAGE_POSES}[name]
    if pose.unit not in _STEPS:
        return pose.usual
    if name in TEST_POSES:
        parts = [(BODY, gauge.body_rings)]
    else:
        parts = list(gauge.limb_rings.items())
    share = min(1.0, *(_fitting(gauge, pose, *part) for part in parts))
    step, least = _STEPS[pose.unit], _LEAST[pose.unit]
    amount = least
    for part_of_it in _SHARES:
        amount = pose.usual * share * part_of_it
        if share * part_of_it < 1.0:
            amount = round(float(max(np.floor(amount / step + 1e-9) * step, least)), 2)
        if _is_possible(gauge, name, amount):
            break
    return amount


def _fitting(gauge: Gauge, pose: TestPose, name: str, rings: RingGauge) -> float:
    """Share of a pose's usual amount that one ribbon's skin can take."""
    ribbon = gauge.rig.layout.ribbons[name].ribbon
    if rings.is_empty:
        return 1.0
    ends, middles = step_places()
    rates = pose.rates(ends, middles, pose.usual)
    at = rings.levels / ribbon.length
    across, normal = rings.reach.T
    # bending about the across axis squeezes along the normal, and the other way round
    asked = np.radians([np.interp(at, middles, rates.bend), np.interp(at, middles, rates.sway)])
    room = _room(ribbon, rings, np.hypot(across, normal) / np.sqrt(2.0))
    load = np.hypot(asked[0] * normal, asked[1] * across) / ribbon.length / room
    bend = float(load.max())
    turning = np.abs(np.radians(np.gradient(rates.twist, ends)))
    shear = np.interp(at, ends, turning) / ribbon.length * np.sqrt(0.5 * (across**2 + normal**2))
    return min(_MOST_BEND / max(bend, 1e-12), _MOST_SHEAR / max(float(shear.max()), 1e-12))


def _is_possible(gauge: Gauge, name: str, amount: float) -> bool:
    """Whether an exact ribbon turns nothing over, and folds no appendage into the body.

    Of an appendage the base is not squeezed beyond the limit either.
    """
    floor = floor_of(gauge, motions_to(gauge.rig, gauge.rig.targets_for(name, amount)))
    if floor.folded.any():
        return False
    if name in APPENDAGE_POSES and floor.stretch[:, 1].min() < gauge.rig.layout.limits.squeeze:
        return False
    return name != "appendage_fold" or not len(floor.contacts)


def _room(ribbon: Ribbon, rings: RingGauge, radius: Array) -> Array:
    """What the rest's own bends leave of the inner side at each ring."""
    t = ribbon.place_at(rings.levels)
    room: Array = np.clip(1.0 - ribbon.curvature(t) * radius, 0.2, 1.0)
    return room

"""What no layout can: poses in which even an exact ribbon breaks a limit, in sentences."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import replace

import numpy as np

from ribbonsim.bendcheck.cases import Case, Wish
from ribbonsim.bendcheck.exact import motions_to
from ribbonsim.bendcheck.figures import figure
from ribbonsim.bendcheck.floor import Floor, floor_of
from ribbonsim.bendcheck.limbs import LooseLimbs
from ribbonsim.bendcheck.look import place_of
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.limits import Limits

_SHARES = (0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)


def floor_notes(case: Case, limits: Limits, limbs: LooseLimbs) -> list[str]:
    """Say where an exact ribbon breaks a limit that the layout breaks too."""
    if not case.is_asked or "floor" not in vars(case):  # or the layout keeps all limits
        return []
    wrong = _trouble(case.floor, case, limits)
    if wrong is None:
        return []
    kind, count, value, vertices = wrong
    where = place_of(case.rig, vertices)
    what = {
        "fold": f"folds {count} {'triangle' if count == 1 else 'triangles'} {where}",
        "squeeze": f"squeezes the skin {where} to {figure(kind, value)}",
        "stretch": f"stretches the skin {where} to {figure(kind, value)}",
        "contact": f"cuts the skin {where}: {count} pair{'s' * (count != 1)} of triangles",
    }[kind]
    if kind != "contact" and limbs.to_blame(vertices):
        return [
            f"In {case.wish.shown} the body's ribbon alone {what}, even if it is exact: limbs bend "
            f"with the body there; make appendages of {limbs.names}."
        ]
    return [f"In {case.wish.shown} even an exact ribbon {what}: {_less(case, limits)}."]


def _trouble(floor: Floor, case: Case, limits: Limits) -> tuple[str, int, float, np.ndarray] | None:
    """What an exact ribbon does worst: kind, count, value and vertices."""
    high, low = case.asked_sizes
    triangles = case.rig.mesh.triangles
    large = floor.stretch[:, 0] / high
    small = np.where(floor.folded, 1.0, floor.stretch[:, 1] / low)
    if floor.folded.any():
        folded = np.flatnonzero(floor.folded)
        return "fold", len(folded), 0.0, np.unique(triangles[folded])
    if "contacts" in vars(floor) and len(floor.contacts):
        return "contact", len(floor.contacts), 0.0, np.unique(triangles[floor.contacts])
    if small.min() < limits.squeeze:
        return "squeeze", 0, float(small.min()), np.unique(triangles[small < limits.squeeze])
    if large.max() > limits.stretch:
        return "stretch", 0, float(large.max()), np.unique(triangles[large > limits.stretch])
    return None


def _less(case: Case, limits: Limits) -> str:
    """How much of the pose could be asked."""
    wish = case.wish
    if wish.pose is not None or wish.amount is None:
        return "ask for less, or accept it"
    asked = [
        replace(wish, amount=_share(wish.name, wish.amount, share)) for share in reversed(_SHARES)
    ]
    # less of a pose is less of its trouble, so halving the list finds the most that goes
    possible = bisect_left(asked, True, key=lambda less: _is_trouble(less, case, limits))
    if possible:
        return f"no layout can; {asked[possible - 1].shown} is possible"
    return "no layout can; accept it, or leave this pose out"


def _is_trouble(less: Wish, case: Case, limits: Limits) -> bool:
    floor = floor_of(case.gauge, motions_to(case.rig, case.rig.targets_for(less.name, less.amount)))
    if _trouble(floor, case, limits) is not None:
        return True
    # contacts take longest, so they are looked for last
    return "contacts" in vars(case.floor) and case.gauge.meets(floor.positions)


def _share(name: str, amount: float, share: float) -> float:
    """A share of an amount, in two digits; of a factor, of the way from 1."""
    if ALL_TEST_POSES[name].unit == "factor":
        return float(f"{amount**share:.2g}")
    return float(f"{share * amount:.2g}")

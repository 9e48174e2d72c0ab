"""Whether a test pose asks the same of two layouts of one creature."""

from __future__ import annotations

import numpy as np

from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.targets import Target
from ribbonsim.panel.state.history import ShownPose
from ribbonsim.rig.rig import Rig

_SAMPLES = 33
_FAR = 0.01  # of a ribbon's length


def same_target(old: Rig, new: Rig, shown: ShownPose) -> bool:
    """Whether both put their ribbons at the same places in a test pose.

    They do not where a ribbon was turned about itself, or another control stands still.
    """
    try:
        before, after = (_targets(rig, shown) for rig in (old, new))
    except RibbonsimError:  # one of them cannot take it
        return False
    if before.keys() != after.keys():
        return False
    return all(_near(target, after[name]) for name, target in before.items())


def _targets(rig: Rig, shown: ShownPose) -> dict[str, Target]:
    return rig.targets_for(shown.name, shown.amount, shown.ribbon or BODY)


def _near(one: Target, other: Target) -> bool:
    length = min(one.lengths[-1], other.lengths[-1])
    where = np.linspace(0.0, length, _SAMPLES)
    places = [
        np.column_stack([np.interp(where, t.lengths, t.frames[:, axis, 3]) for axis in range(3)])
        for t in (one, other)
    ]
    return bool(np.linalg.norm(places[0] - places[1], axis=1).max() < _FAR * length)

"""How sharply the posed midline bends, against how sharply it should."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.rates import chain_seat
from ribbonsim.layout.targets import Target

_SAMPLES = 401
# Least bends that count, radians over the whole length. Below the first a midline is straight:
# its curvature may be rounding errors alone, and these are no kinks.
_STRAIGHT = np.radians(1.0)
_LEAST_TARGET = 0.5


def sharpness(
    posed: Ribbon, rest: Ribbon, target: Target | None = None, told: float = 0.0
) -> tuple[float, float]:
    """Sharpest curvature over the sharpest that is asked for, and the place ``t`` where it is.

    A target says what is asked for. Without one it is an even bend of the whole midline, or the
    sharpest curvature that the midline has at rest, since a pose is not to blame for that, with
    what the sliders tell on top: ``told``, as of :func:`told_bend`.
    """
    t = np.linspace(0.0, 1.0, _SAMPLES)
    curvature = posed.curvature(t)
    place = int(np.argmax(curvature))
    sharpest = float(curvature[place])
    if target is None:
        speed = np.linalg.norm(posed.midline(t, 1), axis=1)
        even = float(np.sum(curvature * speed) / np.sum(speed))
        straight = _STRAIGHT / rest.length
        sharpest = max(sharpest, straight)
        asked = max(even, float(rest.curvature(t).max()) + told, straight)
    else:
        asked = max(_target_curvature(target), _LEAST_TARGET / rest.length)
    return sharpest / asked, float(t[place])


def told_bend(own: OneRibbon, values: Sequence[ControlPose]) -> float:
    """The sharpest even bend that sliders tell a piece between two controls, by length.

    0 where the controls do not stand in one chain, so that no piece has a slider.
    """
    root = chain_seat(own)
    if root is None or len(values) < 2:
        return 0.0
    turned = np.radians([np.hypot(value.bend, value.sway) for value in values])
    drivers = np.delete(np.arange(len(values)), root)
    gaps = np.diff(own.control_lengths)
    return float((turned[drivers] / gaps).max())


def _target_curvature(target: Target) -> float:
    """The sharpest curvature of a target's midline."""
    points = target.frames[:, :3, 3]
    steps = np.diff(points, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    tangents = steps / lengths[:, None]
    turns = np.linalg.norm(np.diff(tangents, axis=0), axis=1)
    return float((turns / (0.5 * (lengths[1:] + lengths[:-1]))).max())

"""Stripes along and around a body at rest: on smooth skin they alone show how it twists."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.rig import Rig

# stripes around the body, and as many along as make them about square
_AROUND, _MOST_ALONG = 6, 40
# the darkest, and how much of a stripe its soft edges take
_DARK, _EDGE = 0.78, 0.35
# degrees that controls twist a body by, all together, from which on its pictures have stripes
_TWISTED = 30.0
_KNOWN: WeakKeyDictionary[Rig, Array] = WeakKeyDictionary()


def twist_stripes(rig: Rig, pose: Pose) -> Array | None:
    """(V,) the shade of stripes in a pose that twists; None in one that shows without them."""
    told = sum(abs(values.twist) for values in pose.controls.values())
    return stripes(rig) if told >= _TWISTED else None


def stripes(rig: Rig) -> Array:
    """(V,) shade of each vertex, 1 between stripes and less on them.

    They lie along the ribbon at equal angles about it, and around it at equal places, so they
    go with the skin. They are found once for each rig.
    """
    if rig not in _KNOWN:
        _KNOWN[rig] = _striped(rig)
    return _KNOWN[rig]


def _striped(rig: Rig) -> Array:
    ribbon = rig.layout.ribbon
    frames = ribbon.frames(ribbon.place_at(rig.places))
    away = rig.mesh.positions - frames[:, :3, 3]
    across, normal = (np.sum(away * frames[:, :3, k], axis=1) for k in (1, 2))
    angle = np.arctan2(normal, across)
    width = 2.0 * np.pi * float(np.median(np.hypot(across, normal))) / _AROUND
    along = int(np.clip(round(ribbon.length / max(width, 1e-300)), 2, _MOST_ALONG))
    either = np.maximum(
        _line(_AROUND * angle / (2.0 * np.pi)), _line(along * rig.places / ribbon.length)
    )
    shade: Array = 1.0 - (1.0 - _DARK) * either
    return shade


def _line(turns: Array) -> Array:
    """1 in the middle of a stripe, 0 halfway between two."""
    wave = 0.5 + 0.5 * np.cos(2.0 * np.pi * turns)
    return np.clip((wave - 1.0 + _EDGE) / _EDGE, 0.0, 1.0)

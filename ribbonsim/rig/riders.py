"""Appendages in a motion: each beats on its own, and trails behind where it grows from."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.layout.appendages import BODY, Appendage
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.motions import Motion
from ribbonsim.motion.follow import slowness
from ribbonsim.motion.perform import trailed
from ribbonsim.motion.shapes import Added, Shapes

_PIECES = 8
# an appendage grows thinner to its tip by this share
_TAPER = 0.6


def rider_shapes(layout: Layout, motion: Motion, body: Shapes) -> dict[str, Shapes]:
    """Shapes of all appendages, each as if what carries it were at rest.

    Parameters
    ----------
    layout : Layout
    motion : Motion
    body : Shapes

    Returns
    -------
    dict of str to Shapes
    """
    bases: dict[str, Array] = {}
    made: dict[str, Shapes] = {}
    for one in layout.appendages:
        # on another appendage it goes as that one's base does
        bases[one.name] = (
            _base_motions(layout, one, body) if one.rides_on == BODY else bases[one.rides_on]
        )
        made[one.name] = _rider(one, motion, bases[one.name])
    return made


def _base_motions(layout: Layout, one: Appendage, body: Shapes) -> Array:
    """(F, 4, 4) motions of the body where an appendage grows from it."""
    ribbon = layout.ribbon
    length = one.at * ribbon.length
    rest = invert_rigid(ribbon.frames(ribbon.place_at(length)))
    there = [body.target(k).at([length]).frames[0] for k in range(body.count)]
    return np.array(there) @ rest


def _rider(one: Appendage, motion: Motion, bases: Array) -> Shapes:
    ribbon = one.layout.ribbon
    lengths, frames, _ = ribbon.even_steps(_PIECES)
    ends, count = lengths / ribbon.length, len(bases)
    turns = np.zeros((count, _PIECES, 3))
    if motion.beats is not None:
        turns += motion.beats(one.name, one.at, ends, np.arange(count) / count) * motion.amount
    if motion.lag > 0.0 and count > 2:
        base = frames[0, :3, 3]
        places = bases[:, :3, :3] @ base + bases[:, :3, 3]
        spins = Rotation.from_matrix(bases[:, :3, :3] @ bases[0, :3, :3].T).as_rotvec()
        thick = 1.0 - _TAPER * ends
        masses = np.gradient(ends) * thick**2
        turns += trailed(
            frames,
            0,
            places / ribbon.length,
            spins,
            slowness(ends, thick, masses, 0),
            motion.lag,
            motion.swing,
            motion.seconds / count,
            bases[:, :3, :3],
        )
    added = Added(turns, np.zeros(turns.shape[:2]))
    return Shapes(ribbon, added, 0, np.repeat(frames[:1], count, axis=0), np.eye(4))

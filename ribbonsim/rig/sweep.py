"""Sweep: the skin that rides the ribbon itself, as if there were a joint at every place.

It costs more than joints do and no package has it; beside it, what a rig with so many stations
loses is a number.
"""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.body.limbs import Limb
from ribbonsim.body.place import homes
from ribbonsim.curves.frames import make_frames
from ribbonsim.layout.appendages import BODY
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.posed import Posed


def swept(posed: Posed, ribbon: str, points: Array, lengths: Array) -> Array:
    """Points that each ride one ribbon's frame at a place of their own.

    Parameters
    ----------
    points : (m, 3) array
        At rest.
    lengths : (m,) array
        Arc lengths along the ribbon at rest.

    Returns
    -------
    (m, 3) array
        Where the ribbon and what carries it take them.
    """
    rest, there = posed.layout.ribbons[ribbon].ribbon, posed.at_home[ribbon]
    t = rest.place_at(lengths)
    before, told = rest.frames(t), posed.frames_at(ribbon, t)
    slopes = there.midline(t, 1)
    frames = make_frames(slopes, told.frames[:, :3, 1], there.midline(t))
    stretch = np.linalg.norm(slopes, axis=1) / np.linalg.norm(rest.midline(t, 1), axis=1)
    girth = told.girths * stretch ** (-0.5 * posed.keep_volume)
    local = np.einsum("mji,mj->mi", before[:, :3, :3], points - before[:, :3, 3])
    local *= np.stack([stretch, girth, girth], axis=1)
    moved = np.einsum("mij,mj->mi", frames[:, :3, :3], local) + frames[:, :3, 3]
    motion = posed.motion_of(ribbon)
    return moved @ motion[:3, :3].T + motion[:3, 3]


def swept_skin(
    mesh: CreatureMesh, posed: Posed, weights: Array, places: Array, limbs: dict[str, Limb]
) -> Array:
    """The whole skin, each vertex on the ribbons that hold it, by what it gives to each.

    Parameters
    ----------
    weights : (V, N) array
        Of all joints over the mesh, tied ones last.
    places : (V,) array
        Arc lengths along the body's ribbon.

    Returns
    -------
    (V, 3) array
    """
    rest = mesh.positions
    result = np.zeros_like(rest)
    for name, columns in zip(posed.layout.ribbons, posed.chains.joint_slices, strict=True):
        share = weights[:, columns].sum(axis=1)
        held = np.flatnonzero(share > 0.0)
        along = places
        if name != BODY:
            along = np.zeros(len(rest))
            along[limbs[name].vertices] = limbs[name].places
            along = along[homes(mesh)]
        result[held] += share[held, None] * swept(posed, name, rest[held], along[held])
    tied = posed.joints.transforms[posed.chains.joint_slices[-1].stop :]
    for transform, share in zip(tied, weights[:, len(weights.T) - len(tied) :].T, strict=True):
        held = np.flatnonzero(share > 0.0)
        moved = rest[held] @ transform[:3, :3].T + transform[:3, 3]
        result[held] += share[held, None] * moved
    return result

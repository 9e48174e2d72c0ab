"""The skin on an exact ribbon: every vertex rides the asked shape's own frame at its place.

No stations, no controls and no joints stand between: what such a skin cannot do no layout can.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.targets import Target
from ribbonsim.rig.posed import Posed
from ribbonsim.rig.rig import Rig

# places along a ribbon at which its motion is known; between them it is blended
_PLACES = 513


@dataclass(frozen=True, eq=False)
class DenseMotion:
    """How one ribbon moves, densely along it.

    Parameters
    ----------
    lengths : (m,) array
        Arc length at rest.
    rigid : (m, 4, 4) array
        From rest to pose.
    rest : (m, 4, 4) array
        Frames at rest.
    stretch, girth : (m,) arrays
        Factors along and across.
    """

    lengths: Array
    rigid: Array
    rest: Array
    stretch: Array
    girth: Array

    @property
    def transforms(self) -> Array:
        """(m, 4, 4) whole transforms from rest to pose."""
        sizes = np.zeros((len(self.rest), 4, 4))
        for axis, factor in enumerate((self.stretch, self.girth, self.girth)):
            sizes[:, axis, axis] = factor
        sizes[:, 3, 3] = 1.0
        return self.rigid @ self.rest @ sizes @ invert_rigid(self.rest)

    def carried(self, motion: Array) -> DenseMotion:
        """The same, moved as a whole."""
        return DenseMotion(self.lengths, motion @ self.rigid, self.rest, self.stretch, self.girth)

    def rigid_at(self, length: float) -> Array:
        """(4, 4) motion at the nearest known place."""
        nearest: Array = self.rigid[int(np.argmin(np.abs(self.lengths - length)))]
        return nearest

    def frames(self, lengths: Array) -> Array:
        """(k, 4, 4) posed frames at places along."""
        low, share = _between(self.lengths, lengths)
        posed = self.rigid @ self.rest
        mixed = (1.0 - share)[:, None, None] * posed[low] + share[:, None, None] * posed[low + 1]
        u, _, v = np.linalg.svd(mixed[:, :3, :3])
        mixed[:, :3, :3] = u @ v
        return mixed


def motions_to(rig: Rig, targets: Mapping[str, Target]) -> dict[str, DenseMotion]:
    """Motions of all ribbons when some take target shapes and the others rest, riding along."""
    made: dict[str, DenseMotion] = {}
    for name, own in rig.layout.ribbons.items():
        motion = _towards(own.ribbon, targets.get(name))
        if name != BODY:
            rides = rig.layout.appendage(name)
            motion = motion.carried(made[rides.rides_on].rigid_at(_foot(rig, name)))
        made[name] = motion
    return made


def motions_in(rig: Rig, posed: Posed) -> dict[str, DenseMotion]:
    """Motions of all ribbons in a pose of their own controls."""
    made = {}
    for name, own in rig.layout.ribbons.items():
        lengths = np.linspace(0.0, own.ribbon.length, _PLACES)
        t = own.ribbon.place_at(lengths)
        rest = own.ribbon.frames(t)
        joints, stands = rig.joints_of[name], own.station_lengths
        made[name] = DenseMotion(
            lengths,
            posed.ribbons[name].frames(t) @ invert_rigid(rest),
            rest,
            np.interp(lengths, stands, posed.joints.stretch[joints]),
            np.interp(lengths, stands, posed.joints.girth[joints]),
        )
    return made


def _towards(ribbon: Ribbon, target: Target | None) -> DenseMotion:
    lengths = np.linspace(0.0, ribbon.length, _PLACES) if target is None else target.lengths
    rest = ribbon.frames(ribbon.place_at(lengths))
    one = np.ones(len(lengths))
    if target is None:
        return DenseMotion(lengths, np.broadcast_to(np.eye(4), rest.shape), rest, one, one)
    frames = target.at(lengths)
    # an incompressible rod, as a pose keeps its volume
    girth = frames.girths * frames.stretches**-0.5
    return DenseMotion(lengths, frames.frames @ invert_rigid(rest), rest, frames.stretches, girth)


def _foot(rig: Rig, name: str) -> float:
    """Arc length along its carrier at which an appendage rides."""
    one = rig.layout.appendage(name)
    return float(one.at * rig.layout.ribbons[one.rides_on].ribbon.length)


def exact_skin(
    rig: Rig, motions: Mapping[str, DenseMotion]
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Pose the skin by exact ribbons.

    Returns
    -------
    (V, 3) array
        Positions.
    (4, V) array
        Quaternions ``w, x, y, z``: how the skin turns at each vertex.
    """
    posed, turns = _ride(motions[BODY], rig.mesh.positions, rig.places)
    for one in rig.layout.appendages:
        limb = rig.limbs[one.name]
        own = rig.mesh_weights[limb.vertices, rig.joints_of[one.name]].sum(axis=1)
        there, turned = _ride(motions[one.name], rig.mesh.positions[limb.vertices], limb.places)
        posed[limb.vertices] += own[:, None] * (there - posed[limb.vertices])
        before = turns[:, limb.vertices]
        agree = np.where(np.sum(before * turned, axis=0) < 0.0, -1.0, 1.0)
        turns[:, limb.vertices] = before + own * (agree * turned - before)
    return posed, turns.astype(np.float32)


def _ride(motion: DenseMotion, points: Array, places: Array) -> tuple[NDArray[np.float64], Array]:
    """Points that ride one ribbon, each at its own place along it, and how they turn."""
    low, share = _between(motion.lengths, places)
    table = motion.transforms[:, :3]
    turning = Rotation.from_matrix(motion.rigid[:, :3, :3]).as_quat()[:, [3, 0, 1, 2]]
    turning *= np.cumprod(np.r_[1.0, np.sign(np.sum(turning[1:] * turning[:-1], axis=1) + 1e-9)])[
        :, None
    ]
    mixed = _mixed(table.reshape(len(table), -1), low, share).reshape(-1, 3, 4)
    posed = np.einsum("vij,vj->vi", mixed[:, :, :3], points)
    posed += mixed[:, :, 3]
    return posed, _mixed(turning, low, share).T


def _mixed(rows: Array, low: NDArray[np.int64], share: Array) -> Array:
    """Rows between known ones."""
    mixed = np.take(rows, low, axis=0)
    mixed += share[:, None] * np.take(np.diff(rows, axis=0), low, axis=0)
    return mixed


def _between(known: Array, wanted: Array) -> tuple[NDArray[np.int64], Array]:
    """For each place the known one below it, and the share of the way to the next."""
    low = np.clip(np.searchsorted(known, wanted, side="right") - 1, 0, len(known) - 2)
    share = (wanted - known[low]) / (known[low + 1] - known[low])
    return low, np.clip(share, 0.0, 1.0)

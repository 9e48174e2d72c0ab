"""Measures of a rig's weights, whatever the pose: bleed and roughness."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Array
from ribbonsim.body.place import homes
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.falloff import order_coordinate
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.rig.joined import tied_vertices
from ribbonsim.rig.rig import Rig

_FAR = 0.2


def bleed(rig: Rig, far: float = _FAR) -> Array:
    """(V,) weight that vertices hold from stations farther off than ``far`` body lengths, 0 to 1.

    Where stations are sparse, a weight does not count either while it is within the reach
    that the layout gives it. Of an appendage's joints all counts that vertices off it hold,
    and of its carrier's what vertices hold beyond its base. Tied parts are left out.
    """
    layout, weights = rig.layout, rig.mesh_weights
    strange = _far_along(layout.body, rig.places, far)
    held = np.sum(weights[:, rig.joints_of[BODY]], axis=1, where=strange)
    home = homes(rig.mesh) if layout.appendages else np.empty(0, dtype=np.int64)
    for limb in layout.appendages:
        along = np.full(len(weights), -1.0)
        along[rig.limbs[limb.name].vertices] = rig.limbs[limb.name].places
        along = along[home]
        off = along < 0.0
        strange = off[:, None] | _far_along(limb.layout, along, far)
        held += np.sum(weights[:, rig.joints_of[limb.name]], axis=1, where=strange)
        carrier = weights[:, rig.joints_of[limb.rides_on]].sum(axis=1)
        held += np.where(along > limb.blend, carrier, 0.0)
    for tie in layout.ties:
        held[tied_vertices(rig.mesh, tie)] = 0.0
    return held


def _far_along(own: OneRibbon, places: Array, far: float) -> NDArray[np.bool_]:
    """(V, N) whether each station of a ribbon is far from each vertex's place along it."""
    lengths = own.station_lengths
    order = np.clip(order_coordinate(places, lengths), 0.0, len(lengths) - 1.0)
    steps = np.abs(order[:, None] - np.arange(len(lengths)))
    away = np.abs(places[:, None] - lengths)
    return (away > far * own.ribbon.length) & (steps > own.mesh_weights.reach)


def joint_roughness(rig: Rig) -> Array:
    """How steeply the weights of each joint change over the skin.

    The mean squared gradient of a joint's weights over their mean square, times a third of
    the squared distance between stations there. A weight that falls in a straight line from
    its station to both neighbours has 1, a gentler one less; steps have more the finer the
    mesh. Neither units nor the number of triangles matter.

    Returns
    -------
    (N,) array
        Of ribbon joints; 0 for one that holds nothing. Rigid parts end in a step and do not
        count.

    References
    ----------
    U. Pinkall, K. Polthier, "Computing discrete minimal surfaces and their conjugates",
    Experimental Mathematics 2(1), 1993, for the cotangent formula of the gradient's energy.
    """
    weights = rig.mesh_weights[:, : max(own.stop for own in rig.joints_of.values())]
    energy, mass = np.zeros(weights.shape[1]), np.zeros(weights.shape[1])
    positions, triangles = rig.mesh.positions, rig.mesh.triangles
    tied: NDArray[np.bool_] = np.any(rig.mesh_weights[:, weights.shape[1] :], axis=1)
    triangles = triangles[~tied[triangles].any(axis=1)]
    for corner in range(3):
        a, b, c = (triangles[:, (corner + k) % 3] for k in range(3))
        u, v = positions[b] - positions[a], positions[c] - positions[a]
        double_area = np.linalg.norm(np.cross(u, v), axis=1)
        longest = np.maximum(np.sum(u * u, axis=1), np.sum(v * v, axis=1))
        whole = double_area > 1e-12 * longest
        cotangent = np.sum(u * v, axis=1)[whole] / double_area[whole]
        energy += 0.5 * cotangent @ (weights[b[whole]] - weights[c[whole]]) ** 2
        mass += double_area @ weights[a] ** 2 / 6.0
    steps = [np.gradient(own.station_lengths) for own in rig.layout.ribbons.values()]
    return np.concatenate(steps) ** 2 / 3.0 * energy / np.where(mass > 0, mass, 1.0)


def roughness(rig: Rig) -> float:
    """How steeply the weights change: :func:`joint_roughness` of the steepest joint."""
    return float(joint_roughness(rig).max())

"""Measures of a rig's weights, whatever the pose: bleed and roughness."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendages import BODY
from ribbonsim.falloff import order_coordinate
from ribbonsim.joined import tied_vertices
from ribbonsim.layout import Layout
from ribbonsim.place import homes
from ribbonsim.rig import Rig

Array = NDArray[np.float64]

_FAR = 0.2


def bleed(rig: Rig, far: float = _FAR) -> Array:
    """Weight that vertices hold from stations far along the body from their own place.

    Where stations are sparse, a weight does not count either while it is within the reach
    that the layout gives it. Of an appendage's joints all counts that vertices off it hold,
    and of its carrier's what vertices hold beyond its base. Tied parts are left out.

    Parameters
    ----------
    rig : Rig
    far : float
        From where on a station is far, as a share of the body length.

    Returns
    -------
    (V,) array
        0 to 1.
    """
    layout, weights = rig.layout, rig.mesh_weights
    strange = _far_along(layout, rig.places, far)
    held = np.sum(weights[:, rig.joints_of[BODY]], axis=1, where=strange)
    home = homes(rig.mesh) if layout.appendages else np.empty(0, dtype=np.int64)
    for one in layout.appendages:
        along = np.full(len(weights), -1.0)
        along[rig.limbs[one.name].vertices] = rig.limbs[one.name].places
        along = along[home]
        off = along < 0.0
        strange = off[:, None] | _far_along(one.layout, along, far)
        held += np.sum(weights[:, rig.joints_of[one.name]], axis=1, where=strange)
        carrier = weights[:, rig.joints_of[one.rides_on]].sum(axis=1)
        held += np.where(along > one.blend, carrier, 0.0)
    for tie in layout.ties:
        held[tied_vertices(rig.mesh, tie)] = 0.0
    return held


def _far_along(layout: Layout, places: Array, far: float) -> NDArray[np.bool_]:
    """(V, N) whether each station of a ribbon is far from each vertex's place along it."""
    lengths = layout.ribbon.arc_length(layout.stations)
    order = np.clip(order_coordinate(places, lengths), 0.0, len(lengths) - 1.0)
    steps = np.abs(order[:, None] - np.arange(len(lengths)))
    away = np.abs(places[:, None] - lengths)
    return (away > far * layout.ribbon.length) & (steps > layout.mesh_weights.reach)


def joint_roughness(rig: Rig) -> Array:
    """How steeply the weights of each joint change over the skin.

    The mean squared gradient of a joint's weights over their mean square, times a third of
    the squared distance between stations there. A weight that falls in a straight line from
    its station to both neighbours has 1, a gentler one less; steps have more the finer the
    mesh. Neither units nor the number of triangles matter.

    Parameters
    ----------
    rig : Rig

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
    steps = [
        np.gradient(one.ribbon.arc_length(one.stations)) for one in rig.layout.ribbons.values()
    ]
    return np.concatenate(steps) ** 2 / 3.0 * energy / np.where(mass > 0, mass, 1.0)


def roughness(rig: Rig) -> float:
    """How steeply the weights change: :func:`joint_roughness` of the steepest joint.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    float
    """
    return float(joint_roughness(rig).max())

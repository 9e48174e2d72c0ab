"""Measures of a rig's weights, whatever the pose: bleed and roughness."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.falloff import order_coordinate
from ribbonsim.rig import Rig

Array = NDArray[np.float64]

_FAR = 0.2


def bleed(rig: Rig, far: float = _FAR) -> Array:
    """Weight that vertices hold from stations far along the body from their own place.

    Where stations are sparse, a weight does not count either while it is within the reach
    that the layout gives it.

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
    layout = rig.layout
    lengths = layout.ribbon.arc_length(layout.stations)
    order = np.clip(order_coordinate(rig.places, lengths), 0.0, len(lengths) - 1.0)
    steps = np.abs(order[:, None] - np.arange(len(lengths)))
    away = np.abs(rig.places[:, None] - lengths)
    strange = (away > far * layout.ribbon.length) & (steps > layout.mesh_weights.reach)
    return np.sum(rig.mesh_weights, axis=1, where=strange)


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
        0 for a joint that holds nothing.

    References
    ----------
    U. Pinkall, K. Polthier, "Computing discrete minimal surfaces and their conjugates",
    Experimental Mathematics 2(1), 1993, for the cotangent formula of the gradient's energy.
    """
    weights = rig.mesh_weights
    energy, mass = np.zeros(weights.shape[1]), np.zeros(weights.shape[1])
    positions, triangles = rig.mesh.positions, rig.mesh.triangles
    for corner in range(3):
        a, b, c = (triangles[:, (corner + k) % 3] for k in range(3))
        u, v = positions[b] - positions[a], positions[c] - positions[a]
        double_area = np.linalg.norm(np.cross(u, v), axis=1)
        longest = np.maximum(np.sum(u * u, axis=1), np.sum(v * v, axis=1))
        whole = double_area > 1e-12 * longest
        cotangent = np.sum(u * v, axis=1)[whole] / double_area[whole]
        energy += 0.5 * cotangent @ (weights[b[whole]] - weights[c[whole]]) ** 2
        mass += double_area @ weights[a] ** 2 / 6.0
    lengths = rig.layout.ribbon.arc_length(rig.layout.stations)
    return np.gradient(lengths) ** 2 / 3.0 * energy / np.where(mass > 0, mass, 1.0)


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

"""Weights: of controls over the ribbon, and of ribbon joints over the mesh."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.falloff import (
    kernel_values,
    limit_influences,
    order_coordinate,
    partition_of_unity,
    prune,
    smooth,
)
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.mesh.creature import CreatureMesh


def surface_weights(own: OneRibbon) -> Array:
    """Weights of controls over the ribbon's control points.

    Returns
    -------
    (n, K) array
        Rows sum to one.
    """
    rules, reach = own.control_weights, _reaches(own)
    if rules.distance == "straight":
        ribbon, stands = own.ribbon, own.control_places
        at, centres = ribbon.midline(ribbon.greville), ribbon.midline(stands)
        spacing = _neighbour_distance(ribbon.arc_length(stands), ribbon.length)
        r = np.linalg.norm(at[:, None] - centres, axis=-1) / spacing / reach
    else:
        r = np.abs(_control_order(own)[:, None] - np.arange(len(reach))) / reach
    return partition_of_unity(kernel_values(rules.falloff, r, rules.exponent), r)


def _reaches(own: OneRibbon) -> Array:
    return np.array([control.reach for control in own.controls])


def _control_order(own: OneRibbon) -> Array:
    """(n,) places of the ribbon's control points, counted from control to control."""
    ribbon = own.ribbon
    stands = own.control_lengths
    return order_coordinate(ribbon.arc_length(ribbon.greville), stands)


def mesh_weights(mesh: CreatureMesh, own: OneRibbon, places: Array) -> Array:
    """Weights of ribbon joints over the mesh's vertices.

    Parameters
    ----------
    places : (V,) array
        Arc length along the ribbon of each vertex.

    Returns
    -------
    (V, N) array
        Rows sum to one.
    """
    rules = own.mesh_weights
    weights = station_weights(mesh.positions, own, places)
    weights = smooth(weights, mesh.skin_edges, rules.smoothing)[mesh.welded]
    return prune(limit_influences(weights, rules.influences), rules.prune)


def station_weights(positions: Array, own: OneRibbon, places: Array) -> Array:
    """Weights of a ribbon's joints at points of the skin, as the falloff gives them.

    Parameters
    ----------
    positions : (m, 3) array
    places : (m,) array
        Arc length along the ribbon of each.

    Returns
    -------
    (m, N) array
        Rows sum to one.
    """
    ribbon, rules = own.ribbon, own.mesh_weights
    lengths = own.station_lengths
    if rules.distance == "body":
        # past the first and the last station there is nothing to blend with
        order = np.clip(order_coordinate(places, lengths), 0.0, len(lengths) - 1.0)
        steps = np.abs(order[:, None] - np.arange(len(lengths)))
    else:
        steps = _straight_steps(positions, ribbon, own.stations, lengths)
    r = steps / rules.reach
    return partition_of_unity(kernel_values(rules.falloff, r, rules.exponent), r)


def _straight_steps(positions: Array, ribbon: Ribbon, stations: Array, lengths: Array) -> Array:
    """Distance through the air in excess of the nearest station's, in station distances.

    Squares are subtracted, so that in a straight tube the thickness cancels and the
    distance along it remains.
    """
    squares = np.zeros((len(positions), len(stations)))
    for axis, coordinate in enumerate(ribbon.midline(stations).T):
        squares += (positions[:, axis, None] - coordinate) ** 2
    excess = np.sqrt(squares - squares.min(axis=1, keepdims=True))
    return excess / _neighbour_distance(lengths, ribbon.length)


def _neighbour_distance(lengths: Array, whole: float) -> Array:
    if len(lengths) == 1:
        return np.array([whole])
    gaps = np.diff(lengths)
    return 0.5 * (np.r_[gaps[0], gaps] + np.r_[gaps, gaps[-1]])

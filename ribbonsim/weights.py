"""Weights: of controls over the ribbon, and of ribbon joints over the mesh."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.falloff import (
    kernel_values,
    limit_influences,
    order_coordinate,
    partition_of_unity,
    prune,
    smooth,
)
from ribbonsim.layout import Layout
from ribbonsim.mesh import CreatureMesh
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]


def surface_weights(layout: Layout) -> Array:
    """Weights of controls over the ribbon's control points.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    (n, K) array
        Rows sum to one.
    """
    rules, reach = layout.control_weights, _reaches(layout)
    if rules.distance == "straight":
        ribbon, stands = layout.ribbon, layout.control_places
        at, centres = ribbon.midline(ribbon.greville), ribbon.midline(stands)
        spacing = _neighbour_distance(ribbon.arc_length(stands), ribbon.length)
        r = np.linalg.norm(at[:, None] - centres, axis=-1) / spacing / reach
    else:
        r = np.abs(_control_order(layout)[:, None] - np.arange(len(reach))) / reach
    return partition_of_unity(kernel_values(rules.falloff, r, rules.exponent), r)


def twist_weights(layout: Layout) -> Array:
    """Weights by which twist and girth spread over the ribbon's control points.

    As :func:`surface_weights`, but the first and the last control hold their ends of the
    ribbon whole, so that a full turn of the tip's control is a full turn of the tip. What
    each control gives at a point is lessened by what it gives at the point's mirror image
    beyond the end, and the end's control gets that. (Held so, positions would bend too
    sharply near the ends; twist and girth have no curvature to lose.)

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    (n, K) array
        Rows sum to one.
    """
    rules, reach = layout.control_weights, _reaches(layout)
    seats = np.arange(len(reach))
    order = np.clip(_control_order(layout), 0, seats[-1])
    r = np.abs(order[:, None] - seats) / reach
    values = kernel_values(rules.falloff, r, rules.exponent)
    if len(seats) > 1 and rules.falloff != "inverse_distance":
        held = values.copy()
        for end, mirrored in ((0, -order), (-1, 2.0 * seats[-1] - order)):
            image = kernel_values(rules.falloff, np.abs(mirrored[:, None] - seats) / reach)
            image[:, end] = 0.0
            held -= image
            held[:, end] += image.sum(axis=1)
        values = np.maximum(held, 0.0)
    return partition_of_unity(values, r)


def _reaches(layout: Layout) -> Array:
    return np.array([control.reach for control in layout.controls])


def _control_order(layout: Layout) -> Array:
    """(n,) places of the ribbon's control points, counted from control to control."""
    ribbon = layout.ribbon
    stands = ribbon.arc_length(layout.control_places)
    return order_coordinate(ribbon.arc_length(ribbon.greville), stands)


def mesh_weights(mesh: CreatureMesh, layout: Layout, places: Array) -> Array:
    """Weights of ribbon joints over the mesh's vertices.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout
    places : (V,) array
        Arc length along the ribbon of each vertex.

    Returns
    -------
    (V, N) array
        Rows sum to one.
    """
    rules = layout.mesh_weights
    weights = smooth(station_weights(mesh.positions, layout, places), mesh.edges, rules.smoothing)
    return prune(limit_influences(weights, rules.influences), rules.prune)


def station_weights(positions: Array, layout: Layout, places: Array) -> Array:
    """Weights of a ribbon's joints at points of the skin, as the falloff gives them.

    Parameters
    ----------
    positions : (m, 3) array
    layout : Layout
    places : (m,) array
        Arc length along the ribbon of each.

    Returns
    -------
    (m, N) array
        Rows sum to one.
    """
    ribbon, rules = layout.ribbon, layout.mesh_weights
    lengths = ribbon.arc_length(layout.stations)
    if rules.distance == "body":
        # past the first and the last station there is nothing to blend with
        order = np.clip(order_coordinate(places, lengths), 0.0, len(lengths) - 1.0)
        steps = np.abs(order[:, None] - np.arange(len(lengths)))
    else:
        steps = _straight_steps(positions, ribbon, layout.stations, lengths)
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

"""Travel: how a body that changes its shape goes over level ground, or through water.

In each step of time it takes the level shift and yaw that cost least: the sum over the body of
grip, mass and the square of the speed, where going along counts less than going across.
"""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array


def level_axes(up: Array, ahead: Array) -> tuple[Array, Array]:
    """Two level unit vectors: the level part of a direction, and what lies to the left of it."""
    level = ahead - (ahead @ up) * up
    if np.linalg.norm(level) < 1e-6 * max(float(np.linalg.norm(ahead)), 1e-300):
        level = np.eye(3)[int(np.argmin(np.abs(up)))]
        level = level - (level @ up) * up
    first = level / np.linalg.norm(level)
    return first, np.cross(up, first)


def steps_of_least_effort(points: Array, weights: Array, slide: float) -> Array:
    """(N, 3) shift and yaw (radians) of each step of a loop, the last one back to the first.

    Parameters
    ----------
    points : (N, P, 2) array
        Where the places are, level, in frames that may move as they like.
    weights : (N, P) array
        Grip times mass.
    slide : float
        Resistance along the body over that across it.

    Returns
    -------
    (N, 3) array
        The shape of the next time is turned by the yaw about its own centre of weight and then
        shifted.

    References
    ----------
    J. Gray, G. Hancock, "The propulsion of sea-urchin spermatozoa", Journal of Experimental
    Biology 32, 1955: a force along and one across each piece, which balance over the body.
    """
    after, heavier = np.roll(points, -1, axis=0), 0.5 * (weights + np.roll(weights, -1, axis=0))
    middle, moved = 0.5 * (points + after), after - points
    tangent = np.gradient(middle, axis=1)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=2, keepdims=True), 1e-300)
    resists = np.eye(2) - (1.0 - slide) * tangent[..., :, None] * tangent[..., None, :]
    total = heavier.sum(axis=1)[:, None]
    centre = np.einsum("np,npi->ni", heavier, after) / total
    arm = middle - np.einsum("np,npi->ni", heavier, middle)[:, None] / total[:, None]
    columns = np.zeros((*points.shape[:2], 2, 3))
    columns[..., 0, 0] = columns[..., 1, 1] = 1.0
    columns[..., 0, 2], columns[..., 1, 2] = -arm[..., 1], arm[..., 0]
    pushed = heavier[..., None, None] * (resists @ columns)
    normal = np.einsum("npia,npib->nab", columns, pushed)
    wanted = -np.einsum("npia,npi->na", pushed, moved)
    size = np.einsum("naa->n", normal)[:, None, None]
    steps = np.linalg.solve(normal + 1e-12 * size * np.eye(3), wanted[..., None])[..., 0]
    return np.concatenate([steps, centre], axis=1)


def travelled(points: Array, weights: Array, slide: float) -> Array:
    """(N + 1, 3, 3) level motions of a loop's shapes: the first none, the last that of the loop.

    Parameters are as in :func:`steps_of_least_effort`; the matrices act on level points with a
    1 below them.
    """
    motions = np.tile(np.eye(3), (len(points) + 1, 1, 1))
    for k, (x, y, yaw, cx, cy) in enumerate(steps_of_least_effort(points, weights, slide)):
        turn = _yawed(yaw)
        turn[:2, 2] = np.array([cx + x, cy + y]) - turn[:2, :2] @ [cx, cy]
        motions[k + 1] = motions[k] @ turn
    return motions


def on_the_spot(motions: Array) -> Array:
    """(N, 3, 3) the same without what the loop travels, which is taken off evenly."""
    count = len(motions) - 1
    yaw, shift = _level_log(motions[-1])
    held = np.array([_level_exp(-yaw * k / count, -shift * k / count) for k in range(count)])
    return held @ motions[:-1]


def _yawed(yaw: float) -> Array:
    turn = np.eye(3)
    turn[:2, :2] = [[np.cos(yaw), -np.sin(yaw)], [np.sin(yaw), np.cos(yaw)]]
    return turn


def _spiral(yaw: float) -> Array:
    """(2, 2) what a steady shift becomes while it turns."""
    once = np.sinc(yaw / np.pi)
    twice = 0.5 * yaw * np.sinc(0.5 * yaw / np.pi) ** 2
    return np.array([[once, -twice], [twice, once]])


def _level_log(motion: Array) -> tuple[float, Array]:
    yaw = float(np.arctan2(motion[1, 0], motion[0, 0]))
    return yaw, np.asarray(np.linalg.solve(_spiral(yaw), motion[:2, 2]), dtype=float)


def _level_exp(yaw: float, shift: Array) -> Array:
    motion = _yawed(yaw)
    motion[:2, 2] = _spiral(yaw) @ shift
    return motion

"""What the creatures share: a midline, rings along it, eyes, mouths and paired growths."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from curves import Profile, chord_lengths, tangents, unit
from numpy.typing import NDArray
from quadcage import (
    Body,
    Cage,
    Rectangle,
    Root,
    add_appendage,
    mirrored_columns,
    mirrored_loops,
    root_at,
    swept_loops,
)

Array = NDArray[np.float64]
Shape = Callable[[Array, Root], tuple[Array, Array]]

MIRROR = np.array([-1.0, 1.0, 1.0])


@dataclass(frozen=True)
class Midline:
    """A body's midline from snout to tail, with the direction of its left side at each point."""

    where: Array
    points: Array
    forwards: Array
    sides: Array

    @classmethod
    def through(cls, points: Array, sides: Array) -> Midline:
        """Midline through close points (n, 3); ``sides`` (n, 3) are made square to it."""
        forwards = -tangents(points)
        square = unit(sides - (sides * forwards).sum(axis=1, keepdims=True) * forwards)
        return cls(chord_lengths(points), points, forwards, square)

    @property
    def length(self) -> float:
        """Arc length in centimetres."""
        return float(self.where[-1])

    def frame(self, place: float) -> tuple[Array, Array, Array]:
        """Point, left (side) and upward (dorsal) unit vectors at a distance from the snout."""
        point, forward, side = (
            np.array([np.interp(place, self.where, values[:, k]) for k in range(3)])
            for values in (self.points, self.forwards, self.sides)
        )
        return point, unit(side), unit(np.cross(forward, side))


def upright_points(pitch: Profile, length: float, count: int = 4001) -> Array:
    """Points (count, 3) in the plane x = 0, snout first, at the origin.

    ``pitch`` is the heading towards the head over the ground, in degrees, at distances
    from the snout.
    """
    where = np.linspace(0.0, length, count)
    angle = np.radians(pitch(where))
    heading = np.stack([np.zeros(count), np.sin(angle), np.cos(angle)], axis=1)
    steps = 0.5 * (heading[1:] + heading[:-1]) * where[1]
    return -np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])


def ring_places(spacing: Profile, first: float, last: float) -> Array:
    """Places from ``first`` to ``last`` about ``spacing`` apart, both in centimetres."""
    fine = np.linspace(first, last, 20001)
    density = 1.0 / spacing(fine)
    steps = 0.5 * (density[1:] + density[:-1]) * (fine[1] - fine[0])
    count = np.concatenate([[0.0], np.cumsum(steps)])
    return np.interp(np.linspace(0.0, count[-1], round(count[-1]) + 1), count, fine)


def rows_at(places: Array, place: float, count: int) -> slice:
    """``count`` rows of quads between rings, centred on ``place``."""
    middles = 0.5 * (places[: len(places) - count] + places[count:])
    first = int(np.argmin(np.abs(middles - place)))
    return slice(first, first + count)


def superellipse(angle: Array, power: float) -> tuple[Array, Array]:
    """Sideways and upward coordinates of a unit superellipse, ``angle`` from its top."""
    sine, cosine = np.sin(angle), np.cos(angle)
    across = np.sign(sine) * np.abs(sine) ** (2.0 / power)
    return across, np.sign(cosine) * np.abs(cosine) ** (2.0 / power)


def gathered_angles(around: Array, turn: int, column: int, angle: float, share: float) -> Array:
    """Angle from the back, in -pi..pi, of each place around a ring of ``turn``.

    Even where ``share`` is 0.  Where it is 1, ``column`` and its twin lie at ``angle``
    (radians) and their neighbours 8 degrees beside, so that a mouth has edges to fold
    along.
    """
    half = turn / 2
    folded = np.where(around > half, turn - around, around)
    even = folded * (np.pi / half)
    lip = np.radians(8.0)
    knots = [0.0, turn / 8, column - 1, column, column + 1, half]
    drawn = np.interp(folded, knots, [0.0, 0.26 * np.pi, angle - lip, angle, angle + lip, np.pi])
    gathered = even + share * (drawn - even)
    return np.where(around > half, -gathered, gathered)


def crease(
    body: Body, column: int, amounts: tuple[float, float, float], fade: Array
) -> dict[int, float]:
    """Pushes for a mouth along ``column`` of both sides and across the front grid.

    Parameters
    ----------
    column : int
        The mouth's loop, between n/8 and 3n/8.
    amounts : three floats
        Centimetres along the normal for the lip above, the mouth, and the lip below.
    fade : (r,) array
        Share of it at each ring.

    Returns
    -------
    dict
        Centimetres by vertex number, for :meth:`Cage.push`.
    """
    around = body.rings.shape[1]
    pushes: dict[int, float] = {}
    for offset, amount in zip((-1, 0, 1), amounts, strict=True):
        for ring_column in (column + offset, around - column - offset):
            vertices = body.rings[:, ring_column].tolist()
            pushes.update(zip(vertices, (amount * fade).tolist(), strict=True))
        for vertex in body.front_grid[column - around // 8 + offset, 1:-1].tolist():
            pushes[vertex] = amount
    return pushes


def root_axes(points: Array, root: Root) -> tuple[Array, Array, Array]:
    """Middle of a root's loop, unit axis towards the tail, and outward normal."""
    middle = points.mean(axis=0)
    tailward = unit((points - middle).T @ np.cos(root.angles))
    outward = unit(np.cross(points - middle, np.roll(points, -1, axis=0) - middle).sum(axis=0))
    return middle, unit(tailward - (tailward @ outward) * outward), outward


def eye_shape(radius: float) -> Shape:
    """Lid, crease, eyeball and a carved pupil, for an eyeball of ``radius`` centimetres."""
    section = (radius / 2.0) * np.array(
        [[2.6, 0.0], [2.42, 0.36], [2.2, 0.66], [2.02, 0.78], [1.9, 0.70], [1.84, 0.52],
         [1.8, 0.68], [1.6, 1.01], [1.25, 1.37], [0.86, 1.62], [0.74, 1.50]]
    )  # fmt: skip

    def loops(points: Array, root: Root) -> tuple[Array, Array]:
        middle, tailward, outward = root_axes(points, root)
        path = middle + section[:, 1:] * outward
        axes = (tailward, np.cross(tailward, outward))
        spread = tuple(np.tile(axis, (len(path), 1)) for axis in axes)
        sizes = section[:, [0, 0]]
        sweep = swept_loops(points, root.angles, path, spread, sizes, join=2)
        return sweep, 0.025 * radius * outward

    return loops


@dataclass(frozen=True)
class Growth:
    """A pair of appendages: where it grows on the left, its shape, groups, texture space."""

    rows: slice
    columns: slice
    shape: Shape
    groups: tuple[str, str]
    areas: tuple[Rectangle, Rectangle]

    def holes(self, around: int) -> list[tuple[slice, slice]]:
        """Return the two holes it needs in a body of ``around`` vertices to a ring."""
        return [(self.rows, self.columns), (self.rows, mirrored_columns(self.columns, around))]


def grow_pair(cage: Cage, body: Body, growth: Growth, mirror: bool = True) -> None:
    """Add both appendages of ``growth`` and smooth their roots into the body.

    ``mirror`` makes the right one the mirror image of the left, for a body symmetric
    about x = 0; otherwise each takes its shape from its own root.
    """
    left, right = (
        root_at(body, rows, columns) for rows, columns in growth.holes(body.rings.shape[1])
    )
    points = np.vstack(cage.positions)
    loops, dome = growth.shape(points[left.loop], left)
    add_appendage(cage, left, loops, dome, growth.groups[0], growth.areas[0])
    if mirror:
        loops, dome = mirrored_loops(loops, left), dome * MIRROR
    else:
        loops, dome = growth.shape(points[right.loop], right)
    add_appendage(cage, right, loops, dome, growth.groups[1], growth.areas[1])
    cage.relax(np.concatenate([left.loop, right.loop]), 4)

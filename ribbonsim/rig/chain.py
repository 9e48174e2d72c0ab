"""Chain: one ribbon at rest with its controls, joints and weights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import BSpline

from ribbonsim.arrays import Array
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.control_frames import values_for
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.rates import RestPath, chain_seat, rest_path
from ribbonsim.layout.targets import Target


@dataclass(frozen=True, eq=False)
class Chain:
    """One ribbon at rest: its layout and the weights of its controls.

    Parameters
    ----------
    surface_weights : (n, K) array
        Weights of controls over the ribbon's control points.
    """

    layout: OneRibbon
    surface_weights: Array

    @cached_property
    def control_rest(self) -> Array:
        """(K, 4, 4) rest frames of the controls."""
        return self.layout.ribbon.frames(self.layout.control_places)

    @cached_property
    def joint_rest(self) -> Array:
        """(N, 4, 4) rest frames of the ribbon joints."""
        return self.layout.ribbon.frames(self.layout.stations)

    @cached_property
    def path(self) -> RestPath:
        """The ribbon at rest, cut into steps."""
        return rest_path(self.layout)

    @cached_property
    def root(self) -> int | None:
        """The control that carries all others in a chain; None if they do not stand in one."""
        return chain_seat(self.layout)

    @property
    def share_table(self) -> Array:
        """(N, K - 1) shares of the pieces between controls at the stations."""
        return self.path.share_values[self.path.stations]

    @cached_property
    def station_basis(self) -> Array:
        """(N, n) posing the ribbon at its stations is this matrix times control points."""
        return self.layout.ribbon.basis(self.layout.stations).toarray()

    @cached_property
    def station_slopes(self) -> Array:
        """(N, n) the same for derivatives along."""
        return slopes_of(self.layout.ribbon, self.layout.stations)

    @cached_property
    def rest_speed(self) -> Array:
        """(N,) lengths of the derivatives along at the stations."""
        return np.linalg.norm(self.station_slopes @ self.layout.ribbon.midline.c, axis=1)

    @cached_property
    def point_rest(self) -> PointRest:
        """The ribbon at rest, seen from its control points' places."""
        return PointRest.of(self.layout.ribbon)

    def counted(self, target: Target) -> Target:
        """A target with its twist counted from the control that carries all others, if one does."""
        free = [i for i, carrier in self.layout.carry_order() if carrier is None]
        if len(free) > 1:
            return target
        return target.twisted_from(self.layout.control_lengths[free[0]])

    def on_frames(self, target: Target) -> list[ControlPose]:
        """Values that put each control on a target's frame at its place."""
        at = self.counted(target).at(self.layout.control_lengths)
        return values_for(self.control_rest, self.layout.carry_order(), at)


@dataclass(frozen=True, eq=False)
class PointRest:
    """A ribbon's width at rest, seen from its control points' places.

    Parameters
    ----------
    halves, half_values : (n, 3) arrays
        Half widths in the frames there, and in the scene.
    half_points : (n, 3) array
        Their control points.
    collocation : (n, n) array
        Turns values at the places into control points.
    """

    halves: Array
    half_values: Array
    half_points: Array
    collocation: Array

    @classmethod
    def of(cls, ribbon: Ribbon) -> PointRest:
        """Look at a ribbon."""
        places = ribbon.greville
        turns = ribbon.frames(places)[:, :3, :3]
        half_points = 0.5 * (ribbon.control_points[:, 1] - ribbon.control_points[:, 0])
        basis = ribbon.basis(places).toarray()
        half_values = basis @ half_points
        return cls(
            halves=np.einsum("kji,kj->ki", turns, half_values),
            half_values=half_values,
            half_points=half_points,
            collocation=np.linalg.inv(basis),
        )


def slopes_of(ribbon: Ribbon, t: ArrayLike) -> Array:
    """(m, n) matrix from control points to derivatives along."""
    each = np.eye(len(ribbon.control_points))
    return BSpline(ribbon.knots, each, ribbon.degree)(t, 1)


def slices_of(counts: Sequence[int]) -> tuple[slice, ...]:
    """Slices of rows that lie one after the other."""
    ends = np.cumsum(counts).tolist()
    return tuple(slice(end - count, end) for end, count in zip(ends, counts, strict=True))

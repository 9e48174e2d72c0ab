"""One pose of all ribbons: the steps from controls to joints, each taken once, when asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ribbonsim.chains import Chains, JointPose
from ribbonsim.layout import Layout
from ribbonsim.pose import ControlFrames, ControlPose
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Posed:
    """A creature's ribbons in one pose; made by :meth:`ribbonsim.Rig.posed`.

    Values lead to controls, controls to ribbons at home, those to joints, and joints carry
    the appendages. *At home* a ribbon is posed as if what carries it were at rest.

    Parameters
    ----------
    layout : Layout
        Of the whole creature.
    chains : Chains
        Its ribbons, in the same order.
    tied : (T,) int array
        The joints that tied joints move with.
    values : (A,) sequence of ControlPose
        Of all controls.
    keep_volume : float
        As in :class:`ribbonsim.Pose`.
    """

    layout: Layout
    chains: Chains
    tied: Ints
    values: Sequence[ControlPose]
    keep_volume: float

    @cached_property
    def controls(self) -> ControlFrames:
        """Frames of all controls, each ribbon's at home."""
        return self.chains.controls(self.values)

    @cached_property
    def _home_points(self) -> Array:
        return self.chains.points(self.controls)

    @cached_property
    def _carried(self) -> tuple[JointPose, Array]:
        """Ribbon joints where they are carried to, and the motion of each ribbon."""
        home = self.chains.joints(self.controls, self._home_points, self.keep_volume)
        return self.chains.carry(home)

    @cached_property
    def joints(self) -> JointPose:
        """All joints, tied ones last."""
        carried = self._carried[0]
        return carried.with_tied(self.tied) if len(self.tied) else carried

    @cached_property
    def at_home(self) -> dict[str, Ribbon]:
        """Every ribbon at home, by name, ``body`` first."""
        return self._ribbons(self._home_points)

    @cached_property
    def ribbons(self) -> dict[str, Ribbon]:
        """Every ribbon where it is carried to, by name, ``body`` first."""
        return self._ribbons(self.chains.moved_points(self._home_points, self._carried[1]))

    def _ribbons(self, points: Array) -> dict[str, Ribbon]:
        parts = zip(self.layout.ribbons.items(), self.chains.point_slices, strict=True)
        return {name: Ribbon(points[own], one.ribbon.knots) for (name, one), own in parts}

    def control_frames(self, ribbon: str) -> ControlFrames:
        """Frames of one ribbon's controls, where they are carried to.

        Parameters
        ----------
        ribbon : str
            One that the layout has.

        Returns
        -------
        ControlFrames
        """
        number = list(self.layout.ribbons).index(ribbon)
        own, home = self.chains.control_slices[number], self.controls
        frames = home.frames[own]
        if number:  # the body is not carried, so its joints need not be known
            frames = self._carried[1][number] @ frames
        return ControlFrames(frames, home.twists[own], home.stretches[own], home.girths[own])

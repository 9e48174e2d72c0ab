"""One pose of all ribbons: the steps from controls to joints, each taken once, when asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import ALONG, axis_rotation
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.control_frames import ControlFrames
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import ControlPose
from ribbonsim.rig.chain import Chain
from ribbonsim.rig.chains import Chains, JointPose
from ribbonsim.rig.drives import Driven


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
    def driven(self) -> Driven:
        """Every ribbon moved by its controls, at home."""
        return self.chains.drive.driven(self.values)

    @property
    def controls(self) -> ControlFrames:
        """Frames of all controls, each ribbon's at home."""
        return self.driven.controls

    @cached_property
    def _carried(self) -> tuple[JointPose, Array]:
        """Ribbon joints where they are carried to, and the motion of each ribbon."""
        return self.chains.carry(self.chains.joints(self.driven, self.keep_volume))

    @cached_property
    def joints(self) -> JointPose:
        """All joints, tied ones last."""
        carried = self._carried[0]
        return carried.with_tied(self.tied) if len(self.tied) else carried

    @cached_property
    def at_home(self) -> dict[str, Ribbon]:
        """Every ribbon at home, by name, ``body`` first."""
        return self._ribbons(self.driven.points)

    @cached_property
    def ribbons(self) -> dict[str, Ribbon]:
        """Every ribbon where it is carried to, by name, ``body`` first."""
        return self._ribbons(self.chains.moved_points(self.driven.points, self._carried[1]))

    def _ribbons(self, points: Array) -> dict[str, Ribbon]:
        parts = zip(self.layout.ribbons.items(), self.chains.point_slices, strict=True)
        return {name: one.ribbon.moved(points[own]) for (name, one), own in parts}

    def control_frames(self, ribbon: str) -> ControlFrames:
        """Frames of one ribbon's controls, where they are carried to.

        Parameters
        ----------
        ribbon : str
            One that the layout has.
        """
        number = list(self.layout.ribbons).index(ribbon)
        own, home = self.chains.control_slices[number], self.controls
        frames = home.frames[own]
        if number:  # the body is not carried, so its joints need not be known
            frames = self._carried[1][number] @ frames
        return ControlFrames(frames, home.twists[own], home.stretches[own], home.girths[own])

    def motion_of(self, ribbon: str) -> Array:
        """(4, 4) how what carries a ribbon moves it as a whole."""
        motion: Array = self._carried[1][list(self.layout.ribbons).index(ribbon)]
        return motion

    def frames_at(self, ribbon: str, t: ArrayLike) -> ControlFrames:
        """Frames of one ribbon at home at places along it, as controls there would need them.

        Parameters
        ----------
        t : (k,) array
        """
        places = np.asarray(t, dtype=float)
        number = list(self.layout.ribbons).index(ribbon)
        chain, own = self.chains.chain(number), self.chains.control_slices[number]
        controls, rest = self.controls, chain.layout.ribbon
        turning, stretching = chain.path.weights_at(rest.arc_length(places))
        stretches, girths = stretching @ controls.stretches[own], turning @ controls.girths[own]
        told = self.chains.drive.path_of(self.driven, number)
        if told is None:
            twists = turning @ controls.twists[own]
            return ControlFrames(self.at_home[ribbon].frames(places), twists, stretches, girths)
        path, held = told
        twists = turning @ held - float(held @ self._root_turning(chain))
        frames = path.motions_at(chain.path, rest.arc_length(places)) @ rest.frames(places)
        return ControlFrames(frames @ axis_rotation(ALONG, twists), twists, stretches, girths)

    @staticmethod
    def _root_turning(chain: Chain) -> Array:
        return chain.path.turning[chain.path.controls[chain.root or 0]]

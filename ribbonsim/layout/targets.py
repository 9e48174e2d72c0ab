"""Test poses: target shapes of the body that do not depend on a layout.

A target bends, twists and stretches the rest shape by rates along the body; integrating them
gives a midline with frames. Every layout is then asked for the same shape.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array
from ribbonsim.checks import check_number
from ribbonsim.curves.frames import ALONG, axis_rotation, invert_rigid, rigid_exp, rigid_log
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.screws import walk
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.control_frames import ControlFrames

_STEPS = 512
# where along the body a creature that rears up bends off the ground
_LIFTED = 0.35


@dataclass(frozen=True, eq=False)
class Rates:
    """What a test pose adds to the rest shape, along the body.

    Parameters
    ----------
    bend, sway : (m,) arrays
        Degrees per body length about the across and the normal axis, at step middles.
    twist : (m + 1,) array
        Degrees about the along axis, at step ends.
    stretch : (m + 1,) array
        Factors, at step ends.
    """

    bend: Array
    sway: Array
    twist: Array
    stretch: Array

    @classmethod
    def of(
        cls,
        ends: Array,
        bend: ArrayLike = 0.0,
        sway: ArrayLike = 0.0,
        twist: ArrayLike = 0.0,
        stretch: ArrayLike = 1.0,
    ) -> Rates:
        """Spread what is given over the body and leave the rest at rest."""
        steps, stands = (len(ends) - 1,), (len(ends),)
        return cls(
            np.broadcast_to(np.asarray(bend, dtype=float), steps),
            np.broadcast_to(np.asarray(sway, dtype=float), steps),
            np.broadcast_to(np.asarray(twist, dtype=float), stands),
            np.broadcast_to(np.asarray(stretch, dtype=float), stands),
        )


@dataclass(frozen=True)
class TestPose:
    """A named target shape.

    Parameters
    ----------
    unit : {"degrees", "turns", "factor"}
        What an amount means.
    usual : float
        Amount if none is given.
    describes : str
        One line for menus and captions.
    rates : callable
        From step ends (m + 1,), step middles (m,) and the amount to :class:`Rates`.
    anchor : float
        Place along the body that stays where it is, 0 at the root end and 1 at the tip.
    lifts : float
        From which place on the pose lifts the body off the ground: what rests before it stays.
    """

    __test__ = False  # not a test case, whatever collects names that start so

    name: str
    unit: str
    usual: float
    describes: str
    rates: Callable[[Array, Array, float], Rates]
    anchor: float = 0.0
    lifts: float = 1.0


def _hump(x: Array, centre: float, width: float) -> Array:
    """A bump of unit area over the body."""
    values = np.exp(-0.5 * ((x - centre) / width) ** 2)
    return values * len(x) / values.sum()


def _c_bend(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, sway=amount)


def _s_bend(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, sway=np.pi * amount * np.sin(2.0 * np.pi * x))


def _curl(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, bend=amount * (0.5 + x))


def _rear_up(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, bend=amount * (0.8 * _hump(x, 0.8, 0.1) - _hump(x, _LIFTED, 0.12)))


def _twist(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, twist=amount * ends)


def _corkscrew(ends: Array, x: Array, amount: float) -> Rates:
    # a helix whose direction stands 30 degrees off its axis; in frames that do not turn
    # about the tangent its curvature keeps its size and goes round
    turn = 360.0 * amount
    angle = np.radians(turn) * np.cos(np.radians(30.0)) * x
    size = turn * np.sin(np.radians(30.0))
    return Rates.of(ends, bend=size * np.cos(angle), sway=size * np.sin(angle))


def _stretch(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, stretch=amount)


def _look_aside(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, sway=amount * _hump(x, 0.82, 0.07))


def _tail_flick(ends: Array, x: Array, amount: float) -> Rates:
    return Rates.of(ends, sway=amount * _hump(x, 0.17, 0.08))


TEST_POSES: dict[str, TestPose] = {
    pose.name: pose
    for pose in (
        TestPose("c_bend", "degrees", 90.0, "one even bend to the side", _c_bend),
        TestPose("s_bend", "degrees", 70.0, "to one side, then to the other", _s_bend),
        TestPose("curl", "degrees", 270.0, "rolls up belly inwards, tighter to the tip", _curl),
        TestPose(
            "rear_up", "degrees", 70.0, "lifts its front and levels it", _rear_up, 0.0, _LIFTED
        ),
        TestPose("twist", "degrees", 180.0, "turns about its own length", _twist),
        TestPose("corkscrew", "turns", 1.0, "winds like a screw", _corkscrew),
        TestPose("stretch", "factor", 1.4, "grows longer and thinner", _stretch),
        TestPose("squash", "factor", 0.7, "grows shorter and fatter", _stretch),
        TestPose("look_aside", "degrees", 60.0, "turns its tip end to the side", _look_aside),
        TestPose("tail_flick", "degrees", 70.0, "throws its root end aside", _tail_flick, 0.5),
    )
}

# what an amount may be, by its unit
AMOUNTS = {"degrees": (-7200.0, 7200.0), "turns": (-20.0, 20.0), "factor": (0.1, 10.0)}


@dataclass(frozen=True, eq=False)
class Target:
    """A target shape for one ribbon's body.

    Parameters
    ----------
    lengths : (m,) array
        Places along the body, arc length at rest, scene units.
    frames : (m, 4, 4) array
        Target frames there, without the twist.
    twists : (m,) array
        Degrees, not folded into one turn.
    stretches : (m,) array
        Factors along.
    """

    lengths: Array
    frames: Array
    twists: Array
    stretches: Array

    def at(self, lengths: ArrayLike) -> ControlFrames:
        """Frames at places along the body.

        Parameters
        ----------
        lengths : (k,) array
            Arc length at rest, scene units.

        Returns
        -------
        ControlFrames
        """
        places = np.asarray(lengths, dtype=float)
        last = len(self.lengths) - 2
        index = np.clip(np.searchsorted(self.lengths, places, side="right") - 1, 0, last)
        start, end = self.lengths[index], self.lengths[index + 1]
        share = (places - start) / (end - start)
        frames = self.frames[index] @ rigid_exp(share[:, None] * self._steps[index])
        twists = np.interp(places, self.lengths, self.twists)
        stretches = np.interp(places, self.lengths, self.stretches)
        turned = frames @ axis_rotation(ALONG, twists)
        return ControlFrames(turned, twists, stretches, np.ones_like(stretches))

    @cached_property
    def _steps(self) -> Array:
        """(m - 1, 6) screw from each frame to the next."""
        return rigid_log(invert_rigid(self.frames[:-1]) @ self.frames[1:])

    def twisted_from(self, length: float) -> Target:
        """Return the same shape and twist between places, one place of it not turned.

        Parameters
        ----------
        length : float
            Arc length at rest, scene units, of the place that keeps its turn.

        Returns
        -------
        Target
        """
        held = float(np.interp(length, self.lengths, self.twists))
        there = replace(self, twists=self.twists - held)
        there.__dict__["_steps"] = self._steps  # twist is not in them
        return there


def held_target(target: Target, ribbon: Ribbon, length: float) -> Target:
    """The same shape, moved as a whole so that one place of the body stays where it rests.

    Parameters
    ----------
    ribbon : Ribbon
        At rest.
    length : float
        Arc length at rest of the place that stays, scene units.
    """
    there = target.at([length]).untwisted[0]
    motion = ribbon.frames(ribbon.place_at(length)) @ invert_rigid(there)
    return replace(target, frames=motion @ target.frames)


def make_target(ribbon: Ribbon, name: str, amount: float | None = None) -> Target:
    """Build the target of a test pose for a body.

    Parameters
    ----------
    ribbon : Ribbon
        At rest.
    name : str
        One of :data:`TEST_POSES`.
    amount : float, optional
        Degrees, turns or a factor; the usual amount if left out.

    Returns
    -------
    Target

    Raises
    ------
    RibbonsimError
        If the name is unknown or the amount cannot be used.
    """
    if name not in TEST_POSES:
        raise RibbonsimError(
            f"no test pose is called {name!r}: choose one of {', '.join(TEST_POSES)}"
        )
    pose = TEST_POSES[name]
    size = pose.usual if amount is None else amount
    check_number(f"amount of {name} in {pose.unit}", size, *AMOUNTS[pose.unit])
    return integrate(ribbon, pose.rates(*step_places(), float(size)), pose.anchor)


def step_places() -> tuple[Array, Array]:
    """Places 0 to 1 along a body at which rates are asked for.

    Returns
    -------
    ends : (m + 1,) array
    middles : (m,) array
    """
    ends = np.linspace(0.0, 1.0, _STEPS + 1)
    return ends, 0.5 * (ends[1:] + ends[:-1])


def integrate(ribbon: Ribbon, rates: Rates, anchor: float) -> Target:
    """Integrate rates over the rest shape, outwards from a place that stays.

    Each step of the rest shape is a screw motion; the rates are added to its rotation, so a
    constant bend of a straight body is an exact arc.

    Parameters
    ----------
    anchor : float
        0 to 1 along the body.
    """
    lengths, rest, steps = ribbon.even_steps(len(rates.twist) - 1)
    screws = steps.copy()
    step = np.radians(1.0 / len(steps))
    screws[:, 1] += step * rates.bend
    screws[:, 2] += step * rates.sway
    screws[:, 3:] *= 0.5 * (rates.stretch[1:] + rates.stretch[:-1])[:, None]
    turns, points = walk(screws.T)
    start = round(anchor * len(steps))
    turn = rest[start, :3, :3] @ turns[start].T
    frames = np.zeros_like(rest)
    frames[:, :3, :3] = turn @ turns
    frames[:, :3, 3] = (points - points[start]) @ turn.T + rest[start, :3, 3]
    frames[:, 3, 3] = 1.0
    twists = rates.twist - rates.twist[start]
    return Target(lengths, frames, twists, np.array(rates.stretch))


def shape_error(rest: Ribbon, posed: Ribbon, target: Target) -> float:
    """How far a posed ribbon stays from a target's midline.

    Returns
    -------
    float
        Root mean square distance at equal places along the ribbon, over its rest length.
    """
    achieved = posed.midline(rest.place_at(target.lengths))
    squares = np.sum((achieved - target.frames[:, :3, 3]) ** 2, axis=1)
    return float(np.sqrt(squares.mean()) / rest.length)

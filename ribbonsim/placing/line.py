"""Line: one ribbon in the poses that are asked, cut at the places where a control may stand.

Everything the search needs is here as small arrays: what each pose adds between two cuts, where
it puts them, and how much skin hangs on each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import invert_rigid, rigid_log
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.layout.targets import Target

# places where a control may stand, and steps between two of them
PLACES, _STEPS = 33, 2
# An end is left free where so small a share of what a pose turns lies beyond, and nowhere beyond
# more than so much of its sharpest rate.
_LEFT, _GENTLE = 0.06, 0.35


@dataclass(frozen=True, eq=False)
class Load:
    """How much skin hangs on each cut of a ribbon.

    Parameters
    ----------
    mass : (m,) array
        Share of the skin's area; all of it is 1.
    spin : (m,) array
        The same times the mean squared distance from the midline, scene units squared.
    """

    mass: Array
    spin: Array


@dataclass(frozen=True, eq=False)
class Line:
    """One ribbon in P poses, cut at m places; lengths are shares of the ribbon's.

    Parameters
    ----------
    lengths : (m,) array
        Rising places, 0 to 1.
    seats : (n,) int array
        Cuts at which a control may stand, the first and the last among them.
    points : (P, m, 3) array
        Where the poses put the cuts.
    axes : (P, m - 1, 3, 2) array
        Across and normal of each step in the poses, in the scene.
    added : (P, m - 1, 2) array
        Radians of bend and sway that the poses add over each step.
    twists : (P, m) array
        Radians.
    stretches : (P, m) array
    load : Load
        With lengths as shares of the ribbon's.
    weights : (P,) array
        Of the poses.
    """

    lengths: Array
    seats: Ints
    points: Array
    axes: Array
    added: Array
    twists: Array
    stretches: Array
    load: Load
    weights: Array

    @property
    def seat_lengths(self) -> Array:
        """(n,) places at which a control may stand."""
        return self.lengths[self.seats]

    @cached_property
    def centres(self) -> Array:
        """(P, m - 1, 3) middles of the steps in the poses."""
        return 0.5 * (self.points[:, 1:] + self.points[:, :-1])

    @cached_property
    def rate(self) -> Array:
        """(P, m - 1) radians that the poses turn for each whole length, twist among them."""
        turned = np.sum(self.added**2, axis=2) + np.diff(self.twists, axis=1) ** 2
        return np.sqrt(turned) / np.diff(self.lengths)

    @cached_property
    def sharpest(self) -> Array:
        """(m - 1,) the largest rate of all poses on each step, each pose's own largest being 1."""
        largest = self.rate.max(axis=1, keepdims=True)
        moving = largest[:, 0] > 1e-6
        if not moving.any():
            return np.zeros(self.rate.shape[1])
        sharpest: Array = (self.rate[moving] / largest[moving]).max(axis=0)
        return sharpest

    @cached_property
    def free(self) -> tuple[float, float]:
        """The farthest in that the first and the last control may stand, as places."""
        steps = np.diff(self.lengths)
        low, high = 1.0, 0.0
        for rate, stretch in zip(self.rate, self.stretches, strict=True):
            turn = np.r_[0.0, np.cumsum(rate * steps)]
            if np.abs(stretch - 1.0).max() > 1e-6:
                return 0.0, 1.0
            if turn[-1] < 1e-6:
                continue
            gentle = rate <= _GENTLE * rate.max()
            before = (turn <= _LEFT * turn[-1]) & np.r_[True, np.logical_and.accumulate(gentle)]
            after = (turn >= (1.0 - _LEFT) * turn[-1]) & np.r_[
                np.logical_and.accumulate(gentle[::-1])[::-1], True
            ]
            low = min(low, float(self.lengths[before].max()))
            high = max(high, float(self.lengths[after].min()))
        return (0.0, 1.0) if low >= high else (low, high)


def cut_places(held: Sequence[float] = ()) -> tuple[Array, Ints]:
    """Cuts of a line: even places for controls, and those that are held.

    Parameters
    ----------
    held : sequence of float
        Places, 0 to 1, where controls stand and stay.

    Returns
    -------
    lengths : (m,) array
    seats : (n,) int array
        Which of them may have a control.
    """
    even = np.linspace(0.0, 1.0, PLACES)
    keep = np.ones(PLACES, dtype=bool)
    for place in held:  # what is held takes the seat of the place beside it
        near = np.abs(even - place) < 0.5 / (PLACES - 1)
        keep &= ~near | np.isin(even, (0.0, 1.0))
    seats = np.unique(np.r_[even[keep], np.asarray(held, dtype=float)])
    within = np.arange(_STEPS) / _STEPS
    lengths = np.r_[(seats[:-1, None] + np.diff(seats)[:, None] * within).ravel(), seats[-1]]
    return lengths, np.arange(0, len(lengths), _STEPS)


def line_of(
    ribbon: Ribbon,
    targets: Sequence[Target],
    weights: Sequence[float],
    places: Array,
    distances: Array,
    areas: Array,
    held: Sequence[float] = (),
) -> Line:
    """Look at a ribbon in some poses.

    Parameters
    ----------
    ribbon : Ribbon
        At rest.
    targets : sequence of Target
        One for each pose.
    weights : sequence of float
    places, distances, areas : (v,) arrays
        Of the skin on it: arc length along, distance from the midline, and area.
    held : sequence of float
        Places, 0 to 1, where controls stand and stay.

    Returns
    -------
    Line
    """
    lengths, seats = cut_places(held)
    along = lengths * ribbon.length
    rest = ribbon.frames(ribbon.place_at(along))
    quiet = rigid_log(invert_rigid(rest[:-1]) @ rest[1:])[:, 1:3]
    told = [target.at(along) for target in targets]
    posed = np.stack([one.untwisted for one in told])
    steps = rigid_log(invert_rigid(posed[:, :-1]) @ posed[:, 1:])
    return Line(
        lengths=lengths,
        seats=seats,
        points=posed[:, :, :3, 3] / ribbon.length,
        axes=0.5 * (posed[:, 1:, :3, 1:3] + posed[:, :-1, :3, 1:3]),
        added=steps[:, :, 1:3] - quiet,
        twists=np.radians(np.stack([one.twists for one in told])),
        stretches=np.stack([one.stretches for one in told]),
        load=load_of(lengths, places / ribbon.length, distances / ribbon.length, areas),
        weights=np.asarray(weights, dtype=float),
    )


def load_of(lengths: Array, places: Array, distances: Array, areas: Array) -> Load:
    """Share skin out to the cuts of a line, each vertex to the two beside it.

    Parameters
    ----------
    lengths : (m,) array
    places, distances, areas : (v,) arrays
        Shares of the ribbon's length, and areas in any unit.

    Returns
    -------
    Load
    """
    count = len(lengths)
    low = np.clip(np.searchsorted(lengths, places, side="right") - 1, 0, count - 2)
    share = np.clip((places - lengths[low]) / (lengths[low + 1] - lengths[low]), 0.0, 1.0)
    mass, spin = np.zeros(count), np.zeros(count)
    for index, part in ((low, 1.0 - share), (low + 1, share)):
        held = part * areas / areas.sum()
        mass += np.bincount(index, held, minlength=count)
        spin += np.bincount(index, held * distances**2, minlength=count)
    return Load(mass, spin)

"""Shapes: a body at even times of a loop, whatever the layout; layouts only project them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.screws import walk
from ribbonsim.layout.targets import Target

# steps of a target within each piece
_FINE = 4


@dataclass(frozen=True, eq=False)
class Added:
    """What is added to the rest of a ribbon at F times, piece by piece.

    Parameters
    ----------
    turns : (F, n, 3) array
        Twist, bend and sway over each piece, radians.
    stretches : (F, n) array
        Logarithm of the factor along.
    straight : bool
        Whether the bends of the rest are taken out first.
    kept_from : float
        Share of the length from which on they are kept all the same.
    """

    turns: Array
    stretches: Array
    straight: bool = False
    kept_from: float = 1.0

    def on_steps(self, lengths: Array, screws: Array) -> tuple[Array, Array, Array]:
        """Walk along a ribbon that is cut at given arc lengths.

        Returns
        -------
        frames : (F, m, 4, 4) array
            Without twist, from no turn at the origin.
        twists : (F, m) array
            Degrees from the root end.
        stretches : (F, m) array
            Factors.
        """
        pieces = self.turns.shape[1]
        whole = lengths[-1] - lengths[0]
        at = (lengths - lengths[0]) / whole
        steps = np.diff(at)
        between = _between(0.5 * (at[1:] + at[:-1]), pieces)
        turned = np.einsum("mn,fnc->cfm", pieces * steps[:, None] * between, self.turns)
        factors = np.exp(self.stretches @ between.T)
        walked = np.repeat(screws.T[:, None, :], len(self.turns), axis=1)
        if self.straight:
            kept = np.clip((0.5 * (at[1:] + at[:-1]) - self.kept_from) / 0.1, 0.0, 1.0)
            walked[:3] *= kept
            walked[4:] *= kept
        walked[1:3] += turned[1:]
        walked[3:] *= factors
        rotations, points = walk(walked)
        frames = np.zeros((*points.shape[:2], 4, 4))
        frames[..., :3, :3], frames[..., :3, 3], frames[..., 3, 3] = rotations, points, 1.0
        twists = np.zeros(points.shape[:2])
        np.cumsum(np.degrees(turned[0]), axis=1, out=twists[:, 1:])
        return frames, twists, np.exp(self.stretches @ _between(at, pieces).T)


@dataclass(frozen=True, eq=False)
class Shapes:
    """Shapes of one ribbon at even times of a loop.

    Parameters
    ----------
    ribbon : Ribbon
        At rest.
    added : Added
    anchor : int
        The place, counted in ends of pieces from the root end, that ``placed`` tells of.
    placed : (F, 4, 4) array
        Its frames.
    travel : (4, 4) array
        What one loop moves the whole by, if it goes on; no motion on the spot.
    """

    ribbon: Ribbon
    added: Added
    anchor: int
    placed: Array
    travel: Array

    @property
    def count(self) -> int:
        """How many times there are."""
        return len(self.placed)

    @cached_property
    def _fine(self) -> tuple[Array, Array, Array, Array]:
        lengths, _, screws = self.ribbon.even_steps(_FINE * self.added.turns.shape[1])
        frames, twists, stretches = self.added.on_steps(lengths, screws)
        seat = _FINE * self.anchor
        motion = self.placed @ invert_rigid(frames[:, seat])
        twists = twists - twists[:, seat : seat + 1]
        return lengths, motion[:, None] @ frames, twists, stretches

    def target(self, number: int) -> Target:
        """The shape at one time, as any layout is asked for it."""
        lengths, frames, twists, stretches = self._fine
        return Target(lengths, frames[number], twists[number], stretches[number])

    def on_cuts(self, lengths: Array, screws: Array) -> tuple[Array, Array, Array]:
        """Frames, twists and stretches at a layout's own cuts, root end to tip.

        At rest these are the cuts' own frames to rounding.
        """
        frames, twists, stretches = self.added.on_steps(lengths, screws)
        _, fine, held, _ = self._fine
        motion = fine[:, 0] @ invert_rigid(frames[:, 0])
        return motion[:, None] @ frames, twists + held[:, :1], stretches


def _between(at: Array, pieces: int) -> Array:
    """(m, n) shares of pieces' values at places: linear between their middles."""
    middles = (np.arange(pieces) + 0.5) / pieces
    return np.stack([np.interp(at, middles, row) for row in np.eye(pieces)], axis=1)

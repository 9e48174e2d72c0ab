"""The table of pairs: how badly a piece between two controls misses each pose.

A piece has one added rate and is exact at both ends, so misses add up over pieces, and the best
places for any number of controls can be found exactly.
"""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import cross
from ribbonsim.placing.line import Line

# a piece that turns farther than this in a pose is no piece: one rate says nothing of it
_FARTHEST = np.radians(200.0)
_NEVER = 1e4


def pair_misses(line: Line) -> tuple[Array, Array, Array]:
    """Squared misses of all pieces and of both free ends, in all poses.

    Parameters
    ----------
    line : Line

    Returns
    -------
    pairs : (P, n, n) array
        Of the piece from one seat to a later one, as a share of the length squared, summed
        over the skin that hangs on it; a large number where there is no piece.
    before, after : (P, n) arrays
        Of what lies before a first control at a seat, and after a last one.
    """
    count = len(line.seats)
    pairs = np.full((len(line.points), count, count), _NEVER)
    sums = _Sums(line)
    for i in range(count - 1):
        pairs[:, i, i + 1 :] = sums.pieces_from(i)
    before, after = sums.before(), sums.after()
    return pairs, before, after


class _Sums:
    """Running sums along the line, by which any piece is looked up."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.turned = _running(line.axes)
        moments = cross(np.moveaxis(line.axes, 3, 2), line.centres[:, :, None, :])
        self.moments = _running(np.moveaxis(moments, 2, 3))
        told = np.einsum("pkij,pkj->pki", line.axes, line.added)
        self.told = _running(told)
        self.told_moments = _running(cross(told, line.centres))
        self.added = _running(line.added)
        self.sizes = np.diff(line.lengths)
        self.axes_by_length = _running(line.axes * self.sizes[:, None, None])
        self.moments_by_length = _running(np.moveaxis(moments, 2, 3) * self.sizes[:, None, None])
        self.stretched = _running(
            0.5 * (line.stretches[:, 1:] + line.stretches[:, :-1]) * self.sizes
        )

    def pieces_from(self, i: int) -> Array:
        """(P, n - i - 1) squared misses of the pieces that begin at one seat."""
        line = self.line
        start = line.seats[i]
        ends = line.seats[i + 1 :]
        cuts = np.arange(start, line.seats[-1] + 1)
        inside = (cuts[None, :] <= ends[:, None]).astype(float)  # (e, c)
        inside[:, 1:] *= np.where(cuts[None, 1:] == ends[:, None], 0.5, 1.0)
        inside[:, 0] = 0.5
        size = (line.lengths[ends] - line.lengths[start])[:, None]
        share = np.minimum((line.lengths[cuts] - line.lengths[start])[None, :] / size, 1.0)
        rate = (self.added[:, ends] - self.added[:, [start]]) / size  # (P, e, 2)
        turn, move = self._misses(start, cuts, rate)
        at_end = ends - start
        rows = np.arange(len(ends))
        end_turn, end_move = turn[:, rows, at_end], move[:, rows, at_end]
        # what is missed at the end is taken up along the piece, as a motion about the end
        arms = line.points[:, None, cuts] - line.points[:, ends][:, :, None]
        back = end_move[:, :, None] + cross(np.broadcast_to(end_turn[:, :, None], arms.shape), arms)
        move = move - share[None, :, :, None] * back
        turn = turn - share[None, :, :, None] * end_turn[:, :, None]
        moved = np.sum(move**2, axis=3) * line.load.mass[cuts]
        tilted = 0.5 * np.sum(turn**2, axis=3) * line.load.spin[cuts]
        missed = moved + tilted + self._rolled(start, cuts, ends, share)
        cost: Array = np.sum(missed * inside, axis=2)
        too_far = np.linalg.norm(rate, axis=2) * size[:, 0] > _FARTHEST
        return np.where(too_far, _NEVER, cost)

    def _misses(self, start: int, cuts: Ints, rate: Array) -> tuple[Array, Array]:
        """(P, e, c, 3) turn and shift at each cut, for pieces that add these rates."""
        points = self.line.points[:, None, cuts]

        def since(sums: Array) -> Array:
            found: Array = sums[:, cuts] - sums[:, [start]]
            return found

        turn = np.einsum("pcij,pej->peci", since(self.axes_by_length), rate)
        turn -= since(self.told)[:, None]
        moment = np.einsum("pcij,pej->peci", since(self.moments_by_length), rate)
        moment -= since(self.told_moments)[:, None]
        return turn, cross(turn, np.broadcast_to(points, turn.shape)) - moment

    def _rolled(self, start: int, cuts: Ints, ends: Ints, share: Array) -> Array:
        """(P, e, c) squared misses of twist and of stretch."""
        line = self.line
        first, last = line.twists[:, [start]], line.twists[:, ends]
        twist = first[:, :, None] + share * (last - first)[:, :, None] - line.twists[:, None, cuts]
        s = line.stretches
        mixed = s[:, [start]][:, :, None] + share * (s[:, ends] - s[:, [start]])[:, :, None]
        steps = np.diff(line.lengths[cuts])
        drift = np.zeros_like(mixed)
        drift[:, :, 1:] = np.cumsum(0.5 * (mixed[:, :, 1:] + mixed[:, :, :-1]) * steps, axis=2)
        drift -= (self.stretched[:, cuts] - self.stretched[:, [start]])[:, None]
        missed: Array = line.load.spin[cuts] * twist**2 + line.load.mass[cuts] * drift**2
        return missed

    def before(self) -> Array:
        """(P, n) squared misses of the ends before each seat, which stay as they rest."""
        return self._end(first=True)

    def after(self) -> Array:
        """(P, n) squared misses of the ends after each seat, which stay as they rest."""
        return self._end(first=False)

    def _end(self, first: bool) -> Array:
        line = self.line
        costs = np.zeros((len(line.points), len(line.seats)))
        for number, seat in enumerate(line.seats):
            cuts = np.arange(0, seat + 1) if first else np.arange(seat, len(line.lengths))
            points = line.points[:, cuts]
            turn = self.told[:, [seat]] - self.told[:, cuts]
            moment = self.told_moments[:, [seat]] - self.told_moments[:, cuts]
            move = cross(turn, points) - moment
            half = np.ones(len(cuts))
            half[-1 if first else 0] = 0.5
            mass, spin = line.load.mass[cuts] * half, line.load.spin[cuts] * half
            twist = line.twists[:, cuts] - line.twists[:, [seat]]
            s = line.stretches[:, [seat]] * (line.lengths[cuts] - line.lengths[seat])
            drift = s - (self.stretched[:, cuts] - self.stretched[:, [seat]])
            costs[:, number] = (
                np.sum(move**2, axis=2) @ mass
                + 0.5 * np.sum(turn**2, axis=2) @ spin
                + twist**2 @ spin
                + drift**2 @ mass
            )
        return costs


def _running(steps: Array) -> Array:
    """Sums over the steps up to each cut: one more along the second axis."""
    sums = np.zeros((steps.shape[0], steps.shape[1] + 1, *steps.shape[2:]))
    np.cumsum(steps, axis=1, out=sums[:, 1:])
    return sums

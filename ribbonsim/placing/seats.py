"""Seats: the best places for any number of controls, exactly, by the table of pairs.

References
----------
R. Bellman, "On the approximation of curves by line segments using dynamic programming",
Communications of the ACM 4(6), 1961. For the worst pose by multipliers: S. Arora, E. Hazan,
S. Kale, "The multiplicative weights update method", Theory of Computing 8, 2012.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.placing.line import Line
from ribbonsim.placing.pairs import pair_misses

_ROUNDS = 24
# what is added to the squared misses of a choice that leaves an end free that may not be, or
# skips a place where a control has to stand: it is taken only where nothing else is left
_ENDS, _SKIPS = 1e3, 1e6


@dataclass(frozen=True, eq=False)
class Seats:
    """Places chosen for one number of controls.

    Parameters
    ----------
    seats : (K,) int array
        Numbers of places at which a control may stand.
    miss : float
        Root mean square miss of the worst pose by the table, times its weight, as a share of
        the length.
    bound : float
        No choice has less than this.
    """

    seats: Ints
    miss: float
    bound: float


@dataclass(frozen=True, eq=False)
class MissTable:
    """Squared misses by pieces and ends, each pose's times its squared weight.

    Parameters
    ----------
    pairs : (P, n, n) array
    before, after : (P, n) arrays
        A large number where an end may not be left free.
    """

    pairs: Array
    before: Array
    after: Array

    @classmethod
    def of(cls, lines: Sequence[Line], held: Sequence[float] = ()) -> MissTable:
        """Of one line, or of several that are laid out alike.

        Parameters
        ----------
        lines : sequence of Line
            With the same places and poses.
        held : sequence of float
            Places, 0 to 1, where a control has to stand.
        """
        found = [pair_misses(line) for line in lines]
        squared = lines[0].weights[:, None] ** 2
        pairs, before, after = (sum(one[k] for one in found) / len(found) for k in range(3))
        pairs, before, after = pairs * squared[:, :, None], before * squared, after * squared
        places = lines[0].seat_lengths
        low = min(line.free[0] for line in lines)
        high = max(line.free[1] for line in lines)
        before[:, places > low + 1e-12] += _ENDS
        after[:, places < high - 1e-12] += _ENDS
        for place in held:
            seat = int(np.argmin(np.abs(places - place)))
            pairs[:, :seat, seat + 1 :] += _SKIPS
            before[:, seat + 1 :] += _SKIPS
            after[:, :seat] += _SKIPS
        return cls(pairs, before, after)

    def misses(self, seats: Sequence[int] | Ints) -> Array:
        """(P,) squared misses of controls at some seats, from root to tip."""
        at = np.asarray(seats)
        inner = self.pairs[:, at[:-1], at[1:]].sum(axis=1)
        whole: Array = self.before[:, at[0]] + inner + self.after[:, at[-1]]
        return whole


def best_for_sum(table: MissTable, shares: Array, most: int) -> list[tuple[Ints, float]]:
    """The places with the least sum of misses over the poses, for 1 to ``most`` controls.

    Parameters
    ----------
    table : MissTable
    shares : (P,) or (most, P) array
        How much each pose counts; of two dimensions, for each number of controls.
    most : int

    Returns
    -------
    list of (seats, sum)
    """
    counted = np.broadcast_to(shares, (most, len(table.pairs)))
    pairs = np.tensordot(counted, table.pairs, axes=1)
    before, after = counted @ table.before, counted @ table.after
    count = pairs.shape[1]
    reached = np.empty((most, most, count))
    came = np.zeros((most, most, count), dtype=np.int64)
    reached[:, 0] = before
    for k in range(1, most):
        each = reached[:, k - 1, :, None] + pairs
        came[:, k] = np.argmin(each, axis=1)
        reached[:, k] = np.take_along_axis(each, came[:, k][:, None], axis=1)[:, 0]
    found = []
    for k in range(most):
        total = reached[k, k] + after[k]
        seat = int(np.argmin(total))
        seats = [seat]
        for step in range(k, 0, -1):
            seats.append(int(came[k, step, seats[-1]]))
        found.append((np.array(seats[::-1]), float(total[seat])))
    return found


def best_for_worst(table: MissTable, most: int) -> list[Seats]:
    """Places for which the worst pose is as good as multipliers can make it.

    Each pose's share in the sum grows as long as it is the worst; the best sum at any shares
    is a bound that no choice of places is below.

    Parameters
    ----------
    table : MissTable
    most : int

    Returns
    -------
    list of Seats
        For 1 to ``most`` controls.
    """
    poses = len(table.pairs)
    shares = np.full((most, poses), 1.0 / poses)
    best: list[tuple[float, Ints]] = [(np.inf, np.zeros(0, dtype=np.int64))] * most
    bound = np.zeros(most)
    for _ in range(_ROUNDS if poses > 1 else 1):
        for k, (seats, total) in enumerate(best_for_sum(table, shares, most)):
            misses = table.misses(seats)
            worst = float(misses.max())
            if worst < best[k][0]:
                best[k] = worst, seats
            bound[k] = max(bound[k], total)
            shares[k] *= np.exp(misses / max(worst, 1e-300))
            shares[k] /= shares[k].sum()
    return [
        Seats(seats, float(np.sqrt(worst)), float(np.sqrt(max(low, 0.0))))
        for (worst, seats), low in zip(best, bound, strict=True)
    ]

"""What the drive makes of controls anywhere along a line, to first order about each pose.

The real drive spreads what a control adds beyond its piece, and fits all pieces of a pose
together. Near the pose that is linear, so that a placement costs a few small matrix products
instead of a fit for each pose.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.curves.frames import cross
from ribbonsim.layout.shares import Shares, between_neighbours, control_shares
from ribbonsim.placing.line import Line

_HELD = 1e-9
_TABLE = 48
# how near two controls may stand, and moves of one that are tried, shares of the length
NEAREST, _MOVES = 0.02, (1.0 / 32, 1.0 / 64, 1.0 / 128)
_ROUNDS, _GAIN = 12, 0.995
# so many poses are tried alone before all are: one or two balance each other at the best places
_HARDEST = 2


class DriveModel:
    """Placements of controls on one line.

    Parameters
    ----------
    line : Line
    stand : float or None
        Place, 0 to 1: the control nearest to it carries the others, and there the ribbon as a
        whole is shifted, bent and swayed, and not rolled. None if the first cut stays on what
        carries it, as that of an appendage does.
    """

    def __init__(self, line: Line, stand: float | None = 0.0) -> None:
        self.line, self._stand = line, stand
        count = line.added.shape[1]
        self._wanted = np.swapaxes(line.added, 1, 2).reshape(len(line.points), 2 * count)
        moved, turned = _responses(line)
        gaps = np.diff(line.lengths)
        along = 0.5 * (np.r_[gaps, 0.0] + np.r_[0.0, gaps])
        self._midline = _squares(moved, along)
        self._skin = _squares(moved, line.load.mass) + _squares(turned, 0.5 * line.load.spin)
        self._tables: dict[tuple[int, float], tuple[Array, Array]] = {}
        self._known: dict[int, tuple[Array, Array, Array]] = {}

    def _carries(self, controls: Array) -> Ints:
        """(B,) step at which each placement's control stands that carries the others; or -1."""
        if self._stand is None:
            return np.full(len(controls), -1)
        near = np.argmin(np.abs(controls - self._stand), axis=1)
        root, lengths = controls[np.arange(len(near)), near], self.line.lengths
        return np.minimum(np.searchsorted(lengths, root - 1e-9), len(lengths) - 2)

    def _about(self, carries: int) -> tuple[Array, Array, Array]:
        """What is fitted, what it costs, and what pulls, if the control at a step carries.

        Of n steps: (P, 4 n, n), (P, 2, 2, n, n) and (P, 2, n), blocks so small that a product
        of them keeps to one thread.
        """
        if carries not in self._known:
            fit, cost = self._reduced(carries)
            pull = np.einsum("pkl,pl->pk", fit, self._wanted)
            poses, count = len(fit), fit.shape[1] // 2
            self._known[carries] = (
                np.ascontiguousarray(fit.reshape(poses, 4 * count, count)),
                np.ascontiguousarray(cost.reshape(poses, 2, count, 2, count).swapaxes(2, 3)),
                pull.reshape(poses, 2, count),
            )
        return self._known[carries]

    def _reduced(self, carries: int) -> tuple[Array, Array]:
        """Squares of the midline and of the skin, when the whole goes where its midline fits."""
        size = self._wanted.shape[1]
        fit, cost = self._midline[:, :size, :size], self._skin[:, :size, :size]
        if carries < 0:
            return fit, cost
        poses = len(fit)
        whole = np.zeros((poses, 6, 5))
        whole[:, :3, :3] = np.eye(3)
        whole[:, 3:, 3:] = self.line.axes[:, carries]
        back = np.swapaxes(whole, 1, 2)
        across = self._midline[:, :size, size:] @ whole
        own = back @ self._midline[:, size:, size:] @ whole + 1e-12 * np.eye(5)
        follow = -np.linalg.solve(own, np.swapaxes(across, 1, 2))
        both = self._skin[:, :size, size:] @ whole @ follow
        inner = back @ self._skin[:, size:, size:] @ whole
        cost = cost + both + np.swapaxes(both, 1, 2) + np.swapaxes(follow, 1, 2) @ inner @ follow
        return fit + across @ follow, cost

    def shares(self, controls: Array, reach: float) -> tuple[Array, Array]:
        """(B, m, n) shares of the pieces at the cuts of B placements, (B, m) order coordinates."""
        count = controls.shape[1] - 1
        key = count, reach
        if key not in self._tables:
            order = np.linspace(0.0, count, _TABLE * count + 1)
            even = Shares(np.arange(count + 1.0), np.full(count + 1, reach))
            self._tables[key] = order, even.values(order)
        order, values = self._tables[key]
        # the share functions hang on order alone, and order on the gaps
        along = controls[:, :1] + np.diff(controls) @ values.T
        at = np.stack([np.interp(self.line.lengths, each, order) for each in along])
        low = np.minimum((at * _TABLE).astype(int), max(len(order) - 2, 0))
        high = np.minimum(low + 1, len(order) - 1)
        past = (at * _TABLE - low)[..., None]
        return values[low] + past * (values[high] - values[low]), at

    def misses(
        self, controls: Sequence[float] | Array, reach: float, poses: slice = slice(None)
    ) -> tuple[Array, Array]:
        """Squared misses and kinks of placements.

        Parameters
        ----------
        controls : (K,) sequence of float, or (B, K) array
            Rising places, at least two.
        reach : float
        poses : slice
            Of P poses; all if left out.

        Returns
        -------
        misses : (P,) or (B, P) array
            Shares of the length squared, over the skin.
        kinks : (P,) or (B, P) array
            Sharpest added bend over the sharpest that the pose adds.
        """
        places = np.atleast_2d(np.asarray(controls, dtype=float))
        shares, order = self.shares(places, reach)
        rises = np.diff(shares, axis=1)
        missed = np.empty((len(places), len(self._wanted[poses]), 2, rises.shape[1]))
        costs = np.empty(missed.shape[:2])
        wanted = self._wanted[poses].reshape(missed.shape[1:])
        carries = self._carries(places)
        for seat in set(carries.tolist()):
            own = carries == seat
            fit, cost, pull = (one[poses] for one in self._about(seat))
            missed[own] = _fitted(rises[own], fit, pull) - wanted
            pushed = (cost @ missed[own][:, :, None, :, :, None]).sum(axis=3)[..., 0]
            costs[own] = np.sum(pushed * missed[own], axis=(2, 3))
        costs = np.maximum(costs, 0.0) + self._rolled(shares, order, places.shape[1], poses)
        kinks = self._kinks(missed + wanted, poses)
        return (costs, kinks) if np.ndim(controls) == 2 else (costs[0], kinks[0])

    @cached_property
    def _asked(self) -> tuple[Array, Array]:
        """(m - 1,) steps along, and (P,) the sharpest bend that each pose adds."""
        gaps = np.diff(self.line.lengths)
        return gaps, (np.linalg.norm(self.line.added, axis=2) / gaps).max(axis=1)

    def weighed_misses(
        self,
        controls: Sequence[float] | Array,
        reach: float,
        kink: float,
        poses: slice = slice(None),
    ) -> Array:
        """(P,) or (B, P) root mean square misses times weights; more where the midline kinks."""
        misses, kinks = self.misses(controls, reach, poses)
        weighed: Array = self.line.weights[poses] * np.sqrt(misses) * np.maximum(kinks / kink, 1.0)
        return weighed

    def _kinks(self, added: Array, poses: slice) -> Array:
        gaps, sharpest = self._asked[0], self._asked[1][poses]
        made = np.sqrt(np.sum(added**2, axis=2)) / gaps
        # what hardly bends has no kink
        return np.where(sharpest > 0.5, made.max(axis=2) / np.maximum(sharpest, 1e-9), 0.0)

    @cached_property
    def _rolls(self) -> tuple[Flags, Flags]:
        """(P,), (P,) which poses twist, and which stretch."""
        line = self.line
        return np.ptp(line.twists, axis=1) > 1e-9, np.abs(line.stretches - 1.0).max(axis=1) > 0.0

    def _rolled(self, shares: Array, order: Array, controls: int, poses: slice) -> Array:
        """(B, P) squared misses of twist and of stretch."""
        line, load = self.line, self.line.load
        twisting, stretching = (np.flatnonzero(one[poses]) for one in self._rolls)
        cost = np.zeros((len(shares), len(line.points[poses])))
        if not len(twisting) and not len(stretching):
            return cost
        if len(twisting):
            turning, twists = control_shares(shares), line.twists[poses][twisting].T
            across = np.swapaxes(turning, 1, 2) * load.spin
            square = across @ turning
            diagonal = np.einsum("bkk->bk", square)
            diagonal += (_HELD * diagonal.sum(axis=1) / controls)[:, None]
            found = np.linalg.solve(square, across @ twists)
            cost[:, twisting] = load.spin @ (turning @ found - twists) ** 2
        if len(stretching):
            stretches = line.stretches[poses][stretching].T
            seats = np.argmin(np.abs(order[:, :, None] - np.arange(controls)), axis=1)
            held = between_neighbours(order.ravel(), controls).reshape(*order.shape, controls)
            lack = held @ stretches[seats] - stretches
            steps = 0.5 * (lack[:, 1:] + lack[:, :-1]) * np.diff(line.lengths)[:, None]
            drift = np.zeros_like(lack)
            np.cumsum(steps, axis=1, out=drift[:, 1:])
            drift -= (load.mass @ drift / load.mass.sum())[:, None]
            cost[:, stretching] += load.mass @ drift**2
        return cost


def _fitted(rises: Array, fit: Array, pull: Array) -> Array:
    """(B, P, 2, n) bends and sways of the steps that placements come nearest with.

    Parameters
    ----------
    rises : (B, n, c) array
        Shares of the pieces that each step takes.
    fit : (P, 4 n, n) array
    pull : (P, 2, n) array
    """
    poses, (placed, count, pieces) = len(fit), rises.shape
    half = (fit @ rises[:, None]).reshape(placed, poses, 2, count, 2 * pieces)
    normal = (np.swapaxes(rises, 1, 2)[:, None, None] @ half).reshape(
        placed, poses, 2 * pieces, 2 * pieces
    )
    diagonal = np.einsum("bpii->bpi", normal)
    diagonal += (_HELD * diagonal.sum(axis=2) / (2 * pieces) + 1e-300)[..., None]
    asked = (pull @ rises[:, None]).reshape(placed, poses, 2 * pieces, 1)
    rates = np.linalg.solve(normal, asked).reshape(placed, poses, 2, pieces)
    added: Array = rates @ np.swapaxes(rises, 1, 2)[:, None]
    return added


def worst_miss(
    models: Sequence[DriveModel], controls: Sequence[float] | Array, reach: float, kink: float
) -> float:
    """Root mean square miss of the worst pose, times its weight; more where the midline kinks.

    Parameters
    ----------
    models : sequence of DriveModel
        Of ribbons that are laid out alike.
    controls : (K,) sequence of float
    reach : float
    kink : float
        Limit of kinks.
    """
    return _worst(models, controls, reach, kink)[0]


def _worst(
    models: Sequence[DriveModel], controls: Sequence[float] | Array, reach: float, kink: float
) -> tuple[float, tuple[DriveModel, int]]:
    """The worst miss, and the line and the pose that have it."""
    worst, hardest = -1.0, (models[0], 0)
    for model in models:
        weighed = model.weighed_misses(controls, reach, kink)
        pose = int(np.argmax(weighed))
        if weighed[pose] > worst:
            worst, hardest = float(weighed[pose]), (model, pose)
    return worst, hardest


def exchanged(
    models: Sequence[DriveModel],
    controls: Array,
    reach: float,
    kink: float,
    held: Sequence[float] = (),
    free: tuple[float, float] = (0.0, 1.0),
) -> tuple[Array, float]:
    """Move controls one by one as long as the worst pose gets better.

    Parameters
    ----------
    models, reach, kink
        As for :func:`worst_miss`.
    controls : (K,) array
    held : sequence of float
        Places whose control stays.
    free : (float, float)
        The farthest in that the first and the last control may stand.

    Returns
    -------
    controls : (K,) array
    miss : float
    """
    places = np.array(controls, dtype=float)
    best, worst = _worst(models, places, reach, kink)
    hardest = [worst]
    movable = [i for i, one in enumerate(places) if not any(abs(one - h) < 1e-9 for h in held)]
    for move in _MOVES:
        for _ in range(_ROUNDS):
            before = best
            waiting = [(i, step) for i in movable for step in (-move, move)]
            while waiting:
                moved = None
                for i, tried in _worth(waiting, places, free, hardest, reach, kink, best):
                    found, worst = _worst(models, tried, reach, kink)
                    hardest = [worst, *(one for one in hardest if one != worst)][:_HARDEST]
                    if found < best:
                        best, places, moved = found, tried, i
                        break
                # after a move those that were passed by wait for the next round
                waiting = [] if moved is None else [one for one in waiting if one[0] > moved]
            if best > _GAIN * before:
                break
    return places, best


def _worth(
    moves: Sequence[tuple[int, float]],
    places: Array,
    free: tuple[float, float],
    hardest: Sequence[tuple[DriveModel, int]],
    reach: float,
    kink: float,
    most: float,
) -> list[tuple[int, Array]]:
    """Moves that may be made and that the poses that were the worst last do not shut out."""
    found = []
    for i, step in moves:
        tried = places.copy()
        tried[i] = np.clip(tried[i] + step, 0.0, 1.0)
        if tried[i] != places[i] and stand(tried, free):
            found.append((i, tried))
    for model, pose in hardest:
        if found:
            many = np.stack([tried for _, tried in found])
            missed = model.weighed_misses(many, reach, kink, slice(pose, pose + 1))[:, 0]
            found = [one for one, miss in zip(found, missed.tolist(), strict=True) if miss < most]
    return found


def stand(places: Array, free: tuple[float, float]) -> bool:
    """Whether controls are far enough from each other, and none leaves an end that bends."""
    apart = len(places) < 2 or float(np.diff(places).min()) >= NEAREST
    return apart and places[0] <= free[0] + 1e-9 and places[-1] >= free[1] - 1e-9


def _squares(columns: Array, weights: Array) -> Array:
    """(P, k, k) products of columns (P, m, ..., k), summed over the cuts by weights."""
    flat = (columns * np.sqrt(weights)[:, None, None]).reshape(len(columns), -1, columns.shape[3])
    squares: Array = np.swapaxes(flat, 1, 2) @ flat
    return squares


def _responses(line: Line) -> tuple[Array, Array]:
    """How each cut moves and turns by what is added to each step, and by the whole's motion.

    Returns
    -------
    moved, turned : (P, m, 3, 2 steps + 6) and (P, m, 2, 2 steps + 6) arrays
        Columns: all bends, all sways, three shifts, three turns about the origin. Turns are
        those about across and normal, as the drive gives roll back to the controls' twist.
    """
    poses, count = line.points.shape[:2]
    steps = count - 1
    after = np.arange(count)[:, None] > np.arange(steps)
    arms = line.points[:, :, None] - line.centres[:, None]
    moved, turned = np.zeros((2, poses, count, 3, 2 * steps + 6))
    for axis in range(2):
        own = slice(axis * steps, (axis + 1) * steps)
        about = np.broadcast_to(line.axes[:, None, :, :, axis], arms.shape)
        moved[..., own] = np.moveaxis(cross(about, arms) * after[None, :, :, None], 3, 2)
        turned[..., own] = np.moveaxis(about * after[None, :, :, None], 3, 2)
    for axis in range(3):
        moved[:, :, axis, 2 * steps + axis] = 1.0
        turned[:, :, axis, 2 * steps + 3 + axis] = 1.0
        about = np.broadcast_to(np.eye(3)[axis], line.points.shape)
        moved[..., 2 * steps + 3 + axis] = cross(about, line.points)
    ends = np.concatenate([line.axes[:, :1], line.axes, line.axes[:, -1:]], axis=1)
    across = 0.5 * (ends[:, 1:] + ends[:, :-1])
    return moved, np.einsum("psia,psik->psak", across, turned)

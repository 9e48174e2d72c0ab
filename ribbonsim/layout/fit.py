"""Values of controls that bring a ribbon near to a target shape, where shares drive it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import (
    ALONG,
    axis_rotation,
    cross_columns,
    invert_rigid,
    rigid_exp,
    rigid_log,
)
from ribbonsim.layout.control_frames import ControlFrames, split_rotation
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.rates import PosedPath, RestPath

_ROUNDS = 12
# shares of the length: so near the first guess is kept, which reads as the target is meant
_NEAR, _FINE = 1e-4, 1e-9
# a round that gains less than this share of the squared distance is the last
_SETTLED = 0.03
# how much a value may leave what the target itself does over its piece, where nothing says so
_HELD = 1e-7
# values are read by people: what is smaller than these is rounding
_DECIMALS = 9


@dataclass(frozen=True, eq=False)
class Fitted:
    """Values of one ribbon's controls: columns as of :func:`slider_table`."""

    table: Array

    def values(self, length: float) -> list[ControlPose]:
        """As control poses; a billionth of a degree, or of the length, is nothing."""
        table = self.table.copy()
        table[:, 3:6] = length * np.round(table[:, 3:6] / length, _DECIMALS + 1)
        rounded = np.round(table[:, [0, 1, 2, 6, 7]], _DECIMALS) + 0.0
        return [
            ControlPose(bend, sway, twist, (x, y, z), stretch, girth)
            for (bend, sway, twist, stretch, girth), (x, y, z) in zip(
                rounded.tolist(), (table[:, 3:6] + 0.0).tolist(), strict=True
            )
        ]


def fit_shares(
    path: RestPath,
    root: int,
    wanted: ControlFrames,
    shifts: bool = False,
    held_root: bool = False,
    fine: bool = False,
) -> list[ControlPose]:
    """Values that bring a ribbon near to wanted frames.

    What the frames add to the rest is spread over the pieces by least squares; then bends,
    where the control that carries the others stands and how it turns, and shifts if they are
    allowed, are corrected until the midline is as near as they can bring it (Gauss and
    Newton).

    Parameters
    ----------
    root : int
        Index of the control that carries the others.
    wanted : ControlFrames
        At the cuts of the path.
    shifts : bool
        Whether controls may shift what they carry.
    held_root : bool
        Whether the control that carries the others goes exactly where it is wanted.
    fine : bool
        Correct what the target adds also where it is near enough to read.

    Returns
    -------
    (K,) list of ControlPose
    """
    fit = _Fit(path, root, wanted)
    added = fit.first_guess(shifts)
    return Fitted(fit.refined(added, shifts, held_root, _FINE if fine else _NEAR)).values(
        path.ribbon.length
    )


class _Fit:
    def __init__(self, path: RestPath, root: int, wanted: ControlFrames) -> None:
        self.path, self.root, self.wanted = path, root, wanted
        self.rates = path.carried_from(root)
        start = path.controls[root]
        self.start = start
        self.weights, self.roots, self.rises = path.weights, path.root_weights, path.rises
        self.points = wanted.frames[:, :3, 3]
        # frames as the path has them: rolled as a whole by what the carrying control twists
        own_twist = float(wanted.twists[start])
        self.held = wanted.untwisted @ axis_rotation(ALONG, own_twist)
        self.table = np.zeros((len(path.controls), 8))
        self.table[:, 6] = wanted.stretches[path.controls]
        self.own_twist = own_twist

    def first_guess(self, shifts: bool) -> Array:
        """(5, n) what the target adds over each piece, and what spreads to it best."""
        path = self.path
        steps = rigid_log(invert_rigid(self.held[:-1]) @ self.held[1:]) - path.screws
        middle = 0.5 * (path.stretching[1:] + path.stretching[:-1]) @ self.table[:, 6]
        steps[:, 3:] -= (middle - 1.0)[:, None] * path.screws[:, 3:]
        rows = steps[:, 1:] if shifts else steps[:, 1:3]
        sums = np.zeros((len(rows) + 1, rows.shape[1]))
        np.cumsum(rows, axis=0, out=sums[1:])
        plain = np.diff(sums[path.controls], axis=0)
        inside = np.maximum(np.diff(path.lengths), 1e-12 * path.ribbon.length)
        root = np.sqrt(1.0 / inside)[:, None]
        lacking = rows - self.rises @ plain
        found = np.zeros((5, path.shares.count))
        found[: rows.shape[1]] = (plain + _held_solution(root * self.rises, root * lacking)).T
        return found

    def refined(self, added: Array, shifts: bool, held_root: bool, near: float) -> Array:
        """(K, 8) values whose midline is nearest."""
        rows = 5 if shifts else 2
        begin = self.held[self.start]
        posed = self.rates.integrated(added, self.table, [begin])
        error, damping = self._error(posed), _HELD
        for _ in range(_ROUNDS):
            if not added.size or error <= (near * self.path.ribbon.length) ** 2:
                break
            change, moved, gain = self._step(posed, rows, damping, held_root)
            tried, there = added.copy(), _moved(begin, moved)
            tried[:rows] += change
            further = self.rates.integrated(tried, self.table, [there])
            reached = self._error(further)
            if reached < error:
                # each round squares what is left to gain
                done = gain < _SETTLED * error or reached > (1.0 - _SETTLED**2) * error
                added, begin, posed, error = tried, there, further, reached
                damping = max(0.1 * damping, _HELD)
                if done:
                    break
            else:
                damping = max(100.0 * damping, 1e-4)
                if damping > 1e3:
                    break
        return self._values(added, begin, posed)

    def _error(self, posed: PosedPath) -> float:
        return float(self.weights @ np.sum((posed.points - self.points) ** 2, axis=1))

    def _step(
        self, posed: PosedPath, rows: int, damping: float, held_root: bool
    ) -> tuple[Array, Array, float]:
        """Change of what is added (rows, n), and of the root (5,), that the linear path asks.

        The last is how much nearer, squared, it says it would come.
        """
        turns, points = posed.turns, posed.points
        count, start = self.rises.shape[1], self.start
        columns = np.empty((len(points), 3, rows * count + 5))
        columns[:, :, : rows * count] = self._moves(turns, points, rows)
        columns[:, :, -5:-3] = cross_columns(
            turns[start, :, 1:][None], (points - points[start])[:, :, None]
        )
        columns[:, :, -3:] = turns[start]
        # shifts count as much as turns of their share of the length
        size = np.ones(rows * count + 5)
        size[2 * count : rows * count] = size[-3:] = self.path.ribbon.length
        if held_root:
            size[-5:] = 0.0
        flat = columns.reshape(-1, len(size)) * (self.roots * size)
        lacking = self.roots * (self.points - points).reshape(-1, 1)
        change = _held_solution(flat, lacking, damping)
        left = lacking - flat @ change
        gain = float(np.sum(lacking * lacking) - np.sum(left * left))
        told = change[:, 0] * size
        return told[:-5].reshape(rows, count), told[-5:], gain

    def _moves(self, turns: Array, points: Array, rows: int) -> Array:
        """(m, 3, rows n) how points move by what is added to each piece, turns first.

        A turn is about an axis of the frames, in the middle of each step.
        """
        axes = 0.5 * (turns[1:, :, 1:] + turns[:-1, :, 1:])
        centres = 0.5 * (points[1:] + points[:-1])
        summed = [axes, cross_columns(axes, centres[:, :, None])]
        if rows > 2:
            summed.append(0.5 * (turns[1:] + turns[:-1]))
        each = np.concatenate(summed, axis=2)[:, :, :, None] * self.rises[:, None, None, :]
        sums = np.zeros((len(points), *each.shape[1:]))
        np.cumsum(each, axis=0, out=sums[1:])
        sums -= sums[self.start].copy()
        flat = sums.reshape(len(points), 3, -1)
        turned = 2 * self.rises.shape[1]
        moves = cross_columns(flat[:, :, :turned], points[:, :, None])
        moves -= flat[:, :, turned : 2 * turned]
        return np.concatenate([moves, flat[:, :, 2 * turned :]], axis=2)

    def _values(self, added: Array, begin: Array, posed: PosedPath) -> Array:
        table = self.table.copy()
        root, count = self.root, len(table)
        own = invert_rigid(self.path.frames[self.start]) @ begin
        sway, bend, twist = split_rotation(own[:3, :3], self.own_twist)
        table[root, :6] = bend, sway, twist, *own[:3, 3]
        for piece in range(count - 1):
            seat, sign = (piece + 1, 1.0) if piece >= root else (piece, -1.0)
            table[seat, :2] = sign * np.degrees(added[:2, piece])
            table[seat, 3:6] = sign * added[2:, piece]
        self._spread_twist(table, posed)
        self._spread_girth(table)
        return table

    def _spread_girth(self, table: Array) -> None:
        shown, girth = np.sqrt(self.weights)[:, None], self.wanted.girths
        if (girth == 1.0).all():
            table[:, 7] = 1.0
            return
        plain = girth[self.path.controls]
        lacking = girth - self.path.turning @ plain
        found = _held_solution(shown * self.path.turning, shown * lacking[:, None])
        table[:, 7] = np.maximum(plain + found[:, 0], 1e-3)

    def _spread_twist(self, table: Array, posed: PosedPath) -> None:
        """What of the twist, and of the roll that bends leave, goes to each control."""
        path, root = self.path, self.root
        apart = np.einsum("mji,mjl->mil", posed.turns, self.held[:, :3, :3])
        folded = np.arctan2(apart[:, 2, 1] - apart[:, 1, 2], apart[:, 1, 1] + apart[:, 2, 2])
        roll = np.degrees(np.unwrap(folded))
        wanted = self.wanted.twists + roll
        wanted = wanted - wanted[self.start]
        plain = np.delete(wanted[path.controls], root)
        turning = np.delete(path.turning - path.turning[self.start], root, axis=1)
        shown = np.sqrt(self.weights)[:, None]
        lacking = wanted - turning @ plain
        found = plain + _held_solution(shown * turning, shown * lacking[:, None])[:, 0]
        sums = np.insert(found, root, 0.0)
        table[root + 1 :, 2] = np.diff(sums[root:])
        table[:root, 2] = -np.diff(sums[: root + 1])


def _moved(frame: Array, moved: Array) -> Array:
    """A frame turned about its own across and normal (radians), and shifted along its axes."""
    there = frame @ rigid_exp(np.r_[0.0, moved[:2], np.zeros(3)])
    there[:3, 3] += frame[:3, :3] @ moved[2:]
    return there


def _held_solution(columns: Array, wanted: Array, damping: float = _HELD) -> Array:
    """Least squares that stays near nothing where columns say little."""
    if not columns.shape[1]:
        return np.zeros((0, wanted.shape[1]))
    normal = columns.T @ columns
    diagonal = normal.reshape(-1)[:: len(normal) + 1]
    diagonal += damping * float(diagonal.sum()) / len(normal) + 1e-300
    return np.asarray(np.linalg.solve(normal, columns.T @ wanted), dtype=float)

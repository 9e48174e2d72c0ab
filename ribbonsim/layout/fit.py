"""Values of controls that bring a ribbon near to target shapes, where shares drive it.

Many shapes of one ribbon are fitted at once: each by itself, in the same steps.
"""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array, Ints
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
    return fit_many(path, root, ControlFrames.stacked([wanted]), shifts, held_root, fine)[0]


def fit_many(
    path: RestPath,
    root: int,
    wanted: ControlFrames,
    shifts: bool = False,
    held_root: bool = False,
    fine: bool = False,
) -> list[list[ControlPose]]:
    """As :func:`fit_shares`, for many shapes in much less time than one after the other.

    Parameters
    ----------
    wanted : ControlFrames
        With an axis of F shapes in front of each array.

    Returns
    -------
    (F,) list of (K,) list of ControlPose
    """
    fit = _Fit(path, root, wanted)
    added = fit.first_guess(shifts)
    tables = fit.refined(added, shifts, held_root, _FINE if fine else _NEAR)
    return [_read(table, path.ribbon.length) for table in tables]


def _read(table: Array, length: float) -> list[ControlPose]:
    """As control poses; a billionth of a degree, or of the length, is nothing."""
    shifts = length * np.round(table[:, 3:6] / length, _DECIMALS + 1) + 0.0
    rounded = np.round(table[:, [0, 1, 2, 6, 7]], _DECIMALS) + 0.0
    return [
        ControlPose(bend, sway, twist, (x, y, z), stretch, girth)
        for (bend, sway, twist, stretch, girth), (x, y, z) in zip(
            rounded.tolist(), shifts.tolist(), strict=True
        )
    ]


class _State:
    """What is fitted so far: of each shape what is added, where it begins, and the path."""

    def __init__(self, added: Array, begin: Array, posed: PosedPath, errors: Array) -> None:
        self.added, self.begin, self.errors = added, begin, errors
        self.turns, self.points = posed.turns, posed.points

    def take(self, shapes: Ints, other: _State, which: Ints) -> None:
        """Take over some of another's shapes."""
        self.added[shapes], self.begin[shapes] = other.added[which], other.begin[which]
        self.errors[shapes] = other.errors[which]
        self.turns[shapes], self.points[shapes] = other.turns[which], other.points[which]


class _Fit:
    def __init__(self, path: RestPath, root: int, wanted: ControlFrames) -> None:
        self.path, self.root, self.wanted = path, root, wanted
        self.rates = path.carried_from(root)
        start = path.controls[root]
        self.start = start
        self.weights, self.roots, self.rises = path.weights, path.root_weights, path.rises
        self.points = wanted.frames[..., :3, 3]
        # frames as the path has them: rolled as a whole by what the carrying control twists
        self.own_twists = wanted.twists[:, start]
        self.held = wanted.untwisted @ axis_rotation(ALONG, self.own_twists)[:, None]
        self.table = np.zeros((len(wanted.frames), len(path.controls), 8))
        self.table[..., 6] = wanted.stretches[:, path.controls]

    def first_guess(self, shifts: bool) -> Array:
        """(F, 5, n) what the targets add over each piece, and what spreads to it best."""
        path = self.path
        steps = rigid_log(invert_rigid(self.held[:, :-1]) @ self.held[:, 1:]) - path.screws
        middle = self.table[..., 6] @ (0.5 * (path.stretching[1:] + path.stretching[:-1])).T
        steps[..., 3:] -= (middle - 1.0)[..., None] * path.screws[:, 3:]
        rows = steps[..., 1:] if shifts else steps[..., 1:3]
        sums = np.zeros((len(rows), rows.shape[1] + 1, rows.shape[2]))
        np.cumsum(rows, axis=1, out=sums[:, 1:])
        plain = np.diff(sums[:, path.controls], axis=1)
        inside = np.maximum(np.diff(path.lengths), 1e-12 * path.ribbon.length)
        root = np.sqrt(1.0 / inside)[:, None]
        lacking = rows - self.rises @ plain
        found = np.zeros((len(rows), 5, path.shares.count))
        guess = plain + _held_solution(root * self.rises, root * lacking)
        found[:, : rows.shape[2]] = np.swapaxes(guess, 1, 2)
        return found

    def refined(self, added: Array, shifts: bool, held_root: bool, near: float) -> Array:
        """(F, K, 8) values whose midlines are nearest."""
        rows = 5 if shifts else 2
        now = self._reached(added, self.held[:, self.start].copy(), np.arange(len(added)))
        damping = np.full(len(added), _HELD)
        going = np.flatnonzero(now.errors > (near * self.path.ribbon.length) ** 2)
        for _ in range(_ROUNDS if added.size else 0):
            if not len(going):
                break
            change, moved, gain = self._step(now, going, rows, damping[going], held_root)
            tried = now.added[going]
            tried[:, :rows] += change
            further = self._reached(tried, _moved(now.begin[going], moved), going)
            before, reached = now.errors[going], further.errors
            nearer = reached < before
            # each round squares what is left to gain
            done = (gain < _SETTLED * before) | (reached > (1.0 - _SETTLED**2) * before)
            now.take(going[nearer], further, np.flatnonzero(nearer))
            more = np.maximum(100.0 * damping[going], 1e-4)
            damping[going] = np.where(nearer, np.maximum(0.1 * damping[going], _HELD), more)
            lost = ~nearer & (damping[going] > 1e3)
            close = now.errors[going] <= (near * self.path.ribbon.length) ** 2
            going = going[~(lost | close | (nearer & done))]
        return self._values(now)

    def _reached(self, added: Array, begin: Array, shapes: Ints) -> _State:
        posed = self.rates.integrated(added, self.table[shapes], [begin])
        away = posed.points - self.points[shapes]
        return _State(added, begin, posed, np.einsum("fmi,fmi->fm", away, away) @ self.weights)

    def _step(
        self, now: _State, shapes: Ints, rows: int, damping: Array, held_root: bool
    ) -> tuple[Array, Array, Array]:
        """Change of what is added (A, rows, n), and of the root (A, 5), that the linear path asks.

        The last is how much nearer, squared, it says it would come.
        """
        turns, points = now.turns[shapes], now.points[shapes]
        count, start = self.rises.shape[1], self.start
        columns = np.empty((*points.shape, rows * count + 5))
        columns[..., : rows * count] = self._moves(turns, points, rows)
        columns[..., -5:-3] = cross_columns(
            turns[:, start, None, :, 1:], (points - points[:, start, None])[..., None]
        )
        columns[..., -3:] = turns[:, start, None]
        # shifts count as much as turns of their share of the length
        size = np.ones(rows * count + 5)
        size[2 * count : rows * count] = size[-3:] = self.path.ribbon.length
        if held_root:
            size[-5:] = 0.0
        flat = columns.reshape(len(shapes), -1, len(size)) * (self.roots * size)
        lacking = self.roots * (self.points[shapes] - points).reshape(len(shapes), -1, 1)
        change = _held_solution(flat, lacking, damping)
        left = lacking - flat @ change
        gain = np.sum(lacking * lacking, axis=(1, 2)) - np.sum(left * left, axis=(1, 2))
        told = change[..., 0] * size
        return told[:, :-5].reshape(len(shapes), rows, count), told[:, -5:], gain

    def _moves(self, turns: Array, points: Array, rows: int) -> Array:
        """(A, m, 3, rows n) how points move by what is added to each piece, turns first.

        A turn is about an axis of the frames, in the middle of each step.
        """
        axes = 0.5 * (turns[:, 1:, :, 1:] + turns[:, :-1, :, 1:])
        centres = 0.5 * (points[:, 1:] + points[:, :-1])
        summed = [axes, cross_columns(axes, centres[..., None])]
        if rows > 2:
            summed.append(0.5 * (turns[:, 1:] + turns[:, :-1]))
        each = np.concatenate(summed, axis=-1)[..., None] * self.rises[:, None, None, :]
        sums = np.zeros((*points.shape, *each.shape[3:]))
        np.cumsum(each, axis=1, out=sums[:, 1:])
        sums -= sums[:, self.start, None].copy()
        flat = sums.reshape(*points.shape, -1)
        turned = 2 * self.rises.shape[1]
        moves = cross_columns(flat[..., :turned], points[..., None])
        moves -= flat[..., turned : 2 * turned]
        return np.concatenate([moves, flat[..., 2 * turned :]], axis=-1)

    def _values(self, now: _State) -> Array:
        table = self.table.copy()
        root, count = self.root, table.shape[1]
        own = invert_rigid(self.path.frames[self.start]) @ now.begin
        for row, motion, told in zip(table[:, root], own, self.own_twists.tolist(), strict=True):
            sway, bend, twist = split_rotation(motion[:3, :3], told)
            row[:6] = bend, sway, twist, *motion[:3, 3]
        for piece in range(count - 1):
            seat, sign = (piece + 1, 1.0) if piece >= root else (piece, -1.0)
            table[:, seat, :2] = sign * np.degrees(now.added[:, :2, piece])
            table[:, seat, 3:6] = sign * now.added[:, 2:, piece]
        self._spread_twist(table, now)
        self._spread_girth(table)
        return table

    def _spread_girth(self, table: Array) -> None:
        shown, girth = np.sqrt(self.weights)[:, None], self.wanted.girths[..., None]
        if (girth == 1.0).all():
            table[..., 7] = 1.0
            return
        plain = girth[:, self.path.controls]
        lacking = girth - self.path.turning @ plain
        found = _held_solution(shown * self.path.turning, shown * lacking)
        table[..., 7] = np.maximum(plain + found, 1e-3)[..., 0]

    def _spread_twist(self, table: Array, now: _State) -> None:
        """What of the twist, and of the roll that bends leave, goes to each control."""
        path, root = self.path, self.root
        # the turn that is left about the path's own length
        across, normal = now.turns[..., 1], now.turns[..., 2]
        held = self.held[..., :3, :3]
        sine = np.sum(normal * held[..., 1], axis=-1) - np.sum(across * held[..., 2], axis=-1)
        cosine = np.sum(across * held[..., 1], axis=-1) + np.sum(normal * held[..., 2], axis=-1)
        wanted = self.wanted.twists + np.degrees(np.unwrap(np.arctan2(sine, cosine)))
        wanted = (wanted - wanted[:, self.start, None])[..., None]
        plain = np.delete(wanted[:, path.controls], root, axis=1)
        turning = np.delete(path.turning - path.turning[self.start], root, axis=1)
        shown = np.sqrt(self.weights)[:, None]
        lacking = wanted - turning @ plain
        found = plain + _held_solution(shown * turning, shown * lacking)
        sums = np.insert(found[..., 0], root, 0.0, axis=1)
        table[:, root + 1 :, 2] = np.diff(sums[:, root:])
        table[:, :root, 2] = -np.diff(sums[:, : root + 1])


def _moved(frames: Array, moved: Array) -> Array:
    """Frames turned about their own across and normal (radians), and shifted along their axes."""
    turns = np.zeros((len(moved), 6))
    turns[:, 1:3] = moved[:, :2]
    there = frames @ rigid_exp(turns)
    there[:, :3, 3] += (frames[:, :3, :3] @ moved[:, 2:, None])[..., 0]
    return there


def _held_solution(columns: Array, wanted: Array, damping: float | Array = _HELD) -> Array:
    """Least squares that stays near nothing where columns say little; leading axes are many."""
    count = columns.shape[-1]
    if not count:
        return np.zeros((*wanted.shape[:-2], 0, wanted.shape[-1]))
    across = np.swapaxes(columns, -1, -2)
    normal = across @ columns
    diagonal = np.einsum("...ii->...i", normal)
    held = np.asarray(damping * diagonal.sum(axis=-1) / count + 1e-300)
    diagonal += held[..., None]
    return np.asarray(np.linalg.solve(normal, across @ wanted), dtype=float)

"""Perform: a motion on a body, from what it adds to where the whole then is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import make_frames
from ribbonsim.layout.motions import Motion, Moves
from ribbonsim.motion.figure import PIECES, Figure
from ribbonsim.motion.follow import followed, outward_steps, trailing
from ribbonsim.motion.shapes import Added, Shapes
from ribbonsim.motion.travel import on_the_spot, travelled

# follow-through and travel are stepped at least as often a second
_STEPS = 96.0
# how deep a body that is laid down settles, and one that has raised itself, in depths of its
# belly at a weight of 1
_SETTLES, _SINKS = 0.3, 0.3
# a body that raises its middle by this share of its length presses down with all it has
_RAISED = 0.15
# what is free of the ground may come as near as this share of its belly's depth
_CLEAR = 0.5
# a body bends no tighter than to a circle of its own radius over this
_TIGHTEST = 0.7
# an upright body sways by this share of what a lying one does, and not at its foot
_SWAYS = 0.5
_AMOUNTS = (1.0, 0.85, 0.7, 0.55, 0.4, 0.25, 0.1)
# a part of an upright body that stands
_FOOT = (0.0, 0.3)
_SWIM_HEIGHT, _AFLOAT = 2.5, 0.4


def perform(figure: Figure, motion: Motion, count: int, travels: bool = False) -> Shapes:
    """Perform a loop.

    Parameters
    ----------
    figure : Figure
    motion : Motion
    count : int
        At so many even times.
    travels : bool
        Go over the ground; else what the loop travels is taken off evenly, and it closes.

    Returns
    -------
    Shapes
    """
    often = max(1, int(np.ceil(_STEPS * motion.seconds / count)))
    ends = figure.lengths / figure.lengths[-1]
    moves = _no_tighter(figure, motion.moves(ends, np.arange(count * often) / (count * often)))
    if motion.level and not figure.is_upright:
        whole = _laid(figure, motion, moves, travels)
    elif motion.rests_on is None:
        whole = _afloat(figure, motion, moves, travels)
    else:
        whole = _standing(figure, motion, moves)
    kept = slice(None, None, often)
    added = whole.added
    added = replace(added, turns=added.turns[kept], stretches=added.stretches[kept])
    return replace(whole, added=added, placed=whole.placed[kept])


def _no_tighter(figure: Figure, moves: Moves) -> Moves:
    """The same with bends that a body so thick can make."""
    bends = np.linalg.norm(moves.turns[..., 1:], axis=2)
    return replace(moves, turns=_least_of(figure, bends) * moves.turns)


def _least_of(figure: Figure, bends: Array) -> float:
    """The share of (F, n) bends that a body so thick can make."""
    thick = 0.5 * (figure.radii[1:] + figure.radii[:-1]) / figure.ribbon.length
    tight = float((PIECES * thick * np.abs(bends)).max())
    return min(1.0, _TIGHTEST / max(tight, 1e-9))


# -- what stands ---------------------------------------------------------------------------------


def _standing(figure: Figure, motion: Motion, moves: Moves) -> Shapes:
    """The part that rests stays; the others follow."""
    part = _FOOT if figure.is_upright else motion.rests_on
    anchor = figure.anchor(part or (0.0, 1.0))
    turns, stretches = moves.turns, moves.stretches
    if motion.level:  # a wave for a body that lies, on one that stands
        middles = 0.5 * (figure.lengths[1:] + figure.lengths[:-1]) / figure.ribbon.length
        turns = _SWAYS * turns * np.clip(middles / _FOOT[1], 0.0, 1.0)[:, None]
    if motion.follows:
        turns, stretches = _followed(figure, motion, moves, anchor)
    forward, left = figure.ahead
    axes = np.stack([forward, left, figure.up])
    shifts = figure.ribbon.length * moves.shifts @ axes
    spins = _rotations(moves.spins)
    placed = np.repeat(figure.frames[anchor][None], len(turns), axis=0)
    placed[:, :3, :3] = spins @ placed[:, :3, :3]
    placed[:, :3, 3] += shifts
    still = Added(np.zeros_like(turns[:1]), np.zeros_like(stretches[:1]))
    rest = _points(figure, still, anchor, figure.frames[anchor][None])[0]
    for amount in _AMOUNTS:
        added = Added(amount * turns, amount * stretches)
        points = _points(figure, added, anchor, placed)
        if _is_clear(figure, points, rest):
            break
    placed[:, :3, 3] -= _sinking(figure, motion, points, rest, anchor)[:, None] * figure.up
    return Shapes(figure.ribbon, added, anchor, placed, np.eye(4))


def _followed(figure: Figure, motion: Motion, moves: Moves, anchor: int) -> tuple[Array, Array]:
    """Turns and stretches with follow-through, and trailing behind what the resting part does."""
    slow, step = figure.slowness(anchor), motion.seconds / len(moves.turns)
    rules = motion.lag, motion.swing, step
    rates = np.concatenate([moves.turns, moves.stretches[..., None]], axis=2)
    rates = followed(rates, slow, anchor, *rules)
    turns = rates[..., :3]
    if moves.shifts.any() or moves.spins.any():
        forward, left = figure.ahead
        shifts = moves.shifts @ np.stack([forward, left, figure.up])
        turns = turns + trailed(figure.frames, anchor, shifts, moves.spins, slow, *rules)
    return turns, rates[..., 3]


def trailed(
    rest: Array,
    anchor: int,
    shifts: Array,
    spins: Array,
    slow: Array,
    lag: float,
    swing: float,
    step: float,
    homes: Array | None = None,
) -> Array:
    """(N, n, 3) twist, bend and sway of pieces that trail behind a resting part that is moved.

    A piece that is left behind by so much, sideways, leans by that over the way to its end: at
    first a body whose base is shifted at once trails by the whole shift at its end.

    Parameters
    ----------
    rest : (P, 4, 4) array
        Frames of the places at rest.
    anchor : int
    shifts, spins : (N, 3) arrays
        Of the resting part over a loop: in lengths of the body, and rotation vectors.
    slow, lag, swing, step
        As in :func:`ribbonsim.motion.follow.trailing`.
    homes : (N, 3, 3) array, optional
        Rotations from the rest to where the resting part carries it, if not none.
    """
    pieces = len(slow)
    behind = trailing(np.concatenate([shifts, spins], axis=1), slow, lag, swing, step)
    if homes is not None:
        pairs = behind.reshape(*behind.shape[:2], 2, 3)
        behind = np.einsum("nji,npkj->npki", homes, pairs).reshape(behind.shape)
    frames = rest[:-1, :3, :3]
    away = np.einsum("pij,npi->npj", frames, behind[..., :3])
    turned = np.einsum("pij,npi->npj", frames, behind[..., 3:])
    ahead = np.arange(pieces) >= anchor
    to_end = np.where(ahead, pieces - anchor, anchor) / pieces
    leans = np.zeros_like(turned)
    leans[..., 1], leans[..., 2] = -away[..., 2], away[..., 1]
    sums = leans / np.maximum(to_end, 1e-9)[:, None]
    sums = sums + np.where(ahead[:, None], 1.0, -1.0) * turned
    size = np.linalg.norm(sums, axis=2, keepdims=True)
    return outward_steps(sums * np.tanh(size) / np.maximum(size, 1e-12), anchor)


def _is_clear(figure: Figure, points: Array, rest: Array) -> bool:
    """Whether nothing that is free at rest dives into the ground."""
    heights = points @ figure.up - figure.ground
    at_rest = rest @ figure.up - figure.ground
    least = np.minimum(_CLEAR * figure.depths, at_rest - 0.02 * figure.ribbon.length)
    return bool((heights >= least).all())


def _sinking(figure: Figure, motion: Motion, points: Array, rest: Array, anchor: int) -> Array:
    """(F,) how deep a body that has raised itself presses the part that rests into the ground."""
    if not figure.resting[anchor] or abs(figure.frames[anchor, :3, 0] @ figure.up) > 0.7:
        return np.zeros(len(points))
    mass = figure.masses / figure.masses.sum()
    risen = (points - rest) @ figure.up @ mass
    share = np.clip(risen / (_RAISED * figure.ribbon.length), 0.0, 1.0)
    return np.asarray(motion.weight * _SINKS * figure.depths[anchor] * share, dtype=float)


# -- what lies or floats -------------------------------------------------------------------------


def _laid(figure: Figure, motion: Motion, moves: Moves, travels: bool) -> Shapes:
    """Level and straight, each place as high as its belly is deep; or afloat at one height."""
    anchor = PIECES // 2
    floats = motion.rests_on is None
    size = figure.ribbon.length
    if floats:
        height = max(
            float(figure.middle @ figure.up), figure.ground + _SWIM_HEIGHT * figure.depths.max()
        )
        wanted = np.full(moves.lifts.shape, height)
        turns = moves.turns
    else:
        settled = (1.0 - _SETTLES * motion.weight) * figure.held_depths
        wanted = figure.ground + settled + size * moves.lifts
        turns = moves.turns.copy()
        bends = _bends_of(wanted, moves.stretches, size)
        lying = _bends_of(figure.ground + settled[None], moves.stretches[:1], size)
        lifted = _least_of(figure, bends - lying)
        wanted = figure.ground + settled + lifted * size * moves.lifts
        turns[..., 1] += _bends_of(wanted, moves.stretches, size)
    added = Added(turns, moves.stretches, True, figure.head_from)
    forward, left = figure.ahead
    level = make_frames(forward, left, figure.middle)
    placed = np.repeat(level[None], len(turns), axis=0)
    points = _points(figure, added, anchor, placed)
    placed = _at_heights(figure, placed, points, wanted, figure.masses * moves.grips)
    axes = np.stack([forward, left, figure.up])
    return _travelling(figure, motion, moves, added, anchor, placed, axes, travels)


def _afloat(figure: Figure, motion: Motion, moves: Moves, travels: bool) -> Shapes:
    """As it rests, in the plane that its waves run in, which grow towards its thinner end."""
    if figure.is_thick_at_root:
        moves = replace(moves, turns=moves.turns[:, ::-1], stretches=moves.stretches[:, ::-1])
    anchor = PIECES // 2
    across = figure.frames[:, :3, 2].mean(axis=0)
    chord = figure.frames[-1, :3, 3] - figure.frames[0, :3, 3]
    first = chord - (chord @ across) * across / (across @ across)
    first, third = first / np.linalg.norm(first), across / np.linalg.norm(across)
    axes = np.stack([first, np.cross(third, first), third])
    added = Added(moves.turns, moves.stretches)
    placed = np.repeat(figure.frames[anchor][None], len(moves.turns), axis=0)
    raised = _AFLOAT * figure.ribbon.length * figure.up
    placed[:, :3, 3] += raised
    return _travelling(figure, motion, moves, added, anchor, placed, axes, travels, raised)


def _bends_of(heights: Array, stretches: Array, size: float) -> Array:
    """(F, n) bends that let a body run at given heights."""
    ways = np.exp(stretches) * size / PIECES
    slopes = np.diff(heights, axis=1) / ways
    at_ends = np.concatenate(
        [slopes[:, :1], 0.5 * (slopes[:, 1:] + slopes[:, :-1]), slopes[:, -1:]], axis=1
    )
    return -np.diff(np.arcsin(np.clip(at_ends, -0.9, 0.9)), axis=1)


def _at_heights(
    figure: Figure, placed: Array, points: Array, wanted: Array, weights: Array
) -> Array:
    """Frames raised and pitched so that places come as near as they can to their heights."""
    forward, left = figure.ahead
    along = (points - placed[:, None, :3, 3]) @ forward
    lacking = wanted - points @ figure.up
    columns = np.stack([np.ones_like(along), along], axis=2)
    weighted = weights[..., None] * columns
    normal = np.einsum("fpa,fpb->fab", columns, weighted)
    told = np.linalg.solve(normal, np.einsum("fpa,fp->fa", weighted, lacking)[..., None])[..., 0]
    turn = _rotations(-np.arctan(told[:, 1:]) * left)
    there = placed.copy()
    there[:, :3, :3] = turn @ placed[:, :3, :3]
    there[:, :3, 3] += told[:, :1] * figure.up
    return there


def _travelling(
    figure: Figure,
    motion: Motion,
    moves: Moves,
    added: Added,
    anchor: int,
    placed: Array,
    axes: Array,
    travels: bool,
    raised: Array | float = 0.0,
) -> Shapes:
    """Let the shapes go as the ground or the water lets them, in the plane of two axes."""
    flat = _points(figure, added, anchor, placed) @ axes[:2].T
    motions = travelled(flat, figure.masses * moves.grips, motion.slide)
    spot = on_the_spot(motions)
    going = np.einsum("fij,fpj->fpi", spot[:, :2, :2], flat) + spot[:, None, :2, 2]
    chord = (going[:, -1] - going[:, 0]).mean(axis=0)
    turned = _level(-np.arctan2(chord[1], chord[0]))
    mass = figure.masses / figure.masses.sum()
    middle = turned[:2, :2] @ np.einsum("fpi,p->i", going, mass) / len(going)
    turned[:2, 2] = axes[:2] @ (figure.middle + raised) - middle
    kept = turned @ (motions[:-1] if travels else spot)
    loop = turned @ motions[-1] @ np.linalg.inv(turned)
    return Shapes(
        figure.ribbon,
        added,
        anchor,
        _in_scene(kept, axes) @ placed,
        _in_scene(loop[None], axes)[0],
    )


def _level(yaw: float) -> Array:
    turn = np.eye(3)
    turn[:2, :2] = [[np.cos(yaw), -np.sin(yaw)], [np.sin(yaw), np.cos(yaw)]]
    return turn


def _in_scene(motions: Array, axes: Array) -> Array:
    """(F, 4, 4) motions of a plane as motions of the scene."""
    turns, shifts = np.tile(np.eye(3), (len(motions), 1, 1)), np.zeros((len(motions), 3))
    turns[:, :2, :2], shifts[:, :2] = motions[:, :2, :2], motions[:, :2, 2]
    there = np.tile(np.eye(4), (len(motions), 1, 1))
    there[:, :3, :3] = axes.T @ turns @ axes
    there[:, :3, 3] = shifts @ axes
    return there


def _points(figure: Figure, added: Added, anchor: int, placed: Array) -> Array:
    """(F, P, 3) the places, where one of them stands in given frames."""
    lengths, _, screws = figure.ribbon.even_steps(PIECES)
    frames, _, _ = added.on_steps(lengths, screws)
    turn = placed[:, :3, :3] @ np.swapaxes(frames[:, anchor, :3, :3], 1, 2)
    points = frames[..., :3, 3] - frames[:, anchor : anchor + 1, :3, 3]
    return points @ np.swapaxes(turn, 1, 2) + placed[:, None, :3, 3]


def _rotations(vectors: Array) -> Array:
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_rotvec(vectors).as_matrix(), dtype=float)

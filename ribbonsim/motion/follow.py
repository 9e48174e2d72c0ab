"""Follow-through: what is far from where a body rests turns later, and swings past.

Each piece of the body is an oscillator that is driven by how far it is to be turned in all,
counted from the place that rests: ``Y'' + 2 z w Y' + w^2 Y = w^2 T``. What a piece adds is the
difference of neighbours. One oscillator for each *rate* would turn everything beyond a bend at
once, and nothing would trail.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.optimize import brentq

from ribbonsim.arrays import Array, Ints

# how slow a piece beside the resting place is at least, over the slowest: nothing divides by 0
_LEAST = 1e-3


def damping(swing: float) -> float:
    """Damping ratio of an oscillator that swings past a sudden move by a share of it.

    References
    ----------
    K. Ogata, *Modern Control Engineering*, 5th edition, section 5-3: the overshoot of a
    second-order system is ``exp(-pi z / sqrt(1 - z^2))``.
    """
    if swing <= 0.0:
        return 1.0
    log = np.log(swing)
    return float(-log / np.sqrt(np.pi**2 + log**2))


def step_response(time: Array | float, ratio: float) -> Array:
    """Answer to a sudden move of 1, at times counted in 1 over the natural frequency."""
    t = np.asarray(time, dtype=float)
    fast = np.sqrt(max(1.0 - ratio * ratio, 0.0))
    sine = t * np.sinc(fast * t / np.pi)
    return 1.0 - np.exp(-ratio * t) * (np.cos(fast * t) + ratio * sine)


@cache
def half_time(ratio: float) -> float:
    """When half of a sudden move is made, in 1 over the natural frequency."""
    return float(brentq(lambda t: float(step_response(t, ratio)) - 0.5, 0.1, 3.0, xtol=1e-14))


def slowness(lengths: Array, radii: Array, masses: Array, anchor: int) -> Array:
    """How slowly each piece follows: 1 at the slower free end, 0 beside the resting place.

    Half of it is the root of what bends: inertia beyond a piece over its stiffness, which goes
    with the fourth power of the radius, summed outwards. That is nearly flat on an evenly thick
    body, so the other half is the root of the distance. What grows faster than a root would
    turn a piece backwards before it turns it on, so nothing does.

    Parameters
    ----------
    lengths, radii, masses : (P,) arrays
        Of places along the body.
    anchor : int
        The place that rests.

    Returns
    -------
    (P - 1,) array
        Of the pieces between them.
    """
    bending, distance = np.zeros(len(lengths) - 1), np.zeros(len(lengths) - 1)
    for pieces, inner in _sides(len(lengths), anchor):
        if not len(pieces):
            continue
        beyond = np.where(inner == pieces, 1, 0)  # a piece's outer place
        outer = pieces + beyond
        away = np.abs(lengths[outer] - lengths[anchor])
        arms = np.abs(lengths[outer][None, :] - lengths[inner][:, None])
        inertia = np.triu(masses[outer][None, :] * arms**2).sum(axis=1)
        thick = 0.5 * (radii[pieces] + radii[pieces + 1])
        bending[pieces] = np.sqrt(np.cumsum(inertia / thick**4))
        distance[pieces] = away
    both = 0.5 * bending / bending.max() + 0.5 * np.sqrt(distance / distance.max())
    for pieces, _ in _sides(len(lengths), anchor):
        if len(pieces):
            both[pieces] = np.sqrt(
                distance[pieces] * np.minimum.accumulate(both[pieces] ** 2 / distance[pieces])
            )
    return np.maximum(both / both.max(), _LEAST)


def _sides(places: int, anchor: int) -> tuple[tuple[Ints, Ints], tuple[Ints, Ints]]:
    """Pieces from the resting place outwards, and each one's inner place."""
    ahead, back = np.arange(anchor, places - 1), np.arange(anchor - 1, -1, -1)
    return (ahead, ahead), (back, back + 1)


def outward_sums(rates: Array, anchor: int) -> Array:
    """(..., n, c) sums of what pieces add, from the resting place out to each piece."""
    sums = np.empty_like(rates)
    sums[..., anchor:, :] = np.cumsum(rates[..., anchor:, :], axis=-2)
    sums[..., :anchor, :] = (
        np.cumsum(rates[..., anchor - 1 :: -1, :], axis=-2)[..., ::-1, :] if anchor else 0.0
    )
    return sums


def outward_steps(sums: Array, anchor: int) -> Array:
    """The inverse of :func:`outward_sums`."""
    steps = sums.copy()
    steps[..., anchor + 1 :, :] -= sums[..., anchor:-1, :]
    if anchor:
        steps[..., : anchor - 1, :] -= sums[..., 1:anchor, :]
    return steps


class Oscillators:
    """Oscillators of several frequencies, stepped exactly for input that is linear in a step.

    The state is how far each is and its speed over its frequency.

    Parameters
    ----------
    frequencies : (n,) array
        Natural, radians a second.
    ratio : float
        Damping ratio, up to 1.
    step : float
        Seconds.
    """

    def __init__(self, frequencies: Array, ratio: float, step: float) -> None:
        self._slow = 2.0 * ratio / frequencies[:, None] / step
        self._once = 1.0 / (frequencies[:, None] * step)
        self._turn = self._transition(frequencies * step, ratio)
        self._frequencies, self._ratio, self._step = frequencies, ratio, step

    @staticmethod
    def _transition(angle: Array, ratio: float) -> Array:
        """(2, 2, n, 1) what becomes of the state without input."""
        fast = np.sqrt(max(1.0 - ratio * ratio, 0.0))
        fade = np.exp(-ratio * angle)
        cosine, sine = np.cos(fast * angle), angle * np.sinc(fast * angle / np.pi)
        rows = [[cosine + ratio * sine, sine], [-sine, cosine - ratio * sine]]
        return (fade * np.array(rows))[..., None]

    def stepped(self, state: Array, before: Array, after: Array) -> Array:
        """(2, n, c) the state a step on, while the input goes from one value to another."""
        rise = after - before
        lean = self._slow * rise
        speed = self._once * rise
        far, fast = state[0] - before + lean, state[1] - speed
        (a, b), (c, d) = self._turn
        return np.stack([a * far + b * fast + after - lean, c * far + d * fast + speed])

    def looped(self, inputs: Array) -> Array:
        """(N, n, c) answers to inputs that come again and again, without a beginning.

        With ``x`` the state at the beginning, a loop makes ``A^N x + r`` of it; it is its own
        successor if ``x = (I - A^N)^-1 r``.
        """
        count = len(inputs)
        after = np.roll(inputs, -1, axis=0)
        state = np.zeros((2, *inputs.shape[1:]))
        for k in range(count):
            state = self.stepped(state, inputs[k], after[k])
        whole = self._transition(count * self._frequencies * self._step, self._ratio)
        left = np.eye(2)[:, :, None, None] - whole
        start = np.linalg.solve(left.transpose(2, 3, 0, 1)[:, 0], state.transpose(1, 0, 2))
        state = np.asarray(start.transpose(1, 0, 2), dtype=float)
        answers = np.empty_like(inputs)
        for k in range(count):
            answers[k] = state[0]
            state = self.stepped(state, inputs[k], after[k])
        return answers


def frequencies(slow: Array, lag: float, ratio: float) -> Array:
    """Natural frequencies of pieces, so that the slowest has made half a move after ``lag``."""
    return half_time(ratio) / (lag * slow)


def followed(
    rates: Array, slow: Array, anchor: int, lag: float, swing: float, step: float
) -> Array:
    """(N, n, c) rates of a loop, with follow-through.

    Parameters
    ----------
    rates : (N, n, c) array
        What each piece is to add, at even times of a loop.
    slow : (n,) array
        As of :func:`slowness`.
    anchor : int
        The place that rests.
    lag : float
        Seconds until the slowest piece has made half of a sudden move; 0 follows at once.
    swing : float
        How far it swings past, as a share of the move.
    step : float
        Seconds from one time to the next.
    """
    if lag <= 0.0:
        return rates.copy()
    ratio = damping(swing)
    oscillators = Oscillators(frequencies(slow, lag, ratio), ratio, step)
    return outward_steps(oscillators.looped(outward_sums(rates, anchor)), anchor)


def trailing(moves: Array, slow: Array, lag: float, swing: float, step: float) -> Array:
    """(N, n, c) how far pieces stay behind something that moves them all: followed less moved.

    Parameters
    ----------
    moves : (N, c) array
        Of the resting place, at even times of a loop.
    slow, lag, swing, step
        As in :func:`followed`.
    """
    inputs = np.repeat(moves[:, None, :], len(slow), axis=1)
    if lag <= 0.0:
        return np.zeros_like(inputs)
    ratio = damping(swing)
    return Oscillators(frequencies(slow, lag, ratio), ratio, step).looped(inputs) - inputs

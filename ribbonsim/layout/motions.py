"""Motions: what a creature does over time, whatever its layout, as test poses are for one shape.

A motion is a loop. At each time it says what it adds to the body at rest, piece by piece from
root to tip; keys are eased, and waves are formulas.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.fields import check_fields, range_of, within
from ribbonsim.layout.keyed import looped


@dataclass(frozen=True, eq=False)
class Moves:
    """What a motion adds to the rest of a body of n pieces at F times.

    Parameters
    ----------
    turns : (F, n, 3) array
        Twist, bend and sway over each piece, radians.
    stretches : (F, n) array
        Logarithm of the factor along.
    shifts : (F, 3) array
        Of the part that rests: ahead, to the left and up, in lengths of the body.
    spins : (F, 3) array
        Of the part that rests: a rotation vector in the scene, radians.
    lifts : (F, n + 1) array
        Height over where each place lies, in lengths of the body.
    grips : (F, n + 1) array
        How firmly each place holds the ground, 0 to 1.
    """

    turns: Array
    stretches: Array
    shifts: Array
    spins: Array
    lifts: Array
    grips: Array

    @classmethod
    def of(cls, frames: int, pieces: int, **given: Array) -> Moves:
        """What is given, and rest for the others."""
        rest = {
            "turns": np.zeros((frames, pieces, 3)),
            "stretches": np.zeros((frames, pieces)),
            "shifts": np.zeros((frames, 3)),
            "spins": np.zeros((frames, 3)),
            "lifts": np.zeros((frames, pieces + 1)),
            "grips": np.ones((frames, pieces + 1)),
        }
        return cls(**{**rest, **given})

    def scaled(self, amount: float) -> Moves:
        """A share of all that is added."""
        names = ("turns", "stretches", "shifts", "spins", "lifts")
        return replace(self, **{name: amount * getattr(self, name) for name in names})


Adds = Callable[[Array, Array], Moves]
Beats = Callable[[str, float, Array, Array], Array]


@dataclass(frozen=True)
class Motion:
    """A named motion.

    Parameters
    ----------
    name : str
    describes : str
        One line for menus and captions.
    adds : callable
        From ends of pieces (n + 1,), 0 to 1, and times (F,), 0 to 1 of the loop, to
        :class:`Moves`.
    seconds : float
        How long the loop takes.
    amount : float
        Share of what is usual.
    lag : float
        Seconds before the free end has made half of a sudden move.
    swing : float
        How far it swings past, as a share of the move.
    weight : float
        How far it settles into the ground: 0 touches it, 1 is as soft as dough.
    slide : float
        Resistance along the body over that across it; 1 travels nowhere.
    rests_on : (float, float) or None
        Part of the body that rests, 0 at the root and 1 at the tip; None floats.
    level : bool
        Lay a body level and straight first, unless it stands upright.
    follows : bool
        Whether the body trails; waves are seen motions already, and do not.
    keys : tuple of float
        Times of the loop, 0 to 1, that the motion is made of.
    beats : callable or None
        From an appendage's name, the place it rides at (0 to 1), ends of its pieces and times
        to (F, n, 3) twist, bend and sway over each piece, radians.
    """

    name: str
    describes: str
    adds: Adds
    seconds: float = within(0.1, 600.0, 2.0)
    amount: float = within(0.0, 3.0, 1.0)
    lag: float = within(0.0, 10.0, 0.25)
    swing: float = within(0.0, 0.6, 0.15)
    weight: float = within(0.0, 1.0, 0.5)
    slide: float = within(0.01, 1.0, 0.1)
    rests_on: tuple[float, float] | None = (0.0, 1.0)
    level: bool = False
    follows: bool = True
    keys: tuple[float, ...] = ()
    beats: Beats | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        check_fields(self)

    @property
    def shown(self) -> str:
        """The name in words."""
        return self.name.replace("_", " ")

    def moves(self, ends: Array, times: Array) -> Moves:
        """What it adds at times of the loop, 0 to 1, by its amount."""
        return self.adds(ends, times).scaled(self.amount)


@dataclass(frozen=True)
class OwnMotion:
    """A motion of the user's own: kept poses at times, eased, looped.

    Parameters
    ----------
    poses : tuple of str
        Names of poses that are kept with the layout; ``rest`` is the creature at rest.
    times : tuple of float
        Seconds, rising from 0 and below ``seconds``; the first pose comes again after it.
    seconds : float
        How long the loop takes.
    lag : float
        Seconds before the free end has made half of a sudden move.
    swing : float
        How far it swings past, as a share of the move.
    weight : float
        How far it settles into the ground, 0 to 1.
    """

    poses: tuple[str, ...]
    times: tuple[float, ...]
    seconds: float = within(0.1, 600.0, 2.0)
    lag: float = within(0.0, 10.0, 0.25)
    swing: float = within(0.0, 0.6, 0.15)
    weight: float = within(0.0, 1.0, 0.5)

    def __post_init__(self) -> None:
        object.__setattr__(self, "poses", tuple(self.poses))
        object.__setattr__(self, "times", tuple(float(time) for time in self.times))
        check_fields(self)
        if not self.poses or len(self.poses) != len(self.times):
            raise RibbonsimError(
                f"a motion has {len(self.times)} times for {len(self.poses)} poses: give one time "
                "for each pose, and one pose at least"
            )
        steps = np.diff([*self.times, self.seconds])
        if self.times[0] != 0.0 or (steps <= 0.0).any():
            raise RibbonsimError(
                f"times {', '.join(f'{time:g}' for time in self.times)} cannot be used: they rise "
                f"from 0 and end before the loop's {self.seconds:g} seconds"
            )


def check_own_motions(motions: Mapping[str, OwnMotion], poses: Mapping[str, Any]) -> None:
    """See that motions have names of their own and poses that are kept."""
    for name, motion in motions.items():
        if not name.strip():
            raise RibbonsimError("a motion has no name: give it one")
        if name in MOTIONS:
            raise RibbonsimError(f"{name!r} is a motion of every creature: choose another name")
        for pose in motion.poses:
            if pose not in poses and pose != "rest":
                known = ", ".join(["rest", *poses])
                raise RibbonsimError(
                    f"the motion {name!r} goes through {pose!r}, which is no kept pose: "
                    f"choose from {known}"
                )


# -- the motions ---------------------------------------------------------------------------------


# steps along the body where a wave is slowed down
_FINE = 512


def _over_pieces(ends: Array, centre: float, size: float) -> Array:
    """(n,) shares of a bump of area one that fall on each piece."""
    middles = 0.5 * (ends[1:] + ends[:-1])
    values = np.exp(-0.5 * ((middles - centre) / size) ** 2)
    return np.asarray(values / values.sum(), dtype=float)


def _eased(x: Array) -> Array:
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def _before_head(x: Array) -> Array:
    """1 before the head, 0 on it: a face is not kneaded."""
    return 1.0 - _eased((x - 0.54) / 0.16)


def _turned(ends: Array, times: Array, channels: Sequence[tuple[int, Any, Any, Array]]) -> Array:
    """(F, n, 3) sums of shapes (degrees over each piece) with eased sizes over time."""
    turns = np.zeros((len(times), len(ends) - 1, 3))
    for axis, keys, sizes, shape in channels:
        turns[:, :, axis] += looped(keys, sizes, times)[:, None] * np.radians(shape)
    return turns


def _swim(ends: Array, times: Array) -> Moves:
    """A wave that grows from the head to the tail.

    References
    ----------
    E. Tytell, G. Lauder, "The hydrodynamics of eel swimming", Journal of Experimental Biology
    207, 2004: ``y = A exp(a (u - 1)) sin 2 pi (u / l - t)`` of an eel. The constants A = 0.1,
    a = 1.5 and l = 0.75 are rounded from memory and unchecked.
    """
    size, growth, wave = 0.1, 1.5, 0.75
    u = 1.0 - ends[None, :]
    phase = 2.0 * np.pi * (u / wave - times[:, None])
    slope = (
        size
        * np.exp(growth * (u - 1.0))
        * (growth * np.sin(phase) + 2.0 * np.pi / wave * np.cos(phase))
    )
    # seen from the tail, what lies to the left and what lies ahead both change sides
    angle = -np.arcsin(np.clip(slope, -0.95, 0.95))
    turns = np.zeros((len(times), len(ends) - 1, 3))
    turns[:, :, 2] = np.diff(angle, axis=1)
    return Moves.of(*turns.shape[:2], turns=turns)


def _slither(ends: Array, times: Array) -> Moves:
    """A wave of even curves that runs backwards; the head keeps looking ahead.

    References
    ----------
    S. Hirose, *Biologically Inspired Robots*, Oxford University Press 1993: the serpenoid
    curve, whose direction is a sine of the length.
    """
    waves, size = 1.25, np.radians(42.0)
    # the wave comes to rest in the neck, so that the head is turned as a whole
    fine = np.linspace(0.0, 1.0, _FINE + 1)
    calm = 1.0 - _eased((fine - 0.62) / 0.2)
    along = np.interp(ends, fine, np.r_[0.0, np.cumsum(0.5 * (calm[1:] + calm[:-1]))] / _FINE)
    held = 1.0 - 0.65 * _eased((ends - 0.5) / 0.3)
    angle = size * held * np.cos(2.0 * np.pi * (waves * along[None, :] + times[:, None]))
    turns = np.zeros((len(times), len(ends) - 1, 3))
    turns[:, :, 2] = np.diff(angle, axis=1)
    return Moves.of(*turns.shape[:2], turns=turns)


def _crawl(ends: Array, times: Array) -> Moves:
    """A wave of thick, short parts that hold, between thin, long parts that are lifted on."""
    waves, size, lift = 1.5, 0.22, 0.028
    middles = 0.5 * (ends[1:] + ends[:-1])
    calm = _before_head(middles)
    wave = np.cos(2.0 * np.pi * (waves * middles[None, :] + times[:, None]))
    stretches = size * calm * wave
    # the whole stays as long, else places that hold would slip
    stretches -= np.log(np.mean(np.exp(stretches), axis=1, keepdims=True)) * calm / calm.mean()
    thin = 0.5 + 0.5 * np.cos(2.0 * np.pi * (waves * ends[None, :] + times[:, None]))
    lifts = lift * thin * _before_head(ends)
    return Moves.of(*stretches.shape, stretches=stretches, lifts=lifts, grips=(1.0 - thin) ** 2)


def _rear_up(ends: Array, times: Array) -> Moves:
    level, raised = _over_pieces(ends, 0.72, 0.07), _over_pieces(ends, 0.42, 0.09)
    aside = _over_pieces(ends, 0.66, 0.07)
    rise = ((0.0, 0.06, 0.3, 0.78, 0.96), (0.0, 0.0, 1.0, 1.0, 0.0))
    look = ((0.0, 0.36, 0.45, 0.52, 0.62, 0.7, 0.8), (0.0, 0.0, 1.0, 1.0, -1.0, -1.0, 0.0))
    turns = _turned(
        ends, times, [(1, *rise, 50.0 * level - 62.0 * raised), (2, *look, 38.0 * aside)]
    )
    return Moves.of(*turns.shape[:2], turns=turns)


def _strike(ends: Array, times: Array) -> Moves:
    fold = (
        -52.0 * _over_pieces(ends, 0.38, 0.07)
        + 84.0 * _over_pieces(ends, 0.58, 0.06)
        - 32.0 * _over_pieces(ends, 0.73, 0.04)
    )
    keys = (0.0, 0.3, 0.4, 0.46, 0.54, 0.8)
    turns = _turned(ends, times, [(1, keys, (0.0, 1.0, 1.08, -0.1, -0.1, 0.0), fold)])
    middles = 0.5 * (ends[1:] + ends[:-1])
    neck = _eased((middles - 0.3) / 0.1) * _before_head(middles)
    pull = looped(keys, (0.0, -0.08, -0.09, 0.16, 0.1, 0.0), times)
    shifts = np.zeros((len(times), 3))
    shifts[:, 0] = looped(keys, (0.0, -0.03, -0.035, 0.05, 0.045, 0.0), times)
    return Moves.of(
        *turns.shape[:2], turns=turns, stretches=pull[:, None] * neck[None, :], shifts=shifts
    )


def _breathe(ends: Array, times: Array) -> Moves:
    middles = 0.5 * (ends[1:] + ends[:-1])
    chest = _eased((middles - 0.15) / 0.25) * _before_head(middles)
    breath = looped((0.0, 0.38, 0.5), (0.0, 1.0, 1.0), times)
    turns = _turned(
        ends,
        times,
        [
            (
                1,
                (0.0, 0.4, 0.5),
                (0.0, 1.0, 1.0),
                5.0 * _over_pieces(ends, 0.7, 0.07) - 7.0 * _over_pieces(ends, 0.5, 0.12),
            )
        ],
    )
    return Moves.of(*turns.shape[:2], turns=turns, stretches=-0.13 * breath[:, None] * chest)


def _flutter(ends: Array, times: Array) -> Moves:
    calm = _breathe(ends, times)
    return replace(calm, stretches=0.4 * calm.stretches)


def _fluttering(name: str, at: float, ends: Array, times: Array) -> Array:
    """Each appendage beats from its base out, one after the other along the body."""
    middles = 0.5 * (ends[1:] + ends[:-1])
    phase = 2.0 * np.pi * (times[:, None] * 2.0 - 0.35 * middles[None, :] + at)
    size = np.radians(36.0) * (0.4 * _over_pieces(ends, 0.0, 0.12) + 0.6 / len(middles))
    turns = np.zeros((*phase.shape, 3))
    turns[..., 1] = size * np.sin(phase)
    return turns


MOTIONS: dict[str, Motion] = {
    motion.name: motion
    for motion in (
        Motion(
            "swim",
            "a wave runs back along the body and grows to the tail",
            _swim,
            1.6,
            slide=0.4,
            rests_on=None,
            level=True,
            follows=False,
            keys=(0.0, 0.25, 0.5, 0.75),
        ),
        Motion(
            "crawl",
            "thick parts hold the ground, thin ones are lifted on",
            _crawl,
            2.4,
            slide=0.6,
            level=True,
            follows=False,
            keys=(0.0, 0.25, 0.5, 0.75),
        ),
        Motion(
            "slither",
            "even curves run back over the ground, and the body goes ahead",
            _slither,
            2.4,
            slide=0.08,
            level=True,
            follows=False,
            keys=(0.0, 0.25, 0.5, 0.75),
        ),
        Motion(
            "rear_up",
            "lifts its front, looks to both sides and lies down again",
            _rear_up,
            5.0,
            rests_on=(0.0, 0.35),
            keys=(0.0, 0.3, 0.45, 0.62, 0.8),
        ),
        Motion(
            "strike",
            "gathers itself, strikes and recoils",
            _strike,
            3.0,
            lag=0.14,
            swing=0.2,
            rests_on=(0.0, 0.4),
            keys=(0.0, 0.3, 0.46, 0.8),
        ),
        Motion(
            "breathe", "its trunk swells and sinks", _breathe, 3.6, swing=0.05, keys=(0.0, 0.4, 0.5)
        ),
        Motion(
            "flutter",
            "fins, arms and barbels beat one after the other",
            _flutter,
            3.0,
            keys=(0.0, 0.25, 0.5, 0.75),
            beats=_fluttering,
        ),
    )
}


def changed(
    motion: Motion,
    seconds: float | None = None,
    amount: float | None = None,
    lag: float | None = None,
    swing: float | None = None,
    weight: float | None = None,
    slide: float | None = None,
) -> Motion:
    """A motion with what is given in place of what is usual for it.

    Raises
    ------
    RibbonsimError
        If a value cannot be used.
    """
    told = {
        "seconds": seconds,
        "amount": amount,
        "lag": lag,
        "swing": swing,
        "weight": weight,
        "slide": slide,
    }
    given: dict[str, Any] = {}
    for key, value in told.items():
        if value is not None:
            check_number(f"{key} of {motion.name}", value, *(range_of(Motion, key) or (0.0, 0.0)))
            given[key] = float(value)
    return replace(motion, **given)

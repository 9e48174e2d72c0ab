"""What moves while the camera turns: a pose held, eased in and out, or one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ribbonsim.checks import check_choice, check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.pose import ControlPose, Pose

Movement = Literal["hold", "ease", "sequence"]
MOVEMENTS: tuple[Movement, ...] = ("hold", "ease", "sequence")
Direction = Literal["clockwise", "counterclockwise"]
DIRECTIONS: tuple[Direction, ...] = ("clockwise", "counterclockwise")

_MOVING = 0.76  # share of the way from one pose to the next; the rest of the time it is held
_FILM_HEIGHT = 24.0


@dataclass(frozen=True)
class CameraPath:
    """How the camera goes round.

    Parameters
    ----------
    start : float, optional
        Where it begins: degrees from the front, +Z, towards +X. The side that shows the
        creature best if left out.
    elevation : float
        Degrees above the horizon, -10 to 85.
    lens : float
        Focal length in millimetres for a picture 24 mm high, 15 to 200.
    direction : {"clockwise", "counterclockwise"}
        Which way the creature turns, seen from above.
    turns : float
        How often round; 0 lets the camera stand. Whole numbers make a loop.
    """

    start: float | None = None
    elevation: float = 12.0
    lens: float = 50.0
    direction: Direction = "clockwise"
    turns: float = 1.0

    def __post_init__(self) -> None:
        if self.start is not None:
            check_number("start angle", self.start, -360.0, 360.0)
        check_number("elevation", self.elevation, -10.0, 85.0)
        check_number("lens in millimetres", self.lens, 15.0, 200.0)
        check_choice("direction", self.direction, DIRECTIONS)
        check_number("turns", self.turns, 0.0, 100.0)

    @property
    def view_angle(self) -> float:
        """Degrees that the picture's height takes in."""
        return float(2.0 * np.degrees(np.arctan(0.5 * _FILM_HEIGHT / self.lens)))

    def azimuths(self, frames: int, start: float) -> list[float]:
        """Where the camera stands in each frame; the last is one step before the first.

        Parameters
        ----------
        frames : int
        start : float
            Degrees.

        Returns
        -------
        list of float
            Degrees.
        """
        way = 360.0 if self.direction == "clockwise" else -360.0
        return [(start + way * self.turns * k / frames) % 360.0 for k in range(frames)]


@dataclass(frozen=True)
class Moment:
    """A pose between two others.

    Parameters
    ----------
    before, after : int
        Their numbers.
    share : float
        0 is the one before, 1 the one after.
    """

    before: int
    after: int
    share: float


def moments(motion: Movement, poses: int, frames: int) -> list[Moment]:
    """Where between which poses each frame is."""
    if motion == "hold" or poses == 1:
        return [Moment(0, 0, 0.0)] * frames
    found = []
    for k in range(frames):
        leg, along = divmod(poses * k / frames, 1.0)
        # half of the rest before the way and half behind it, so that both ends are held
        x = np.clip((along - 0.5 * (1.0 - _MOVING)) / _MOVING, 0.0, 1.0)
        found.append(Moment(int(leg) % poses, (int(leg) + 1) % poses, _eased(float(x))))
    return found


def _eased(x: float) -> float:
    """From 0 to 1, starting and ending without speed or acceleration.

    References
    ----------
    K. Perlin, "Improving noise", ACM TOG 21 (3), 2002: 6 x^5 - 15 x^4 + 10 x^3.
    """
    return min(1.0, x * x * x * (x * (6.0 * x - 15.0) + 10.0))


def blend(before: Pose, after: Pose, share: float) -> Pose:
    """A pose on the way from one to another."""
    if share <= 0.0:
        return before
    if share >= 1.0:
        return after
    names = dict.fromkeys([*before.controls, *after.controls])
    volume = (1.0 - share) * before.keep_volume + share * after.keep_volume
    return Pose({name: _between(before[name], after[name], share) for name in names}, volume)


def _between(one: ControlPose, other: ControlPose, share: float) -> ControlPose:
    def even(a: float, b: float) -> float:
        return (1.0 - share) * a + share * b

    x, y, z = (even(a, b) for a, b in zip(one.shift, other.shift, strict=True))
    return ControlPose(
        bend=even(one.bend, other.bend),
        sway=even(one.sway, other.sway),
        twist=even(one.twist, other.twist),
        shift=(x, y, z),
        stretch=one.stretch ** (1.0 - share) * other.stretch**share,
        girth=one.girth ** (1.0 - share) * other.girth**share,
    )


def check_moves(motion: Movement, path: CameraPath, poses: Sequence[Pose]) -> None:
    """See that something moves."""
    check_choice("motion", motion, MOVEMENTS)
    if motion == "sequence" and len(poses) < 2:
        raise RibbonsimError("a sequence needs two poses or more: name them, or choose ease")
    if motion != "sequence" and len(poses) > 1:
        raise RibbonsimError(
            f"{len(poses)} poses are given for one that is to {motion}: choose sequence, or one"
        )
    if motion == "hold" and path.turns == 0.0:
        raise RibbonsimError(
            "neither the camera nor the creature would move: let the camera turn, or ease the pose"
        )

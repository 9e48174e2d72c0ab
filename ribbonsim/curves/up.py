"""Which way is up."""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.checks import check_choice
from ribbonsim.curves.frames import flattest_across
from ribbonsim.curves.ribbon import Ribbon

Up = Literal["x", "y", "z", "-x", "-y", "-z"]
UP_AXES: tuple[Up, ...] = get_args(Up)

# for each way up the three axes that lie to the right, up and to the front, as seen from the
# front; the front of z up is -y, as where glTF (y up) and USD (z up) turn into each other
_SEEN_FROM_FRONT: dict[Up, tuple[Up, Up, Up]] = {
    "y": ("x", "y", "z"),
    "z": ("x", "z", "-y"),
    "-y": ("x", "-y", "-z"),
    "-z": ("x", "-z", "y"),
    "x": ("z", "x", "y"),
    "-x": ("z", "-x", "-y"),
}


def up_direction(up: str) -> Array:
    """Unit vector (3,) of an axis name such as ``"y"`` or ``"-z"``.

    Raises
    ------
    RibbonsimError
        If it is no such name.
    """
    check_choice("up", up, UP_AXES)
    direction = np.zeros(3)
    direction["xyz".index(up[-1])] = -1.0 if up.startswith("-") else 1.0
    return direction


def upright(up: Up) -> Array:
    """Rotation (3, 3) that stands a scene upright: y is up in what it turns, and z the front.

    It exchanges axes and signs, so it changes no digit of any number.
    """
    check_choice("up", up, UP_AXES)
    return np.stack([up_direction(axis) for axis in _SEEN_FROM_FRONT[up]])


def upright_ribbon(ribbon: Ribbon, up: Up) -> Ribbon:
    """A ribbon of a scene that is stood upright."""
    return Ribbon(ribbon.control_points @ upright(up).T, ribbon.knots)


def laid_for(ribbon: Ribbon, up: Up, was: Up) -> Ribbon:
    """A ribbon rolled as a whole from where it lies flat with one way up to where with another.

    A roll that a user gave it stays on top.
    """
    if up == was:
        return ribbon
    t = np.linspace(0.0, 1.0, 400)
    tangents = ribbon.midline(t, 1)
    tangents = tangents / np.linalg.norm(tangents, axis=1, keepdims=True)
    before, after = (
        flattest_across(ribbon.midline(t), tangents, up_direction(one)) for one in (was, up)
    )
    sine = np.mean(np.sum(np.cross(before, after) * tangents, axis=1))
    return ribbon.rolled(float(np.degrees(np.arctan2(sine, np.mean(np.sum(before * after, 1))))))

"""Units and axes: what a scene unit is, which way is up, and what is written."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array
from ribbonsim.checks import check_choice
from ribbonsim.curves.up import UP_AXES, Up, upright
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh

Axis = Literal["y", "z"]

# International System of Units; the inch and the foot are those of 1959.
METRES = {
    "millimetre": 0.001,
    "centimetre": 0.01,
    "decimetre": 0.1,
    "metre": 1.0,
    "inch": 0.0254,
    "foot": 0.3048,
}
AXES: tuple[Axis, ...] = ("y", "z")
# farther from the origin than so many of its diagonals a mesh loses shape in single precision
_FAR = 100.0


@dataclass(frozen=True)
class Units:
    """Units and up axis of the scene, and those to write.

    Parameters
    ----------
    scene : str or None
        What one scene unit is: one of :data:`METRES`, or None where nobody has said.
    written : str or None
        What to convert to; None leaves numbers as they are.
    up : {"x", "y", "z", "-x", "-y", "-z"}
        The axis that points up in the scene.
    written_up : {"y", "z"} or None
        The axis that is to point up in what is written; None leaves it, if it is one of these,
        and else stands the scene upright with y up.
    origin : (float, float, float)
        The point of the scene, scene units, that is written as 0, 0, 0.

    Raises
    ------
    RibbonsimError
        If a name is unknown, or a unit is to be converted that nobody has named.

    Examples
    --------
    >>> Units("centimetre", "metre", "y", "z").points([100.0, 200.0, 0.0]).round(6).tolist()
    [1.0, 0.0, 2.0]
    """

    scene: str | None = None
    written: str | None = None
    up: Up = "y"
    written_up: Axis | None = None
    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        for key, unit in (("unit of the scene", self.scene), ("unit to write", self.written)):
            if unit is not None:
                check_choice(key, unit, tuple(METRES))
        check_choice("up axis of the scene", self.up, UP_AXES)
        if self.written_up is not None:
            check_choice("up axis to write", self.written_up, AXES)
        if self.written is not None and self.scene is None:
            raise RibbonsimError(
                f"lengths cannot be converted to the unit {self.written!r}, as the scene's own is "
                f"not known: say what a scene unit is, one of {', '.join(METRES)}"
            )

    @property
    def unit(self) -> str | None:
        """The unit of what is written; None if nobody has said."""
        return self.written or self.scene

    @property
    def unit_name(self) -> str:
        """What stands behind a length, such as ``metres``; scene units if nobody has said."""
        return "scene units" if self.unit is None else _plural(self.unit)

    @property
    def metres(self) -> float | None:
        """Metres in one unit of what is written; None if nobody has said."""
        return None if self.unit is None else METRES[self.unit]

    @property
    def up_axis(self) -> Axis:
        """The axis that points up in what is written."""
        if self.written_up is not None:
            return self.written_up
        return "z" if self.up == "z" else "y"

    @property
    def factor(self) -> float:
        """What lengths are multiplied by."""
        if self.scene is None or self.written is None:
            return 1.0
        return METRES[self.scene] / METRES[self.written]

    @property
    def turn(self) -> Array:
        """(3, 3) rotation from the scene's axes to those written."""
        if self.up == self.up_axis:
            return np.eye(3)
        return upright(self.up_axis).T @ upright(self.up)

    @property
    def changes_nothing(self) -> bool:
        """Whether numbers are written as they stand in the scene."""
        return self.factor == 1.0 and self.up == self.up_axis and not any(self.origin)

    @property
    def offset(self) -> Array:
        """(3,) place of the origin without it, in the units written."""
        return replace(self, origin=(0.0, 0.0, 0.0)).points(self.origin)

    def about(self, mesh: CreatureMesh) -> Units:
        """The same about the middle of a mesh, if that stands far from the scene's origin.

        Formats of single precision hold seven digits: a mesh that is many times as far away as it
        is large would lose its shape. The middle is taken on whole scene units.

        Parameters
        ----------
        mesh : CreatureMesh

        Returns
        -------
        Units
        """
        if float(np.abs(mesh.bounds).max()) <= _FAR * mesh.diagonal:
            return self
        x, y, z = (float(value) for value in np.round(mesh.centre))
        return replace(self, origin=(x, y, z))

    def points(self, points: ArrayLike) -> Array:
        """Convert points.

        Parameters
        ----------
        points : (..., 3) array
            Scene units.

        Returns
        -------
        (..., 3) array
        """
        values = np.asarray(points, dtype=float)
        if self.changes_nothing:
            return values
        return self.factor * ((values - np.asarray(self.origin)) @ self.turn.T)

    def directions(self, directions: ArrayLike) -> Array:
        """Convert directions, which have no unit.

        Parameters
        ----------
        directions : (..., 3) array

        Returns
        -------
        (..., 3) array
        """
        values = np.asarray(directions, dtype=float)
        return values if self.up == self.up_axis else values @ self.turn.T

    def frames(self, frames: ArrayLike) -> Array:
        """Convert frames that stand in the scene.

        Parameters
        ----------
        frames : (..., 4, 4) array
            Rigid; columns along, across, normal, origin.

        Returns
        -------
        (..., 4, 4) array
            Rigid too.
        """
        moved = np.array(frames, dtype=float)
        if not self.changes_nothing:
            moved[..., :3, :3] = self.turn @ moved[..., :3, :3]
            moved[..., :3, 3] = self.points(moved[..., :3, 3])
        return moved

    def sentence(self) -> str:
        """Say in one sentence what the numbers are.

        Returns
        -------
        str

        Examples
        --------
        >>> Units("centimetre", "metre").sentence()
        'Lengths are in metres, converted from centimetres; the y axis points up.'
        """
        if self.unit is None:
            lengths = "Lengths are in scene units, as they stand"
        elif self.factor == 1.0:
            lengths = f"Lengths are in {_plural(self.unit)}, as they stand"
        else:
            was = _plural(str(self.scene))
            lengths = f"Lengths are in {_plural(self.unit)}, converted from {was}"
        turned = "" if self.up == self.up_axis else f", turned from the {self.up} axis"
        moved = ", ".join(f"{value:.15g}" for value in self.offset)
        about = f"; the root node stands at {moved}, from where all counts"
        ending = about if any(self.origin) else ""
        return f"{lengths}; the {self.up_axis} axis points up{turned}{ending}."


def _plural(unit: str) -> str:
    return {"inch": "inches", "foot": "feet"}.get(unit, f"{unit}s")

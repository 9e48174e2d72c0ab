"""A guide drawn by hand: points from root to tip, with a way back for each step. No widgets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from ribbonsim.arrays import Array
from ribbonsim.body.inside import inside_of
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh

_SAMPLES = 201
# points nearer than this share of the creature are one: a click that shook
_ONE_POINT = 1e-3
# a ball that stays off the skin by up to so many cells touches it
_TOUCHES = 2.0


@dataclass(frozen=True, eq=False)
class DrawnGuide:
    """A guide while it is drawn: its points, the chosen one's number and the curve, if any."""

    points: tuple[Array, ...]
    chosen: int
    curve: Array | None


class GuideDraft:
    """Points of a guide, in order from root to tip.

    Parameters
    ----------
    mesh : CreatureMesh
        The creature that the guide is drawn in, at rest.
    """

    def __init__(self, mesh: CreatureMesh) -> None:
        self.mesh = mesh
        self.points: tuple[Array, ...] = ()
        self.chosen = -1
        self._past: list[tuple[tuple[Array, ...], int]] = []

    @property
    def can_undo(self) -> bool:
        """Whether there is a step back."""
        return bool(self._past)

    def undo(self) -> None:
        """Go one step back."""
        if self._past:
            self.points, self.chosen = self._past.pop()

    def _remember(self) -> None:
        self._past.append((self.points, self.chosen))

    def take(self, points: ArrayLike) -> None:
        """Begin with points."""
        self._remember()
        self.points = tuple(np.asarray(points, dtype=float))
        self.chosen = len(self.points) - 1

    def add(self, point: ArrayLike) -> None:
        """Put a point behind the chosen one and choose it; none on a point that is there."""
        new = np.asarray(point, dtype=float)
        near = [float(np.linalg.norm(new - old)) for old in self.points]
        if near and min(near) < _ONE_POINT * self.mesh.diagonal:
            return
        self._remember()
        at = self.chosen + 1
        self.points = (*self.points[:at], new, *self.points[at:])
        self.chosen = at

    def begin_move(self) -> None:
        """Remember where the points are: what :meth:`move` does from here on is one step."""
        self._remember()

    def move(self, point: ArrayLike) -> None:
        """Put the chosen point elsewhere."""
        at, new = self.chosen, np.asarray(point, dtype=float)
        self.points = (*self.points[:at], new, *self.points[at + 1 :])

    def remove(self) -> None:
        """Take the chosen point away."""
        if 0 <= self.chosen < len(self.points):
            self._remember()
            at = self.chosen
            self.points = self.points[:at] + self.points[at + 1 :]
            self.chosen = min(at, len(self.points) - 1)

    def drawn(self) -> DrawnGuide:
        """The draft as it is now."""
        curve = self.curve() if len(self.points) > 1 else None
        return DrawnGuide(self.points, self.chosen, curve)

    def curve(self, count: int = _SAMPLES) -> Array:
        """(count, 3) smooth curve through the points.

        A cubic spline whose parameter is the square root of the chords (centripetal), which
        makes no loops between points that stand unevenly.

        Raises
        ------
        RibbonsimError
            If there are fewer than two points.

        References
        ----------
        E. T. Y. Lee, "Choosing nodes in parametric curve interpolation", Computer-Aided Design
        21(6), 1989.
        """
        if len(self.points) < 2:
            raise RibbonsimError("a guide needs two points: click the creature at root and tip")
        points = np.array(self.points)
        chords = np.linalg.norm(np.diff(points, axis=0), axis=1)
        places = np.r_[0.0, np.cumsum(np.sqrt(chords))]
        if len(points) == 2:
            return np.linspace(points[0], points[1], count)
        spline = CubicSpline(places, points, bc_type="natural")
        return np.asarray(spline(np.linspace(0.0, places[-1], count)))


def points_along(ribbon: Ribbon, count: int = 7) -> Array:
    """(count, 3) points of a ribbon's midline, evenly spaced, to begin a draft with."""
    return np.asarray(ribbon.midline(ribbon.place_at(np.linspace(0.0, ribbon.length, count))))


def middle_under(mesh: CreatureMesh, point: ArrayLike) -> Array:
    """The middle of the body under a point of its skin: the centre of the ball that touches there.

    The largest ball inside the solid that touches the skin at the point has its centre on the
    medial axis (H. Blum, 1967). Of a flat sheet, which has no inside, it is the point itself.
    """
    skin = np.asarray(point, dtype=float)
    inside = inside_of(mesh)
    solid = inside.solid
    if solid is None:
        return skin
    own = inside.to_own(skin)
    gaps = np.linalg.norm(solid.centres - own, axis=1) - solid.radii
    touching = np.flatnonzero(gaps <= max(float(gaps.min()), 0.0) + _TOUCHES * solid.cell)
    radii = solid.radii[touching]
    # cells of the middle are alike to within a cell: their mean lies between them
    best = touching[radii >= radii.max() - 0.5 * solid.cell]
    nearest = best[np.argmin(gaps[best])]
    close = np.linalg.norm(solid.centres[best] - solid.centres[nearest], axis=1)
    return inside.to_scene(solid.centres[best[close <= 2.0 * solid.cell]].mean(axis=0))

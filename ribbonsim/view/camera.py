"""Where the camera stands: named views, and the distance at which the subject fits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array
from ribbonsim.curves.up import Up, upright
from ribbonsim.errors import RibbonsimError

VIEW_ANGLE = 26.0
FILL = 0.82


@dataclass(frozen=True)
class View:
    """The side from which a subject is seen.

    Parameters
    ----------
    azimuth : float
        Degrees about the up axis from the front (+Z where Y is up, -Y where Z is) towards
        the right (+X).
    elevation : float
        Degrees above the horizon.
    up : {"y", "z", "x", "-y", "-z", "-x"}
        The axis that points up.
    """

    azimuth: float
    elevation: float
    up: Up = "y"

    @property
    def axes(self) -> Array:
        """(3, 3) rows: to the picture's right, up the picture, towards the camera."""
        a, e = np.radians(self.azimuth), np.radians(self.elevation)
        right = np.array([np.cos(a), 0.0, -np.sin(a)])
        towards = np.array([np.sin(a) * np.cos(e), np.sin(e), np.cos(a) * np.cos(e)])
        return np.stack([right, np.cross(towards, right), towards]) @ upright(self.up)


VIEWS: dict[str, View] = {
    "front": View(0.0, 0.0),
    "side": View(90.0, 0.0),
    "top": View(0.0, 90.0),
    "three_quarter": View(50.0, 18.0),
}


def named_view(name: str, up: Up = "y") -> View:
    """Look up a view."""
    if name not in VIEWS:
        raise RibbonsimError(f"no view is called {name!r}: choose one of {', '.join(VIEWS)}")
    return replace(VIEWS[name], up=up)


@dataclass(frozen=True)
class Insets:
    """Room kept free inside a picture's borders for titles and bars.

    Parameters
    ----------
    left, right, top, bottom : float
        Shares of the picture's width or height.
    """

    left: float = 0.0
    right: float = 0.0
    top: float = 0.0
    bottom: float = 0.0


@dataclass(frozen=True, eq=False)
class Camera:
    """A camera with perspective.

    Parameters
    ----------
    position : (3,) array
    aspect : float
        Width of the picture over its height.
    view_angle : float
        Degrees that the picture's height takes in.
    """

    view: View
    position: Array
    aspect: float
    view_angle: float = VIEW_ANGLE

    @cached_property
    def axes(self) -> Array:
        """(3, 3) rows: right, up, towards the camera."""
        return self.view.axes

    def project(self, points: ArrayLike, size: tuple[int, int]) -> Array:
        """Places of points in a picture."""
        seen = (np.atleast_2d(np.asarray(points, dtype=float)) - self.position) @ self.axes.T
        depth = -seen[:, 2]
        tangent = np.tan(np.radians(self.view_angle) / 2.0)
        safe = np.where(depth > 1e-12, depth, 1e-12)
        x = 0.5 + 0.5 * seen[:, 0] / (safe * tangent * self.aspect)
        y = 0.5 - 0.5 * seen[:, 1] / (safe * tangent)
        return np.stack([x * size[0], y * size[1], depth], axis=1)


def fit_camera(
    points: ArrayLike,
    view: View,
    aspect: float,
    fill: float = FILL,
    insets: Insets | None = None,
    view_angle: float = VIEW_ANGLE,
) -> Camera:
    """Put the camera where points fill the picture and none is cut.

    Each side of the picture is a plane through the camera; the farthest point in its
    direction says where it may stand, so the fit is exact in perspective.
    """
    room = insets or Insets()
    x, y, z = (np.asarray(points, dtype=float) @ view.axes.T).T
    tangent = np.tan(np.radians(view_angle) / 2.0)
    wide = _planes(x, z, tangent * aspect, _free(room.left, room.right, fill))
    high = _planes(y, z, tangent, _free(room.bottom, room.top, fill))
    # a single point has no extent: stand off a little all the same
    least = float(z.max()) + 1e-3 + 1e-3 * float(np.ptp(x) + np.ptp(y))
    away = max(wide[0], high[0], least)
    place = np.array([_middle(wide, away), _middle(high, away), away])
    return Camera(view, place @ view.axes, aspect, view_angle)


def _free(before: float, after: float, fill: float) -> tuple[float, float]:
    """Lower and upper limit on the screen, -1 to 1."""
    low, high = -1.0 + 2.0 * before, 1.0 - 2.0 * after
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    return middle - fill * half, middle + fill * half


def _planes(
    x: Array, z: Array, tangent: float, limits: tuple[float, float]
) -> tuple[float, float, float, float, float]:
    """Least distance for one direction, with what :func:`_middle` needs."""
    low, high = tangent * limits[0], tangent * limits[1]
    upper, lower = float((x + high * z).max()), float((-x - low * z).max())
    return (upper + lower) / (high - low), upper, lower, low, high


def _middle(planes: tuple[float, float, float, float, float], away: float) -> float:
    _, upper, lower, low, high = planes
    return 0.5 * ((upper - high * away) + (-low * away - lower))


def telling_view(guide: ArrayLike, elevation: float = 18.0, up: Up = "y") -> View:
    """Choose the side that shows the most of a body, its tip towards the camera."""
    points = np.asarray(guide, dtype=float)
    size = np.linalg.norm(np.ptp(points, axis=0)) or 1.0
    ahead = points[-1] - points[int(0.85 * (len(points) - 1))]
    ahead = ahead / (np.linalg.norm(ahead) or 1.0)
    best = named_view("three_quarter", up)
    highest = -np.inf
    for azimuth in (
        50.0,
        -50.0,
        30.0,
        -30.0,
        70.0,
        -70.0,
        130.0,
        -130.0,
        110.0,
        -110.0,
        150.0,
        -150.0,
    ):
        view = View(azimuth, elevation, up)
        seen = points @ view.axes.T
        spread = np.sqrt(np.linalg.det(np.cov(seen[:, :2].T) / size**2 + 1e-4 * np.eye(2)))
        length = np.linalg.norm(np.diff(seen[:, :2], axis=0), axis=1).sum() / size
        score = 2.0 * spread + 0.5 * length + 0.25 * float(ahead @ view.axes[2])
        if score > highest + 0.01:
            best, highest = view, score
    return best

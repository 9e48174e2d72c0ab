"""What a ribbon can be made of and asked for; all else is refused."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array
from ribbonsim.checks import check_number
from ribbonsim.curves.splines import DEGREE
from ribbonsim.errors import RibbonsimError


def check_surface(points: Array, knots: Array) -> None:
    """Refuse control points (n, 2, 3) and knots that cannot be a ribbon."""
    if points.ndim != 3 or points.shape[1:] != (2, 3) or len(points) < DEGREE + 1:
        raise RibbonsimError(
            f"ribbon control points have the shape {points.shape}: give (n, 2, 3), n at least 4"
        )
    if knots.shape != (len(points) + DEGREE + 1,):
        raise RibbonsimError(
            f"a ribbon of {len(points)} control points a side has {knots.size} knots: "
            f"give {len(points) + DEGREE + 1}"
        )
    if not np.isfinite(knots).all():
        raise RibbonsimError("the ribbon has a number that is not finite: give finite numbers")
    clamped = (knots[: DEGREE + 1] == 0).all() and (knots[-DEGREE - 1 :] == 1).all()
    inner = knots[DEGREE + 1 : -DEGREE - 1]
    if not clamped or (np.diff(knots) < 0).any() or (inner <= 0).any() or (inner >= 1).any():
        raise RibbonsimError(
            "the ribbon's knots do not rise from 0,0,0,0 to 1,1,1,1: give clamped knots in order"
        )
    if inner.size and np.unique(inner, return_counts=True)[1].max() > DEGREE:
        raise RibbonsimError(f"a knot stands more than {DEGREE} times: give it at most {DEGREE}")
    check_spread(points)


def check_spread(points: Array) -> None:
    """Refuse control points (n, 2, 3) that are not finite, or come to nothing somewhere."""
    if not np.isfinite(points).all():
        raise RibbonsimError("the ribbon has a number that is not finite: give finite numbers")
    middle = points.mean(axis=1)
    size = np.linalg.norm(np.ptp(middle, axis=0))
    if size == 0 or (np.linalg.norm(points[:, 1] - points[:, 0], axis=1) <= 1e-12 * size).any():
        raise RibbonsimError("the ribbon has no length or no width somewhere: spread its points")


def check_width(width: float) -> None:
    """Refuse a width that is not a length."""
    check_number("ribbon width", width, 1e-12, 1e18)


def check_places(values: ArrayLike, name: str) -> Array:
    """Places along or across as an array; refuse one that is not from 0 to 1."""
    places = np.asarray(values, dtype=float)
    if places.size and not (places.min() >= 0.0 and places.max() <= 1.0):
        wrong = places[~((places >= 0.0) & (places <= 1.0))].ravel()[0]
        raise RibbonsimError(f"{name}={wrong:g} is not on the ribbon: give a place from 0 to 1")
    return places


def clean_guide(guide: ArrayLike) -> Array:
    """Points of a guide (n, 3) without repeated neighbours; refuse fewer than two."""
    points = np.asarray(guide, dtype=float)
    if points.ndim != 2 or points.shape[1] != 3:
        raise RibbonsimError(f"the guide has the shape {points.shape}: give points (n, 3)")
    if not np.isfinite(points).all():
        raise RibbonsimError("the guide has a coordinate that is not finite: give finite points")
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    size = np.linalg.norm(np.ptp(points, axis=0)) if len(points) else 0.0
    points = points[np.r_[True, steps > 1e-9 * size]] if len(points) else points
    if len(points) < 2:
        raise RibbonsimError("the guide has fewer than two distinct points: give at least two")
    return points

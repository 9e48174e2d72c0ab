"""The ribbon: a narrow B-spline surface run through a body.

Degree 1 across (``u``) and 3 along (``t``), so its two edges are cubic B-spline curves on
one knot vector and ``S(u, t) = (1 - u) E0(t) + u E1(t)``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline, CubicSpline
from scipy.sparse import csr_array

from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.frames import make_frames, rotation_minimising_across
from ribbonsim.splines import DEGREE, curve_by_arc_length, fit_spline, uniform_knots

Array = NDArray[np.float64]

_SAMPLES_PER_SPAN = 24
_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True, eq=False)
class Ribbon:
    """A B-spline surface, degree 1 across and 3 along.

    Parameters
    ----------
    control_points : (n, 2, 3) array
        Scene units; ``[:, 0]`` and ``[:, 1]`` are the control points of the edge curves.
    knots : (n + 4,) array
        Clamped, from 0 to 1, interior knots of multiplicity at most 3.

    Raises
    ------
    RibbonsimError
        If shapes, knots or numbers cannot be a ribbon.

    References
    ----------
    L. Piegl, W. Tiller, *The NURBS Book*, 2nd ed., Springer 1997, chapters 2, 3 and 5.
    """

    control_points: Array
    knots: Array

    degree = DEGREE

    def __post_init__(self) -> None:
        points = np.array(self.control_points, dtype=float)
        knots = np.array(self.knots, dtype=float)
        _check_surface(points, knots)
        points.flags.writeable = False
        knots.flags.writeable = False
        object.__setattr__(self, "control_points", points)
        object.__setattr__(self, "knots", knots)

    # -- making ---------------------------------------------------------------------------

    @classmethod
    def along(
        cls,
        guide: ArrayLike,
        width: float,
        spans: int = 16,
        roll: float = 0.0,
        up: ArrayLike = (0.0, 1.0, 0.0),
    ) -> Ribbon:
        """Run a ribbon along a guide.

        The parameter ``t`` is proportional to arc length. The ribbon does not turn about
        its midline (rotation-minimising frames); it starts so that it lies as flat as it
        can with respect to ``up``.

        Parameters
        ----------
        guide : (m, 3) array
            Points from root to tip, at least two, scene units.
        width : float
            Distance between the edge curves, scene units.
        spans : int
            Number of knot spans.
        roll : float
            Degrees by which the whole ribbon is turned about its midline.
        up : (3,) array
            The direction that the normal side should face where it can.

        Returns
        -------
        Ribbon

        Raises
        ------
        RibbonsimError
            If the guide has fewer than two distinct points or numbers are unusable.
        """
        points = _clean_guide(guide)
        _check_width(width)
        check_number("roll", roll, -7200.0, 7200.0)
        check_number("spans", spans, 1, 1000, whole=True)
        knots = uniform_knots(int(spans))
        midline = fit_spline(*curve_by_arc_length(points, max(2000, 8 * len(knots))), knots)
        t = np.linspace(0.0, 1.0, max(400, _SAMPLES_PER_SPAN * int(spans)) + 1)
        centres, tangents = midline(t), midline(t, 1)
        tangents = tangents / np.linalg.norm(tangents, axis=1, keepdims=True)
        across = _flattest_across(centres, tangents, np.asarray(up, dtype=float))
        angle = np.radians(roll)
        across = np.cos(angle) * across + np.sin(angle) * np.cross(tangents, across)
        half = fit_spline(t, 0.5 * width * across, knots)
        edges = np.stack([midline.c - half.c, midline.c + half.c], axis=1)
        return cls(edges, knots)

    def insert_knots(self, t: Iterable[float] | float) -> Ribbon:
        """Insert knots; the surface keeps its shape exactly.

        Parameters
        ----------
        t : float or iterable of float
            Places along, above 0 and below 1.

        Returns
        -------
        Ribbon

        Raises
        ------
        RibbonsimError
            If a place is outside, or its knot would stand more than three times.

        References
        ----------
        W. Boehm, "Inserting new knots into B-spline curves", Computer-Aided Design 12(4),
        1980.
        """
        places = np.atleast_1d(np.asarray(t, dtype=float))
        spline = BSpline(self.knots, self.control_points, DEGREE)
        for place in places.ravel():
            if not 0.0 < place < 1.0:
                raise RibbonsimError(
                    f"a knot cannot be inserted at t={place:g}: give a place above 0 and below 1"
                )
            if np.sum(spline.t == place) >= DEGREE:
                raise RibbonsimError(
                    f"the knot at t={place:g} already stands {DEGREE} times: choose another place"
                )
            spline = spline.insert_knot(float(place))
        return Ribbon(spline.c, spline.t)

    def with_spans(self, spans: int) -> Ribbon:
        """Return the ribbon with another number of spans, dense where it was dense.

        The new knots divide the old ones in even shares, so a region that held half of the
        spans holds half of them afterwards. The shape is fitted by least squares.

        Parameters
        ----------
        spans : int

        Returns
        -------
        Ribbon
        """
        check_number("spans", spans, 1, 1000, whole=True)
        if spans == self.spans:
            return self
        breaks = self.breaks
        shares = np.linspace(0.0, len(breaks) - 1.0, int(spans) + 1)
        inner = np.interp(shares, np.arange(len(breaks)), breaks)[1:-1]
        return self.with_knots(np.r_[0.0, inner, 1.0])

    def with_knots(self, breaks: ArrayLike) -> Ribbon:
        """Return the ribbon with its spans divided at chosen places.

        Parameters
        ----------
        breaks : (spans + 1,) array
            Rising places from 0 to 1. The shape is fitted by least squares.

        Returns
        -------
        Ribbon
        """
        places = np.asarray(breaks, dtype=float)
        ends = len(places) >= 2 and places[0] == 0 and places[-1] == 1
        if not ends or not (np.diff(places) > 0).all():
            raise RibbonsimError("spans are divided at rising places: list them from 0 to 1")
        knots = np.r_[np.zeros(DEGREE + 1), places[1:-1], np.ones(DEGREE + 1)]
        t = _spread(np.union1d(self.breaks, places), _SAMPLES_PER_SPAN)
        flat = fit_spline(t, self._spline(t).reshape(len(t), 6), knots).c
        return Ribbon(flat.reshape(-1, 2, 3), knots)

    def with_width(self, width: float) -> Ribbon:
        """Return the ribbon with another mean width, narrow where it was narrow.

        Parameters
        ----------
        width : float
            Mean distance between the edges, scene units.

        Returns
        -------
        Ribbon
        """
        _check_width(width)
        middle = self.control_points.mean(axis=1, keepdims=True)
        factor = width / float(self.width(np.linspace(0.0, 1.0, 101)).mean())
        return Ribbon(middle + factor * (self.control_points - middle), self.knots)

    def rolled(self, degrees: float) -> Ribbon:
        """Return the ribbon turned about its midline.

        Parameters
        ----------
        degrees : float
            By the right-hand rule about the direction along.

        Returns
        -------
        Ribbon
        """
        check_number("roll", degrees, -7200.0, 7200.0)
        t = _spread(self.breaks, _SAMPLES_PER_SPAN)
        edges, along = self._spline(t), self._spline(t, 1).mean(axis=1)
        along = along / np.linalg.norm(along, axis=1, keepdims=True)
        half = 0.5 * (edges[:, 1] - edges[:, 0])
        flat = half - np.sum(half * along, axis=1, keepdims=True) * along
        angle = np.radians(degrees)
        turned = np.cos(angle) * flat + np.sin(angle) * np.cross(along, flat)
        points = fit_spline(t, turned, self.knots).c
        middle = self.midline.c
        return Ribbon(np.stack([middle - points, middle + points], axis=1), self.knots)

    def reversed(self) -> Ribbon:
        """Return the ribbon run from tip to root.

        The normal side stays the normal side, so the edges change places.

        Returns
        -------
        Ribbon
        """
        return Ribbon(self.control_points[::-1, ::-1], 1.0 - self.knots[::-1])

    # -- asking ---------------------------------------------------------------------------

    @cached_property
    def _spline(self) -> BSpline:
        return BSpline(self.knots, self.control_points, DEGREE)

    @cached_property
    def midline(self) -> BSpline:
        """The curve at ``u = 1/2``: a scipy BSpline from ``t`` to (3,) points."""
        return BSpline(self.knots, self.control_points.mean(axis=1), DEGREE)

    @property
    def breaks(self) -> Array:
        """(spans + 1,) the distinct knots, from 0 to 1."""
        return np.unique(self.knots)

    @property
    def spans(self) -> int:
        """Number of knot spans that are not empty."""
        return len(self.breaks) - 1

    @property
    def greville(self) -> Array:
        """(n,) Greville abscissae: the place along that each control point speaks for."""
        n = len(self.control_points)
        return np.array([self.knots[i + 1 : i + 1 + DEGREE].mean() for i in range(n)])

    def basis(self, t: ArrayLike) -> csr_array:
        """Basis functions at ``t``: posing a ribbon is this matrix times control points.

        Parameters
        ----------
        t : (m,) array
            Places along, 0 to 1.

        Returns
        -------
        (m, n) sparse array
            Rows are non-negative and sum to one.
        """
        return BSpline.design_matrix(_check_places(t, "t").ravel(), self.knots, DEGREE)

    def evaluate(self, u: ArrayLike, t: ArrayLike) -> Array:
        """Points of the surface.

        Parameters
        ----------
        u, t : array_like
            Places across and along, 0 to 1; broadcast against each other.

        Returns
        -------
        (..., 3) array
            Scene units.

        Raises
        ------
        RibbonsimError
            If a place is outside 0 to 1 or not a number.
        """
        across, along = np.broadcast_arrays(_check_places(u, "u"), _check_places(t, "t"))
        edges = self._spline(along)
        weight = across[..., None]
        return (1.0 - weight) * edges[..., 0, :] + weight * edges[..., 1, :]

    def derivatives(self, u: ArrayLike, t: ArrayLike, order: int = 1) -> Array:
        """Derivatives of the surface along ``t``.

        Parameters
        ----------
        u, t : array_like
            As in :meth:`evaluate`.
        order : int
            1 or 2.

        Returns
        -------
        (..., 3) array
        """
        check_number("order", order, 1, 2, whole=True)
        across, along = np.broadcast_arrays(_check_places(u, "u"), _check_places(t, "t"))
        edges = self._spline(along, order)
        weight = across[..., None]
        return (1.0 - weight) * edges[..., 0, :] + weight * edges[..., 1, :]

    def frames(self, t: ArrayLike) -> Array:
        """Frames riding the surface on its midline.

        Parameters
        ----------
        t : array_like
            Places along, 0 to 1.

        Returns
        -------
        (..., 4, 4) array
            Columns along (unit tangent of the midline), across (towards the edge
            ``u = 1``), normal (along x across) and origin (scene units).
        """
        places = _check_places(t, "t")
        edges = self._spline(places)
        tangents = self._spline(places, 1).mean(axis=-2)
        return make_frames(tangents, edges[..., 1, :] - edges[..., 0, :], edges.mean(axis=-2))

    def curvature(self, t: ArrayLike) -> Array:
        """Curvature of the midline, 1 over scene units.

        Parameters
        ----------
        t : array_like

        Returns
        -------
        (...) array
        """
        places = _check_places(t, "t")
        first, second = self.midline(places, 1), self.midline(places, 2)
        speed = np.linalg.norm(first, axis=-1)
        return np.linalg.norm(np.cross(first, second), axis=-1) / speed**3

    def width(self, t: ArrayLike) -> Array:
        """Distance between the edges, scene units.

        Parameters
        ----------
        t : array_like

        Returns
        -------
        (...) array
        """
        edges = self._spline(_check_places(t, "t"))
        return np.linalg.norm(edges[..., 1, :] - edges[..., 0, :], axis=-1)

    # -- arc length -----------------------------------------------------------------------

    @cached_property
    def _length_table(self) -> tuple[Array, Array]:
        t = _spread(self.breaks, _SAMPLES_PER_SPAN)
        half = 0.5 * np.diff(t)[:, None]
        nodes = t[:-1, None] + half * (1.0 + _GAUSS_NODES)
        speed = np.linalg.norm(self.midline(nodes, 1), axis=-1)
        steps = np.sum(half * _GAUSS_WEIGHTS * speed, axis=1)
        return t, np.r_[0.0, np.cumsum(steps)]

    @cached_property
    def _place_of_length(self) -> CubicSpline:
        t, s = self._length_table
        return CubicSpline(s, t)

    @property
    def length(self) -> float:
        """Arc length of the midline, scene units."""
        return float(self._length_table[1][-1])

    def arc_length(self, t: ArrayLike) -> Array:
        """Arc length of the midline from the root end to ``t``.

        Parameters
        ----------
        t : array_like
            Places along, 0 to 1.

        Returns
        -------
        (...) array
            Scene units.
        """
        places = _check_places(t, "t")
        table_t, table_s = self._length_table
        index = np.clip(np.searchsorted(table_t, places, side="right") - 1, 0, len(table_t) - 2)
        half = 0.5 * (places - table_t[index])[..., None]
        nodes = table_t[index][..., None] + half * (1.0 + _GAUSS_NODES)
        speed = np.linalg.norm(self.midline(nodes, 1), axis=-1)
        return table_s[index] + np.sum(half * _GAUSS_WEIGHTS * speed, axis=-1)

    def place_at(self, s: ArrayLike) -> Array:
        """Place ``t`` at an arc length: the inverse of :meth:`arc_length`.

        Parameters
        ----------
        s : array_like
            Scene units; held to 0..length.

        Returns
        -------
        (...) array
        """
        lengths = np.clip(np.asarray(s, dtype=float), 0.0, self.length)
        t = np.clip(self._place_of_length(lengths), 0.0, 1.0)
        for _ in range(2):
            speed = np.linalg.norm(self.midline(t, 1), axis=-1)
            t = np.clip(t - (self.arc_length(t) - lengths) / speed, 0.0, 1.0)
        return t


def _check_surface(points: Array, knots: Array) -> None:
    if points.ndim != 3 or points.shape[1:] != (2, 3) or len(points) < DEGREE + 1:
        raise RibbonsimError(
            f"ribbon control points have the shape {points.shape}: give (n, 2, 3), n at least 4"
        )
    if knots.shape != (len(points) + DEGREE + 1,):
        raise RibbonsimError(
            f"a ribbon of {len(points)} control points a side has {knots.size} knots: "
            f"give {len(points) + DEGREE + 1}"
        )
    if not (np.isfinite(points).all() and np.isfinite(knots).all()):
        raise RibbonsimError("the ribbon has a number that is not finite: give finite numbers")
    clamped = (knots[: DEGREE + 1] == 0).all() and (knots[-DEGREE - 1 :] == 1).all()
    inner = knots[DEGREE + 1 : -DEGREE - 1]
    if not clamped or (np.diff(knots) < 0).any() or (inner <= 0).any() or (inner >= 1).any():
        raise RibbonsimError(
            "the ribbon's knots do not rise from 0,0,0,0 to 1,1,1,1: give clamped knots in order"
        )
    if inner.size and np.unique(inner, return_counts=True)[1].max() > DEGREE:
        raise RibbonsimError(f"a knot stands more than {DEGREE} times: give it at most {DEGREE}")
    middle = points.mean(axis=1)
    size = np.linalg.norm(np.ptp(middle, axis=0))
    if size == 0 or (np.linalg.norm(points[:, 1] - points[:, 0], axis=1) <= 1e-12 * size).any():
        raise RibbonsimError("the ribbon has no length or no width somewhere: spread its points")


def _check_width(width: float) -> None:
    check_number("ribbon width", width, 1e-12, 1e18)


def _check_places(values: ArrayLike, name: str) -> Array:
    places = np.asarray(values, dtype=float)
    if places.size and not (places.min() >= 0.0 and places.max() <= 1.0):
        wrong = places[~((places >= 0.0) & (places <= 1.0))].ravel()[0]
        raise RibbonsimError(f"{name}={wrong:g} is not on the ribbon: give a place from 0 to 1")
    return places


def _clean_guide(guide: ArrayLike) -> Array:
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


def _spread(breaks: Array, samples: int) -> Array:
    inside = np.arange(samples) / samples
    return np.r_[(breaks[:-1, None] + np.diff(breaks)[:, None] * inside).ravel(), breaks[-1]]


def _flattest_across(points: Array, tangents: Array, up: Array) -> Array:
    """Rotation-minimising directions across, turned as a whole to lie as level as they can.

    With ``a`` and ``b`` two carried directions, ``cos(x) a + sin(x) b`` is most level for the
    ``x`` that minimises its mean squared height: the small eigenvector of a 2x2 matrix.
    """
    size = np.linalg.norm(up)
    if not np.isfinite(up).all() or size == 0:
        raise RibbonsimError("the up direction is not a direction: give three numbers, not all 0")
    up = up / size
    helper = np.eye(3)[np.argmin(np.abs(tangents[0]))]
    a = rotation_minimising_across(points, tangents, np.cross(tangents[0], helper))
    b = np.cross(tangents, a)
    heights = np.stack([a @ up, b @ up], axis=1)
    values, vectors = np.linalg.eigh(heights.T @ heights / len(heights))
    if values[1] - values[0] > 1e-6:
        x, y = vectors[:, 0]
    else:  # a vertical body: every direction across is level, so face the first axis
        axis = np.array([1.0, 0.0, 0.0]) if abs(up[0]) < 0.9 else np.array([0.0, 0.0, 1.0])
        x, y = a[0] @ axis, b[0] @ axis
        size = np.hypot(x, y)
        x, y = x / size, y / size
        return x * a + y * b
    across = x * a + y * b
    return across if np.mean(np.cross(tangents, across) @ up) >= 0 else -across

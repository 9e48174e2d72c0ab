"""The ribbon: a narrow B-spline surface run through a body.

Degree 1 across (``u``) and 3 along (``t``), so its two edges are cubic B-spline curves on
one knot vector and ``S(u, t) = (1 - u) E0(t) + u E1(t)``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import BSpline
from scipy.sparse import csr_array

from ribbonsim.arrays import Array
from ribbonsim.checks import check_number
from ribbonsim.curves.along import edges_along, turned_about
from ribbonsim.curves.arc_length import SAMPLES_PER_SPAN, ArcLength, samples_between
from ribbonsim.curves.frames import invert_rigid, make_frames, rigid_log
from ribbonsim.curves.ribbon_checks import (
    check_places,
    check_spread,
    check_surface,
    check_width,
    clean_guide,
)
from ribbonsim.curves.splines import DEGREE, fit_spline, uniform_knots
from ribbonsim.errors import RibbonsimError


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
        check_surface(points, knots)
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
        points = clean_guide(guide)
        check_width(width)
        check_number("roll", roll, -7200.0, 7200.0)
        check_number("spans", spans, 1, 1000, whole=True)
        knots = uniform_knots(int(spans))
        return cls(edges_along(points, width, knots, roll, np.asarray(up, dtype=float)), knots)

    def moved(self, control_points: ArrayLike) -> Ribbon:
        """The same ribbon through other control points.

        Parameters
        ----------
        control_points : (n, 2, 3) array
            As many as it has.

        Returns
        -------
        Ribbon

        Raises
        ------
        RibbonsimError
            If they are not finite, or come to nothing somewhere.
        """
        points = np.array(control_points, dtype=float)
        check_spread(points)
        points.flags.writeable = False
        there = object.__new__(Ribbon)  # the knots are checked already
        object.__setattr__(there, "control_points", points)
        object.__setattr__(there, "knots", self.knots)
        return there

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
        t = samples_between(np.union1d(self.breaks, places), SAMPLES_PER_SPAN)
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
        check_width(width)
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
        t = samples_between(self.breaks, SAMPLES_PER_SPAN)
        edges, along = self._spline(t), self._spline(t, 1).mean(axis=1)
        along = along / np.linalg.norm(along, axis=1, keepdims=True)
        half = 0.5 * (edges[:, 1] - edges[:, 0])
        flat = half - np.sum(half * along, axis=1, keepdims=True) * along
        points = fit_spline(t, turned_about(along, flat, degrees), self.knots).c
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
        return np.mean([self.knots[k : k + n] for k in range(1, DEGREE + 1)], axis=0)

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
        return BSpline.design_matrix(check_places(t, "t").ravel(), self.knots, DEGREE)

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
        across, along = np.broadcast_arrays(check_places(u, "u"), check_places(t, "t"))
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
        across, along = np.broadcast_arrays(check_places(u, "u"), check_places(t, "t"))
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
        places = check_places(t, "t")
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
        places = check_places(t, "t")
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
        edges = self._spline(check_places(t, "t"))
        return np.linalg.norm(edges[..., 1, :] - edges[..., 0, :], axis=-1)

    # -- arc length -----------------------------------------------------------------------

    @cached_property
    def _arc(self) -> ArcLength:
        return ArcLength(self.midline, self.breaks)

    @cached_property
    def _even_steps(self) -> dict[int, tuple[Array, Array, Array]]:
        return {}

    def even_steps(self, count: int) -> tuple[Array, Array, Array]:
        """The ribbon as a chain of screw steps of one length; worked out once for each count.

        Parameters
        ----------
        count : int

        Returns
        -------
        lengths : (count + 1,) array
            Arc lengths of the steps' ends.
        frames : (count + 1, 4, 4) array
        screws : (count, 6) array
            From each frame to the next, in the first of the two.
        """
        known = self._even_steps
        if count not in known:
            lengths = np.linspace(0.0, self.length, count + 1)
            frames = self.frames(self.place_at(lengths))
            screws = rigid_log(invert_rigid(frames[:-1]) @ frames[1:])
            known[count] = lengths, frames, screws
        return known[count]

    @property
    def length(self) -> float:
        """Arc length of the midline, scene units."""
        return self._arc.whole

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
        return self._arc.up_to(check_places(t, "t"))

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
        check_places(lengths / self.length, "s over length")
        return self._arc.place_at(lengths)

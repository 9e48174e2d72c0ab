"""Shares: how much of what a control does has been done at each place along the ribbon.

A piece lies between two neighbouring controls. What is added over it is spread by a kernel: the
share of a piece is the integral of the kernel convolved with the piece's box, folded back at
the first and at the last control, so it rises from 0 to 1. Places are counted in pieces, by the
order coordinate that makes evenly added bends an even bend.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.special import erf

from ribbonsim.arrays import Array
from ribbonsim.layout.falloff import DEFAULT_EXPONENT

Integral = Callable[[Array], Array]

# a kernel narrower than so many pieces is none: what is added stays inside its piece
_NARROW = 1e-6
_TABLE, _NEWTON = 64, 6
# a step of so few pieces is Newton's last: the next would be its square
_LAST = 1e-8


@dataclass(frozen=True, eq=False)
class Shares:
    """Share functions of the pieces between the controls of one ribbon.

    Parameters
    ----------
    lengths : (K,) array
        Rising arc lengths of the controls at rest, scene units.
    reaches : (K,) array
        Of the controls; a piece takes the mean of its two ends'. Up to 1 nothing is spread
        beyond the piece.
    falloff : str
        One of :data:`ribbonsim.layout.falloff.KERNELS`.
    exponent : float
        Used by ``inverse_distance`` alone.
    """

    lengths: Array
    reaches: Array
    falloff: str = "wendland_c2"
    exponent: float = DEFAULT_EXPONENT

    @property
    def count(self) -> int:
        """Number of pieces."""
        return len(self.lengths) - 1

    @cached_property
    def _widths(self) -> Array:
        """(n,) how far the kernel of each piece reaches, in pieces."""
        reach = np.asarray(self.reaches, dtype=float)
        return np.maximum(0.5 * (reach[1:] + reach[:-1]) - 1.0, 0.0)

    @cached_property
    def _integrals(self) -> tuple[Integral, Integral]:
        wide = self._widths[self._widths > _NARROW]
        farthest = 2.0 * (self.count + 1) / wide.min() if len(wide) else 1.0
        return _INTEGRALS[self.falloff](self.exponent, farthest)

    def _box_integral(self, order: Array, i: int) -> Array:
        """The integral, up to a factor, of the kernel convolved with the box of piece i."""
        width = self._widths[i]
        if width <= _NARROW:
            return np.clip(order - i, 0.0, 1.0)
        twice = self._integrals[1]
        return twice(np.abs(order - i) / width) - twice(np.abs(order - i - 1.0) / width)

    def _box(self, order: Array, i: int) -> Array:
        """Its slope."""
        width = self._widths[i]
        if width <= _NARROW:
            return ((order >= i) & (order < i + 1.0)).astype(float)
        once = self._integrals[0]
        start, end = (order - i) / width, (order - i - 1.0) / width
        return (np.sign(start) * once(np.abs(start)) - np.sign(end) * once(np.abs(end))) / width

    @cached_property
    def _whole(self) -> Array:
        """(n,) what each piece's kernel adds up to between the two ends."""
        ends = np.array([2.0 * self.count, -self.count])
        whole = [np.subtract(*self._box_integral(ends, i)) for i in range(self.count)]
        return np.array(whole)

    def values(self, order: ArrayLike) -> Array:
        """Shares at order coordinates.

        Parameters
        ----------
        order : (m,) array
            0 at the first control, 1 at the second; held to the first and the last.

        Returns
        -------
        (m, n) array
            Each column rises from 0 to 1.
        """
        n = self.count
        o = np.clip(np.asarray(order, dtype=float), 0.0, n)
        table = np.empty((len(o), n))
        for i in range(n):
            # folded: what would be spread beyond an end comes back from it
            places = np.stack([o, -o, np.full_like(o, 2.0 * n), 2.0 * n - o])
            inside, before, far, after = self._box_integral(places, i)
            table[:, i] = (inside - before + far - after) / self._whole[i]
        return np.clip(table, 0.0, 1.0)

    def slopes(self, order: ArrayLike) -> Array:
        """Derivatives of :meth:`values` by the order coordinate.

        Parameters
        ----------
        order : (m,) array

        Returns
        -------
        (m, n) array
            0 or more.
        """
        n = self.count
        o = np.clip(np.asarray(order, dtype=float), 0.0, n)
        table = np.empty((len(o), n))
        for i in range(n):
            if self._widths[i] <= _NARROW:  # at the last control the piece before it counts
                table[:, i] = (o >= i) & ((o < i + 1.0) | ((o >= n) & (i == n - 1)))
                continue
            folded = self._box(o, i) + self._box(-o, i) + self._box(2.0 * n - o, i)
            table[:, i] = folded / self._whole[i]
        return np.maximum(table, 0.0)

    @cached_property
    def gaps(self) -> Array:
        """(n,) arc length of each piece at rest."""
        return np.diff(self.lengths)

    def order(self, lengths: ArrayLike) -> Array:
        """Order coordinates of places: the inverse of the shares' own length.

        Pieces that bend by as much as they are long then make an even bend, however unevenly
        the controls stand.

        Parameters
        ----------
        lengths : (m,) array
            Arc lengths at rest, scene units; held to the first and the last control.

        Returns
        -------
        (m,) array
        """
        n = self.count
        if not n:
            return np.zeros(np.shape(lengths))
        inside = np.clip(np.asarray(lengths, dtype=float), self.lengths[0], self.lengths[-1])
        wanted = inside - self.lengths[0]
        table = np.linspace(0.0, n, _TABLE * n + 1)
        known = self.values(table) @ self.gaps
        index = np.clip(np.searchsorted(known, wanted, side="right") - 1, 0, len(table) - 2)
        low, high = table[index], table[index + 1]
        found = np.clip(np.interp(wanted, known, table), low, high)
        for _ in range(_NEWTON):
            rise = np.maximum(self.slopes(found) @ self.gaps, 1e-300)
            before = found
            found = np.clip(found - (self.values(found) @ self.gaps - wanted) / rise, low, high)
            if np.abs(found - before).max(initial=0.0) <= _LAST:
                break
        return found

    def slopes_along(self, lengths: ArrayLike, order: Array | None = None) -> Array:
        """Derivatives of the shares by rest arc length.

        Parameters
        ----------
        lengths : (m,) array
            Arc lengths at rest; beyond the first and the last control nothing rises.
        order : (m,) array, optional
            Their order coordinates, where these are known.

        Returns
        -------
        (m, n) array
        """
        places = np.asarray(lengths, dtype=float)
        slopes = self.slopes(self.order(places) if order is None else order)
        between = (places >= self.lengths[0]) & (places <= self.lengths[-1])
        rise = np.maximum(slopes @ self.gaps, 1e-300)
        return slopes * (between / rise)[:, None]


def control_shares(shares: Array) -> Array:
    """Weights of controls whose values go over into each other as shares rise.

    Parameters
    ----------
    shares : (..., n) array

    Returns
    -------
    (..., n + 1) array
        Rows sum to one.
    """
    weights = np.empty((*shares.shape[:-1], shares.shape[-1] + 1))
    weights[..., 0], weights[..., 1:] = 1.0, shares
    weights[..., :-1] -= shares
    return weights


def between_neighbours(order: Array, count: int) -> Array:
    """Weights of controls that hold at each control its own value whole.

    Parameters
    ----------
    order : (m,) array
    count : int
        Number of controls.

    Returns
    -------
    (m, count) array
        Rows sum to one, at most two entries above zero.
    """
    r = np.minimum(np.abs(order[:, None] - np.arange(count)), 1.0)
    square = (1.0 - r) ** 2
    weights = square * square * (4.0 * r + 1.0)
    return weights / weights.sum(axis=1, keepdims=True)


def _wendland(exponent: float, farthest: float) -> tuple[Integral, Integral]:
    def once(x: Array) -> Array:
        u = 1.0 - np.minimum(x, 1.0)
        square = u * u  # high powers in one step take ten times as long
        return 1.0 / 3.0 - square * square * (u - 2.0 / 3.0 * square)

    def twice(x: Array) -> Array:
        u = 1.0 - np.minimum(x, 1.0)
        sixth = (u * u) * (u * u) * (u * u)
        return x / 3.0 - (1.0 - sixth) / 6.0 + 2.0 * (1.0 - sixth * u) / 21.0

    return once, twice


def _linear(exponent: float, farthest: float) -> tuple[Integral, Integral]:
    def once(x: Array) -> Array:
        c = np.minimum(x, 1.0)
        return c - 0.5 * c * c

    def twice(x: Array) -> Array:
        c = np.minimum(x, 1.0)
        return c * c * (0.5 - c / 6.0) + 0.5 * np.maximum(x - 1.0, 0.0)

    return once, twice


def _gaussian(exponent: float, farthest: float) -> tuple[Integral, Integral]:
    half = np.sqrt(np.pi / 4.5) / 2.0

    def once(x: Array) -> Array:
        return half * erf(np.sqrt(4.5) * x)

    def twice(x: Array) -> Array:
        return x * once(x) + np.expm1(-4.5 * x * x) / 9.0

    return once, twice


def _inverse_distance(exponent: float, farthest: float) -> tuple[Integral, Integral]:
    """Of ``(1 + x^2)^(-p/2)``: as inverse distance far away, and finite at 0."""
    x = np.sinh(np.linspace(0.0, np.arcsinh(farthest + 1.0), 4001))
    kernel = CubicSpline(x, (1.0 + x * x) ** (-0.5 * exponent))
    return kernel.antiderivative(1), kernel.antiderivative(2)


_INTEGRALS: dict[str, Callable[[float, float], tuple[Integral, Integral]]] = {
    "wendland_c2": _wendland,
    "gaussian": _gaussian,
    "inverse_distance": _inverse_distance,
    "linear": _linear,
}

"""Measures of a posed skin against its rest: stretch, area, girth and volume.

:class:`Gauge` arranges the rest once; each pose then costs a few passes over the triangles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig

Array = NDArray[np.float64]
Floats = NDArray[np.floating]
Ints = NDArray[np.int64]


def triangle_stretch(rest: ArrayLike, posed: ArrayLike, triangles: Ints) -> Array:
    """Stretches of triangles: the singular values of their deformation gradients.

    Parameters
    ----------
    rest, posed : (V, 3) array
        Scene units.
    triangles : (T, 3) int array

    Returns
    -------
    (T, 2) array
        The larger and the smaller factor; 1 where nothing changed. A triangle without area
        at rest counts as unchanged.

    References
    ----------
    J. Bonet, R. Wood, *Nonlinear Continuum Mechanics for Finite Element Analysis*, 2nd ed.,
    Cambridge 2008, chapter 4.
    """
    return StretchGauge(np.asarray(rest, dtype=float), triangles).stretch(np.asarray(posed))


class StretchGauge:
    """Rest triangles, arranged so that stretches of many poses are cheap.

    Parameters
    ----------
    rest : (V, 3) array
        Scene units.
    triangles : (T, 3) int array
    """

    def __init__(self, rest: Array, triangles: Ints) -> None:
        self.triangles = triangles
        a, b, c = (rest[triangles[:, k]] for k in range(3))
        one, two = b - a, c - a
        length = np.linalg.norm(one, axis=1)
        double_area = np.linalg.norm(np.cross(one, two), axis=1)
        longest = np.maximum(length, np.linalg.norm(two, axis=1))
        self.flat = double_area <= 1e-12 * np.maximum(longest, 1e-300) ** 2
        safe_length = np.where(self.flat, 1.0, length)
        safe_area = np.where(self.flat, 1.0, double_area)
        # the triangle in its own plane is (length, 0), (lean, height); this is its inverse
        lean = np.sum(one * two, axis=1) / safe_length
        height = safe_area / safe_length
        self._first = 1.0 / safe_length
        self._mixed = -lean / (safe_length * height)
        self._second = 1.0 / height
        self.areas = 0.5 * double_area
        self._inverse_area = np.where(self.flat, 0.0, 1.0 / safe_area)

    def stretch(self, posed: Floats) -> Array:
        """Stretches of each triangle.

        Parameters
        ----------
        posed : (V, 3) array

        Returns
        -------
        (T, 2) array
            The larger and the smaller factor.
        """
        corners = [[posed[:, axis][self.triangles[:, k]] for axis in range(3)] for k in range(3)]
        one = [b - a for a, b in zip(corners[0], corners[1], strict=True)]
        two = [c - a for a, c in zip(corners[0], corners[2], strict=True)]
        along = [self._first * x for x in one]
        across = [self._mixed * x + self._second * y for x, y in zip(one, two, strict=True)]
        a = sum(x * x for x in along)
        b = sum(x * y for x, y in zip(along, across, strict=True))
        c = sum(y * y for y in across)
        large = np.sqrt(0.5 * (a + c) + np.sqrt(0.25 * (a - c) ** 2 + b * b))
        # the small one as area over the large: the difference of squares would lose digits
        normal = [
            one[1] * two[2] - one[2] * two[1],
            one[2] * two[0] - one[0] * two[2],
            one[0] * two[1] - one[1] * two[0],
        ]
        area = np.sqrt(sum(x * x for x in normal)) * self._inverse_area
        small = area / np.maximum(large, 1e-30)
        large, small = np.where(self.flat, 1.0, large), np.where(self.flat, 1.0, small)
        return np.stack([large, small], axis=1)


def enclosed_volume(positions: Floats, triangles: Ints) -> float:
    """Signed volume inside a closed surface, by the divergence theorem.

    Parameters
    ----------
    positions : (V, 3) array
        Scene units.
    triangles : (T, 3) int array
        Turned outwards.

    Returns
    -------
    float
        Cubic scene units.
    """
    about = positions.mean(axis=0)
    a, b, c = (positions[triangles[:, k]] - about for k in range(3))
    return float(np.sum(a * np.cross(b, c), dtype=np.float64)) / 6.0


@dataclass(frozen=True, eq=False)
class Measures:
    """What a posed skin measures.

    Parameters
    ----------
    stretch : (T, 2) array
        Larger and smaller stretch of each triangle.
    girth : (N,) array
        Girth at each station, posed over rest.
    volumes : (N,) array
        Volume of a slice at each station, posed over rest: girth squared times stretch.
    volume : float
        Posed over rest.
    """

    stretch: Array
    girth: Array
    volumes: Array
    volume: float


class Gauge:
    """A rig's rest, arranged for measuring poses.

    Parameters
    ----------
    rig : Rig
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._stretch = StretchGauge(rig.mesh.positions, rig.mesh.triangles)
        self._volume = enclosed_volume(rig.mesh.positions, rig.mesh.triangles)

    def measure(self, positions: Floats, ribbon: Ribbon) -> Measures:
        """Measure a posed skin.

        Parameters
        ----------
        positions : (V, 3) array
            Posed, scene units.
        ribbon : Ribbon
            Posed.

        Returns
        -------
        Measures
        """
        girth = self._radii(positions, ribbon) / self._rest_radii
        volume = enclosed_volume(positions, self.rig.mesh.triangles)
        change = volume / self._volume if self._volume else 1.0
        stations = self.rig.layout.stations
        rest = self.rig.layout.ribbon.midline(stations, 1)
        along = np.linalg.norm(ribbon.midline(stations, 1), axis=1) / np.linalg.norm(rest, axis=1)
        return Measures(self._stretch.stretch(positions), girth, girth**2 * along, change)

    def over_vertices(self, values: ArrayLike) -> Array:
        """Spread a value of triangles over their vertices, weighted by area.

        Parameters
        ----------
        values : (T,) array

        Returns
        -------
        (V,) array
        """
        return self._spreading @ np.asarray(values, dtype=float)

    def along_body(self, values: ArrayLike) -> Array:
        """Spread a value of stations over the vertices by their places along the body.

        Parameters
        ----------
        values : (N,) array

        Returns
        -------
        (V,) array
        """
        layout = self.rig.layout
        lengths = layout.ribbon.arc_length(layout.stations)
        return np.interp(self.rig.places, lengths, np.asarray(values, dtype=float))

    @cached_property
    def _spreading(self) -> csr_array:
        triangles, areas = self.rig.mesh.triangles, self._stretch.areas
        rows, columns = triangles.T.ravel(), np.tile(np.arange(len(triangles)), 3)
        table = csr_array(
            (np.tile(np.maximum(areas, 1e-300), 3), (rows, columns)),
            shape=(len(self.rig.mesh.positions), len(triangles)),
        )
        total = np.asarray(table.sum(axis=1)).ravel()
        table.data /= np.repeat(np.where(total > 0, total, 1.0), np.diff(table.indptr))
        return table

    @cached_property
    def _stands(self) -> tuple[Ints, Array, csr_array]:
        """Each vertex's place ``t``'s basis row is too dear a pose; stations around it serve."""
        rig, layout = self.rig, self.rig.layout
        lengths = layout.ribbon.arc_length(layout.stations)
        last = len(lengths) - 2
        lower = np.clip(np.searchsorted(lengths, rig.places, side="right") - 1, 0, last)
        share = (rig.places - lengths[lower]) / (lengths[lower + 1] - lengths[lower])
        share = np.clip(share, 0.0, 1.0)
        areas = np.bincount(
            rig.mesh.triangles.ravel(),
            np.repeat(self._stretch.areas / 3.0, 3),
            minlength=len(rig.places),
        )
        index = np.arange(len(rig.places))
        counts = csr_array(
            (
                np.r_[areas * (1.0 - share), areas * share],
                (np.r_[lower, lower + 1], np.r_[index, index]),
            ),
            shape=(len(lengths), len(index)),
        )
        total = np.maximum(np.asarray(counts.sum(axis=1)).ravel(), 1e-300)
        counts.data /= np.repeat(total, np.diff(counts.indptr))
        return lower, share, counts

    def _radii(self, positions: Floats, ribbon: Ribbon) -> Array:
        """Root mean square distance from the midline, around each station."""
        lower, share, counts = self._stands
        frames = ribbon.frames(self.rig.layout.stations)
        origins, along = frames[:, :3, 3], frames[:, :3, 0]
        squares = np.zeros(len(lower))
        for stand, weight in ((lower, 1.0 - share), (lower + 1, share)):
            step = positions - origins[stand]
            depth = np.einsum("vi,vi->v", step, along[stand])
            squares += weight * (np.einsum("vi,vi->v", step, step) - depth**2)
        return np.sqrt(np.maximum(counts @ squares, 1e-300))

    @cached_property
    def _rest_radii(self) -> Array:
        return self._radii(self.rig.mesh.positions, self.rig.layout.ribbon)

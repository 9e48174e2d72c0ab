"""Girth along a ribbon: how thick the skin is about it, station by station."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from ribbonsim.layout import Layout
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]
Floats = NDArray[np.floating]
Ints = NDArray[np.int64]

# a vertex is measured from the nearest of so many places to each gap between stations
SECTIONS = 8


class GirthGauge:
    """The skin about one ribbon at rest, arranged for measuring its girth in poses.

    Parameters
    ----------
    layout : Layout
        Of the ribbon.
    rest : (m, 3) array
        Vertices of its skin, scene units.
    places : (m,) array
        Arc length along the ribbon of each.
    areas : (m,) array
        What each vertex counts.
    """

    def __init__(self, layout: Layout, rest: Floats, places: Array, areas: Array) -> None:
        lengths = layout.ribbon.arc_length(layout.stations)
        known = np.arange(len(lengths))
        fine = np.linspace(0.0, len(lengths) - 1.0, SECTIONS * (len(lengths) - 1) + 1)
        nearest = np.rint(SECTIONS * np.interp(places, lengths, known))
        self._nearest = nearest.astype(np.intp)
        self._places = layout.ribbon.place_at(np.interp(fine, known, lengths))
        self._shares = _station_shares(lengths, places, areas)
        self._rest_radii = self._radii(rest, self.frames(layout.ribbon))

    def frames(self, ribbon: Ribbon) -> Array:
        """Frames at the sections; every :data:`SECTIONS`-th is at a station.

        Parameters
        ----------
        ribbon : Ribbon

        Returns
        -------
        (q, 4, 4) array
        """
        return ribbon.frames(self._places)

    def girth(self, positions: Floats, frames: Array) -> Array:
        """Girth at each station, posed over rest.

        Parameters
        ----------
        positions : (m, 3) array
            Posed, scene units.
        frames : (q, 4, 4) array
            Of the posed ribbon, from :meth:`frames`.

        Returns
        -------
        (N,) array
        """
        return self._radii(positions, frames) / self._rest_radii

    def _radii(self, positions: Floats, frames: Array) -> Array:
        """Root mean square distance from the midline, around each station.

        Of a vertex's distance only the part across the ribbon counts, so a skin that leans
        along it is not thicker for it.
        """
        nearest, kind = self._nearest, positions.dtype
        origins = np.take(frames[:, :3, 3].T.astype(kind), nearest, axis=1)
        along = np.take(frames[:, :3, 0].T.astype(kind), nearest, axis=1)
        step = np.subtract(positions.T, origins, out=origins)
        depth = np.einsum("iv,iv->v", step, along)
        squares = np.einsum("iv,iv->v", step, step) - depth * depth
        return np.sqrt(np.maximum(self._shares @ squares, 1e-300))


def _station_shares(lengths: Array, places: Array, areas: Array) -> csr_array:
    """(N, m) what each vertex counts for the girth at each station; rows sum to one."""
    last = len(lengths) - 2
    lower = np.clip(np.searchsorted(lengths, places, side="right") - 1, 0, last)
    share = (places - lengths[lower]) / (lengths[lower + 1] - lengths[lower])
    share = np.clip(share, 0.0, 1.0)
    index = np.arange(len(places))
    counts = csr_array(
        (
            np.r_[areas * (1.0 - share), areas * share],
            (np.r_[lower, lower + 1], np.r_[index, index]),
        ),
        shape=(len(lengths), len(index)),
    )
    total = np.maximum(np.asarray(counts.sum(axis=1)).ravel(), 1e-300)
    counts.data /= np.repeat(total, np.diff(counts.indptr))
    return counts

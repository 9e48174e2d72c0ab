"""Stations: sections between controls, dense where the poses bend sharply."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.errors import RibbonsimError
from ribbonsim.placing.line import Line

# what a stretch of body gets that no pose bends, where the sharpest bend gets 1
_LEAST = 0.1


def place_stations(
    lines: Sequence[Line], controls: Sequence[float] | Array, count: int
) -> tuple[Array, list[int]]:
    """Place stations so that each control has one, and the rest are dense where it bends.

    Parameters
    ----------
    lines : sequence of Line
        Of ribbons that are laid out alike.
    controls : (K,) sequence of float
        Rising places, shares of the length.
    count : int
        Stations in all, those at the controls and at both ends among them.

    Returns
    -------
    stations : (count,) array
        Shares of the length.
    numbers : list of int
        The controls' stations, from 1.

    Raises
    ------
    RibbonsimError
        If there are too few stations for the controls and the ends.
    """
    ends = np.unique(np.r_[0.0, np.asarray(controls, dtype=float), 1.0])
    if count < len(ends):
        raise RibbonsimError(
            f"{count} stations are too few for {len(controls)} controls and both ends: "
            f"give {len(ends)} or more"
        )
    line = lines[0]
    sharpest = np.max([one.sharpest for one in lines], axis=0)
    density = np.sqrt(sharpest) + _LEAST
    mass = np.r_[0.0, np.cumsum(density * np.diff(line.lengths))]
    at_ends = np.interp(ends, line.lengths, mass)
    pieces = _shared_out(np.diff(at_ends), count - 1)
    told = [
        np.linspace(low, high, pieces_here + 1)[:-1]
        for low, high, pieces_here in zip(at_ends[:-1], at_ends[1:], pieces, strict=True)
    ]
    stations = np.asarray(np.interp(np.r_[np.concatenate(told), mass[-1]], mass, line.lengths))
    starts = np.r_[0, np.cumsum(pieces)]
    stations[starts] = ends
    numbers = [int(starts[np.argmin(np.abs(ends - place))]) + 1 for place in controls]
    return stations, numbers


def _shared_out(sizes: Array, count: int) -> list[int]:
    """Whole numbers, at least 1 each, that share out a count by size.

    Each more goes where a piece is largest: the method of highest averages.
    """
    pieces = np.ones(len(sizes), dtype=int)
    for _ in range(count - len(sizes)):
        pieces[int(np.argmax(sizes / pieces))] += 1
    return [int(number) for number in pieces]

"""The numbers beside the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ribbonsim.bendcheck.measures import Measures


@dataclass(frozen=True)
class Readout:
    """The numbers beside the picture.

    Parameters
    ----------
    stretch : float
        The largest stretch of a triangle.
    girth : float
        The lowest girth at a station, posed over rest.
    station : int
        Number of the station where it is.
    volume : float
        Posed over rest.
    seconds : float
        What one update took: pose, picture and numbers.
    moment : str
        Of a motion that plays: which one the numbers are of.
    """

    stretch: float
    girth: float
    station: int
    volume: float
    seconds: float
    moment: str = ""

    @classmethod
    def of(cls, measures: Measures, seconds: float = 0.0, moment: str = "") -> Readout:
        """The numbers of a measured pose, and what the update took."""
        return cls(
            stretch=float(measures.stretch[:, 0].max()),
            girth=float(measures.girth.min()),
            station=int(np.argmin(measures.girth)) + 1,
            volume=measures.volume,
            seconds=seconds,
            moment=moment,
        )


def guess_unit(diagonal: float) -> str:
    """Guess a mesh's unit of length from its size, taking it for a creature of a metre or so."""
    return ["metre", "centimetre", "millimetre"][int(np.searchsorted([15.0, 900.0], diagonal))]

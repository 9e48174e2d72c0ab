"""Proposals: places for controls by the tables alone, before any layout is bound."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.settings import DEFAULT_REACH
from ribbonsim.placing.drive_model import NEAREST, DriveModel, exchanged, stand, worst_miss
from ribbonsim.placing.layouts import Alike

_REACHES = (DEFAULT_REACH, 1.5, 2.5, 3.0)
# so many places for one control more are offered where it joins others
_OFFERED = 2


@dataclass(frozen=True, eq=False)
class Group(Alike):
    """Ribbons that are laid out alike, with the tables of their search.

    Parameters
    ----------
    models : sequence of DriveModel
    held : tuple of float
        Places of controls that stay.
    seats : sequence of (K,) arrays
        The best places by the table of pairs, for 1, 2, ... controls.
    kink : float
        Limit of kinks.
    """

    models: Sequence[DriveModel]
    held: tuple[float, ...]
    seats: Sequence[Array]
    kink: float

    @property
    def free(self) -> tuple[float, float]:
        """The farthest in that the first and the last control may stand."""
        low = min(line.free[0] for line in self.lines)
        return low, max(line.free[1] for line in self.lines)

    def miss(self, places: Array, reach: float) -> float:
        """How far a placement misses the worst pose, by the model."""
        return worst_miss(self.models, places, reach, self.kink)

    def best(self, number: int) -> tuple[Array, Array, float]:
        """Places at the usual reach, places at the best reach, and that reach."""
        starts = [self.seats[number - 1]]
        if not self.held:
            starts.append(np.linspace(0.0, 1.0, number))
        plain, _ = min(
            (self._exchanged(each, DEFAULT_REACH) for each in starts), key=lambda one: one[1]
        )
        reach = min(_REACHES, key=lambda each: self.miss(plain, each))
        if reach == DEFAULT_REACH:
            return plain, plain, reach
        return plain, self._exchanged(plain, reach)[0], reach

    def with_one_more(self, places: Array, reach: float) -> Array:
        """Places with one more between them or beside them, then exchanged."""
        ends = np.unique(np.r_[0.0, places, 1.0])
        spots = [place for place in (0.0, 1.0) if place not in places]
        spots += (0.5 * (ends[1:] + ends[:-1])).tolist()
        tried = _joined(places, spots)
        if not tried:
            return places
        best = min(tried, key=lambda each: self.miss(each, reach))
        return self._exchanged(best, reach)[0]

    def offered(self, places: Array, reach: float, spots: Sequence[float]) -> Iterator[Array]:
        """Places with one more at any of some spots: the few that are best, the best first."""
        yield from sorted(_joined(places, spots), key=lambda each: self.miss(each, reach))[
            :_OFFERED
        ]

    def stands(self, places: Array) -> bool:
        """Whether controls are far enough from each other, and none leaves an end that bends."""
        return stand(places, self.free)

    def _exchanged(self, places: Array, reach: float) -> tuple[Array, float]:
        return exchanged(self.models, places, reach, self.kink, self.held, self.free)


def places_on(layout: Layout, group: Group) -> Array:
    """Places of a group's controls in a layout, shares of the length; held ones to the last bit."""
    own = layout.ribbons[group.names[0]]
    places = own.control_shares
    for held in group.held:
        places[np.argmin(np.abs(places - held))] = held
    return places


def _joined(places: Array, spots: Sequence[float]) -> list[Array]:
    """Places with one more at each of some spots that are far enough from all of them."""
    apart = [spot for spot in spots if np.abs(places - spot).min() >= NEAREST]
    return [np.sort(np.r_[places, spot]) for spot in apart]

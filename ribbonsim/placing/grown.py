"""Grown: a layout with one control more than another, and at least as good by the real skin."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.layout.layout import Layout
from ribbonsim.placing.judge import Judge, Measured
from ribbonsim.placing.layouts import Layouts
from ribbonsim.placing.proposals import Group, places_on

# stations that one control more may bring, how much farther the controls may then reach, and how
# many of what few vertices say is best are measured on the whole skin
_MORE, _FARTHER, _WHOLE = (2, 4), (0.5,), 2
# how far the controls may reach that a surface is skinned to: near ones hold it best between two,
# far ones make even arcs
SKINNED_REACHES = (1.25, 1.5, 2.5)
# what few vertices say is so many times worse is so on the whole skin too
_NEAR = 1.1
# moves of a control, shares of the length; and the skin error below which nobody sees a difference
_MOVES, _SEEN = tuple(0.5**k for k in range(6, 11)), 2e-4


@dataclass(frozen=True, eq=False)
class _Stand:
    """Where the controls of each group stand, how far they reach, and stations added."""

    places: tuple[Array, ...]
    reach: float
    more: int | None = None


@dataclass(frozen=True, eq=False)
class Growing:
    """Adds a control to layouts.

    Parameters
    ----------
    judge : Judge
    layouts : Layouts
    groups : sequence of Group
    more_stations : bool
        Whether stations may be added; without them what one control more gains may not show.
    """

    judge: Judge
    layouts: Layouts
    groups: Sequence[Group]
    more_stations: bool

    def grown(self, before: Layout, reach: float, enough: float) -> Measured:
        """Add a control where that helps most, and move controls until it helps.

        Parameters
        ----------
        before : Layout
        reach : float
            Of its controls.
        enough : float
            Its skin error: what is as good needs no moves, nor does what is too small to see.

        Returns
        -------
        Measured
            The best that was found.
        """
        tried: list[tuple[_Stand, Measured]] = []
        most = np.inf
        for each in self._offered(before, reach):
            if rough := self.judge.rough_within(self._layout(before, each), most):
                tried = sorted([*tried, (each, rough)], key=lambda one: self._error(one[1]))
                tried = tried[:_WHOLE]
                if len(tried) == _WHOLE:
                    most = self._error(tried[-1][1])
        stand, best = tried[0][0], self.judge.whole(tried[0][1])
        for each, rough in tried[1:]:
            found = self.judge.whole_within(rough, self._error(best))
            if found is not None and self._error(found) < self._error(best):
                stand, best = each, found
        for move in _MOVES if enough > _SEEN else ():
            going = True
            while going and self._error(best) > enough:
                going = False
                for each in self._moved(stand, move):
                    found = self._whole_within(before, each, self._error(best))
                    if found is not None and self._error(found) < self._error(best):
                        stand, best, going = each, found, True
                        break
        return best

    def _error(self, measured: Measured) -> float:
        return self.judge.skin_error(measured)

    def _whole_within(self, before: Layout, stand: _Stand, most: float) -> Measured | None:
        rough = self.judge.rough_within(self._layout(before, stand), _NEAR * most)
        return None if rough is None else self.judge.whole_within(rough, most)

    def _layout(self, before: Layout, stand: _Stand) -> Layout:
        """Controls on a layout's own stations, or on stations that are placed anew."""
        if stand.more is not None:
            where = self.groups, stand.places, stand.reach
            return self.layouts.placed(before, *where, None, stand.more)
        layout = before
        for group, places in zip(self.groups, stand.places, strict=True):
            layout = self.layouts.stood(layout, group, places, stand.reach)
        return layout

    def _offered(self, before: Layout, reach: float) -> Iterator[_Stand]:
        offers = []
        for group in self.groups:
            own = before.ribbons[group.names[0]]
            stations = own.station_shares
            places = places_on(before, group)
            offers.append(list(group.offered(places, reach, stations.tolist())) or [places])
        skinned = before.drive == "skinned"
        farther = [reach + more for more in (() if self.more_stations else _FARTHER)]
        reaches = [reach, *farther, *(SKINNED_REACHES if skinned else ())]
        for k in range(max(map(len, offers))):
            each = tuple(offered[min(k, len(offered) - 1)] for offered in offers)
            for far in dict.fromkeys(reaches):
                yield _Stand(each, far)
        for more in _MORE if self.more_stations else ():
            for far in dict.fromkeys([reach, *(SKINNED_REACHES if skinned else ())]):
                yield _Stand(tuple(offered[0] for offered in offers), far, more)

    def _moved(self, stand: _Stand, move: float) -> Iterator[_Stand]:
        """The same with one control a little further on, or back."""
        for number, (group, places) in enumerate(zip(self.groups, stand.places, strict=True)):
            for k, place in enumerate(places):
                if place in group.held:
                    continue
                for step in (-move, move):
                    tried = places.copy()
                    tried[k] = np.clip(place + step, 0.0, 1.0)
                    if tried[k] != place and group.stands(tried):
                        each = [*stand.places]
                        each[number] = tried
                        yield _Stand(tuple(each), stand.reach, stand.more or 0)

"""Layouts of a search: controls spread evenly, or put where they are proposed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.body.standing import standing_place, standing_seat
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon, free_name, spread_numbers
from ribbonsim.layout.settings import DEFAULT_REACH, Control
from ribbonsim.placing.line import Line
from ribbonsim.placing.stations import place_stations
from ribbonsim.rig.rig import Rig


@dataclass(frozen=True, eq=False)
class Alike:
    """Ribbons that are laid out alike: one, or left and right of a pair.

    Parameters
    ----------
    names : tuple of str
    lines : sequence of Line
        One for each.
    """

    names: tuple[str, ...]
    lines: Sequence[Line]


class Layouts:
    """Makes layouts of one rig's ribbons.

    Parameters
    ----------
    rig : Rig
        What is searched for.
    keep : tuple of str
        Controls that stay where they stand, with their names.
    """

    def __init__(self, rig: Rig, keep: tuple[str, ...]) -> None:
        self.rig, self._keep = rig, keep

    @cached_property
    def standing(self) -> float:
        """Arc length where the body stands."""
        layout = self.rig.layout
        return standing_place(self.rig.mesh, layout.ribbon, layout.up)

    def held(self, ribbon: str) -> tuple[float, ...]:
        """Places of a ribbon's kept controls, shares of its length."""
        return tuple(place for _, place in self._kept(ribbon))

    def even(self, names: Sequence[str], number: int) -> Layout:
        """Controls spread evenly over the stations as they are; kept ones stay.

        Parameters
        ----------
        names : sequence of str
            Of the ribbons that get them; the others stay as they are.
        number : int
            At most one for each station.
        """
        layout = self.rig.layout
        for name in names:
            own = layout.ribbons[name]
            count = len(own.stations)
            numbers = spread_numbers(count, min(number, count))
            for control, _ in self._kept(name):
                near = int(np.argmin(np.abs(np.array(numbers) - control.station)))
                numbers[near] = control.station
            made = self._with_controls(name, own, sorted(set(numbers)), DEFAULT_REACH)
            layout = layout.with_ribbon(name, made)
        return layout

    def placed(
        self,
        base: Layout,
        groups: Sequence[Alike],
        places: Sequence[Array],
        reach: float,
        stations: int | None,
        more: int = 0,
    ) -> Layout:
        """Controls of each group at given places, and stations dense where it bends.

        Parameters
        ----------
        base : Layout
            Whose ribbons are used.
        groups : sequence of Alike
        places : sequence of (K,) arrays
            One for each group, shares of the length.
        reach : float
        stations : int or None
            Of the body; as many as there are if left out.
        more : int
            Stations of each ribbon beyond these.
        """
        layout = base
        for group, controls in zip(groups, places, strict=True):
            for name in group.names:
                own = layout.ribbons[name]
                count = len(own.stations) if stations is None or name != BODY else stations
                count = max(count + more, len(np.unique(np.r_[0.0, controls, 1.0])))
                lengths, numbers = place_stations(group.lines, controls, count)
                t = own.ribbon.place_at(lengths * own.ribbon.length)
                t[[0, -1]] = 0.0, 1.0
                bare = replace(own, stations=t, controls=(Control("control1", 1),))
                layout = layout.with_ribbon(name, self._with_controls(name, bare, numbers, reach))
        return layout

    def stood(self, base: Layout, group: Alike, places: Array, reach: float) -> Layout:
        """Controls of one group at given places, each on the station of a layout that is nearest.

        Parameters
        ----------
        base : Layout
            Whose ribbons and stations are used.
        group : Alike
        places : (K,) array
            Shares of the length, no two nearest to the same station.
        reach : float
        """
        layout = base
        for name in group.names:
            own = layout.ribbons[name]
            lengths = own.station_shares
            numbers = [int(np.argmin(np.abs(lengths - place))) + 1 for place in places]
            layout = layout.with_ribbon(name, self._with_controls(name, own, numbers, reach))
        return layout

    def _kept(self, ribbon: str) -> list[tuple[Control, float]]:
        own = self.rig.layout.ribbons[ribbon]
        places = own.control_shares
        names = self.rig.layout.control_names_of(ribbon)
        return [
            (control, float(place))
            for name, control, place in zip(names, own.controls, places, strict=True)
            if name in self._keep
        ]

    def _with_controls(
        self, name: str, own: OneRibbon, stands: Sequence[int], reach: float
    ) -> OneRibbon:
        """One ribbon with controls at stations; kept ones have their names, others numbers."""
        kept = self._kept(name)
        taken = [control.name for control, _ in kept]
        lengths = own.station_shares
        names: dict[int, str] = {}
        for control, place in kept:
            near = min(stands, key=lambda station: abs(lengths[station - 1] - place))
            names[near] = control.name
        for station in stands:
            if station not in names:
                names[station] = free_name("control", [*taken, *names.values()])
        controls = tuple(Control(names[station], station, reach) for station in stands)
        made = replace(own, controls=controls)
        root = self.rig.layout.ribbons[name].chain_root
        if root in taken:
            return made.with_root(str(root))
        if name != BODY:
            return made.with_root(1)
        places = made.control_lengths
        return made.with_root(standing_seat(places, self.standing, made.ribbon.length) + 1)

"""One ribbon with its stations and controls: of the body, or of an appendage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.checks import check_choice, check_number
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.settings import Control, ControlWeights, MeshWeights, check_controls

Spacing = Literal["spans", "length"]

DEFAULT_STATIONS = 17
DEFAULT_CONTROLS = 5
# of two controls whose distances differ by less than this factor none counts as the nearer
_AS_NEAR = 1.2


@dataclass(frozen=True, eq=False)
class OneRibbon:
    """A ribbon, the stations on it and the controls that move it.

    Parameters
    ----------
    stations : (N,) sequence of float
        Rising places ``t`` along the ribbon, 0 to 1, at least two.
    controls : sequence of Control
        In any order, at least one, no two at one station; kept from root to tip.

    Raises
    ------
    RibbonsimError
        If stations do not rise, or a control has a bad name, station, reach or carrier.
    """

    ribbon: Ribbon
    stations: Array
    controls: tuple[Control, ...]
    control_weights: ControlWeights = field(default_factory=ControlWeights)
    mesh_weights: MeshWeights = field(default_factory=MeshWeights)

    def __post_init__(self) -> None:
        stations = np.array(self.stations, dtype=float)
        if stations.ndim != 1 or len(stations) < 2:
            raise RibbonsimError("a layout needs at least two stations: list two or more places")
        if not ((stations >= 0) & (stations <= 1)).all() or (np.diff(stations) <= 0).any():
            raise RibbonsimError(
                "the stations do not rise from the root end: list places from 0 to 1 in order"
            )
        stations.flags.writeable = False
        controls = tuple(sorted(self.controls, key=lambda control: control.station))
        check_controls(controls, len(stations))
        object.__setattr__(self, "stations", stations)
        object.__setattr__(self, "controls", controls)

    # -- making ---------------------------------------------------------------------------

    @classmethod
    def spread(
        cls,
        ribbon: Ribbon,
        stations: int | Sequence[float] = DEFAULT_STATIONS,
        controls: int | Sequence[int] = DEFAULT_CONTROLS,
        spacing: Spacing = "spans",
        root: int = 1,
        carry: bool = True,
    ) -> OneRibbon:
        """Place stations and controls; parameters as in :meth:`Layout.from_ribbon`."""
        places = _places(ribbon, stations, spacing)
        if isinstance(controls, (int, np.integer)):
            check_number("controls", int(controls), 1, len(places), whole=True)
            numbers = spread_numbers(len(places), int(controls))
        else:
            numbers = [int(number) for number in controls]
            if any(number != given for number, given in zip(numbers, controls, strict=True)):
                raise RibbonsimError("controls stand at whole station numbers: give 1, 2, 3, ...")
        made = cls(ribbon, places, _named(numbers))
        return made.with_root(root) if carry else made

    @classmethod
    def in_sections(
        cls,
        ribbon: Ribbon,
        joints: Sequence[int],
        controls_per_section: int = 3,
        meets: Sequence[float] | None = None,
    ) -> OneRibbon:
        """Place stations in sections; parameters as in :meth:`Layout.sections`."""
        if not len(joints) or min(joints) < 2:
            raise RibbonsimError("a section needs at least two joints: give numbers from 2 up")
        check_number("controls_per_section", controls_per_section, 2, min(joints), whole=True)
        first = np.r_[0, np.cumsum(np.array(joints) - 1)]
        ends = first / first[-1] if meets is None else np.r_[0.0, meets, 1.0]
        if len(ends) != len(joints) + 1:
            raise RibbonsimError(f"{len(joints)} sections meet at {len(joints) - 1} places")
        lengths = ribbon.arc_length(
            ribbon.place_at(ends * ribbon.length) if meets is None else ends
        )
        along = np.concatenate(
            [
                np.linspace(a, b, n)[:-1]
                for a, b, n in zip(lengths[:-1], lengths[1:], joints, strict=True)
            ]
            + [lengths[-1:]]
        )
        numbers = {
            int(start) + number
            for start, count in zip(first[:-1], joints, strict=True)
            for number in spread_numbers(count, controls_per_section)
        }
        places = ribbon.place_at(along)
        places[[0, -1]] = 0.0, 1.0
        return cls(ribbon, places, _named(sorted(numbers))).with_root(1)

    # -- changing -------------------------------------------------------------------------

    def with_root(self, root: int | str) -> OneRibbon:
        """Let each control be carried by its neighbour nearer to a root control."""
        if isinstance(root, str):
            centre = self.control_index(root)
        else:
            check_number("root", root, 1, len(self.controls), whole=True)
            centre = root - 1
        names = self.control_names
        controls = [
            replace(
                control,
                carried_by=None if i == centre else names[i - 1] if i > centre else names[i + 1],
            )
            for i, control in enumerate(self.controls)
        ]
        return replace(self, controls=tuple(controls))

    def alone(self) -> OneRibbon:
        """Let each control stand alone."""
        return replace(self, controls=tuple(replace(c, carried_by=None) for c in self.controls))

    def with_control(
        self, name: str, station: int | None = None, reach: float | None = None
    ) -> OneRibbon:
        """Move a control along the ribbon or change its reach."""
        index = self.control_index(name)
        control = self.controls[index]
        control = replace(
            control,
            station=control.station if station is None else station,
            reach=control.reach if reach is None else reach,
        )
        others = self.controls[:index] + self.controls[index + 1 :]
        return replace(self, controls=(*others, control))

    def with_added(self, station: int, name: str | None = None) -> OneRibbon:
        """Add a control; in a chain of carriers it takes its seat in the chain."""
        chain = self.chain_root
        label = free_name("control", self.control_names) if name is None else name
        grown = replace(self, controls=(*self.controls, Control(label, station)))
        return grown if chain is None else grown.with_root(chain)

    def without_control(self, name: str) -> OneRibbon:
        """Remove a control; those it carried go to its own carrier."""
        index, chain = self.control_index(name), self.chain_root
        if len(self.controls) == 1:
            raise RibbonsimError(f"{name!r} is the only control: add another before it goes")
        heir = self.controls[index].carried_by
        if heir is None and chain is not None:
            heir = self.controls[self._next_to(index)].name
        left = tuple(
            replace(c, carried_by=heir if heir != c.name else None) if c.carried_by == name else c
            for c in self.controls
            if c.name != name
        )
        shrunk = replace(self, controls=left)
        if chain is None:
            return shrunk
        return shrunk.with_root(chain if chain != name else str(heir))

    def _next_to(self, index: int) -> int:
        """The nearer neighbour of a control; of two about as near the one farther from an end."""
        lengths, half = self.control_lengths, 0.5 * self.ribbon.length
        beside = [k for k in (index - 1, index + 1) if 0 <= k < len(lengths)]
        away = {k: abs(float(lengths[k] - lengths[index])) for k in beside}
        near = [k for k in beside if away[k] <= _AS_NEAR * min(away.values())]
        return min(near, key=lambda k: abs(float(lengths[k]) - half))

    def renamed(self, name: str, new: str) -> OneRibbon:
        """Rename a control."""
        self.control_index(name)
        if new != name and new in self.control_names:
            raise RibbonsimError(f"two controls are called {new!r}: choose another name")

        def label(old: str | None) -> str | None:
            return new if old == name else old

        controls = tuple(
            replace(c, name=str(label(c.name)), carried_by=label(c.carried_by))
            for c in self.controls
        )
        return replace(self, controls=controls)

    def with_stations(
        self, stations: int | Sequence[float], spacing: Spacing = "spans"
    ) -> OneRibbon:
        """Place the stations anew; controls go to the stations nearest to where they stood."""
        places = _places(self.ribbon, stations, spacing)
        if len(places) < len(self.controls):
            raise RibbonsimError(
                f"{len(places)} stations are too few for {len(self.controls)} controls: "
                f"give {len(self.controls)} or more"
            )
        numbers = _nearest_free(self.control_places, places)
        controls = tuple(
            replace(control, station=number)
            for control, number in zip(self.controls, numbers, strict=True)
        )
        return replace(self, stations=places, controls=controls)

    def reversed(self) -> OneRibbon:
        """Exchange root and tip; each control stays where it stands on the body."""
        count = len(self.stations)
        turned = replace(
            self,
            ribbon=self.ribbon.reversed(),
            stations=1.0 - self.stations[::-1],
            controls=tuple(replace(c, station=count + 1 - c.station) for c in self.controls),
        )
        return turned if self.chain_root is None else turned.with_root(1)

    # -- asking ---------------------------------------------------------------------------

    @cached_property
    def chain_root(self) -> str | None:
        """The control that carries all others outwards, neighbour by neighbour; None if none."""
        names, carriers = self.control_names, [one.carried_by for one in self.controls]
        if carriers.count(None) != 1:
            return None
        root = carriers.index(None)
        # before the root the next one carries, after it the one before
        outwards = [*names[1 : root + 1], None, *names[root:-1]]
        return names[root] if carriers == outwards else None

    @property
    def control_names(self) -> tuple[str, ...]:
        """Names of the controls from root to tip."""
        return tuple(control.name for control in self.controls)

    @property
    def control_places(self) -> Array:
        """(K,) places ``t`` of the controls."""
        return self.stations[self._seats]

    @cached_property
    def station_lengths(self) -> Array:
        """(N,) arc lengths of the stations at rest, scene units."""
        lengths = self.ribbon.arc_length(self.stations)
        lengths.flags.writeable = False
        return lengths

    @property
    def control_lengths(self) -> Array:
        """(K,) arc lengths of the controls at rest, scene units."""
        return self.station_lengths[self._seats]

    @property
    def station_shares(self) -> Array:
        """(N,) places of the stations, shares of the ribbon's length."""
        return self.station_lengths / self.ribbon.length

    @property
    def control_shares(self) -> Array:
        """(K,) places of the controls, shares of the ribbon's length."""
        return self.control_lengths / self.ribbon.length

    @cached_property
    def _seats(self) -> list[int]:
        """The controls' stations, counted from 0."""
        return [control.station - 1 for control in self.controls]

    def control_index(self, name: str) -> int:
        """Index of a control, from 0 at the root end."""
        if name not in self.control_names:
            raise RibbonsimError(
                f"no control is called {name!r}: this layout has {', '.join(self.control_names)}"
            )
        return self.control_names.index(name)

    def station_near(self, t: float) -> int:
        """Number of the station nearest to a place ``t``, from 1 at the root end."""
        return int(np.argmin(np.abs(self.stations - t))) + 1

    def carry_order(self) -> list[tuple[int, int | None]]:
        """Controls' indices with their carriers', each carrier before those it carries."""
        names = self.control_names
        carrier = [
            None if c.carried_by is None else names.index(c.carried_by) for c in self.controls
        ]
        order: list[tuple[int, int | None]] = []
        done: set[int] = set()
        while len(order) < len(names):
            for i, parent in enumerate(carrier):
                if i not in done and (parent is None or parent in done):
                    order.append((i, parent))
                    done.add(i)
        return order


def spread_numbers(count: int, picks: int) -> list[int]:
    """Numbers from 1 to ``count``, spread as evenly as whole numbers allow.

    Examples
    --------
    >>> spread_numbers(17, 5)
    [1, 5, 9, 13, 17]
    """
    if picks == 1:
        return [(count + 1) // 2]
    return [1 + round((count - 1) * i / (picks - 1)) for i in range(picks)]


def free_name(stem: str, taken: Sequence[str]) -> str:
    """Find the first of stem1, stem2, ... that is not taken."""
    number = 1
    while f"{stem}{number}" in taken:
        number += 1
    return f"{stem}{number}"


def _nearest_free(wanted: Array, places: Array) -> list[int]:
    """Rising station numbers, no two alike, nearest to wanted places in order."""
    count, total = len(wanted), len(places)
    numbers: list[int] = []
    for i, place in enumerate(wanted):
        low = numbers[-1] + 1 if numbers else 1
        high = total - (count - 1 - i)
        nearest = int(np.argmin(np.abs(places - place))) + 1
        numbers.append(min(max(nearest, low), high))
    return numbers


def _places(ribbon: Ribbon, stations: int | Sequence[float], spacing: Spacing) -> Array:
    """Places ``t`` of stations, as given or as many as are wanted."""
    check_choice("spacing", spacing, ("spans", "length"))
    if not isinstance(stations, (int, np.integer)):
        return np.asarray(stations, dtype=float)
    count = int(stations)
    check_number("stations", count, 2, 1000, whole=True)
    if spacing == "length":
        places = ribbon.place_at(np.linspace(0.0, ribbon.length, count))
    else:
        breaks = ribbon.breaks
        shares = np.linspace(0.0, len(breaks) - 1.0, count)
        places = np.interp(shares, np.arange(len(breaks)), breaks)
    places[[0, -1]] = 0.0, 1.0
    return places


def _named(numbers: Sequence[int]) -> tuple[Control, ...]:
    return tuple(
        Control(f"control{i}", number) for i, number in enumerate(sorted(numbers), start=1)
    )

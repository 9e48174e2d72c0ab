"""The layout: a ribbon, the stations on it and the controls that move it."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ribbonsim.appendages import BODY, Appendage, Tie, check_ties, parents_first
from ribbonsim.checks import check_choice, check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.falloff import DEFAULT_EXPONENT, KERNELS
from ribbonsim.limits import Limits
from ribbonsim.pose import Pose
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]

DEFAULT_STATIONS = 17
DEFAULT_CONTROLS = 5
DEFAULT_REACH = 2.0


@dataclass(frozen=True)
class Control:
    """What the user moves: a control standing at a station.

    Parameters
    ----------
    name : str
        Unique in its layout.
    station : int
        Number of the station, from 1 at the root end.
    reach : float
        How far its influence extends, in multiples of the distance to its neighbours.
    carried_by : str or None
        The control that takes it along; None if it stands alone.
    """

    name: str
    station: int
    reach: float = DEFAULT_REACH
    carried_by: str | None = None


@dataclass(frozen=True)
class ControlWeights:
    """How controls share the ribbon's control points.

    Parameters
    ----------
    falloff : {"wendland_c2", "gaussian", "inverse_distance", "linear"}
    exponent : float
        Used by ``inverse_distance`` alone.
    distance : {"ribbon", "straight"}
        Along the ribbon, or through the air.
    """

    falloff: str = "wendland_c2"
    exponent: float = DEFAULT_EXPONENT
    distance: Literal["ribbon", "straight"] = "ribbon"

    def __post_init__(self) -> None:
        _check_falloff(self.falloff, self.exponent)
        check_choice("distance", self.distance, ("ribbon", "straight"))


@dataclass(frozen=True)
class MeshWeights:
    """How ribbon joints share the mesh's vertices.

    Parameters
    ----------
    falloff, exponent
        As in :class:`ControlWeights`.
    distance : {"body", "straight"}
        Through the body, or through the air.
    reach : float
        In multiples of the distance between stations. With ``wendland_c2`` and ``linear``,
        a reach of half the influences uses each of them and drops none.
    influences : int
        At most so many ribbon joints a vertex.
    smoothing : int
        Rounds of averaging over the mesh's edges.
    prune : float
        Weights up to this are taken off, 0 to 0.25.
    """

    falloff: str = "wendland_c2"
    exponent: float = DEFAULT_EXPONENT
    distance: Literal["body", "straight"] = "body"
    reach: float = DEFAULT_REACH
    influences: int = 4
    smoothing: int = 0
    prune: float = 0.0

    def __post_init__(self) -> None:
        _check_falloff(self.falloff, self.exponent)
        check_choice("distance", self.distance, ("body", "straight"))
        check_number("reach", self.reach, 0.1, 1000.0)
        check_number("influences", self.influences, 1, 64, whole=True)
        check_number("smoothing", self.smoothing, 0, 1000, whole=True)
        check_number("prune", self.prune, 0.0, 0.25)


@dataclass(frozen=True, eq=False)
class Layout:
    """A ribbon with stations and controls; saved and loaded as TOML.

    Parameters
    ----------
    ribbon : Ribbon
    stations : (N,) sequence of float
        Rising places ``t`` along the ribbon, 0 to 1, at least two.
    controls : sequence of Control
        In body order, at least one, no two at one station.
    name : str
    control_weights : ControlWeights
    mesh_weights : MeshWeights
    poses : mapping of str to Pose
        Poses kept with the layout, by name.
    limits : Limits
        What counts as bending right.
    appendages : sequence of Appendage
        Ribbons that ride on this one or on each other.
    ties : sequence of Tie
        Rigid parts that follow one ribbon joint.

    Raises
    ------
    RibbonsimError
        If stations do not rise, or a control has a bad name, station, reach or carrier.
    """

    ribbon: Ribbon
    stations: Array
    controls: tuple[Control, ...]
    name: str = "layout"
    control_weights: ControlWeights = field(default_factory=ControlWeights)
    mesh_weights: MeshWeights = field(default_factory=MeshWeights)
    poses: Mapping[str, Pose] = field(default_factory=dict)
    limits: Limits = field(default_factory=Limits)
    appendages: tuple[Appendage, ...] = ()
    ties: tuple[Tie, ...] = ()

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
        _check_controls(controls, len(stations))
        object.__setattr__(self, "stations", stations)
        object.__setattr__(self, "controls", controls)
        object.__setattr__(self, "poses", dict(self.poses))
        object.__setattr__(self, "appendages", parents_first(self.appendages))
        object.__setattr__(self, "ties", tuple(self.ties))
        check_ties(self.ties, {name: len(one.stations) for name, one in self.ribbons.items()})
        every = self.all_control_names
        for control in every:
            if every.count(control) > 1:
                raise RibbonsimError(f"two controls are called {control!r}: rename one")
        for name, pose in self.poses.items():
            if not name.strip():
                raise RibbonsimError("a kept pose has no name: give it one")
            for control in pose.controls:
                if control not in every:
                    raise RibbonsimError(
                        f"the kept pose {name!r} moves {control!r}, which is not there: "
                        f"choose from {', '.join(every)}"
                    )

    # -- making ---------------------------------------------------------------------------

    @classmethod
    def from_ribbon(
        cls,
        ribbon: Ribbon,
        stations: int | Sequence[float] = DEFAULT_STATIONS,
        controls: int | Sequence[int] = DEFAULT_CONTROLS,
        spacing: Literal["spans", "length"] = "spans",
        root: int = 1,
        carry: bool = True,
        name: str = "layout",
    ) -> Layout:
        """Place stations and controls on a ribbon.

        Parameters
        ----------
        ribbon : Ribbon
        stations : int or sequence of float
            How many, or the places ``t`` themselves.
        controls : int or sequence of int
            How many, spread evenly over the stations; or the numbers of their stations.
        spacing : {"spans", "length"}
            Stations dense where the spans are dense, or even by arc length.
        root : int
            Which control (counted from 1) carries the others, outwards to both ends.
        carry : bool
            If off, each control stands alone.
        name : str

        Returns
        -------
        Layout

        Raises
        ------
        RibbonsimError
        """
        check_choice("spacing", spacing, ("spans", "length"))
        if isinstance(stations, (int, np.integer)):
            check_number("stations", int(stations), 2, 1000, whole=True)
            places = _spaced(ribbon, int(stations), spacing)
        else:
            places = np.asarray(stations, dtype=float)
        if isinstance(controls, (int, np.integer)):
            check_number("controls", int(controls), 1, len(places), whole=True)
            numbers = spread_numbers(len(places), int(controls))
        else:
            numbers = [int(number) for number in controls]
            if any(number != given for number, given in zip(numbers, controls, strict=True)):
                raise RibbonsimError("controls stand at whole station numbers: give 1, 2, 3, ...")
        layout = cls(ribbon, places, _named(numbers), name=name)
        return layout.with_root(root) if carry else layout

    @classmethod
    def sections(
        cls,
        ribbon: Ribbon,
        joints: Sequence[int],
        controls_per_section: int = 3,
        meets: Sequence[float] | None = None,
        name: str = "layout",
    ) -> Layout:
        """Divide the ribbon into sections that share the joint where they meet.

        Parameters
        ----------
        ribbon : Ribbon
        joints : sequence of int
            Ribbon joints of each section, at least two each; ``[9, 9]`` makes 17 stations.
        controls_per_section : int
            Spread evenly over each section, its ends included, at least two.
        meets : sequence of float, optional
            Places ``t`` where sections meet, one fewer than sections. By default stations
            are even all along.
        name : str

        Returns
        -------
        Layout

        Raises
        ------
        RibbonsimError
        """
        if not len(joints) or min(joints) < 2:
            raise RibbonsimError("a section needs at least two joints: give numbers from 2 up")
        check_number("controls_per_section", controls_per_section, 2, min(joints), whole=True)
        steps = np.array(joints) - 1
        first = np.r_[0, np.cumsum(steps)]
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
        numbers = sorted(
            {
                int(start) + number
                for start, count in zip(first[:-1], joints, strict=True)
                for number in spread_numbers(count, controls_per_section)
            }
        )
        places = ribbon.place_at(along)
        places[[0, -1]] = 0.0, 1.0
        return cls(ribbon, places, _named(numbers), name=name).with_root(1)

    # -- changing -------------------------------------------------------------------------

    def with_root(self, root: int | str) -> Layout:
        """Let each control be carried by its neighbour nearer to a root control.

        Parameters
        ----------
        root : int or str
            The control's number counted from 1 at the root end, or its name.

        Returns
        -------
        Layout
        """
        if isinstance(root, str):
            centre = self.control_index(root)
        else:
            check_number("root", root, 1, len(self.controls), whole=True)
            centre = root - 1
        names = [control.name for control in self.controls]
        carriers = [
            None if i == centre else names[i - 1] if i > centre else names[i + 1]
            for i in range(len(names))
        ]
        controls = tuple(
            replace(control, carried_by=carrier)
            for control, carrier in zip(self.controls, carriers, strict=True)
        )
        return replace(self, controls=controls)

    def alone(self) -> Layout:
        """Let each control stand alone.

        Returns
        -------
        Layout
        """
        return replace(self, controls=tuple(replace(c, carried_by=None) for c in self.controls))

    def with_control(
        self, name: str, station: int | None = None, reach: float | None = None
    ) -> Layout:
        """Move a control along the body or change its reach.

        Parameters
        ----------
        name : str
        station : int, optional
            Where it stands from now on.
        reach : float, optional

        Returns
        -------
        Layout
        """
        index = self.control_index(name)
        control = self.controls[index]
        control = replace(
            control,
            station=control.station if station is None else station,
            reach=control.reach if reach is None else reach,
        )
        others = self.controls[:index] + self.controls[index + 1 :]
        return replace(self, controls=(*others, control))

    def with_added(self, station: int, name: str | None = None) -> Layout:
        """Add a control; in a chain of carriers it takes its seat in the chain.

        Parameters
        ----------
        station : int
        name : str, optional
            The next free of control1, control2, ... if left out.

        Returns
        -------
        Layout
        """
        chain = self.chain_root
        label = free_name("control", self.control_names) if name is None else name
        grown = replace(self, controls=(*self.controls, Control(label, station)))
        return grown if chain is None else grown.with_root(chain)

    def without_control(self, name: str) -> Layout:
        """Remove a control; those it carried go to its own carrier.

        Parameters
        ----------
        name : str

        Returns
        -------
        Layout
        """
        index, chain = self.control_index(name), self.chain_root
        if len(self.controls) == 1:
            raise RibbonsimError(f"{name!r} is the only control: add another before it goes")
        gone = self.controls[index]
        heir = gone.carried_by
        if heir is None and chain is not None:
            heir = self.controls[index + 1 if index == 0 else index - 1].name
        left = tuple(
            replace(c, carried_by=heir if heir != c.name else None) if c.carried_by == name else c
            for c in self.controls
            if c.name != name
        )
        shrunk = replace(self, controls=left, poses=_without(self.poses, name))
        if chain is None:
            return shrunk
        return shrunk.with_root(chain if chain != name else str(heir))

    def renamed(self, name: str, new: str) -> Layout:
        """Rename a control.

        Parameters
        ----------
        name, new : str

        Returns
        -------
        Layout
        """
        self.control_index(name)
        if new != name and new in self.control_names:
            raise RibbonsimError(f"two controls are called {new!r}: choose another name")

        def label(old: str | None) -> str | None:
            return new if old == name else old

        controls = tuple(
            replace(c, name=str(label(c.name)), carried_by=label(c.carried_by))
            for c in self.controls
        )
        poses = {
            key: Pose({str(label(c)): v for c, v in pose.controls.items()}, pose.keep_volume)
            for key, pose in self.poses.items()
        }
        return replace(self, controls=controls, poses=poses)

    def with_stations(
        self, stations: int | Sequence[float], spacing: Literal["spans", "length"] = "spans"
    ) -> Layout:
        """Place the stations anew; controls go to the stations nearest to where they stood.

        Parameters
        ----------
        stations : int or sequence of float
            How many, or the places ``t`` themselves.
        spacing : {"spans", "length"}
            As in :meth:`from_ribbon`.

        Returns
        -------
        Layout
        """
        check_choice("spacing", spacing, ("spans", "length"))
        if isinstance(stations, (int, np.integer)):
            check_number("stations", int(stations), 2, 1000, whole=True)
            places = _spaced(self.ribbon, int(stations), spacing)
        else:
            places = np.asarray(stations, dtype=float)
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
        stood = [self.stations[tie.station - 1] for tie in self.ties if tie.ribbon == BODY]
        nearest = iter(int(np.argmin(np.abs(places - place))) + 1 for place in stood)
        ties = tuple(
            replace(tie, station=next(nearest)) if tie.ribbon == BODY else tie for tie in self.ties
        )
        return replace(self, stations=places, controls=controls, ties=ties)

    def reversed(self) -> Layout:
        """Exchange root and tip; each control stays where it stands on the body.

        Returns
        -------
        Layout
        """
        count = len(self.stations)
        controls = tuple(replace(c, station=count + 1 - c.station) for c in self.controls)
        turned = replace(
            self,
            ribbon=self.ribbon.reversed(),
            stations=1.0 - self.stations[::-1],
            controls=controls,
            poses={},
            appendages=tuple(
                replace(one, at=1.0 - one.at) if one.rides_on == BODY else one
                for one in self.appendages
            ),
            ties=tuple(
                replace(tie, station=count + 1 - tie.station) if tie.ribbon == BODY else tie
                for tie in self.ties
            ),
        )
        return turned if self.chain_root is None else turned.with_root(1)

    def with_appendage(self, appendage: Appendage) -> Layout:
        """Add an appendage, or put it in the place of the one of its name.

        Parameters
        ----------
        appendage : Appendage

        Returns
        -------
        Layout
            Kept poses forget controls that are no longer there.
        """
        names = [one.name for one in self.appendages]
        kept = list(self.appendages)
        if appendage.name in names:
            kept[names.index(appendage.name)] = appendage
        else:
            kept.append(appendage)
        return self._with_appendages(kept)

    def without_appendage(self, name: str) -> Layout:
        """Take an appendage away, with all that rides on it.

        Parameters
        ----------
        name : str

        Returns
        -------
        Layout
        """
        gone = {self.appendage(name).name}
        for one in self.appendages:
            if one.rides_on in gone:
                gone.add(one.name)
        kept = [
            replace(one, partner=None) if one.partner in gone else one
            for one in self.appendages
            if one.name not in gone
        ]
        ties = tuple(tie for tie in self.ties if tie.ribbon not in gone)
        return replace(self, ties=ties)._with_appendages(kept)

    def with_appendage_renamed(self, name: str, new: str) -> Layout:
        """Rename an appendage, and with it its controls in kept poses.

        Parameters
        ----------
        name, new : str

        Returns
        -------
        Layout
        """
        old = self.appendage(name)
        if new != name and new in self.ribbons:
            raise RibbonsimError(f"two ribbons are called {new!r}: choose another name")
        labels = {
            old.control_name(c): replace(old, name=new).control_name(c)
            for c in old.layout.control_names
        }

        def label(ribbon: str | None) -> str | None:
            return new if ribbon == name else ribbon

        appendages = tuple(
            replace(
                one,
                name=str(label(one.name)),
                rides_on=str(label(one.rides_on)),
                partner=label(one.partner),
            )
            for one in self.appendages
        )
        poses = {
            key: Pose({labels.get(c, c): v for c, v in pose.controls.items()}, pose.keep_volume)
            for key, pose in self.poses.items()
        }
        ties = tuple(replace(tie, ribbon=str(label(tie.ribbon))) for tie in self.ties)
        return replace(self, appendages=appendages, poses=poses, ties=ties)

    def with_tie(self, tie: Tie) -> Layout:
        """Tie a rigid part to a station, or to another one if it is tied already.

        Parameters
        ----------
        tie : Tie

        Returns
        -------
        Layout
        """
        kept = tuple(one for one in self.ties if one.part != tie.part)
        return replace(self, ties=(*kept, tie))

    def _with_appendages(self, appendages: Sequence[Appendage]) -> Layout:
        names = {*self.control_names}
        for one in appendages:
            names |= {one.control_name(control) for control in one.layout.control_names}
        poses = {
            key: Pose({c: v for c, v in pose.controls.items() if c in names}, pose.keep_volume)
            for key, pose in self.poses.items()
        }
        return replace(self, appendages=tuple(appendages), poses=poses)

    # -- asking ---------------------------------------------------------------------------

    @property
    def chain_root(self) -> str | None:
        """The control that carries all others outwards, neighbour by neighbour; None if none."""
        roots = [control.name for control in self.controls if control.carried_by is None]
        if len(roots) != 1 or self.with_root(roots[0]).controls != self.controls:
            return None
        return roots[0]

    @property
    def ribbons(self) -> dict[str, Layout]:
        """Every ribbon of the creature with its stations and controls, ``body`` first."""
        return {BODY: self, **{one.name: one.layout for one in self.appendages}}

    @property
    def all_control_names(self) -> tuple[str, ...]:
        """Names of all controls: the body's, then each appendage's with its name in front."""
        return self.control_names + tuple(
            one.control_name(control)
            for one in self.appendages
            for control in one.layout.control_names
        )

    @property
    def control_names(self) -> tuple[str, ...]:
        """Names of the controls in body order."""
        return tuple(control.name for control in self.controls)

    @property
    def control_places(self) -> Array:
        """(K,) places ``t`` of the controls."""
        return self.stations[[control.station - 1 for control in self.controls]]

    def control_name(self, ribbon: str, control: str) -> str:
        """Name in the whole creature of a ribbon's control.

        Parameters
        ----------
        ribbon, control : str

        Returns
        -------
        str

        Raises
        ------
        RibbonsimError
            If there is no such ribbon.
        """
        return control if ribbon == BODY else self.appendage(ribbon).control_name(control)

    def control_names_of(self, ribbon: str) -> tuple[str, ...]:
        """Names in the whole creature of a ribbon's controls, in its order.

        Parameters
        ----------
        ribbon : str

        Returns
        -------
        tuple of str

        Raises
        ------
        RibbonsimError
            If there is no such ribbon.
        """
        if ribbon == BODY:
            return self.control_names
        one = self.appendage(ribbon)
        return tuple(one.control_name(control) for control in one.layout.control_names)

    def appendage(self, name: str) -> Appendage:
        """Find an appendage.

        Parameters
        ----------
        name : str

        Returns
        -------
        Appendage

        Raises
        ------
        RibbonsimError
            If there is none of that name.
        """
        for one in self.appendages:
            if one.name == name:
                return one
        there = ", ".join(one.name for one in self.appendages) or "none"
        raise RibbonsimError(f"no appendage is called {name!r}: this layout has {there}")

    def control_index(self, name: str) -> int:
        """Index of a control of the body ribbon.

        Parameters
        ----------
        name : str

        Returns
        -------
        int
            From 0, in body order.

        Raises
        ------
        RibbonsimError
            If there is no such control.
        """
        if name not in self.control_names:
            raise RibbonsimError(
                f"no control is called {name!r}: this layout has {', '.join(self.control_names)}"
            )
        return self.control_names.index(name)

    def index_of_control(self, name: str) -> int:
        """Index of a control among all of them, appendages' included.

        Parameters
        ----------
        name : str
            As in :attr:`all_control_names`.

        Returns
        -------
        int

        Raises
        ------
        RibbonsimError
            If there is no such control.
        """
        names = self.all_control_names
        if name not in names:
            raise RibbonsimError(
                f"no control is called {name!r}: this layout has {', '.join(names)}"
            )
        return names.index(name)

    def carry_order(self) -> list[tuple[int, int | None]]:
        """Controls with their carriers, each carrier before those it carries.

        Returns
        -------
        list of (index, carrier index or None)
        """
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

    # -- files ----------------------------------------------------------------------------

    def save(self, path: str | os.PathLike[str], force: bool = False) -> None:
        """Write the layout as TOML.

        Parameters
        ----------
        path : path
        force : bool
            Replace a file that is there.

        Raises
        ------
        RibbonsimError
            If the file exists and ``force`` is off, or it cannot be written.
        """
        from ribbonsim.layout_file import write_layout

        write_layout(self, path, force)

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Layout:
        """Read a layout; it gives the same rig to the last bit as the one that was saved.

        Parameters
        ----------
        path : path

        Returns
        -------
        Layout

        Raises
        ------
        RibbonsimError
            Naming the key, the value and what is allowed.
        """
        from ribbonsim.layout_file import read_layout

        return read_layout(path)


def spread_numbers(count: int, picks: int) -> list[int]:
    """Numbers from 1 to ``count``, spread as evenly as whole numbers allow.

    Parameters
    ----------
    count, picks : int

    Returns
    -------
    list of int

    Examples
    --------
    >>> spread_numbers(17, 5)
    [1, 5, 9, 13, 17]
    """
    if picks == 1:
        return [(count + 1) // 2]
    return [1 + round((count - 1) * i / (picks - 1)) for i in range(picks)]


def free_name(stem: str, taken: Sequence[str]) -> str:
    """Find the first of stem1, stem2, ... that is not taken.

    Parameters
    ----------
    stem : str
    taken : sequence of str

    Returns
    -------
    str
    """
    number = 1
    while f"{stem}{number}" in taken:
        number += 1
    return f"{stem}{number}"


def _without(poses: Mapping[str, Pose], control: str) -> dict[str, Pose]:
    return {
        key: Pose({c: v for c, v in pose.controls.items() if c != control}, pose.keep_volume)
        for key, pose in poses.items()
    }


def _nearest_free(wanted: Array, places: Array) -> list[int]:
    """Rising station numbers, one each, nearest to wanted places in order."""
    count, total = len(wanted), len(places)
    numbers: list[int] = []
    for i, place in enumerate(wanted):
        low = numbers[-1] + 1 if numbers else 1
        high = total - (count - 1 - i)
        nearest = int(np.argmin(np.abs(places - place))) + 1
        numbers.append(min(max(nearest, low), high))
    return numbers


def _spaced(ribbon: Ribbon, count: int, spacing: str) -> Array:
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


def _check_controls(controls: Sequence[Control], stations: int) -> None:
    if not controls:
        raise RibbonsimError("a layout needs at least one control: place one at a station")
    names = [control.name for control in controls]
    for control in controls:
        if not isinstance(control.name, str) or not control.name.strip():
            raise RibbonsimError("a control has no name: give it one")
        if names.count(control.name) > 1:
            raise RibbonsimError(f"two controls are called {control.name!r}: rename one")
        check_number(f"station of {control.name!r}", control.station, 1, stations, whole=True)
        check_number(f"reach of {control.name!r}", control.reach, 0.01, 1000.0)
        if control.carried_by is not None and control.carried_by not in names:
            raise RibbonsimError(
                f"{control.name!r} is carried by {control.carried_by!r}, which is not there: "
                f"choose one of {', '.join(names)}"
            )
    places = [control.station for control in controls]
    for place in places:
        if places.count(place) > 1:
            raise RibbonsimError(f"two controls stand at station {place}: move one of them")
    carrier = {control.name: control.carried_by for control in controls}
    for name in names:
        seen, step = {name}, carrier[name]
        while step is not None:
            if step in seen:
                raise RibbonsimError(f"{name!r} is carried by itself in a circle: break the circle")
            seen.add(step)
            step = carrier[step]


def _check_falloff(name: str, exponent: float) -> None:
    check_choice("falloff", name, tuple(KERNELS))
    check_number("exponent", exponent, 0.1, 32.0)

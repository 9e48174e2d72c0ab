"""The layout of a creature: its ribbons with stations and controls, poses, ties and limits."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ribbonsim.arrays import Array
from ribbonsim.checks import check_choice
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import UP_AXES, Up, laid_for
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY, Appendage, Tie, check_ties, parents_first, with_riders
from ribbonsim.layout.limits import Limits
from ribbonsim.layout.motions import OwnMotion, check_own_motions
from ribbonsim.layout.of_ribbons import OfRibbons
from ribbonsim.layout.one_ribbon import DEFAULT_CONTROLS, DEFAULT_STATIONS, OneRibbon, Spacing
from ribbonsim.layout.pose import Pose, check_kept_poses
from ribbonsim.layout.settings import DRIVES, Control, ControlWeights, Drive, MeshWeights


@dataclass(frozen=True, eq=False, init=False)
class Layout(OfRibbons):
    """A creature's ribbons with their stations and controls; saved and loaded as TOML.

    Ribbon, stations, controls and weights are the body's; an appendage brings its own.

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
    motions : mapping of str to OwnMotion
        Motions through kept poses, by name.
    limits : Limits
        What counts as bending right.
    appendages : sequence of Appendage
        Ribbons that ride on this one or on each other.
    ties : sequence of Tie
        Rigid parts that follow one ribbon joint.
    drive : {"shares", "skinned"}
        How controls move the ribbons; :meth:`with_drive` says more.
    up : {"y", "z", "x", "-y", "-z", "-x"}
        The axis of the mesh's file that points up; :meth:`with_up` says more.
    body : OneRibbon, optional
        The body's ribbon with its stations, controls and weights. What else is given of
        these replaces its own.

    Raises
    ------
    RibbonsimError
        If stations do not rise, or a control has a bad name, station, reach or carrier.
    """

    body: OneRibbon
    name: str
    poses: Mapping[str, Pose]
    motions: Mapping[str, OwnMotion]
    limits: Limits
    appendages: tuple[Appendage, ...]
    ties: tuple[Tie, ...]
    drive: Drive
    up: Up

    def __init__(
        self,
        ribbon: Ribbon | None = None,
        stations: Sequence[float] | Array | None = None,
        controls: Sequence[Control] | None = None,
        name: str = "layout",
        control_weights: ControlWeights | None = None,
        mesh_weights: MeshWeights | None = None,
        poses: Mapping[str, Pose] | None = None,
        limits: Limits | None = None,
        appendages: Iterable[Appendage] = (),
        ties: Iterable[Tie] = (),
        drive: Drive = "shares",
        up: Up = "y",
        motions: Mapping[str, OwnMotion] | None = None,
        *,
        body: OneRibbon | None = None,
    ) -> None:
        given: dict[str, Any] = {
            "ribbon": ribbon,
            "stations": stations,
            "controls": controls,
            "control_weights": control_weights,
            "mesh_weights": mesh_weights,
        }
        own = {key: value for key, value in given.items() if value is not None}
        body = OneRibbon(**own) if body is None else replace(body, **own)
        object.__setattr__(self, "body", body)
        object.__setattr__(self, "name", name)
        object.__setattr__(self, "poses", dict(poses or {}))
        object.__setattr__(self, "motions", dict(motions or {}))
        object.__setattr__(self, "limits", limits or Limits())
        object.__setattr__(self, "appendages", parents_first(appendages))
        object.__setattr__(self, "ties", tuple(ties))
        object.__setattr__(self, "drive", drive)
        object.__setattr__(self, "up", up)
        self._check()

    def _check(self) -> None:
        check_choice("drive", self.drive, DRIVES)
        check_choice("up", self.up, UP_AXES)
        check_ties(self.ties, {name: len(own.stations) for name, own in self.ribbons.items()})
        self.check_names()
        check_kept_poses(self.poses, self.all_control_names)
        check_own_motions(self.motions, self.poses)

    # -- making ---------------------------------------------------------------------------

    @classmethod
    def from_ribbon(
        cls,
        ribbon: Ribbon,
        stations: int | Sequence[float] = DEFAULT_STATIONS,
        controls: int | Sequence[int] = DEFAULT_CONTROLS,
        spacing: Spacing = "spans",
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
            If there are too few stations, or a control has none.
        """
        return cls(
            body=OneRibbon.spread(ribbon, stations, controls, spacing, root, carry), name=name
        )

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
            If a section has too few joints or more controls than joints.
        """
        return cls(
            body=OneRibbon.in_sections(ribbon, joints, controls_per_section, meets), name=name
        )

    # -- changing -------------------------------------------------------------------------

    def renamed(self, name: str, new: str) -> Layout:
        """Rename a control, in kept poses too.

        Parameters
        ----------
        name : str
            As in :attr:`all_control_names`.
        new : str
            Without an appendage's name in front.
        """
        ribbon, control = self.control(name)
        own = self.ribbons[ribbon].renamed(control.name, new)
        labels = {name: self.control_name(ribbon, new)}
        poses = {key: pose.relabelled(labels) for key, pose in self.poses.items()}
        bare = replace(self, poses={}, motions={}).with_ribbon(ribbon, own)
        return replace(bare, poses=poses, motions=self.motions)

    def reversed(self) -> Layout:
        """Exchange root and tip; each control stays where it stands, kept poses are dropped."""
        count = len(self.stations)
        return replace(
            self,
            body=self.body.reversed(),
            poses={},
            motions={},
            appendages=tuple(
                replace(rider, at=1.0 - rider.at) if rider.rides_on == BODY else rider
                for rider in self.appendages
            ),
            ties=tuple(
                replace(tie, station=count + 1 - tie.station) if tie.ribbon == BODY else tie
                for tie in self.ties
            ),
        )

    def with_ribbon(self, name: str, own: OneRibbon) -> Layout:
        """Give one ribbon another course, or other stations and controls.

        Parameters
        ----------
        name : str
            ``body``, or that of an appendage.
        own : OneRibbon
            What that ribbon is from now on.

        Returns
        -------
        Layout
            Kept poses forget controls that are no longer there; parts tied to the ribbon go to
            the stations nearest to where they were tied.
        """
        old = self._own(name)
        ties = [
            replace(tie, station=own.station_near(old.stations[tie.station - 1]))
            if tie.ribbon == name
            else tie
            for tie in self.ties
        ]
        if name == BODY:
            return self._forgetful(body=own, ties=ties)
        appendages = [
            replace(rider, layout=own) if rider.name == name else rider for rider in self.appendages
        ]
        return self._forgetful(appendages=appendages, ties=ties)

    def with_appendage(self, appendage: Appendage) -> Layout:
        """Add an appendage, or put it in the place of the appendage of its name.

        Parameters
        ----------
        appendage : Appendage

        Returns
        -------
        Layout
            Kept poses forget controls that are no longer there.
        """
        names = [rider.name for rider in self.appendages]
        kept = list(self.appendages)
        if appendage.name in names:
            kept[names.index(appendage.name)] = appendage
        else:
            kept.append(appendage)
        return self._forgetful(appendages=kept)

    def without_appendage(self, name: str) -> Layout:
        """Take an appendage away, with all that rides on it or is tied to it."""
        gone = with_riders(self.appendages, self.appendage(name).name)
        kept = [
            replace(rider, partner=None) if rider.partner in gone else rider
            for rider in self.appendages
            if rider.name not in gone
        ]
        ties = [tie for tie in self.ties if tie.ribbon not in gone]
        return self._forgetful(appendages=kept, ties=ties)

    def with_appendage_renamed(self, name: str, new: str) -> Layout:
        """Rename an appendage, and with it its controls in kept poses."""
        old = self.appendage(name)
        if new != name and new in self.ribbons:
            raise RibbonsimError(f"two ribbons are called {new!r}: choose another name")

        appendages = tuple(rider.relabelled({name: new}) for rider in self.appendages)
        ties = tuple(replace(tie, ribbon=new) if tie.ribbon == name else tie for tie in self.ties)
        fresh = replace(old, name=new)
        labels = {old.control_name(c): fresh.control_name(c) for c in old.layout.control_names}
        poses = {key: pose.relabelled(labels) for key, pose in self.poses.items()}
        return replace(self, appendages=appendages, poses=poses, ties=ties)

    def with_tie(self, tie: Tie) -> Layout:
        """Tie a rigid part to a station, or to another station if it is tied already."""
        kept = tuple(other for other in self.ties if other.part != tie.part)
        return replace(self, ties=(*kept, tie))

    def only(self, name: str) -> Layout:
        """One ribbon as a layout of its own, without poses and without what rides on it.

        Parameters
        ----------
        name : str
            ``body``, or that of an appendage.

        Raises
        ------
        RibbonsimError
            If there is no such ribbon.
        """
        label = self.name if name == BODY else name
        return Layout(
            body=self._own(name), name=label, limits=self.limits, drive=self.drive, up=self.up
        )

    def _forgetful(self, **changes: Any) -> Layout:
        """Change ribbons or ties; kept poses forget controls that are no longer there."""
        bare = replace(self, poses={}, motions={}, **changes)
        names = bare.all_control_names
        poses = {key: pose.only(names) for key, pose in self.poses.items()}
        return replace(bare, poses=poses, motions=self.motions)

    def with_drive(self, drive: Drive) -> Layout:
        """Let controls move all ribbons another way.

        Parameters
        ----------
        drive : {"shares", "skinned"}
            ``shares``: each control turns and shifts the piece of body that leads to it, by
            fixed shares along it, which a chain of joints does anywhere. ``skinned``: each
            ribbon's surface is skinned linearly to its control joints by
            ``Rig.surface_weights``.

        Returns
        -------
        Layout

        Raises
        ------
        RibbonsimError
            If there is no such drive.
        """
        return replace(self, drive=drive)

    def with_up(self, up: Up) -> Layout:
        """Say which way is up: ground, cameras and what rears up go by it.

        Parameters
        ----------
        up : {"x", "y", "z", "-x", "-y", "-z"}

        Returns
        -------
        Layout
            The body's ribbon is rolled to lie flat again; kept poses are dropped then, since
            bend and sway mean other directions.

        Raises
        ------
        RibbonsimError
            If there is no such axis.
        """
        if up == self.up:
            return self
        check_choice("up", up, UP_AXES)
        laid = replace(self.body, ribbon=laid_for(self.body.ribbon, up, self.up))
        return replace(self, body=laid, up=up, poses={}, motions={})

    # -- files ----------------------------------------------------------------------------

    def body_alone(self, name: str) -> OneRibbon:
        """The body, to be the ribbon of an appendage.

        Parameters
        ----------
        name : str
            Of the appendage.

        Returns
        -------
        OneRibbon

        Raises
        ------
        RibbonsimError
            If the layout holds poses or appendages of its own.
        """
        if self.appendages or self.ties or self.poses:
            raise RibbonsimError(
                f"the layout of {name!r} holds poses or appendages of its own: "
                "keep them with the body"
            )
        return self.body

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
        from ribbonsim.layout.toml import write_layout

        write_layout(self, path, force)

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Layout:
        """Read a layout; it gives the same rig to the last bit as the layout that was saved.

        Raises
        ------
        RibbonsimError
            Naming the key, the value and what is allowed.
        """
        from ribbonsim.layout.toml import read_layout

        return read_layout(path)

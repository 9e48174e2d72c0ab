"""What the live panel knows: a mesh, its layout and pose, and how to go back. No widgets."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.appendage_targets import APPENDAGE_POSES
from ribbonsim.appendages import BODY
from ribbonsim.bendcheck.measures import Gauge, Measures
from ribbonsim.build import build_layout
from ribbonsim.carry_over import carry_over
from ribbonsim.chains import JointPose
from ribbonsim.errors import RibbonsimError
from ribbonsim.guide import find_guide
from ribbonsim.layout import Control, Layout, free_name
from ribbonsim.mesh import CreatureMesh, load_mesh
from ribbonsim.mirror import mirror_control
from ribbonsim.panel.branches import (
    relabelled,
    ribbon_of,
    with_renamed_control,
    with_ribbon,
)
from ribbonsim.plane import SymmetryPlane, find_plane, plane_across
from ribbonsim.pose import QUANTITIES, ControlPose, Pose
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Method, Rig, bind, rebind

Array = NDArray[np.float64]
BothSides = Literal["off", "alike", "opposite"]

_STEPS_BACK = 200
_ONE_GESTURE = 0.8


@dataclass(frozen=True, eq=False)
class Snapshot:
    """What one step back restores."""

    layout: Layout
    pose: Pose
    method: Method
    selected: str


@dataclass(frozen=True)
class Readout:
    """The numbers beside the view.

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
    """

    stretch: float
    girth: float
    station: int
    volume: float
    seconds: float


class PanelModel:
    """State of a live panel.

    Every change of layout or pose goes through a method here, can be undone, and either
    succeeds or raises and leaves everything as it was. Controls go by their names in the
    whole creature; the chosen ribbon is the one that the chosen control is on.

    Parameters
    ----------
    clock : callable
        Seconds, rising; changes of one quantity in quick succession are one step back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._past: list[Snapshot] = []
        self._future: list[Snapshot] = []
        self._last_change: tuple[str, float] = ("", -np.inf)
        self._rig: Rig | None = None
        self._gauge: Gauge | None = None
        self._saved: Layout | None = None
        self.pose = Pose()
        self.method: Method = "linear"
        self.selected = ""
        self.both_sides: BothSides = "off"
        self.shelf: dict[str, Layout] = {}
        self._last_on: dict[str, str] = {}
        self.given_plane: tuple[int, float] | None = None
        self._plane: tuple[CreatureMesh, SymmetryPlane | None] | None = None

    # -- the mesh ----------------------------------------------------------------------------

    def open(self, source: str | os.PathLike[str] | CreatureMesh | Rig) -> None:
        """Open a mesh, with a first layout, or a rig with its own.

        Parameters
        ----------
        source : path, CreatureMesh or Rig

        Raises
        ------
        RibbonsimError
            If it cannot be read or laid out; what was open stays.
        """
        if isinstance(source, Rig):
            rig = source
        else:
            mesh = source if isinstance(source, CreatureMesh) else load_mesh(source)
            rig = bind(mesh, build_layout(mesh))
        self._start(rig)

    def _start(self, rig: Rig) -> None:
        self._set_rig(rig)
        self._past, self._future = [], []
        self._last_change = ("", -np.inf)
        self._saved = rig.layout
        self.shelf = {}
        self.pose, self.method, self.both_sides = Pose(), "linear", "off"
        self.given_plane = None
        self._last_on = {}
        self.selected = rig.layout.control_names[len(rig.layout.controls) // 2]

    def _set_rig(self, rig: Rig) -> None:
        self._rig = rig

    @property
    def is_open(self) -> bool:
        """Whether there is a mesh."""
        return self._rig is not None

    @property
    def rig(self) -> Rig:
        """The bound rig.

        Raises
        ------
        RibbonsimError
            If no mesh is open.
        """
        if self._rig is None:
            raise RibbonsimError("no creature is open: choose a demo creature or a mesh file")
        return self._rig

    @property
    def layout(self) -> Layout:
        """The layout as it stands."""
        return self.rig.layout

    @property
    def ribbon(self) -> str:
        """Name of the chosen ribbon."""
        return ribbon_of(self.layout, self.selected)[0]

    @property
    def own(self) -> Layout:
        """Ribbon, stations and controls of the chosen ribbon."""
        return self.layout.ribbons[self.ribbon]

    @property
    def control(self) -> Control:
        """The chosen control, by its own name."""
        return ribbon_of(self.layout, self.selected)[1]

    @property
    def partner(self) -> str | None:
        """The ribbon on the other side of the chosen one; None if there is none."""
        return None if self.ribbon == BODY else self.layout.appendage(self.ribbon).partner

    def find_plane(self) -> SymmetryPlane:
        """The plane that parts the creature's left from its right, given or found.

        Returns
        -------
        SymmetryPlane

        Raises
        ------
        RibbonsimError
            If there is none.
        """
        mesh = self.rig.mesh
        if self.given_plane is not None:
            axis, at = self.given_plane
            return plane_across(mesh, np.eye(3)[axis], at)
        if self._plane is None or self._plane[0] is not mesh:
            self._plane = mesh, find_plane(mesh)
        if self._plane[1] is None:
            raise RibbonsimError(
                f"{mesh.name} has no plane of symmetry that pairs all its vertices: "
                "give a plane across x, y or z"
            )
        return self._plane[1]

    def give_plane(self, axis: int | None, at: float = 0.0) -> None:
        """Say which plane parts left from right.

        Parameters
        ----------
        axis : {0, 1, 2} or None
            The scene's axis that it stands square to; None for the plane that is found.
        at : float
            Where on that axis, scene units.

        Raises
        ------
        RibbonsimError
            If it cannot be used; the one before stays.
        """
        if axis is not None:
            plane_across(self.rig.mesh, np.eye(3)[axis], at)
        self.given_plane = None if axis is None else (axis, float(at))

    def gauge_of(self, rig: Rig) -> Gauge:
        """The rest of a rig, arranged for measuring.

        Parameters
        ----------
        rig : Rig
            Mostly the one that is open; the drawing thread may be a step behind.

        Returns
        -------
        Gauge
        """
        gauge = self._gauge
        if gauge is None or gauge.rig is not rig:
            gauge = Gauge(rig)
            self._gauge = gauge
        return gauge

    @property
    def unsaved(self) -> bool:
        """Whether the layout or its kept poses changed since it was opened or saved."""
        return self._rig is not None and self._rig.layout is not self._saved

    def facts(self) -> list[str]:
        """What was found in the mesh, in words.

        Returns
        -------
        list of str
        """
        mesh = self.rig.mesh
        low, high = mesh.bounds
        size = " × ".join(f"{value:.4g}" for value in high - low)
        pieces = int(mesh.components.max()) + 1
        facts = [
            f"{mesh.name}: {len(mesh.positions):,} vertices, "
            f"{len(mesh.polygon_offsets) - 1:,} polygons, "
            f"{'one piece' if pieces == 1 else f'{pieces} pieces'}.",
            f"Size {size} scene units, body {self.layout.ribbon.length:.4g} long; "
            f"the unit looks like the {guess_unit(mesh.diagonal)}.",
        ]
        return facts + list(mesh.notes)

    # -- changing with a way back ----------------------------------------------------------

    def _now(self) -> Snapshot:
        return Snapshot(self.layout, self.pose, self.method, self.selected)

    def _remember(self, gesture: str = "") -> None:
        """Keep the state as it is before a change; a gesture going on is kept once."""
        now = self._clock()
        going_on = gesture and gesture == self._last_change[0]
        if not going_on or now - self._last_change[1] > _ONE_GESTURE:
            self._past = [*self._past[-_STEPS_BACK + 1 :], self._now()]
        self._future = []
        self._last_change = (gesture, now)

    @property
    def can_undo(self) -> bool:
        """Whether there is a step back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether there is a step forward."""
        return bool(self._future)

    def undo(self) -> None:
        """Go one step back."""
        self._step(self._past, self._future)

    def redo(self) -> None:
        """Go one step forward again."""
        self._step(self._future, self._past)

    def _step(self, source: list[Snapshot], other: list[Snapshot]) -> None:
        if not source:
            return
        state = source[-1]
        rig = self.rig if state.layout is self.layout else rebind(self.rig, state.layout)
        other.append(self._now())
        source.pop()
        if rig is not self.rig:
            self._set_rig(rig)
        self.pose, self.method, self.selected = state.pose, state.method, state.selected
        self._last_change = ("", -np.inf)

    # -- the pose ----------------------------------------------------------------------------

    def select(self, control: str) -> None:
        """Choose the control that the sliders move.

        Parameters
        ----------
        control : str
        """
        ribbon, _ = ribbon_of(self.layout, control)
        self._last_on[ribbon] = control
        self.selected = control

    def choose_ribbon(self, name: str) -> None:
        """Choose a ribbon, and on it the control that was chosen there last.

        Parameters
        ----------
        name : str
        """
        names = self.layout.control_names_of(name)
        last = self._last_on.get(name, "")
        self.selected = last if last in names else names[len(names) // 2]

    def set_both_sides(self, how: BothSides) -> None:
        """Choose whether the appendage on the other side moves too.

        Parameters
        ----------
        how : {"off", "alike", "opposite"}
            As the mirror image does, or against it.
        """
        if how != "off":
            self.find_plane()
        self.both_sides = how

    def _both(self, values: dict[str, ControlPose]) -> dict[str, ControlPose]:
        """Values of controls, and of those on the other side if they are to move too."""
        told = dict(values)
        if self.both_sides == "off":
            return told
        opposite = self.both_sides == "opposite"
        for name, value in values.items():
            ribbon, _ = ribbon_of(self.layout, name)
            if ribbon == BODY or self.layout.appendage(ribbon).partner is None:
                continue
            across, image = mirror_control(
                self.layout, self.find_plane(), name, value, opposite=opposite
            )
            told.setdefault(across, _without_minus_zero(image))
        return told

    def set_value(self, control: str, quantity: str, value: float, axis: int | None = None) -> None:
        """Set one quantity of a control.

        Parameters
        ----------
        control : str
        quantity : {"bend", "sway", "twist", "shift", "stretch", "girth"}
        value : float
            Degrees, scene units or a factor.
        axis : {0, 1, 2}, optional
            For ``shift``: along, across, normal.
        """
        self.layout.index_of_control(control)
        values = self.pose[control]
        if quantity == "shift":
            along, across, normal = (
                value if i == axis else kept for i, kept in enumerate(values.shift)
            )
            changed = replace(values, shift=(along, across, normal))
        elif quantity in QUANTITIES:
            changed = ControlPose(**{**vars(values), quantity: value})
        else:
            allowed = ", ".join(QUANTITIES)
            raise RibbonsimError(f"no quantity is called {quantity!r}: choose from {allowed}")
        if changed == values:
            return
        told = self._both({control: changed})
        self._remember(f"{control} {quantity} {axis}")
        self.pose = Pose({**self.pose.controls, **told}, self.pose.keep_volume)

    def set_pose(self, pose: Pose, gesture: str = "") -> None:
        """Take a whole pose.

        Parameters
        ----------
        pose : Pose
        gesture : str
            Poses of one gesture are one step back.
        """
        for name in pose.controls:
            self.layout.index_of_control(name)
        if pose == self.pose:
            return
        self._remember(gesture)
        self.pose = pose

    def reset_control(self, control: str) -> None:
        """Put one control to rest.

        Parameters
        ----------
        control : str
        """
        told = self._both({control: ControlPose()})
        self.set_pose(Pose({**self.pose.controls, **told}, self.pose.keep_volume))

    def reset_all(self) -> None:
        """Put all controls to rest."""
        self.set_pose(Pose({}, self.pose.keep_volume))

    def show_test_pose(
        self, name: str, amount: float | None = None, ribbon: str | None = None
    ) -> None:
        """Take a test pose, fitted to this layout.

        Parameters
        ----------
        name : str
        amount : float, optional
        ribbon : str, optional
            The one that takes it while the others keep their pose; if left out it is the
            whole creature's, and what it does not move is at rest.
        """
        if ribbon is None:
            controls = self.rig.pose_for(name, amount).controls
        else:
            controls = {**self.pose.controls, **self._both(self._on_one(name, amount, ribbon))}
        pose = Pose(controls, self.pose.keep_volume)
        self.set_pose(pose, f"test pose {name} {ribbon}")

    def _on_one(self, name: str, amount: float | None, ribbon: str) -> dict[str, ControlPose]:
        if name not in APPENDAGE_POSES:
            return self.rig.pose_for(name, amount, ribbon).controls
        if ribbon == BODY:
            raise RibbonsimError(
                f"{name.replace('_', ' ')} moves appendages and the body is chosen: "
                "choose an appendage, or put it on the whole creature"
            )
        fitted = self.rig.pose_for(name, amount)
        return {control: fitted[control] for control in self.layout.control_names_of(ribbon)}

    def set_keep_volume(self, share: float) -> None:
        """Choose how far the girth answers stretch.

        Parameters
        ----------
        share : float
            0 to 1.
        """
        self.set_pose(Pose(self.pose.controls, share), "keep volume")

    def set_method(self, method: Method) -> None:
        """Choose the way of blending.

        Parameters
        ----------
        method : {"linear", "dual_quaternion"}
        """
        if method != self.method:
            self._remember()
            self.method = method

    # -- kept poses ------------------------------------------------------------------------

    def keep_pose(self, name: str) -> None:
        """Keep the pose with the layout, under a name.

        Parameters
        ----------
        name : str
        """
        label = name.strip() or free_name("pose", list(self.layout.poses))
        self._remember()
        self._swap_layout(replace(self.layout, poses={**self.layout.poses, label: self.pose}))

    def recall_pose(self, name: str) -> None:
        """Take a kept pose.

        Parameters
        ----------
        name : str
        """
        self.set_pose(self._kept(name))

    def delete_pose(self, name: str) -> None:
        """Forget a kept pose.

        Parameters
        ----------
        name : str
        """
        self._kept(name)
        self._remember()
        left = {key: pose for key, pose in self.layout.poses.items() if key != name}
        self._swap_layout(replace(self.layout, poses=left))

    def rename_pose(self, name: str, new: str) -> None:
        """Rename a kept pose.

        Parameters
        ----------
        name, new : str
        """
        self._kept(name)
        if new != name and new in self.layout.poses:
            raise RibbonsimError(f"a pose is called {new!r} already: choose another name")
        poses = {new if key == name else key: pose for key, pose in self.layout.poses.items()}
        layout = replace(self.layout, poses=poses)
        self._remember()
        self._swap_layout(layout)

    def _kept(self, name: str) -> Pose:
        if name not in self.layout.poses:
            raise RibbonsimError(f"no pose is called {name!r}: choose one from the list")
        return self.layout.poses[name]

    def _swap_layout(self, layout: Layout) -> None:
        """Change what needs no binding."""
        self._set_rig(rebind(self.rig, layout))

    # -- the layout ------------------------------------------------------------------------

    def change_layout(self, layout: Layout, turned: bool = False, gesture: str = "") -> None:
        """Bind another layout, keeping the pose and kept poses by place along the body.

        Parameters
        ----------
        layout : Layout
        turned : bool
            Whether root and tip have changed places.
        gesture : str
            Changes of one gesture are one step back.
        """
        old = self.rig
        new = rebind(old, replace(layout, poses={}))
        pose = carry_over(old, new, self.pose, turned)
        kept = {name: carry_over(old, new, kept, turned) for name, kept in old.layout.poses.items()}
        rig = rebind(new, replace(new.layout, poses=kept))
        at = ribbon_of(old.layout, self.selected)[0]
        self._remember(gesture)
        self._set_rig(rig)
        self.pose = pose
        self._choose_what_is_left(at)

    def _choose_what_is_left(self, ribbon: str) -> None:
        """Where the chosen control is gone, choose another on its ribbon, or on the body."""
        layout = self.layout
        if self.selected in layout.all_control_names:
            return
        if ribbon in layout.ribbons:
            self.selected = layout.control_names_of(ribbon)[0]
        else:
            self.choose_ribbon(BODY)

    def change_own(self, own: Layout, gesture: str = "") -> None:
        """Give the chosen ribbon other stations, controls or another shape.

        Parameters
        ----------
        own : Layout
            What :attr:`own` is from now on.
        gesture : str
            Changes of one gesture are one step back.
        """
        ribbon = self.ribbon
        changed = with_ribbon(self.layout, ribbon, own)
        self.change_layout(changed, gesture=gesture and f"{ribbon} {gesture}")

    def take_change(self, layout: Layout, method: Method) -> None:
        """Take a layout with a way of blending, the pose kept; one step back.

        Parameters
        ----------
        layout : Layout
        method : {"linear", "dual_quaternion"}
        """
        if layout is self.layout:
            self.set_method(method)
            return
        self.change_layout(layout)
        self.method = method

    def set_stations(self, count: int, spacing: str = "spans") -> None:
        """Place so many stations anew on the chosen ribbon.

        Parameters
        ----------
        count : int
        spacing : {"spans", "length"}
        """
        made = self.own.with_stations(count, spacing)  # type: ignore[arg-type]
        self.change_own(made, "stations")

    def set_spans(self, spans: int) -> None:
        """Divide the chosen ribbon into so many spans, dense where it was dense.

        Parameters
        ----------
        spans : int
        """
        self._set_ribbon(self.own.ribbon.with_spans(spans), "spans")

    def set_density(self, lean: float) -> None:
        """Crowd spans and stations towards one end.

        Parameters
        ----------
        lean : float
            -1 crowds them at the root end, 1 at the tip, 0 spreads them evenly.
        """
        if not -1.0 <= lean <= 1.0:
            raise RibbonsimError(f"a lean of {lean!r} cannot be used: give -1 to 1")
        own = self.own
        ribbon = own.ribbon.with_knots(crowded(own.ribbon.spans, lean))
        self.change_own(replace(own, ribbon=ribbon).with_stations(len(own.stations)), "density")

    def insert_knot(self, t: float) -> None:
        """Insert a knot; the ribbon keeps its shape, and one station more stands there.

        Parameters
        ----------
        t : float
            Place along, above 0 and below 1.
        """
        own = self.own
        ribbon, stations = own.ribbon.insert_knots(t), own.stations
        if not np.isclose(stations, t, atol=1e-6).any():
            stations = np.sort(np.r_[stations, t])
        self.change_own(replace(own, ribbon=ribbon).with_stations(list(stations)))

    def set_width(self, width: float) -> None:
        """Make the ribbon so wide.

        Parameters
        ----------
        width : float
            Scene units.
        """
        self._set_ribbon(self.own.ribbon.with_width(width), "width")

    def turn_ribbon(self, degrees: float) -> None:
        """Roll the ribbon about its midline.

        Parameters
        ----------
        degrees : float
            From how it lies now.
        """
        self._set_ribbon(self.own.ribbon.rolled(degrees), "roll")

    def move_guide(self, t: float, shift: ArrayLike) -> None:
        """Move the ribbon at a place, less and less towards its neighbours.

        Parameters
        ----------
        t : float
            Place along, 0 to 1.
        shift : (3,) array
            Scene units.
        """
        from ribbonsim.falloff import wendland_c2

        ribbon = self.own.ribbon
        share = wendland_c2(np.abs(ribbon.greville - t) / 0.3)
        moved = ribbon.control_points + share[:, None, None] * np.asarray(shift, dtype=float)
        self._set_ribbon(Ribbon(moved, ribbon.knots), f"guide {t:g}")

    def _set_ribbon(self, ribbon: Ribbon, gesture: str) -> None:
        self.change_own(replace(self.own, ribbon=ribbon), gesture)

    def swap_ends(self) -> None:
        """Exchange root and tip of the body."""
        self.change_layout(self.layout.reversed(), turned=True)

    def choose_ends(self, root: int | ArrayLike | None, tip: int | ArrayLike | None) -> None:
        """Run the body's ribbon anew between chosen ends.

        Parameters
        ----------
        root, tip : int or (3,) array, optional
            A vertex counted from 0, or a point; one left out stays where the ribbon ends now.
        """
        ribbon = self.layout.ribbon
        ends = ribbon.midline([0.0, 1.0])
        guide = find_guide(
            self.rig.mesh, ends[0] if root is None else root, ends[1] if tip is None else tip
        )
        width = float(ribbon.width(np.linspace(0.0, 1.0, 101)).mean())
        fresh = Ribbon.along(guide, width=width, spans=ribbon.spans).with_knots(ribbon.breaks)
        self.change_layout(with_ribbon(self.layout, BODY, replace(self.layout, ribbon=fresh)))

    def add_control(self, station: int) -> str:
        """Place another control on the chosen ribbon.

        Parameters
        ----------
        station : int

        Returns
        -------
        str
            Its name.
        """
        ribbon, own = self.ribbon, self.own
        grown = own.with_added(station)
        (name,) = set(grown.control_names) - set(own.control_names)
        self.change_own(grown)
        self.select(self.layout.control_name(ribbon, name))
        return self.selected

    def remove_control(self, name: str) -> None:
        """Take a control away; the pose of the body stays as near as the others can hold it.

        Parameters
        ----------
        name : str
        """
        self._change_control(name, lambda own, control: own.without_control(control))

    def rename_control(self, name: str, new: str) -> None:
        """Rename a control.

        Parameters
        ----------
        name : str
        new : str
            Without the ribbon's name in front.
        """
        self._rename(with_renamed_control(self.layout, name, new))

    def rename_ribbon(self, name: str, new: str) -> None:
        """Rename an appendage, and with it its controls.

        Parameters
        ----------
        name, new : str
        """
        self._rename(self.layout.with_appendage_renamed(name, new))

    def _rename(self, layout: Layout) -> None:
        """Take a layout that differs by names alone."""
        before, after = self.layout.all_control_names, layout.all_control_names
        labels = dict(zip(before, after, strict=True))
        rig = rebind(self.rig, layout)
        self._remember()
        self._set_rig(rig)
        self.pose, self.selected = relabelled(self.pose, labels), labels[self.selected]

    def move_control(self, name: str, station: int) -> None:
        """Slide a control along its ribbon.

        Parameters
        ----------
        name : str
        station : int
            A control that stands there keeps its seat, and this is refused.
        """

        def moved(own: Layout, control: str) -> Layout:
            chain, there = own.chain_root, own.with_control(control, station=station)
            return there if chain is None else there.with_root(chain)

        self._change_control(name, moved, f"move {name}")

    def set_reach(self, name: str, reach: float) -> None:
        """Set how far a control's influence extends.

        Parameters
        ----------
        name : str
        reach : float
            In multiples of the distance to its neighbours.
        """
        self._change_control(
            name, lambda own, control: own.with_control(control, reach=reach), f"reach {name}"
        )

    def _change_control(
        self, name: str, change: Callable[[Layout, str], Layout], gesture: str = ""
    ) -> None:
        """Change the ribbon that a control is on, by the control's own name."""
        ribbon, control = ribbon_of(self.layout, name)
        own = change(self.layout.ribbons[ribbon], control.name)
        self.change_layout(with_ribbon(self.layout, ribbon, own), gesture=gesture)

    def set_falloff(self, name: str) -> None:
        """Choose the kernel by which controls share the chosen ribbon.

        Parameters
        ----------
        name : {"wendland_c2", "gaussian", "inverse_distance", "linear"}
        """
        rules = replace(self.own.control_weights, falloff=name)
        self.change_own(replace(self.own, control_weights=rules))

    def set_carry(self, root: str | None) -> None:
        """Let the chosen ribbon's controls be carried outwards from one, or each stand alone.

        Parameters
        ----------
        root : str or None
            Its own name; None lets each stand alone.
        """
        self.change_own(self.own.alone() if root is None else self.own.with_root(root))

    # -- layouts on the shelf and on disk ------------------------------------------------------

    def keep_layout(self, name: str) -> str:
        """Put a copy of the layout on the shelf.

        Parameters
        ----------
        name : str

        Returns
        -------
        str
            The name it got.
        """
        label = name.strip() or free_name("layout", list(self.shelf))
        self.shelf[label] = self.layout
        return label

    def take_layout(self, name: str) -> None:
        """Take a layout from the shelf.

        Parameters
        ----------
        name : str
        """
        if name not in self.shelf:
            raise RibbonsimError(f"no layout is called {name!r}: choose one from the list")
        self._take(self.shelf[name])

    def save(self, path: str | os.PathLike[str], force: bool = False) -> None:
        """Save the layout with its kept poses.

        Parameters
        ----------
        path : path
        force : bool
            Replace a file that is there.
        """
        self.layout.save(path, force)
        self._saved = self.layout

    def load(self, path: str | os.PathLike[str]) -> None:
        """Load a layout with its kept poses; it can be undone.

        Parameters
        ----------
        path : path
        """
        self._take(Layout.load(path))
        self._saved = self.layout

    def _take(self, layout: Layout) -> None:
        old = self.rig
        rig = rebind(old, layout)
        pose = carry_over(old, rig, self.pose)
        at = self.ribbon
        self._remember()
        self._set_rig(rig)
        self.pose = pose
        self._choose_what_is_left(at)

    # -- what it tells -----------------------------------------------------------------------

    def deform(self, out: NDArray[np.floating] | None = None) -> NDArray[np.floating]:
        """Pose the mesh as it stands.

        Parameters
        ----------
        out : (V, 3) array, optional

        Returns
        -------
        (V, 3) array
        """
        return self.rig.deform(self.pose, self.method, out=out)

    def measures_of(
        self,
        rig: Rig,
        positions: NDArray[np.floating],
        ribbon: Ribbon,
        joints: JointPose | None = None,
    ) -> Measures:
        """Measure a posed mesh.

        Parameters
        ----------
        rig : Rig
        positions : (V, 3) array
            Posed, scene units.
        ribbon : Ribbon
            Posed.
        joints : JointPose, optional
            Needed where there are appendages.

        Returns
        -------
        Measures
        """
        return self.gauge_of(rig).measure(positions, ribbon, joints)

    @staticmethod
    def readout(measures: Measures, seconds: float = 0.0) -> Readout:
        """The numbers to show beside the view.

        Parameters
        ----------
        measures : Measures
        seconds : float
            What the update took.

        Returns
        -------
        Readout
        """
        return Readout(
            stretch=float(measures.stretch[:, 0].max()),
            girth=float(measures.girth.min()),
            station=int(np.argmin(measures.girth)) + 1,
            volume=measures.volume,
            seconds=seconds,
        )


def _without_minus_zero(value: ControlPose) -> ControlPose:
    """The same values, a zero that was turned round written as a zero."""
    along, across, normal = (0.0 + shift for shift in value.shift)
    return replace(
        value,
        bend=0.0 + value.bend,
        sway=0.0 + value.sway,
        twist=0.0 + value.twist,
        shift=(along, across, normal),
    )


def crowded(spans: int, lean: float) -> Array:
    """Places that divide 0..1 into spans, crowded towards one end.

    Parameters
    ----------
    spans : int
    lean : float
        -1 crowds them at 0, 1 at 1.

    Returns
    -------
    (spans + 1,) array
        Neighbouring spans differ by one factor; the widest is 8 times the narrowest at most.
    """
    steps = 8.0 ** (-lean * np.linspace(0.0, 1.0, spans))
    places = np.r_[0.0, np.cumsum(steps)]
    places = places / places[-1]
    places[-1] = 1.0
    return places


def lean_of(breaks: ArrayLike) -> float:
    """How far spans are crowded towards one end: the inverse of :func:`crowded`.

    Parameters
    ----------
    breaks : (spans + 1,) array

    Returns
    -------
    float
        -1 to 1.
    """
    spans = np.diff(np.asarray(breaks, dtype=float))
    return float(np.clip(-np.log(spans[-1] / spans[0]) / np.log(8.0), -1.0, 1.0))


def guess_unit(diagonal: float) -> str:
    """Guess a mesh's unit of length from its size, taking it for a creature of a metre or so.

    Parameters
    ----------
    diagonal : float
        Scene units.

    Returns
    -------
    {"metre", "centimetre", "millimetre"}
    """
    return ["metre", "centimetre", "millimetre"][int(np.searchsorted([15.0, 900.0], diagonal))]

"""What the live panel knows: a mesh, its layout and pose, and how to go back. No widgets."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim.bendcheck.measures import Gauge, Measures
from ribbonsim.build import build_layout
from ribbonsim.carry_over import carry_over
from ribbonsim.chains import JointPose
from ribbonsim.errors import RibbonsimError
from ribbonsim.guide import find_guide
from ribbonsim.layout import Layout, free_name
from ribbonsim.mesh import CreatureMesh, load_mesh
from ribbonsim.pose import QUANTITIES, ControlPose, Pose
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Method, Rig, bind, rebind

Array = NDArray[np.float64]

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
    succeeds or raises and leaves everything as it was.

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
        self.shelf: dict[str, Layout] = {}

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
        self.pose, self.method = Pose(), "linear"
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
            raise RibbonsimError("no creature is open: choose a demo creature or an OBJ file")
        return self._rig

    @property
    def layout(self) -> Layout:
        """The layout as it stands."""
        return self.rig.layout

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
        self.layout.control_index(control)
        self.selected = control

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
        self.layout.control_index(control)
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
        self._remember(f"{control} {quantity} {axis}")
        self.pose = self.pose.with_control(control, changed)

    def set_pose(self, pose: Pose, gesture: str = "") -> None:
        """Take a whole pose.

        Parameters
        ----------
        pose : Pose
        gesture : str
            Poses of one gesture are one step back.
        """
        for name in pose.controls:
            self.layout.control_index(name)
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
        self.set_pose(self.pose.with_control(control, ControlPose()))

    def reset_all(self) -> None:
        """Put all controls to rest."""
        self.set_pose(Pose({}, self.pose.keep_volume))

    def show_test_pose(self, name: str, amount: float | None = None) -> None:
        """Take a test pose, fitted to this layout.

        Parameters
        ----------
        name : str
        amount : float, optional
        """
        fitted = self.rig.pose_for(name, amount)
        self.set_pose(Pose(fitted.controls, self.pose.keep_volume), f"test pose {name}")

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
        self._remember(gesture)
        self._set_rig(rig)
        self.pose = pose
        if self.selected not in rig.layout.control_names:
            self.selected = rig.layout.control_names[0]

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
        """Place so many stations anew.

        Parameters
        ----------
        count : int
        spacing : {"spans", "length"}
        """
        made = self.layout.with_stations(count, spacing)  # type: ignore[arg-type]
        self.change_layout(made, gesture="stations")

    def set_spans(self, spans: int) -> None:
        """Divide the ribbon into so many spans, dense where it was dense.

        Parameters
        ----------
        spans : int
        """
        self._set_ribbon(self.layout.ribbon.with_spans(spans), "spans")

    def set_density(self, lean: float) -> None:
        """Crowd spans and stations towards one end.

        Parameters
        ----------
        lean : float
            -1 crowds them at the root end, 1 at the tip, 0 spreads them evenly.
        """
        if not -1.0 <= lean <= 1.0:
            raise RibbonsimError(f"a lean of {lean!r} cannot be used: give -1 to 1")
        places = crowded(self.layout.ribbon.spans, lean)
        ribbon = self.layout.ribbon.with_knots(places)
        layout = replace(self.layout, ribbon=ribbon).with_stations(len(self.layout.stations))
        self.change_layout(layout, gesture="density")

    def insert_knot(self, t: float) -> None:
        """Insert a knot; the ribbon keeps its shape, and one station more stands there.

        Parameters
        ----------
        t : float
            Place along, above 0 and below 1.
        """
        ribbon = self.layout.ribbon.insert_knots(t)
        stations = self.layout.stations
        if not np.isclose(stations, t, atol=1e-6).any():
            stations = np.sort(np.r_[stations, t])
        layout = replace(self.layout, ribbon=ribbon)
        self.change_layout(layout.with_stations(list(stations)))

    def set_width(self, width: float) -> None:
        """Make the ribbon so wide.

        Parameters
        ----------
        width : float
            Scene units.
        """
        self._set_ribbon(self.layout.ribbon.with_width(width), "width")

    def turn_ribbon(self, degrees: float) -> None:
        """Roll the ribbon about its midline.

        Parameters
        ----------
        degrees : float
            From how it lies now.
        """
        self._set_ribbon(self.layout.ribbon.rolled(degrees), "roll")

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

        ribbon = self.layout.ribbon
        share = wendland_c2(np.abs(ribbon.greville - t) / 0.3)
        moved = ribbon.control_points + share[:, None, None] * np.asarray(shift, dtype=float)
        self._set_ribbon(Ribbon(moved, ribbon.knots), f"guide {t:g}")

    def _set_ribbon(self, ribbon: Ribbon, gesture: str) -> None:
        self.change_layout(replace(self.layout, ribbon=ribbon), gesture=gesture)

    def swap_ends(self) -> None:
        """Exchange root and tip."""
        self.change_layout(self.layout.reversed(), turned=True)

    def choose_ends(self, root: int | ArrayLike | None, tip: int | ArrayLike | None) -> None:
        """Run the ribbon anew between chosen ends.

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
        self.change_layout(replace(self.layout, ribbon=fresh))

    def add_control(self, station: int) -> str:
        """Place another control.

        Parameters
        ----------
        station : int

        Returns
        -------
        str
            Its name.
        """
        layout = self.layout.with_added(station)
        (name,) = set(layout.control_names) - set(self.layout.control_names)
        self.change_layout(layout)
        self.selected = name
        return name

    def remove_control(self, name: str) -> None:
        """Take a control away; the pose of the body stays as near as the others can hold it.

        Parameters
        ----------
        name : str
        """
        self.change_layout(replace(self.layout.without_control(name), poses={}))

    def rename_control(self, name: str, new: str) -> None:
        """Rename a control.

        Parameters
        ----------
        name, new : str
        """
        layout = self.layout.renamed(name, new)
        pose = Pose(
            {new if key == name else key: value for key, value in self.pose.controls.items()},
            self.pose.keep_volume,
        )
        self._remember()
        self._swap_layout(layout)
        self.pose = pose
        if self.selected == name:
            self.selected = new

    def move_control(self, name: str, station: int) -> None:
        """Slide a control along the body.

        Parameters
        ----------
        name : str
        station : int
            A control that stands there keeps its seat, and this is refused.
        """
        moved = self.layout.with_control(name, station=station)
        chain = self.layout.chain_root
        moved = moved if chain is None else moved.with_root(chain)
        self.change_layout(moved, gesture=f"move {name}")

    def set_reach(self, name: str, reach: float) -> None:
        """Set how far a control's influence extends.

        Parameters
        ----------
        name : str
        reach : float
            In multiples of the distance to its neighbours.
        """
        self.change_layout(self.layout.with_control(name, reach=reach), gesture=f"reach {name}")

    def set_falloff(self, name: str) -> None:
        """Choose the kernel by which controls share the ribbon.

        Parameters
        ----------
        name : {"wendland_c2", "gaussian", "inverse_distance", "linear"}
        """
        rules = replace(self.layout.control_weights, falloff=name)
        self.change_layout(replace(self.layout, control_weights=rules))

    def set_carry(self, root: str | None) -> None:
        """Let controls be carried outwards from a root control, or let each stand alone.

        Parameters
        ----------
        root : str or None
            None lets each stand alone.
        """
        self.change_layout(self.layout.alone() if root is None else self.layout.with_root(root))

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
        self._remember()
        self._set_rig(rig)
        self.pose = pose
        if self.selected not in layout.control_names:
            self.selected = layout.control_names[0]

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

"""What the live panel knows: a mesh, its layout and pose, and how to go back. No widgets."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ribbonsim.bendcheck.measures import Gauge, Measures
from ribbonsim.body.guide import Guide
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.up import Up
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import APPENDAGE_POSES
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon, free_name
from ribbonsim.layout.pose import QUANTITIES, ControlPose, Pose
from ribbonsim.layout.settings import Control
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.state.before_after import BeforeAfter
from ribbonsim.panel.state.changes import step_words
from ribbonsim.panel.state.history import History, ShownPose, Snapshot
from ribbonsim.panel.state.opening import Opened, Source, first_layout_of, open_source
from ribbonsim.panel.state.same_target import same_target
from ribbonsim.panel.state.session import MeshMark, Session
from ribbonsim.panel.state.sides import Sides
from ribbonsim.rig.bind import Found, rebind
from ribbonsim.rig.carry_over import carry_over
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Instant


class PanelModel:
    """State of a live panel.

    Every change of layout or pose goes through a method here, or through a function of the
    modules beside this one, which calls such a method. It can be undone, and either succeeds or
    raises and leaves everything as it was. Controls go by their names in the whole creature;
    the chosen ribbon is the one that the chosen control is on.

    Parameters
    ----------
    clock : callable
        Seconds, rising; changes of one quantity in quick succession are one step back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._history = History(clock)
        self._rig: Rig | None = None
        self._gauges: tuple[Gauge, ...] = ()  # of what is measured, and of what stands beside it
        self._begun: tuple[Rig, Pose] | None = None
        self._saved: Layout | None = None
        self.pose = Pose()
        self.method: Method = "linear"
        self.selected = ""
        self.sides = Sides()
        self.shelf: dict[str, Layout] = {}
        self._last_on: dict[str, str] = {}
        self._finds: dict[Up, tuple[Rig, Guide]] = {}
        self._mark: MeshMark | None = None
        self._given = 0
        self._first: Rig | None = None
        self.shown: ShownPose | None = None
        self.pose_strip = True  # whether small pictures of poses stand under the picture
        self.beside: BeforeAfter | None = None  # seen in one picture with what stands
        self._moment: tuple[Instant, Pose] | None = None
        self.switches: dict[str, bool] = {}  # of what the picture shows, those that were set

    # -- the mesh ----------------------------------------------------------------------------

    def open(self, source: Source) -> None:
        """Open a mesh, with a first layout, or a rig with its own."""
        self.take(open_source(source))

    def take(self, opened: Opened) -> None:
        """Take a creature that was opened, with what was kept of it."""
        self._start(opened.rig)
        self._mark, self._given = opened.mark, opened.start
        found = opened.guide
        self._finds = {} if found is None else {self.layout.up: (self.rig, found)}
        self._first = opened.first
        kept = opened.session
        if kept is not None:
            self.pose, self.method, self.selected = kept.pose, kept.method, kept.selected
            self.shelf = dict(kept.shelf)
            self.pose_strip, self.switches = kept.pose_strip, dict(kept.switches)

    def session(self) -> Session:
        """What is kept of the creature when the panel is left."""
        if self._mark is None:
            raise RibbonsimError("no creature is open: choose a demo creature or a mesh file")
        return Session(
            *(self._mark, self.layout, self.pose, self.method, self.selected, self._given),
            *(dict(self.shelf), self.pose_strip, dict(self.switches)),
        )

    def start_afresh(self) -> None:
        """Go back to the layout that the creature had at first; one step back undoes it.

        What was there is put on the shelf.
        """
        old = self.rig
        if self._first is None or self._first.mesh is not old.mesh:
            self._first = self._found(old.mesh, "y")[0]
        self.shelf[free_name("before", list(self.shelf))] = self.layout
        self._remember()
        self._rig, self.pose, self.method, self.shown = self._first, Pose(), "linear", None
        self._choose_what_is_left(BODY)

    def _found(self, mesh: CreatureMesh, up: Up) -> tuple[Rig, Guide]:
        if up not in self._finds:
            self._finds[up] = first_layout_of(mesh, up)
        return self._finds[up]

    @property
    def guide(self) -> Guide | None:
        """What was understood of the creature, where the guide was looked for."""
        found = self._finds.get(self.layout.up)
        return None if found is None else found[1]

    def stand(self, up: Up) -> None:
        """Say which way is up.

        What nobody has touched since it was found is found again, since root, tip and the
        control that stands still go by the ground; else the body's ribbon is rolled to lie flat.
        """
        found = self._finds.get(self.layout.up)
        posed = any(values != ControlPose() for values in self.pose.controls.values())
        if found is None or posed or self.layout is not found[0].layout:
            self.change_layout(self.layout.with_up(up))
        elif up != self.layout.up:
            first = self._found(self.rig.mesh, up)[0]
            self._remember()
            self._rig, self._first, self.shown = first, first, None
            self._choose_what_is_left(BODY)

    def _start(self, rig: Rig) -> None:
        self._rig = rig
        self._begun = None
        self._history.clear()
        self._saved = rig.layout
        self.shelf = {}
        self.pose, self.method, self.sides, self.shown = Pose(), "linear", Sides(), None
        self.beside = None
        self._last_on = {}
        self.selected = rig.layout.control_names[len(rig.layout.controls) // 2]

    @property
    def is_open(self) -> bool:
        """Whether there is a mesh."""
        return self._rig is not None

    @property
    def rig(self) -> Rig:
        """The bound rig."""
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
        return self.layout.control(self.selected)[0]

    @property
    def own(self) -> OneRibbon:
        """Ribbon, stations and controls of the chosen ribbon."""
        return self.layout.ribbons[self.ribbon]

    @property
    def control(self) -> Control:
        """The chosen control, by its own name."""
        return self.layout.control(self.selected)[1]

    @property
    def partner(self) -> str | None:
        """The ribbon on the other side of the chosen one; None if there is none."""
        return None if self.ribbon == BODY else self.layout.appendage(self.ribbon).partner

    def gauge_of(self, rig: Rig) -> Gauge:
        """The rest of a rig, arranged for measuring."""
        known = next((gauge for gauge in self._gauges if gauge.rig is rig), None)
        if known is None:
            known = Gauge(rig)
            # a creature that was there before is not held on to
            beside = (one for one in self._gauges[:1] if one.rig.mesh is rig.mesh)
            self._gauges = (known, *beside)
        return known

    @property
    def unsaved(self) -> bool:
        """Whether the layout or its kept poses changed since it was opened or saved."""
        return self._rig is not None and self._rig.layout is not self._saved

    # -- changing with a way back ----------------------------------------------------------

    def _now(self) -> Snapshot:
        found = Found(self.rig.places, self.rig.limbs)
        return Snapshot(self.layout, self.pose, self.method, self.selected, found, self.shown)

    def _remember(self, gesture: str = "") -> None:
        self._history.remember(self._now(), gesture)

    @property
    def can_undo(self) -> bool:
        """Whether there is a step back."""
        return self._history.last(forward=False) is not None

    @property
    def can_redo(self) -> bool:
        """Whether there is a step forward."""
        return self._history.last(forward=True) is not None

    @property
    def steps_back(self) -> Sequence[Snapshot]:
        """What stood before each change, the last one last."""
        return self._history.past

    def step_words(self, forward: bool) -> str:
        """What a step back takes back, or a step forward does again; empty without one."""
        state, now = self._history.last(forward), self._now()
        if state is None:
            return ""
        return step_words(now, state) if forward else step_words(state, now)

    def undo(self) -> None:
        """Go one step back."""
        self._step(forward=False)

    def redo(self) -> None:
        """Go one step forward again."""
        self._step(forward=True)

    def _step(self, forward: bool) -> None:
        state = self._history.last(forward)
        if state is None:
            return
        same = state.layout is self.layout
        rig = self.rig if same else rebind(self.rig, state.layout, state.found)
        self._history.step(forward, self._now())
        self._rig = rig
        self.pose, self.method, self.selected = state.pose, state.method, state.selected
        self.shown = state.shown

    # -- the pose ----------------------------------------------------------------------------

    def select(self, control: str) -> None:
        """Choose the control that the sliders move."""
        ribbon, _ = self.layout.control(control)
        self._last_on[ribbon] = control
        self.selected = control

    def choose_ribbon(self, name: str) -> None:
        """Choose a ribbon, and on it the control that was chosen there last."""
        names = self.layout.control_names_of(name)
        last = self._last_on.get(name, "")
        self.selected = last if last in names else names[len(names) // 2]

    def _both(self, values: dict[str, ControlPose]) -> dict[str, ControlPose]:
        return self.sides.both(self.rig, values)

    def set_value(self, control: str, quantity: str, value: float, axis: int | None = None) -> None:
        """Set one quantity of a control."""
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
        both = self._both({control: changed})
        self._remember(f"{control} {quantity} {axis}")
        self.pose = Pose({**self.pose.controls, **both}, self.pose.keep_volume)
        self.shown = None

    def set_pose(self, pose: Pose, gesture: str = "") -> None:
        """Take a whole pose."""
        for name in pose.controls:
            self.layout.index_of_control(name)
        if pose == self.pose:
            return
        self._remember(gesture)
        self.pose, self.shown = pose, None

    def set_moment(self, moment: Instant, gesture: str) -> None:
        """Take the pose of a moment of a motion."""
        self.set_pose(moment.pose, gesture)
        self._moment = moment, self.pose

    @property
    def moment(self) -> Instant | None:
        """The moment of a motion that the creature is in; None once anything has changed."""
        if self._moment is None or self._moment[1] is not self.pose:
            return None
        return self._moment[0] if self._moment[0].take.rig is self.rig else None

    def reset_control(self, control: str) -> None:
        """Put one control to rest."""
        both = self._both({control: ControlPose()})
        self.set_pose(Pose({**self.pose.controls, **both}, self.pose.keep_volume))

    def reset_all(self) -> None:
        """Put all controls to rest."""
        self.set_pose(Pose({}, self.pose.keep_volume))

    def show_test_pose(
        self, name: str, amount: float | None = None, ribbon: str | None = None
    ) -> None:
        """Take a test pose, fitted to this layout."""
        shown = ShownPose(name, amount, ribbon)
        self.set_pose(self._test_pose(shown, self.pose), f"test pose {name} {ribbon}")
        self.shown = shown

    def _test_pose(self, shown: ShownPose, others: Pose) -> Pose:
        """A test pose, fitted to this layout; ribbons that it is not put on stay as they are."""
        if shown.ribbon is None:
            controls = self.rig.pose_for(shown.name, shown.amount).controls
        else:
            one = self._on_one(shown.name, shown.amount, shown.ribbon)
            controls = {**others.controls, **self._both(one)}
        return Pose(controls, others.keep_volume)

    def _pose_again(self, old: Rig, carried: Pose) -> tuple[Pose, ShownPose | None]:
        """The test pose that the creature is in, where this layout is asked for the same shape.

        Else what was carried over.
        """
        shown = self.shown
        if shown is None or not same_target(old, self.rig, shown):
            return carried, None
        return self._test_pose(shown, carried), shown

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
        """Choose how far the girth answers stretch."""
        self.set_pose(Pose(self.pose.controls, share), "keep volume")

    def set_method(self, method: Method) -> None:
        """Choose the way of blending."""
        if method != self.method:
            self._remember()
            self.method = method

    # -- the layout ------------------------------------------------------------------------

    def change_layout(self, layout: Layout, turned: bool = False, gesture: str = "") -> None:
        """Bind another layout, keeping the pose and kept poses by place along the body.

        During one gesture they are carried over from where it began, so that a drag there and
        back leaves them as they were.
        """
        old, begun = self._begun = self._before(gesture)
        new = rebind(self.rig, replace(layout, poses={}))
        pose = carry_over(old, new, begun, turned)
        kept = {name: carry_over(old, new, kept, turned) for name, kept in old.layout.poses.items()}
        rig = rebind(new, replace(new.layout, poses=kept))
        at = old.layout.control(self.selected)[0]
        self._remember(gesture)
        self._rig = rig
        self.pose, self.shown = self._pose_again(old, pose)
        self._choose_what_is_left(at)

    def _before(self, gesture: str) -> tuple[Rig, Pose]:
        """What a gesture changes: as it was when the gesture began, or as it is."""
        if self._begun is not None and self._history.goes_on(gesture):
            return self._begun
        return self.rig, self.pose

    def layout_before(self, gesture: str) -> Layout:
        """The layout that a gesture began with, or that there is if none goes on."""
        return self._before(gesture)[0].layout

    def set_kept_poses(self, poses: dict[str, Pose]) -> None:
        """Keep other poses with the layout; nothing has to be bound again."""
        rig = rebind(self.rig, replace(self.layout, poses=poses))
        self._remember()
        self._rig = rig

    def _choose_what_is_left(self, ribbon: str) -> None:
        """Where the chosen control is gone, choose another on its ribbon, or on the body."""
        layout = self.layout
        if self.selected in layout.all_control_names:
            return
        if ribbon in layout.ribbons:
            self.selected = layout.control_names_of(ribbon)[0]
        else:
            self.choose_ribbon(BODY)

    def take_change(self, layout: Layout, method: Method) -> None:
        """Take a layout with a way of blending, the pose kept; one step back."""
        if layout is self.layout:
            self.set_method(method)
            return
        self.change_layout(layout)
        self.method = method

    def rename_all(self, layout: Layout) -> None:
        """Take a layout in which ribbons or controls have other names and nothing else differs."""
        before, after = self.layout.all_control_names, layout.all_control_names
        labels = dict(zip(before, after, strict=True))
        rig = rebind(self.rig, layout)
        self._remember()
        self._rig = rig
        self.pose, self.selected = self.pose.relabelled(labels), labels[self.selected]

    # -- layout files ------------------------------------------------------------------------

    def save(self, path: str | os.PathLike[str], force: bool = False) -> None:
        """Save the layout with its kept poses."""
        self.layout.save(path, force)
        self._saved = self.layout

    def load(self, path: str | os.PathLike[str]) -> None:
        """Load a layout with its kept poses; it can be undone."""
        self.take_layout(Layout.load(path))
        self._saved = self.layout

    def take_layout(self, layout: Layout) -> None:
        """Take another layout with its own kept poses, the pose carried over to it."""
        old = self.rig
        rig = rebind(old, layout)
        pose = carry_over(old, rig, self.pose)
        at = self.ribbon
        self._remember()
        self._rig = rig
        self.pose, self.shown = self._pose_again(old, pose)
        self._choose_what_is_left(at)

    # -- measures ----------------------------------------------------------------------------

    def deform(self, out: NDArray[np.floating] | None = None) -> NDArray[np.floating]:
        """Pose the mesh as it stands."""
        return self.rig.deform(self.pose, self.method, out=out)

    def measures_of(
        self,
        rig: Rig,
        positions: NDArray[np.floating],
        ribbon: Ribbon,
        joints: JointPose | None = None,
    ) -> Measures:
        """Measure a posed mesh."""
        return self.gauge_of(rig).measure(positions, ribbon, joints)

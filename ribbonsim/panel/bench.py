"""Layouts of one mesh beside each other: what the compare panel knows. No widgets."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ribbonsim.appendage_targets import ALL_TEST_POSES
from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.build import build_layout
from ribbonsim.carry_over import carry_over
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout import Layout, free_name
from ribbonsim.mesh import CreatureMesh, load_mesh
from ribbonsim.panel.model import PanelModel
from ribbonsim.pose import Pose
from ribbonsim.rig import Rig, bind, rebind
from ribbonsim.targets import TEST_POSES, TestPose
from ribbonsim.view.camera import View, telling_view

MOST = len(LETTERS)
FIRST_POSE = "s_bend" if "s_bend" in TEST_POSES else next(iter(TEST_POSES))


@dataclass(eq=False)
class Entry:
    """A layout on the bench.

    Parameters
    ----------
    name : str
    model : PanelModel
        Its layout and its steps back; the pose is the bench's.
    """

    name: str
    model: PanelModel


@dataclass(frozen=True)
class Asked:
    """The pose that is asked of all layouts.

    Parameters
    ----------
    name : str
        Of a test pose, or of a pose kept with a layout.
    amount : float
        Of a test pose.
    owner : Entry or None
        The layout that the pose is kept with; None for a test pose.
    """

    name: str
    amount: float = 0.0
    owner: Entry | None = None

    def wish(self) -> Wish:
        """The pose as it is now, whatever becomes of the layout that keeps it."""
        if self.owner is None:
            return Wish(self.name, self.amount)
        rig = self.owner.model.rig
        return Wish(self.name, source=rig, pose=rig.layout.poses[self.name])


@dataclass(frozen=True, eq=False)
class Wish:
    """A pose that any layout can be asked for.

    Parameters
    ----------
    name : str
    amount : float
        Of a test pose.
    source : Rig or None
        The rig that the pose is of; None for a test pose.
    pose : Pose or None
    """

    name: str
    amount: float = 0.0
    source: Rig | None = None
    pose: Pose | None = None

    def fit(self, rig: Rig) -> Pose:
        """Fit the test pose to a layout, or carry the kept pose over to it.

        Parameters
        ----------
        rig : Rig

        Returns
        -------
        Pose
        """
        if self.source is None or self.pose is None:
            return rig.pose_for(self.name, self.amount)
        return self.pose if self.source is rig else carry_over(self.source, rig, self.pose)


class Bench:
    """Two to six layouts of one mesh in the same pose."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.removed: list[tuple[int, Entry]] = []
        self.chosen = 0
        self.asked = Asked(FIRST_POSE, TEST_POSES[FIRST_POSE].usual)

    def open(
        self,
        source: str | os.PathLike[str] | CreatureMesh | Rig,
        layouts: Sequence[Layout | str | os.PathLike[str]] | None = None,
    ) -> None:
        """Open a mesh with layouts, or with a first layout and a sparser one.

        Parameters
        ----------
        source : path, CreatureMesh or Rig
        layouts : sequence of Layout or path, optional

        Raises
        ------
        RibbonsimError
            If something cannot be read or bound; what was open stays.
        """
        if isinstance(source, Rig):
            mesh = source.mesh
        else:
            mesh = source if isinstance(source, CreatureMesh) else load_mesh(source)
        if layouts is None:
            first = source.layout if isinstance(source, Rig) else build_layout(mesh)
            layouts = [first, sparser(first)]
        if not 2 <= len(layouts) <= MOST:
            raise RibbonsimError(f"{len(layouts)} layouts cannot be compared: give 2 to {MOST}")
        read = [_named(each) for each in layouts]
        rig = bind(mesh, read[0][0])
        made: list[Entry] = []
        for layout, name in read:
            each = rebind(rig, layout) if made else rig
            made.append(self._entry(each, name, made))
        self.entries, self.removed, self.chosen = made, [], 0
        self.mind_kept()

    def _entry(self, rig: Rig, name: str, beside: Sequence[Entry]) -> Entry:
        model = PanelModel()
        model.open(rig)
        taken = [entry.name for entry in beside]
        return Entry(name if name and name not in taken else free_name("layout", taken), model)

    def duplicate(self) -> None:
        """Put a copy of the chosen layout beside the others and choose it."""
        entry = self.entries[self.chosen]
        self.add(entry.model.layout, free_name("variant", [e.name for e in self.entries]))
        self.entries[-1].model.method = entry.model.method

    def add(self, layout: Layout, name: str) -> None:
        """Put a layout beside the others and choose it.

        Parameters
        ----------
        layout : Layout
        name : str

        Raises
        ------
        RibbonsimError
            If there is no room or it cannot be bound.
        """
        if len(self.entries) >= MOST:
            raise RibbonsimError(f"{MOST} layouts stand here already: take one away first")
        rig = rebind(self.entries[0].model.rig, layout)
        self.entries = [*self.entries, self._entry(rig, name, self.entries)]
        self.chosen = len(self.entries) - 1

    def remove(self) -> None:
        """Take the chosen layout away; it can be brought back."""
        if len(self.entries) <= 2:
            raise RibbonsimError("two layouts are the fewest that can be compared")
        self.removed.append((self.chosen, self.entries[self.chosen]))
        self.entries = [e for i, e in enumerate(self.entries) if i != self.chosen]
        self.chosen = min(self.chosen, len(self.entries) - 1)
        self.mind_kept()

    def bring_back(self) -> None:
        """Put the layout that was taken away last where it stood, and choose it."""
        if not self.removed:
            return
        if len(self.entries) >= MOST:
            raise RibbonsimError(f"{MOST} layouts stand here already: take one away first")
        at, entry = self.removed.pop()
        taken = [each.name for each in self.entries]
        if entry.name in taken:
            entry.name = free_name("layout", taken)
        self.entries = [*self.entries[:at], entry, *self.entries[at:]]
        self.chosen = self.entries.index(entry)

    @property
    def unsaved(self) -> bool:
        """Whether a layout has changed since it was opened, duplicated or saved."""
        return any(entry.model.unsaved for entry in self.entries)

    # -- the pose ----------------------------------------------------------------------------

    def kept_poses(self) -> list[tuple[int, str]]:
        """Poses kept with the layouts, those of variants that are the same left out.

        Returns
        -------
        list of (layout from 0, name)
        """
        found: list[tuple[int, str]] = []
        seen: list[tuple[str, Pose]] = []
        for number, entry in enumerate(self.entries):
            for name, pose in entry.model.layout.poses.items():
                if (name, pose) not in seen:
                    seen.append((name, pose))
                    found.append((number, name))
        return found

    def test_poses(self) -> dict[str, TestPose]:
        """Test poses that every layout can be asked for.

        Returns
        -------
        dict of str to TestPose
            Those of appendages only where all layouts have some.
        """
        all_have = all(entry.model.layout.appendages for entry in self.entries)
        return ALL_TEST_POSES if self.entries and all_have else TEST_POSES

    def ask_test(self, name: str, amount: float | None = None) -> None:
        """Ask all layouts for a test pose.

        Parameters
        ----------
        name : str
        amount : float, optional
            The usual one if left out.
        """
        usual = ALL_TEST_POSES[name].usual
        self.asked = Asked(name, usual if amount is None else amount)

    def ask_kept(self, layout: int, name: str) -> None:
        """Ask all layouts for a pose that one of them keeps.

        Parameters
        ----------
        layout : int
        name : str
        """
        self.asked = Asked(name, owner=self.entries[layout])

    def mind_kept(self) -> None:
        """Go back to a test pose where what is asked for is no longer there."""
        owner = self.asked.owner
        if owner is None:
            if self.asked.name not in self.test_poses():
                self.ask_test(FIRST_POSE)
            return
        if owner not in self.entries or self.asked.name not in owner.model.layout.poses:
            self.ask_test(FIRST_POSE)

    @property
    def posed(self) -> int:
        """The layout, from 0, that the pose is kept with; 0 for a test pose."""
        owner = self.asked.owner
        return 0 if owner is None else self.entries.index(owner)

    def wanted(self) -> dict[str, Pose | float | None]:
        """The pose as :func:`ribbonsim.compare` takes it, with :attr:`posed`.

        Returns
        -------
        dict
        """
        owner = self.asked.owner
        if owner is None:
            return {self.asked.name: self.asked.amount}
        return {self.asked.name: owner.model.layout.poses[self.asked.name]}

    def pose_of(self, entry: Entry) -> Pose:
        """The pose as one of the layouts takes it.

        Parameters
        ----------
        entry : Entry

        Returns
        -------
        Pose
        """
        return self.asked.wish().fit(entry.model.rig)

    def telling_view(self) -> View:
        """The side from which the bend of the first layout shows best."""
        entry = self.entries[0]
        ribbon = entry.model.rig.pose_ribbon(self.pose_of(entry))
        return telling_view(ribbon.midline(np.linspace(0.0, 1.0, 65)))


def _named(source: Layout | str | os.PathLike[str]) -> tuple[Layout, str]:
    """A layout and what to call it: a file by its name."""
    if isinstance(source, Layout):
        return source, source.name
    return Layout.load(source), Path(source).stem


def sparser(layout: Layout) -> Layout:
    """The layout without every second inner control.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    Layout
    """
    ordered = sorted(layout.controls, key=lambda control: control.station)
    for control in ordered[1:-1:2]:
        layout = layout.without_control(control.name)
    return replace(layout, name="fewer controls")

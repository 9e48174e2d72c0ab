"""Layouts of one mesh beside each other: what the compare panel knows. No widgets."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from ribbonsim.bendcheck.amounts import usual_amounts
from ribbonsim.bendcheck.compare import LETTERS
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.motions import changed
from ribbonsim.layout.one_ribbon import free_name
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.settings import Drive
from ribbonsim.layout.targets import TEST_POSES, TestPose
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.rig.bind import bind, rebind
from ribbonsim.rig.carry_over import carry_over
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.rig.own_motions import motion_of, motions_of
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Instant, Take
from ribbonsim.view.camera import View, telling_view

MOST = len(LETTERS)
_LOOKED_AT = 8  # poses of a motion that its picture has to hold
FIRST_POSE = "s_bend" if "s_bend" in TEST_POSES else next(iter(TEST_POSES))


@dataclass(eq=False)
class Entry:
    """A layout on the bench.

    Parameters
    ----------
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
        Of a test pose, of a pose kept with a layout, or of a motion.
    amount : float
        Of a test pose.
    owner : Entry or None
        The layout that the pose is kept with; None for a test pose.
    moment : float or None
        Share of a motion's loop, 0 to 1; None for a pose.
    told : mapping of str to float
        What was set of a motion in place of what is usual for it.
    """

    name: str
    amount: float = 0.0
    owner: Entry | None = None
    moment: float | None = None
    told: Mapping[str, float] = field(default_factory=dict)


FIRST_ASKED = Asked(FIRST_POSE, TEST_POSES[FIRST_POSE].usual)


@dataclass(frozen=True, eq=False)
class PoseRequest:
    """A pose that any layout can be asked for.

    Parameters
    ----------
    amount : float
        Of a test pose.
    keep_volume : float
        Of a test pose, how far the girth answers stretch.
    source : Rig or None
        The rig that the pose is of; None for a test pose.
    instants : tuple of Instant
        The moment of a motion on each of the layouts; none for a pose.
    """

    name: str
    amount: float = 0.0
    source: Rig | None = None
    pose: Pose | None = None
    instants: tuple[Instant, ...] = ()
    keep_volume: float = 1.0

    @property
    def key(self) -> tuple[object, ...]:
        """What its fits depend on."""
        moments = tuple((one.take, one.number) for one in self.instants)
        return self.name, self.amount, self.keep_volume, self.source, self.pose, moments

    def fit(self, rig: Rig) -> Pose:
        """Fit the test pose to a layout, or carry the kept pose over to it."""
        if self.instants:
            return next(one for one in self.instants if one.take.rig is rig).pose
        if self.source is None or self.pose is None:
            fitted = rig.pose_for(self.name, self.amount)
            return replace(fitted, keep_volume=self.keep_volume)
        return self.pose if self.source is rig else carry_over(self.source, rig, self.pose)


class Bench:
    """Two to six layouts of one mesh in the same pose."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.removed: list[tuple[int, Entry]] = []
        self.chosen = 0
        self.asked = FIRST_ASKED
        self.at_first: Callable[[], list[Entry]] = list  # makes what there was at first anew
        self._takes: list[Take] = []
        self._taken: tuple[str, dict[str, float]] = ("", {})

    def open(
        self,
        source: str | os.PathLike[str] | CreatureMesh | Rig,
        layouts: Sequence[Layout | str | os.PathLike[str]] | None = None,
    ) -> None:
        """Open a mesh with layouts, or with a first layout and a sparser one."""
        self.take(entries_of(source, layouts))
        self.at_first = partial(entries_of, source, layouts)

    def take(self, entries: list[Entry]) -> None:
        """Put other layouts on the bench."""
        self.entries, self.removed, self.chosen = entries, [], 0
        self.mind_kept()

    def duplicate(self) -> None:
        """Put a copy of the chosen layout beside the others and choose it."""
        entry = self.entries[self.chosen]
        self.add(entry.model.layout, free_name("variant", [e.name for e in self.entries]))
        self.entries[-1].model.method = entry.model.method

    def duplicate_driven(self) -> None:
        """Put the chosen layout under the other drive beside the others and choose it."""
        entry = self.entries[self.chosen]
        drive: Drive = "shares" if entry.model.layout.drive == "skinned" else "skinned"
        name = f"{entry.name} {drive}"
        taken = [each.name for each in self.entries]
        self.add(
            entry.model.layout.with_drive(drive), free_name(name, taken) if name in taken else name
        )
        self.entries[-1].model.method = entry.model.method

    def add(self, layout: Layout, name: str) -> None:
        """Put a layout beside the others and choose it."""
        if len(self.entries) >= MOST:
            raise RibbonsimError(f"{MOST} layouts stand here already: take one away first")
        rig = rebind(self.entries[0].model.rig, layout)
        self.entries = [*self.entries, _entry(rig, name, self.entries)]
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

    def start_afresh(self) -> None:
        """Go back to the layouts that there were at first.

        What was there can be brought back, one layout after the other.
        """
        before = self.entries
        self.take(self.at_first())
        places = range(len(self.entries), len(self.entries) + len(before))
        self.removed = list(zip(places, before, strict=True))[::-1]
        self.asked = FIRST_ASKED

    @property
    def unsaved(self) -> bool:
        """Whether a layout has changed since it was opened, duplicated or saved."""
        return any(entry.model.unsaved for entry in self.entries)

    # -- the pose ----------------------------------------------------------------------------

    def kept_poses(self) -> list[tuple[int, str]]:
        """Poses kept with the layouts, those of variants that are the same left out."""
        found: list[tuple[int, str]] = []
        seen: list[tuple[str, Pose]] = []
        for number, entry in enumerate(self.entries):
            for name, pose in entry.model.layout.poses.items():
                if (name, pose) not in seen:
                    seen.append((name, pose))
                    found.append((number, name))
        return found

    def test_poses(self) -> dict[str, TestPose]:
        """Test poses that every layout can be asked for."""
        all_have = all(entry.model.layout.appendages for entry in self.entries)
        return ALL_TEST_POSES if self.entries and all_have else TEST_POSES

    def ask_test(self, name: str, amount: float | None = None) -> None:
        """Ask all layouts for a test pose."""
        if amount is None:
            amount = usual_amounts(self.entries[0].model.rig, [name])[name]
        self.asked = Asked(name, amount)

    def ask_kept(self, layout: int, name: str) -> None:
        """Ask all layouts for a pose that one of them keeps."""
        self.asked = Asked(name, owner=self.entries[layout])

    def motions(self) -> dict[str, str]:
        """Motions of the first layout, which any can be asked for, and what they are."""
        if not self.entries:
            return {}
        rig = self.entries[0].model.rig
        return {name: motion_of(rig, name).describes for name in motions_of(rig)}

    def ask_motion(self, name: str) -> None:
        """Ask all layouts for a motion, from its beginning."""
        self.asked = Asked(name, moment=0.0)

    def ask_moment(self, share: float) -> None:
        """Ask all layouts for the frame of the motion that is nearest to a share of its loop."""
        count = self.takes()[0].count()
        self.asked = replace(self.asked, moment=(round(share * count) % count) / count)

    def tell_motion(self, rule: str, value: float) -> None:
        """Set a rule of the motion that is asked for, which stays where it is in its loop."""
        self.asked = replace(self.asked, told={**self.asked.told, rule: value})
        self.ask_moment(self.asked.moment or 0.0)

    def motion_as_usual(self) -> None:
        """Ask all layouts for the motion as it usually is, from its beginning."""
        self.ask_motion(self.asked.name)

    def takes(self) -> list[Take]:
        """The motion that is asked for on each of the layouts: the same shapes in step."""
        rigs = [entry.model.rig for entry in self.entries]
        asked = self.asked.name, dict(self.asked.told)
        known = [take.rig for take in self._takes if self._taken == asked]
        if len(known) != len(rigs) or any(a is not b for a, b in zip(known, rigs, strict=True)):
            first = Take(rigs[0], changed(motion_of(rigs[0], self.asked.name), **self.asked.told))
            self._takes = [first, *(first.on(rig) for rig in rigs[1:])]
            self._taken = asked
        return self._takes

    def instants(self, moment: float) -> tuple[Instant, ...]:
        """The frame at a share of the loop, of each of the layouts."""
        takes = self.takes()
        number = round(moment * takes[0].count()) % takes[0].count()
        return tuple(take.frames()[number] for take in takes)

    def marks(self) -> list[tuple[float, str, bool]]:
        """Seconds of the motion's keys, as a player shows them."""
        take = self.takes()[0]
        return [(key * take.seconds, "key", False) for key in take.motion.keys]

    def mind_kept(self) -> None:
        """Go back to a test pose where what is asked for is no longer there."""
        owner = self.asked.owner
        if self.asked.moment is not None:
            if self.asked.name not in self.motions():
                self.ask_test(FIRST_POSE)
            return
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

    def wanted(self) -> dict[str, Pose | Instant | float | None]:
        """The pose as :func:`ribbonsim.compare` takes it, with :attr:`posed`."""
        owner, moment = self.asked.owner, self.asked.moment
        if moment is not None:
            instant = self.instants(moment)[0]
            return {f"{self.asked.name} at {instant.time:.2f} s": instant}
        if owner is None:
            return {self.asked.name: self.asked.amount}
        return {self.asked.name: owner.model.layout.poses[self.asked.name]}

    def request(self) -> PoseRequest:
        """The pose as it is now, whatever becomes of the layout that keeps it."""
        asked = self.asked
        if asked.moment is not None:
            return PoseRequest(asked.name, instants=self.instants(asked.moment))
        if asked.owner is None:
            return PoseRequest(asked.name, asked.amount)
        rig = asked.owner.model.rig
        return PoseRequest(asked.name, source=rig, pose=rig.layout.poses[asked.name])

    def pose_of(self, entry: Entry) -> Pose:
        """The pose as one of the layouts takes it."""
        return self.request().fit(entry.model.rig)

    def poses_of(self, entry: Entry) -> list[Pose]:
        """The pose, or some that a motion goes through, as one of the layouts takes them."""
        if self.asked.moment is None:
            return [self.pose_of(entry)]
        take = self.takes()[self.entries.index(entry)]
        frames = take.frames()
        return [one.pose for one in frames[:: max(1, len(frames) // _LOOKED_AT)]]

    def telling_view(self) -> View:
        """The side from which the bend of the first layout shows best."""
        entry = self.entries[0]
        ribbon = entry.model.rig.pose_ribbon(self.pose_of(entry))
        return telling_view(ribbon.midline(np.linspace(0.0, 1.0, 65)), up=entry.model.layout.up)


def entries_of(
    source: str | os.PathLike[str] | CreatureMesh | Rig,
    layouts: Sequence[Layout | str | os.PathLike[str]] | None = None,
) -> list[Entry]:
    """Layouts of a mesh, or a first layout and a sparser one, bound to it."""
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
        made.append(_entry(rebind(rig, layout) if made else rig, name, made))
    return made


def _entry(rig: Rig, name: str, beside: Sequence[Entry]) -> Entry:
    model = PanelModel()
    model.open(rig)
    taken = [entry.name for entry in beside]
    return Entry(name if name and name not in taken else free_name("layout", taken), model)


def _named(source: Layout | str | os.PathLike[str]) -> tuple[Layout, str]:
    """A layout and what to call it: a file by its name."""
    if isinstance(source, Layout):
        return source, source.name
    return Layout.load(source), Path(source).stem


def sparser(layout: Layout) -> Layout:
    """The layout without every second inner control."""
    ordered = sorted(layout.controls, key=lambda control: control.station)
    for control in ordered[1:-1:2]:
        layout = layout.without_control(control.name)
    return replace(layout, name="fewer controls")

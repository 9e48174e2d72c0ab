"""Takes: a motion on a rig. The motion is a creature's, and a layout only projects it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from ribbonsim.arrays import Array, Floats
from ribbonsim.body.field import body_triangles
from ribbonsim.body.limbs import limb_skins
from ribbonsim.checks import check_number
from ribbonsim.curves.frames import ALONG, axis_rotation
from ribbonsim.curves.up import up_direction
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.control_frames import ControlFrames
from ribbonsim.layout.fit import fit_many
from ribbonsim.layout.motions import Motion
from ribbonsim.layout.pose import ControlPose, Pose
from ribbonsim.layout.targets import Target
from ribbonsim.motion.figure import Figure
from ribbonsim.motion.ground import Ground, LimbOnGround, Pressed
from ribbonsim.motion.perform import perform
from ribbonsim.motion.shapes import Shapes
from ribbonsim.rig.riders import rider_shapes

if TYPE_CHECKING:
    from ribbonsim.rig.posed import Posed
    from ribbonsim.rig.rig import Method, Rig

DEFAULT_FPS = 24.0
_MOST_FRAMES = 20_000
# so many frames of a motion are fitted at once
_TOGETHER = 24


@dataclass(frozen=True, eq=False)
class Stage:
    """A rig's body as motions see it, and the ground it is on.

    Parameters
    ----------
    figure : Figure
    ground : Ground
    sections : (S,) array
        Places of the ribbon at the ground's sections.
    """

    figure: Figure
    ground: Ground
    sections: Array

    @classmethod
    def of(cls, rig: Rig) -> Stage:
        """Find limbs, thickness and what rests."""
        mesh, ribbon = rig.mesh, rig.layout.ribbon
        up = up_direction(rig.layout.up)
        skins = limb_skins(mesh.positions, body_triangles(mesh), rig.places, ribbon)
        own = np.zeros(len(mesh.positions), dtype=bool)
        own[np.unique(body_triangles(mesh))] = True
        limbs = []
        for skin in skins:
            own[skin.vertices] = False
            middle = mesh.positions[skin.base].mean(axis=0)
            away = np.linalg.norm(mesh.positions[skin.vertices] - middle, axis=1)
            limbs.append(LimbOnGround(skin.vertices, skin.base, away / max(away.max(), 1e-300)))
        ground = float((mesh.positions[np.unique(mesh.corner_vertices)] @ up).min())
        figure = Figure.of(
            ribbon, mesh.positions[own], rig.places[own], _areas(rig)[own], up, ground
        )
        under = Ground(rig.places / ribbon.length, limbs, ground, up)
        return cls(figure, under, ribbon.place_at(under.sections * ribbon.length))


def _areas(rig: Rig) -> Array:
    """(V,) area that belongs to each vertex."""
    triangles = rig.mesh.triangles
    a, b, c = (rig.mesh.positions[triangles[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6.0
    shares = np.repeat(area[:, None], 3, axis=1).ravel()
    return np.asarray(np.bincount(triangles.ravel(), shares, len(rig.places)), dtype=float)


@dataclass(frozen=True, eq=False)
class Take:
    """A motion on a rig, as :meth:`ribbonsim.Rig.motion` makes it; cheap until frames are asked.

    Parameters
    ----------
    rig : Rig
    motion : Motion
    travels : bool
        Whether it goes over the ground; else it stays on the spot, and the loop closes.
    like : Take or None
        The same of another layout of this creature, which has the same shapes.
    """

    rig: Rig
    motion: Motion
    travels: bool = False
    like: Take | None = None

    @property
    def name(self) -> str:
        """Of the motion."""
        return self.motion.name

    @property
    def seconds(self) -> float:
        """How long the loop takes."""
        return self.motion.seconds

    def on(self, rig: Rig) -> Take:
        """The same shapes, asked of another layout of the same creature."""
        return Take(rig, self.motion, self.travels, self.like or self)

    def count(self, fps: float = DEFAULT_FPS) -> int:
        """How many frames the loop has: a whole number, so that it closes."""
        check_number("frames a second", fps, 1.0, 1000.0)
        return int(min(max(round(self.seconds * fps), 2), _MOST_FRAMES))

    def frames(self, fps: float = DEFAULT_FPS) -> tuple[Instant, ...]:
        """The loop's frames; each is worked out when it is asked.

        Parameters
        ----------
        fps : float
            Frames a second; the loop is cut into the nearest whole number of them.

        Returns
        -------
        tuple of Instant
            The first comes again after the last.
        """
        return self.instants(self.count(fps))

    def instants(self, count: int) -> tuple[Instant, ...]:
        """The loop at so many even times."""
        check_number("frames of a motion", count, 1, _MOST_FRAMES, whole=True)
        return tuple(Instant(self, number, int(count)) for number in range(int(count)))

    @cached_property
    def _known(self) -> dict[int, _Loop]:
        return {}

    def loop(self, count: int) -> _Loop:
        """The shapes at so many times, worked out once."""
        if count not in self._known:
            if self.like is not None:
                shapes = self.like.loop(count).shapes
            else:
                shapes = self._shapes(count)
            self._known[count] = _Loop(self.rig, shapes)
        return self._known[count]

    def _shapes(self, count: int) -> dict[str, Shapes]:
        body = perform(self.rig.stage.figure, self.motion, count, self.travels)
        return {BODY: body, **rider_shapes(self.rig.layout, self.motion, body)}


class _Loop:
    """A take at even times, projected on its layout frame by frame."""

    def __init__(self, rig: Rig, shapes: Mapping[str, Shapes]) -> None:
        self.rig = rig
        own = {name: each for name, each in shapes.items() if name in rig.layout.ribbons}
        self.shapes = dict(shapes)
        self._asked = [_Projection(rig, name, each) for name, each in own.items()]
        self._count = next(iter(shapes.values())).count
        self._poses: dict[int, Pose] = {}

    def pose(self, number: int) -> Pose:
        """The layout's nearest to the shapes; frames near each other are fitted together."""
        if number not in self._poses:
            first = number - number % _TOGETHER
            numbers = range(first, min(first + _TOGETHER, self._count))
            found = [asked.values(numbers) for asked in self._asked]
            for each, *parts in zip(numbers, *found, strict=True):
                controls: dict[str, ControlPose] = {}
                for part in parts:
                    controls |= part
                self._poses[each] = Pose(controls)
        return self._poses[number]


class _Projection:
    """Shapes of one ribbon, asked of its controls."""

    def __init__(self, rig: Rig, name: str, shapes: Shapes) -> None:
        self._part = rig.chain_of(name)
        self._names = rig.layout.control_names_of(name)
        self._shapes, self._held = shapes, name != BODY
        self._shared = rig.layout.drive == "shares" and self._part.root is not None
        path = self._part.path
        if self._shared:
            self._cuts = shapes.on_cuts(path.lengths, path.screws)

    def values(self, numbers: range) -> list[dict[str, ControlPose]]:
        """Values of the controls at some times."""
        if self._shared:
            frames, twists, stretches = (each[numbers.start : numbers.stop] for each in self._cuts)
            turned = frames @ axis_rotation(ALONG, twists)
            wanted = ControlFrames(turned, twists, stretches, np.ones_like(twists))
            root = self._part.root or 0
            found = fit_many(self._part.path, root, wanted, held_root=self._held, fine=True)
        else:
            found = [self._part.on_frames(self._shapes.target(number)) for number in numbers]
        return [dict(zip(self._names, values, strict=True)) for values in found]


@dataclass(frozen=True, eq=False)
class Instant:
    """One frame of a take.

    Parameters
    ----------
    take : Take
    number : int
        Counted from 0.
    count : int
        Frames of the loop.
    """

    take: Take
    number: int
    count: int

    def on(self, rig: Rig) -> Instant:
        """The same moment, asked of another layout of the same creature."""
        if rig is self.take.rig:
            return self
        return Instant(self.take.on(rig), self.number, self.count)

    @property
    def time(self) -> float:
        """Seconds from the beginning of the loop."""
        return self.take.seconds * self.number / self.count

    @property
    def pose(self) -> Pose:
        """The creature's controls; where the whole is stands in those that nobody carries."""
        return self.take.loop(self.count).pose(self.number)

    @property
    def targets(self) -> dict[str, Target]:
        """The shape that every layout is asked for, by ribbon."""
        shapes = self.take.loop(self.count).shapes
        return {name: each.target(self.number) for name, each in shapes.items()}

    def settled(self, positions: Floats) -> Floats:
        """Skin in this pose on the ground: nothing below it, and what would be is flattened.

        Parameters
        ----------
        positions : (V, 3) array
            As the joints move it.

        Returns
        -------
        (V, 3) array
        """
        return self._settled(positions, self.take.rig.posed(self.pose))

    def _settled(self, positions: Floats, posed: Posed) -> Floats:
        if self.take.motion.rests_on is None:
            return positions
        stage = self.take.rig.stage
        return stage.ground.settled(positions, posed.ribbons[BODY].midline(stage.sections))

    @property
    def pressed(self) -> Pressed | None:
        """What the ground does to the skin, blended linearly; None where nothing rests."""
        if self.take.motion.rests_on is None:
            return None
        rig = self.take.rig
        posed = rig.posed(self.pose)
        skin = rig.skin_joints(posed.joints, "linear", dtype=np.float32)
        centres = posed.ribbons[BODY].midline(rig.stage.sections)
        return rig.stage.ground.pressed(skin, centres)

    def skin(self, method: Method = "linear") -> Floats:
        """The skin in this frame, on the ground.

        Parameters
        ----------
        method : {"linear", "dual_quaternion"}

        Returns
        -------
        (V, 3) array
            Scene units, in the order of the mesh's file.
        """
        rig = self.take.rig
        posed = rig.posed(self.pose)
        return self._settled(rig.skin_joints(posed.joints, method), posed)

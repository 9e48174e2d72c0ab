"""The judge: layouts posed by their real drive and skin, against the skin that rides exactly."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Floats
from ribbonsim.bendcheck.coarse import coarse_rig
from ribbonsim.bendcheck.exact import exact_skin, motions_to
from ribbonsim.bendcheck.midline import sharpness
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.targets import Target
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.placing.asked import Asked
from ribbonsim.placing.knots import exact_kink
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.rig import Method, Rig

# so many poses that were the worst are tried before the others are fitted
_FIRST = 2


@dataclass(frozen=True)
class PoseMiss:
    """How far one layout misses one pose.

    Parameters
    ----------
    skin : float
        Root mean square distance, over the skin's area, from the skin that rides the asked shape
        exactly, as a share of the ribbon's length.
    shape : float
        Of the midline from the asked one, as a share of the ribbon's length.
    kink : float
        Sharpest curvature over the sharpest that is asked.
    """

    skin: float
    shape: float
    kink: float


@dataclass(frozen=True, eq=False)
class Measured:
    """A layout in all poses.

    Parameters
    ----------
    rig : Rig
    poses : tuple of Pose
        One for each that is asked.
    joints : tuple of JointPose
        The same, as joints.
    misses : dict of str to PoseMiss
        By pose.
    """

    rig: Rig
    poses: tuple[Pose, ...]
    joints: tuple[JointPose, ...]
    misses: dict[str, PoseMiss]


class CannotPoseError(RibbonsimError):
    """A layout's ribbons come to nothing in a pose.

    Parameters
    ----------
    pose : str
        As it stands in sentences.
    """

    def __init__(self, pose: str) -> None:
        super().__init__(f"the ribbons come to nothing in {pose}")
        self.pose = pose


@dataclass(frozen=True, eq=False)
class _Trial:
    """One pose of one layout, and its skin error."""

    pose: Pose
    ribbons: Mapping[str, Ribbon]
    joints: JointPose
    skin: float


class Judge:
    """Measures layouts of one mesh in the poses that are asked.

    Parameters
    ----------
    rig : Rig
        Bound to any of the layouts.
    asked : sequence of Asked
    method : {"linear", "dual_quaternion"}
    """

    def __init__(self, rig: Rig, asked: Sequence[Asked], method: Method) -> None:
        self.rig, self.asked, self.method = rig, tuple(asked), method
        self._coarse = coarse_rig(rig)
        self._floors: dict[tuple[bool, int, tuple[float, ...]], Floats] = {}
        self._areas: dict[bool, Array] = {}
        self._places: dict[tuple[str, int], Array] = {}
        self._kinks = [self._exact_kinks(one) for one in asked]
        # numbers of the poses; those that shut layouts out come first
        self._hardest = list(range(len(self.asked)))

    def rough(self, layout: Layout) -> Measured:
        """Measure on a skin of few vertices, which is as good for telling layouts apart."""
        rig = rebind(self._coarse, layout)
        return self._gathered(rig, dict(self._trials(rig, len(self.asked))))

    def rough_within(self, layout: Layout, most: float) -> Measured | None:
        """The same, as long as no pose's skin error times its weight is above a bound.

        Parameters
        ----------
        layout : Layout
        most : float

        Returns
        -------
        Measured or None
            None as soon as one pose is above; poses that were above last are tried first.
        """
        rig, found = rebind(self._coarse, layout), {}
        for number, trial in self._trials(rig, _FIRST):
            if self.asked[number].weight * trial.skin > most:
                self._put_first(number)
                return None
            found[number] = trial
        return self._gathered(rig, found)

    def whole(self, rough: Measured) -> Measured:
        """Measure the whole skin of a layout that was measured roughly."""
        rig = self._whole_rig(rough)
        return self._on_whole(rough, rig, [self._skin(rig, k, joints, coarse=False)
                                           for k, joints in enumerate(rough.joints)])  # fmt: skip

    def whole_within(self, rough: Measured, most: float) -> Measured | None:
        """The same, as long as no pose's skin error times its weight is above a bound."""
        rig, skins = self._whole_rig(rough), dict[int, float]()
        for number in self._hardest:
            skins[number] = self._skin(rig, number, rough.joints[number], coarse=False)
            if self.asked[number].weight * skins[number] > most:
                self._put_first(number)
                return None
        return self._on_whole(rough, rig, [skins[k] for k in range(len(self.asked))])

    def score(self, measured: Measured, kink: float) -> float:
        """The worst pose's skin error times its weight; more where the midline kinks.

        Parameters
        ----------
        measured : Measured
        kink : float
            Limit of kinks, beside what an exact ribbon has.
        """
        return max(
            one.weight * miss.skin * max(miss.kink / kink, 1.0)
            for one, miss in zip(self.asked, measured.misses.values(), strict=True)
        )

    def skin_error(self, measured: Measured) -> float:
        """The worst pose's skin error times its weight."""
        pairs = zip(self.asked, measured.misses.values(), strict=True)
        return max(one.weight * miss.skin for one, miss in pairs)

    def _shape_error(self, name: str, posed: Ribbon, target: Target) -> float:
        """Of a midline: places along it are the same in all layouts, and are found once."""
        rest, key = self.rig.layout.ribbons[name].ribbon, (name, len(target.lengths))
        if key not in self._places:
            self._places[key] = rest.place_at(target.lengths)
        away = posed.midline(self._places[key]) - target.frames[:, :3, 3]
        return float(np.sqrt(np.sum(away**2, axis=1).mean()) / rest.length)

    def _trials(self, rig: Rig, first: int) -> Iterator[tuple[int, _Trial]]:
        """Pose after pose on the skin of few vertices, those that were the worst before first.

        So many of these are fitted first, and the others together if they are asked for.
        """
        order = tuple(self._hardest)
        for numbers in (order[:first], order[first:]):
            poses = rig.fit_many([self.asked[number].targets for number in numbers])
            for number, pose in zip(numbers, poses, strict=True):
                posed = rig.posed(pose)
                try:
                    ribbons = posed.at_home
                except RibbonsimError as error:
                    raise CannotPoseError(self.asked[number].wish.shown) from error
                skin = self._skin(rig, number, posed.joints, coarse=True)
                yield number, _Trial(pose, ribbons, posed.joints, skin)

    def _put_first(self, number: int) -> None:
        self._hardest.remove(number)
        self._hardest.insert(0, number)

    def _gathered(self, rig: Rig, trials: Mapping[int, _Trial]) -> Measured:
        told = [trials[number] for number in range(len(self.asked))]
        worst = max(range(len(told)), key=lambda k: self.asked[k].weight * told[k].skin)
        self._put_first(worst)
        misses: dict[str, PoseMiss] = {}
        for number, (one, trial) in enumerate(zip(self.asked, told, strict=True)):
            shapes, kinks, posed = [], [], trial.ribbons
            for name, target in one.targets.items():
                rest = rig.layout.ribbons[name].ribbon
                shapes.append(self._shape_error(name, posed[name], target))
                kinks.append(sharpness(posed[name], rest, target)[0])
            kink = max(kinks) / max(self._kinks[number], 1.0)
            misses[one.name] = PoseMiss(trial.skin, max(shapes), kink)
        joints = tuple(trial.joints for trial in told)
        return Measured(rig, tuple(trial.pose for trial in told), joints, misses)

    def _whole_rig(self, rough: Measured) -> Rig:
        rig = rebind(self.rig, rough.rig.layout)
        rig.keep_chains(rough.rig)
        return rig

    @staticmethod
    def _on_whole(rough: Measured, rig: Rig, skins: Sequence[float]) -> Measured:
        misses = {
            name: PoseMiss(skin, miss.shape, miss.kink)
            for (name, miss), skin in zip(rough.misses.items(), skins, strict=True)
        }
        return Measured(rig, rough.poses, rough.joints, misses)

    # -- the skin --------------------------------------------------------------------------------

    def _floor(self, rig: Rig, number: int, coarse: bool) -> Floats:
        """(V, 3) the skin that rides the shape of one pose exactly.

        Twist is counted from the control that carries the others, wherever that stands.
        """
        targets = dict(self.asked[number].targets)
        held: list[float] = []
        for name, target in targets.items():
            own, root = rig.layout.ribbons[name], rig.layout.ribbons[name].chain_root
            if root is not None and np.ptp(target.twists) > 0.0:
                place = own.control_places[own.control_index(root)]
                held.append(round(float(own.ribbon.arc_length(place)) / own.ribbon.length, 9))
                targets[name] = target.twisted_from(held[-1] * own.ribbon.length)
        key = coarse, number, tuple(held)
        if key not in self._floors:
            base = self._coarse if coarse else self.rig
            self._floors[key] = exact_skin(base, motions_to(base, targets))[0]
        return self._floors[key]

    def _skin(self, rig: Rig, number: int, joints: JointPose, coarse: bool) -> float:
        """Skin error of one pose."""
        if coarse not in self._areas:
            self._areas[coarse] = vertex_areas(rig.mesh)
        away = rig.skin_joints(joints, self.method) - self._floor(rig, number, coarse)
        squares = np.einsum("vi,vi->v", away, away)
        return _worst_part(rig, self.asked[number].targets, squares, self._areas[coarse])

    def _exact_kinks(self, one: Asked) -> float:
        """How sharply a ribbon of these spans bends whose frames are exact."""
        ribbons = self.rig.layout.ribbons
        return max(exact_kink(ribbons[name].ribbon, t)[0] for name, t in one.targets.items())


def _worst_part(rig: Rig, targets: Mapping[str, object], squares: Array, areas: Array) -> float:
    """Root mean square over the skin of what takes the pose, over that ribbon's length."""
    if BODY in targets:
        mean = _weighed(squares, areas) / areas.sum()
        return float(np.sqrt(mean) / rig.layout.ribbon.length)
    worst = 0.0
    for name in targets:
        own = areas * rig.mesh_weights[:, rig.joints_of[name]].sum(axis=1)
        mean = _weighed(squares, own) / max(own.sum(), 1e-300)
        worst = max(worst, float(np.sqrt(mean) / rig.layout.ribbons[name].ribbon.length))
    return worst


def _weighed(values: Array, weights: Array) -> float:
    """The sum of products, on one thread: so short a sum is done before a second one starts."""
    return float(np.einsum("v,v->", values, weights))


def vertex_areas(mesh: CreatureMesh) -> Array:
    """(V,) a third of the area of the triangles at each vertex."""
    areas = np.repeat(mesh.triangle_areas / 3.0, 3)
    total = np.zeros(len(mesh.positions))
    np.add.at(total, mesh.triangles.ravel(), areas)
    return total

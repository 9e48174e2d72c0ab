"""Joint motions as open formats tell them: translation, rotation and scale of each node.

A ribbon joint stretches along and swells across, and its neighbours must not inherit that: a
scale above a rotation shears what hangs below it. So each ribbon joint becomes two nodes. The
*chain node* is rigid and hangs on the chain node before it; the *skin node* hangs on its chain
node, carries the scale alone and is the one that the skin is bound to. What linear blending
does with the ribbon joints is then told exactly at every key.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array
from scipy.sparse.linalg import splu

from ribbonsim.appendage_targets import test_poses_of
from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.frames import invert_rigid
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.units import Units
from ribbonsim.pose import Pose
from ribbonsim.rig import JointPose, Method, Rig
from ribbonsim.skin import Skinner

Array = NDArray[np.float64]

# A key each time that all controls together have turned so far, at the latest.
_DEGREES_A_KEY = 45.0
_FRAMES_A_SECOND = 24.0
_MOST_KEYS = 20_000
# What is fitted is fitted to so many vertices at most.
_FIT_VERTICES = 3000
_FIT_ROUNDS = 30
# Done when a step takes off less than this share, or when what is left is rounding.
_FIT_GAIN = 1e-2
_FIT_ENOUGH = 1e-18
_TOLERANCE = 1e-12


@dataclass(frozen=True, eq=False)
class Skeleton:
    """The nodes of a rig's ribbon joints at rest.

    Parameters
    ----------
    names, skin_names : (N,) tuples of str
        Of the chain nodes and the skin nodes, safe and unique, in the order of the columns
        of the rig's ``mesh_weights``.
    parents : (N,) tuple of int or None
        Index of the chain node that each chain node hangs on.
    rest : (N, 4, 4) array
        Where each stands at rest, in the units written; a chain node and its skin node stand
        at one place.
    units : Units
    """

    names: tuple[str, ...]
    skin_names: tuple[str, ...]
    parents: tuple[int | None, ...]
    rest: Array
    units: Units

    @classmethod
    def of(cls, rig: Rig, units: Units | None = None, taken: Sequence[str] = ()) -> Skeleton:
        """Take the skeleton of a rig.

        Parameters
        ----------
        rig : Rig
        units : Units, optional
            Numbers stay as they are if left out.
        taken : sequence of str
            Names that are in use already.

        Returns
        -------
        Skeleton
        """
        units = units or Units()
        count = len(rig.joint_names)
        wanted = [*rig.joint_names, *(f"{name}_skin" for name in rig.joint_names)]
        names = tuple(unique_names(wanted, taken))
        rest = units.frames(rig.joint_rest)
        return cls(names[:count], names[count:], tuple(rig.joint_parents), rest, units)

    @property
    def inverse_bind(self) -> Array:
        """(N, 4, 4) from where the mesh stands at rest into each skin node."""
        return invert_rigid(self.rest)

    def local(self, frames: Array) -> Array:
        """Frames of the chain nodes, each seen from the one that it hangs on.

        Parameters
        ----------
        frames : (..., N, 4, 4) array
            Rigid.

        Returns
        -------
        (..., N, 4, 4) array
        """
        told = np.array(frames)
        hung = [i for i, parent in enumerate(self.parents) if parent is not None]
        on = [parent for parent in self.parents if parent is not None]
        told[..., hung, :, :] = invert_rigid(frames[..., on, :, :]) @ frames[..., hung, :, :]
        return told


@dataclass(frozen=True, eq=False)
class Baked:
    """Keys of a skeleton's nodes.

    Parameters
    ----------
    frames : (K, N, 4, 4) array
        Rigid; where the chain nodes stand at each key, in the units written.
    scales : (K, N, 3) array
        Of the skin nodes, along, across and normal.
    skeleton : Skeleton
    """

    frames: Array
    scales: Array
    skeleton: Skeleton

    @cached_property
    def _local(self) -> Array:
        return self.skeleton.local(self.frames)

    @property
    def translations(self) -> Array:
        """(K, N, 3) of the chain nodes, from the one that each hangs on."""
        return self._local[..., :3, 3]

    @cached_property
    def rotations(self) -> Array:
        """(K, N, 4) unit quaternions x, y, z, w of the same; signs agree from key to key."""
        from scipy.spatial.transform import Rotation

        turns = self._local[..., :3, :3]
        found = Rotation.from_matrix(turns.reshape(-1, 3, 3)).as_quat().reshape(*turns.shape[:2], 4)
        found[0] *= np.where(found[0, :, 3:] < 0, -1.0, 1.0)
        agree = np.sum(found[1:] * found[:-1], axis=-1, keepdims=True)
        found[1:] *= np.cumprod(np.where(agree < 0, -1.0, 1.0), axis=0)
        return found

    @property
    def transforms(self) -> Array:
        """(K, N, 4, 4) from rest to each key: what linear blending is done with."""
        whole = np.array(self.frames)
        whole[..., :3, :3] *= self.scales[..., None, :]
        return whole @ self.skeleton.inverse_bind


@dataclass(frozen=True, eq=False)
class Motion:
    """Poses over time.

    Parameters
    ----------
    name : str
    times : (K,) array
        Rising, seconds, from 0.
    poses : (K,) tuple of Pose
    """

    name: str
    times: Array
    poses: tuple[Pose, ...]

    def __post_init__(self) -> None:
        times = np.array(self.times, dtype=float)
        if times.ndim != 1 or not len(times) or len(times) != len(self.poses):
            raise RibbonsimError(
                f"the motion {self.name!r} has {times.size} times for {len(self.poses)} poses: "
                "give one time for each, and at least one"
            )
        if times[0] < 0 or not np.isfinite(times).all() or (np.diff(times) <= 0).any():
            raise RibbonsimError(
                f"the times of the motion {self.name!r} do not rise: give seconds in order, from 0"
            )
        object.__setattr__(self, "times", times)
        object.__setattr__(self, "poses", tuple(self.poses))

    @classmethod
    def there_and_back(
        cls,
        name: str,
        pose: Pose,
        seconds: float = 1.0,
        frames_a_second: float = _FRAMES_A_SECOND,
    ) -> Motion:
        """From rest to a pose and back.

        Parameters
        ----------
        name : str
        pose : Pose
            Reached at ``seconds``, in shares as :meth:`Pose.scaled` makes them.
        seconds : float
            For one way.
        frames_a_second : float
            Keys are set as often, and more often where joints turn quickly.

        Returns
        -------
        Motion

        Raises
        ------
        RibbonsimError
            If a number cannot be used or there would be too many keys.
        """
        check_number("seconds", seconds, 0.01, 3600.0)
        check_number("frames a second", frames_a_second, 0.1, 1000.0)
        turn = sum(abs(c.bend) + abs(c.sway) + abs(c.twist) for c in pose.controls.values())
        steps = max(1, round(seconds * frames_a_second), int(np.ceil(turn / _DEGREES_A_KEY)))
        if steps > _MOST_KEYS:
            raise RibbonsimError(
                f"the motion {name!r} would have {steps} keys one way: give fewer seconds or "
                "frames a second"
            )
        shares = np.linspace(0.0, 1.0, steps + 1)
        there = [Pose(keep_volume=pose.keep_volume), *(pose.scaled(a) for a in shares[1:-1]), pose]
        times = seconds * np.r_[shares, 1.0 + shares[1:]]
        return cls(name, times, tuple([*there, *there[-2::-1]]))

    @classmethod
    def sequence(
        cls, name: str, poses: Sequence[Pose], frames_a_second: float = _FRAMES_A_SECOND
    ) -> Motion:
        """Poses at even steps.

        Parameters
        ----------
        name : str
        poses : sequence of Pose
            At least one.
        frames_a_second : float

        Returns
        -------
        Motion

        Raises
        ------
        RibbonsimError
            If there is no pose.
        """
        check_number("frames a second", frames_a_second, 0.1, 1000.0)
        if not len(poses):
            raise RibbonsimError(f"the motion {name!r} has no poses: give at least one")
        return cls(name, np.arange(len(poses)) / frames_a_second, tuple(poses))


def choose_poses(rig: Rig, poses: Mapping[str, Pose] | Sequence[str] | None) -> dict[str, Pose]:
    """Settle which poses leave, and under which names.

    Parameters
    ----------
    rig : Rig
    poses : mapping of str to Pose, sequence of str, or None
        Poses by name; or names of poses kept with the layout and of test poses; or, if None,
        every kept pose and every test pose in its usual amount, those of appendages too
        where there are any.

    Returns
    -------
    dict of str to Pose

    Raises
    ------
    RibbonsimError
        If a name is unknown or a pose moves a control that is not there.
    """
    kept, tests = rig.layout.poses, test_poses_of(rig.layout)
    if isinstance(poses, Mapping):
        chosen = {str(name): pose for name, pose in poses.items()}
        for name, pose in chosen.items():
            if not isinstance(pose, Pose):
                raise RibbonsimError(f"{name!r} is not a pose but {pose!r}: give a Pose")
    else:
        if isinstance(poses, str):
            poses = [poses]
        names = [*kept, *tests] if poses is None else poses
        chosen = {}
        for name in names:
            if not isinstance(name, str):
                raise RibbonsimError(
                    "poses without names cannot be told apart: give a mapping of names to poses"
                )
            if name not in kept and name not in tests:
                raise RibbonsimError(
                    f"no pose is called {name!r}: choose from {', '.join([*kept, *tests])}"
                )
            chosen[name] = kept[name] if name in kept else rig.pose_for(name)
    for name, pose in chosen.items():
        _check_controls(rig, name, pose)
    return chosen


def _check_controls(rig: Rig, name: str, pose: Pose) -> None:
    known = rig.layout.all_control_names
    for control in pose.controls:
        if control not in known:
            raise RibbonsimError(
                f"the pose {name!r} moves {control!r}, which is not there: "
                f"choose from {', '.join(known)}"
            )


def bake(rig: Rig, skeleton: Skeleton, poses: Sequence[Pose], method: Method = "linear") -> Baked:
    """Find the keys of a skeleton's nodes for poses.

    Parameters
    ----------
    rig : Rig
    skeleton : Skeleton
        Of this rig.
    poses : (K,) sequence of Pose
    method : {"linear", "dual_quaternion"}
        What the keys are to give when a program blends linearly. The first they give exactly.
        The second no keys can give: they are then those with the least sum of squared
        differences over the vertices.

    Returns
    -------
    Baked
    """
    # the way back of a motion is made of the same poses as the way there
    first = {id(pose): k for k, pose in reversed(list(enumerate(poses)))}
    once = sorted(set(first.values()))
    joints = [rig.joint_pose(poses[k]) for k in once]
    whole = np.array([one.transforms @ rig.joint_rest for one in joints])
    turns = np.array([one.rigid[:, :3, :3] @ rig.joint_rest[:, :3, :3] for one in joints])
    frames, scales = split_scales(whole, turns)
    if method == "dual_quaternion":
        fit = _Fit.of(rig)
        for k, one in enumerate(joints):
            frames[k], scales[k] = fit.solve(one, frames[k], scales[k])
    keys = np.searchsorted(once, [first[id(pose)] for pose in poses])
    return Baked(skeleton.units.frames(frames)[keys], scales[keys], skeleton)


def split_scales(whole: Array, turns: Array) -> tuple[Array, Array]:
    """Part affine frames into rigid ones and scales along their own axes.

    Parameters
    ----------
    whole : (..., 4, 4) array
    turns : (..., 3, 3) array
        Rotations to try first.

    Returns
    -------
    frames : (..., 4, 4) array
        Rigid.
    scales : (..., 3) array
        ``frames`` times the diagonal of ``scales`` is ``whole``; where a shear forbids that,
        it is as near as it can be in the sum of squares.
    """
    matrices = whole[..., :3, :3].reshape(-1, 3, 3)
    turn = turns.reshape(-1, 3, 3).copy()
    scale = np.einsum("kij,kij->kj", turn, matrices)
    left = np.abs(turn * scale[:, None, :] - matrices).max(axis=(1, 2))
    sheared = np.flatnonzero(left > _TOLERANCE * np.abs(matrices).max(axis=(1, 2)))
    for _ in range(50 if len(sheared) else 0):
        u, _, v = np.linalg.svd(matrices[sheared] * scale[sheared, None, :])
        u[..., 2] *= np.linalg.det(u @ v)[:, None]
        turn[sheared] = u @ v
        scale[sheared] = np.einsum("kij,kij->kj", turn[sheared], matrices[sheared])
    frames = whole.copy()
    frames[..., :3, :3] = turn.reshape(turns.shape)
    return frames, scale.reshape(*turns.shape[:-1])


@dataclass(frozen=True, eq=False)
class _Fit:
    """Least squares for nodes that blend linearly, against another way of blending.

    The skin is linear in the nodes' matrices, so the vertices enter once, as the normal
    matrix of weights times positions; the rotations and scales are then found by damped
    Gauss-Newton steps whose cost does not depend on the mesh.

    References
    ----------
    B. H. Le, Z. Deng, "Smooth skinning decomposition with rigid bones", ACM Transactions on
    Graphics 31(6), 2012, fits bones to given skins; D. W. Marquardt, "An algorithm for
    least-squares estimation of nonlinear parameters", SIAM J. Applied Mathematics 11, 1963.
    """

    skinner: Skinner
    features: csr_array
    normal: Array
    pairs: tuple[NDArray[np.int64], NDArray[np.int64]]
    blocks: Array
    size: float

    @classmethod
    def of(cls, rig: Rig) -> _Fit:
        positions, weights = rig.mesh.positions, rig.mesh_weights
        step = -(-len(positions) // _FIT_VERTICES)
        order = np.argsort(rig.places, kind="stable")[::step]
        points, weights = positions[order], weights[order]
        vertex, joint = np.nonzero(weights)
        back = invert_rigid(rig.joint_rest)[joint]
        size = rig.mesh.diagonal
        local = np.einsum("kij,kj->ki", back[:, :3, :3], points[vertex]) + back[:, :3, 3]
        rows = np.column_stack([local / size, np.ones(len(local))])
        values = (weights[vertex, joint][:, None] * rows).ravel()
        columns = (4 * joint[:, None] + np.arange(4)).ravel()
        shape = (len(points), 4 * weights.shape[1])
        features = csr_array((values, (np.repeat(vertex, 4), columns)), shape=shape)
        normal = (features.T @ features).toarray()
        tiles = normal.reshape(shape[1] // 4, 4, -1, 4).transpose(0, 2, 1, 3)
        one, two = np.nonzero(tiles.any(axis=(2, 3)))
        skinner = Skinner(points, weights, parents=rig.joint_parents)
        return cls(skinner, features, normal, (one, two), tiles[one, two], size)

    def solve(self, joints: JointPose, frames: Array, scales: Array) -> tuple[Array, Array]:
        """Find rigid frames and scales nearest to a dual-quaternion skin, from a first guess."""
        wanted = self.skinner.dual_quaternion(joints.rigid, joints.scales) / self.size
        middle = wanted.mean(axis=0)
        target = self.features.T @ (wanted - middle)
        total = float(np.sum((wanted - middle) ** 2))
        frames, scales = frames.copy(), scales.copy()
        frames[:, :3, 3] = frames[:, :3, 3] / self.size - middle
        damping, cost = 1e-6, self._cost(frames, scales, target, total)
        for _ in range(_FIT_ROUNDS):
            matrix, right = self._equations(frames, scales, target)
            diagonal = np.diag(matrix).copy()
            matrix[np.diag_indices_from(matrix)] += damping * (diagonal + 1e-9 * diagonal.max())
            step = splu(csc_array(matrix)).solve(right).reshape(-1, 9)
            trial = _stepped(frames, scales, step)
            reached = self._cost(*trial, target, total)
            if reached < cost:
                gain, cost = cost - reached, reached
                (frames, scales), damping = trial, damping / 4.0
                if gain <= _FIT_GAIN * cost or cost <= _FIT_ENOUGH * len(wanted):
                    break
            else:
                damping *= 8.0
        frames[:, :3, 3] = (frames[:, :3, 3] + middle) * self.size
        return frames, scales

    def _cost(self, frames: Array, scales: Array, target: Array, total: float) -> float:
        columns = _columns(frames, scales)
        product = np.sum(columns * (self.normal @ columns)) - 2.0 * np.sum(columns * target)
        return float(product) + total

    def _equations(self, frames: Array, scales: Array, target: Array) -> tuple[Array, Array]:
        """Normal equations of a step: three turns, three shifts, three scales a joint."""
        count = len(frames)
        residual = target - self.normal @ _columns(frames, scales)
        slopes = _slopes(frames, scales)
        right = slopes.transpose(0, 2, 1) @ residual.reshape(count, 12, 1)
        one, two = self.pairs
        half = self.blocks @ slopes[two].reshape(-1, 4, 27)
        matrix = np.zeros((count, 9, count, 9))
        matrix[one, :, two, :] = slopes[one].transpose(0, 2, 1) @ half.reshape(-1, 12, 9)
        return matrix.reshape(9 * count, 9 * count), right.ravel()


def _columns(frames: Array, scales: Array) -> Array:
    """(4 N, 3) the nodes' matrices, one under the other, transposed."""
    whole = frames[:, :3, :].copy()
    whole[:, :, :3] *= scales[:, None, :]
    return whole.transpose(0, 2, 1).reshape(-1, 3)


def _slopes(frames: Array, scales: Array) -> Array:
    """(N, 12, 9) how the columns answer to turns in the world, shifts and scales."""
    slopes = np.zeros((len(frames), 4, 3, 9))
    axes = frames[:, :3, :3].transpose(0, 2, 1)
    unit = np.eye(3)
    for p in range(3):
        slopes[:, :3, :, p] = np.cross(unit[p], axes * scales[:, :, None])
        slopes[:, 3, p, 3 + p] = 1.0
        slopes[:, p, :, 6 + p] = axes[:, p]
    return slopes.reshape(-1, 12, 9)


def _stepped(frames: Array, scales: Array, step: Array) -> tuple[Array, Array]:
    from scipy.spatial.transform import Rotation

    moved = frames.copy()
    moved[:, :3, :3] = Rotation.from_rotvec(step[:, :3]).as_matrix() @ frames[:, :3, :3]
    moved[:, :3, 3] += step[:, 3:6]
    return moved, np.maximum(scales + step[:, 6:], 1e-3)


@dataclass(frozen=True)
class Difference:
    """How far what a program makes of the keys is from this rig's own skin.

    All are largest distances over the vertices, in shares of the body's size (the diagonal
    of its bounding box).

    Parameters
    ----------
    pose : str
    told : float
        At the pose's key, against the way of blending that was asked for.
    vertex : int
        Where, from 0 in file order.
    root_mean_square : float
        Of the same over all vertices.
    between : float
        Half way between two keys of the motion from rest to the pose, the worst of them.
    other : float
        At the pose's key, against the other way of blending.
    without_scale : float
        At the pose's key, if a program leaves out the scale of joints.
    """

    pose: str
    told: float
    vertex: int
    root_mean_square: float
    between: float
    other: float
    without_scale: float


def measure_difference(
    rig: Rig, name: str, pose: Pose, method: Method = "linear", motion: Motion | None = None
) -> Difference:
    """Measure what the keys of a pose cannot tell.

    Parameters
    ----------
    rig : Rig
    name : str
        Of the pose.
    pose : Pose
    method : {"linear", "dual_quaternion"}
        What the keys are fitted to.
    motion : Motion, optional
        From rest to the pose and back; one second each way if left out.

    Returns
    -------
    Difference
    """
    skeleton, size = Skeleton.of(rig), rig.mesh.diagonal
    baked = bake(rig, skeleton, [pose], method)
    told = rig.skinner.linear(baked.transforms[0])
    plain = Baked(baked.frames, np.ones_like(baked.scales), skeleton)
    other: Method = "dual_quaternion" if method == "linear" else "linear"
    far = np.linalg.norm(told - rig.deform(pose, method), axis=1)
    return Difference(
        name,
        float(far.max()) / size,
        int(far.argmax()),
        float(np.sqrt(np.mean(far**2))) / size,
        _between(rig, skeleton, motion or Motion.there_and_back(name, pose), pose, method),
        _farthest(told, rig.deform(pose, other)) / size,
        _farthest(told, rig.skinner.linear(plain.transforms[0])) / size,
    )


def _farthest(a: NDArray[np.floating], b: NDArray[np.floating]) -> float:
    return float(np.linalg.norm(a - b, axis=1).max())


def _between(rig: Rig, skeleton: Skeleton, motion: Motion, pose: Pose, method: Method) -> float:
    """Worst distance half way between keys, at most eight places looked at."""
    steps = (len(motion.times) - 1) // 2
    if steps < 1:
        return 0.0
    worst = 0.0
    for k in np.unique(np.linspace(0, steps - 1, min(steps, 8)).round().astype(int)).tolist():
        keys = bake(rig, skeleton, [motion.poses[k], motion.poses[k + 1]], method)
        middle = rig.skinner.linear(halfway(keys).transforms[0])
        meant = rig.deform(pose.scaled((k + 0.5) / steps), method)
        worst = max(worst, _farthest(middle, meant) / rig.mesh.diagonal)
    return worst


def halfway(keys: Baked) -> Baked:
    """What a program shows half way between two keys, by the rules of glTF 2.0.

    Parameters
    ----------
    keys : Baked
        Two of them.

    Returns
    -------
    Baked
        One: translations and scales in the middle, rotations half way along the shorter arc.
    """
    from scipy.spatial.transform import Rotation

    skeleton = keys.skeleton
    local = np.zeros((len(skeleton.names), 4, 4))
    local[:, 3, 3] = 1.0
    # half way along the arc is the sum of the two, made of unit length again
    turns = Rotation.from_quat(keys.rotations.sum(axis=0))
    local[:, :3, :3] = turns.as_matrix()
    local[:, :3, 3] = keys.translations.mean(axis=0)
    frames = local.copy()
    for i in chain_order(skeleton.parents):
        parent = skeleton.parents[i]
        if parent is not None:
            frames[i] = frames[parent] @ local[i]
    return Baked(frames[None], keys.scales.mean(axis=0)[None], skeleton)


def chain_order(parents: Sequence[int | None]) -> list[int]:
    """Order nodes so that each comes after the one that it hangs on.

    Parameters
    ----------
    parents : (N,) sequence of int or None

    Returns
    -------
    list of int
    """
    order: list[int] = []
    done: set[int | None] = {None}
    while len(order) < len(parents):
        ready = [i for i, parent in enumerate(parents) if i not in done and parent in done]
        if not ready:
            raise RibbonsimError("ribbon joints hang on each other in a circle: break the circle")
        order += ready
        done.update(ready)
    return order

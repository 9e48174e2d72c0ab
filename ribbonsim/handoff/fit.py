"""Keys fitted by least squares to a skin that linear blending cannot give."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array
from scipy.sparse.linalg import splu
from scipy.spatial.transform import Rotation

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import invert_rigid
from ribbonsim.rig.chains import JointPose
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.skin import Skinner

# What is fitted is fitted to so many vertices at most.
_VERTICES = 3000
_ROUNDS = 30
# Done when a step takes off less than this share, or when what is left is rounding.
_GAIN = 1e-2
_ENOUGH = 1e-18


@dataclass(frozen=True, eq=False)
class KeyFit:
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
    def of(cls, rig: Rig) -> KeyFit:
        """Take the skin of a rig, thinned out to as many vertices as a fit needs."""
        positions, weights = rig.mesh.positions, rig.mesh_weights
        step = -(-len(positions) // _VERTICES)
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
        row, column = np.nonzero(tiles.any(axis=(2, 3)))
        skinner = Skinner(points, weights, parents=rig.joint_parents)
        return cls(skinner, features, normal, (row, column), tiles[row, column], size)

    def solve(self, joints: JointPose, frames: Array, scales: Array) -> tuple[Array, Array]:
        """Find rigid frames and scales nearest to a dual-quaternion skin, from a first guess."""
        wanted = self.skinner.dual_quaternion(joints.rigid, joints.scales) / self.size
        middle = wanted.mean(axis=0)
        target = self.features.T @ (wanted - middle)
        total = float(np.sum((wanted - middle) ** 2))
        frames, scales = frames.copy(), scales.copy()
        frames[:, :3, 3] = frames[:, :3, 3] / self.size - middle
        damping, cost = 1e-6, self._cost(frames, scales, target, total)
        for _ in range(_ROUNDS):
            matrix, right = self._equations(frames, scales, target)
            diagonal = np.diag(matrix).copy()
            matrix[np.diag_indices_from(matrix)] += damping * (diagonal + 1e-9 * diagonal.max())
            step = splu(csc_array(matrix)).solve(right).reshape(-1, 9)
            trial = _stepped(frames, scales, step)
            reached = self._cost(*trial, target, total)
            if reached < cost:
                gain, cost = cost - reached, reached
                (frames, scales), damping = trial, damping / 4.0
                if gain <= _GAIN * cost or cost <= _ENOUGH * len(wanted):
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
        row, column = self.pairs
        half = self.blocks @ slopes[column].reshape(-1, 4, 27)
        matrix = np.zeros((count, 9, count, 9))
        matrix[row, :, column, :] = slopes[row].transpose(0, 2, 1) @ half.reshape(-1, 12, 9)
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
    moved = frames.copy()
    moved[:, :3, :3] = Rotation.from_rotvec(step[:, :3]).as_matrix() @ frames[:, :3, :3]
    moved[:, :3, 3] += step[:, 3:6]
    return moved, np.maximum(scales + step[:, 6:], 1e-3)

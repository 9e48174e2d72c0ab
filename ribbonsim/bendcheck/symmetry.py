"""Left and right: whether a rig keeps to its mesh's plane of symmetry."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.body.plane import SymmetryPlane
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.mirror import mirror_pose, opposite_joints, pair_appendages
from ribbonsim.rig.rig import Method, Rig


def weight_asymmetry(rig: Rig, plane: SymmetryPlane) -> Array:
    """(V,) largest difference between a vertex's weights and those of its mirror image, 0 to 1.

    Joints of an appendage are held against those of the one that is its mirror image by
    place, whether they are noted as partners or not. 0 at a vertex that has no partner.
    """
    paired, _ = pair_appendages(rig.layout, plane)
    opposite = rig.mesh_weights[plane.pairs][:, opposite_joints(paired)]
    return np.where(plane.matched, np.abs(rig.mesh_weights - opposite).max(axis=1), 0.0)


def pose_asymmetry(rig: Rig, plane: SymmetryPlane, pose: Pose, method: Method = "linear") -> float:
    """How far the mesh in the mirrored pose is from the mirror image of the posed mesh.

    The root mean square distance over the body length, of vertices that have a partner.
    """
    posed = rig.deform(pose, method)
    paired, _ = pair_appendages(rig.layout, plane)
    opposite = rig.deform(mirror_pose(paired, plane, pose), method)
    gap = (plane.mirror(opposite[plane.pairs]) - posed)[plane.matched]
    if not len(gap):
        return 0.0
    return float(np.sqrt(np.mean(np.sum(gap**2, axis=1))) / rig.layout.ribbon.length)

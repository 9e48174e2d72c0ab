"""Left and right: whether a rig keeps to its mesh's plane of symmetry."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ribbonsim.mirror import mirror_pose, opposite_joints, pair_appendages
from ribbonsim.plane import SymmetryPlane
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig

Array = NDArray[np.float64]


def weight_asymmetry(rig: Rig, plane: SymmetryPlane) -> Array:
    """Largest difference between a vertex's weights and those of its mirror image.

    Joints of an appendage are held against those of the one that is its mirror image by
    place, whether they are noted as partners or not.

    Parameters
    ----------
    rig : Rig
    plane : SymmetryPlane

    Returns
    -------
    (V,) array
        0 to 1.
    """
    paired, _ = pair_appendages(rig.layout, plane)
    opposite = rig.mesh_weights[plane.pairs][:, opposite_joints(paired)]
    return np.abs(rig.mesh_weights - opposite).max(axis=1)


def pose_asymmetry(rig: Rig, plane: SymmetryPlane, pose: Pose, method: Method = "linear") -> float:
    """How far the mesh in the mirrored pose is from the mirror image of the posed mesh.

    Parameters
    ----------
    rig : Rig
    plane : SymmetryPlane
    pose : Pose
    method : {"linear", "dual_quaternion"}

    Returns
    -------
    float
        Root mean square distance over the body length.

    Raises
    ------
    RibbonsimError
        If the method or a control is unknown.
    """
    posed = rig.deform(pose, method)
    paired, _ = pair_appendages(rig.layout, plane)
    opposite = rig.deform(mirror_pose(paired, plane, pose), method)
    gap = plane.mirror(opposite[plane.pairs]) - posed
    return float(np.sqrt(np.mean(np.sum(gap**2, axis=1))) / rig.layout.ribbon.length)

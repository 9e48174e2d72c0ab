"""Posed meshes: one OBJ a pose, everything but the positions as in the source."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from ribbonsim.bundle import Bundle, file_names
from ribbonsim.checks import check_choice
from ribbonsim.handoff.baking import choose_poses
from ribbonsim.handoff.units import Units
from ribbonsim.obj import PosedObj
from ribbonsim.pose import Pose
from ribbonsim.rig import METHODS, Method, Rig


def export_posed_meshes(
    rig: Rig,
    folder: str | os.PathLike[str],
    poses: Mapping[str, Pose] | Sequence[str] | None = None,
    *,
    method: Method = "linear",
    units: Units | None = None,
    force: bool = False,
) -> list[Path]:
    """Write the mesh in each pose as OBJ.

    Polygons, texture coordinates, groups, objects, vertex colours and the order of vertices
    are the source's; normals are left out, as they belong to the shape at rest.

    Parameters
    ----------
    rig : Rig
    folder : path
        Made if it is not there.
    poses : mapping of str to Pose, sequence of str, or None
        Poses by name; names of kept and test poses; or, if None, all of those. Each file has
        the name of the mesh and of its pose.
    method : {"linear", "dual_quaternion"}
    units : Units, optional
        What to convert; numbers stay as they are if left out.
    force : bool
        Replace files that are there.

    Returns
    -------
    list of Path
        One for each pose, in their order.

    Raises
    ------
    RibbonsimError
        If an argument cannot be used or the files cannot be written.
    """
    check_choice("method", method, METHODS)
    units = units or Units()
    chosen = choose_poses(rig, poses)
    names = file_names(chosen, ".obj", lead=rig.mesh.name)
    with Bundle(folder, force) as bundle:
        bundle.claim(names)
        writer = PosedObj(rig.mesh, [units.sentence()])
        files = {
            name: writer.text(units.points(rig.deform(pose, method)))
            for name, pose in zip(names, chosen.values(), strict=True)
        }
        bundle.write(files)
    return [bundle.folder / name for name in names]

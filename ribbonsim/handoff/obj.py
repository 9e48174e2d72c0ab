"""OBJ: the mesh in each pose, and the ribbons as spline surfaces.

Ribbons are free-form statements: ``cstype bspline``, ``deg``, ``surf``, ``parm u``, ``parm v`` and
``end``, as the "Advanced Visualizer" manual defines them (Wavefront, appendix B1, "Object files"):
control points with ``u`` running fastest, and for ``n`` control points of degree ``d`` a knot
vector of ``n + d + 1`` numbers, written out in full.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from ribbonsim.checks import check_choice
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.files.names import file_names
from ribbonsim.files.writing import Bundle
from ribbonsim.handoff.clips import choose_poses
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.units import Units
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import Pose
from ribbonsim.mesh.obj_write import PosedObj
from ribbonsim.rig.rig import METHODS, Method, Rig

_WORDS_A_LINE = 12


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
    units = units or Units(up=rig.layout.up)
    chosen = choose_poses(rig, poses)
    names = file_names(chosen, ".obj", lead=rig.mesh.name)
    with Bundle(folder, force, (rig.mesh.source,)) as bundle:
        bundle.claim(names)
        writer = PosedObj(rig.mesh, [units.sentence()])
        files = {
            name: writer.text(units.points(rig.deform(pose, method)))
            for name, pose in zip(names, chosen.values(), strict=True)
        }
        bundle.write(files)
    return [bundle.folder / name for name in names]


# -- ribbons ---------------------------------------------------------------------------------------


def export_surface(
    rig: Rig,
    path: str | os.PathLike[str],
    *,
    units: Units | None = None,
    force: bool = False,
) -> Path:
    """Write the rig's ribbons at rest as spline surfaces into an OBJ file.

    Parameters
    ----------
    rig : Rig
    path : path
        Such as ``ribbon.obj``; its folder is made if it is not there.
    units : Units, optional
        What to convert to; numbers stay as they are if left out.
    force : bool
        Replace a file that is there.

    Returns
    -------
    Path

    Raises
    ------
    RibbonsimError
        If the file is there already and ``force`` is off, or it cannot be written.
    """
    held, target = units or Units(up=rig.layout.up), Path(path)
    with Bundle(target.parent, force, (rig.mesh.source,)) as bundle:
        text = surface_text(written_ribbons(rig, held), (held.sentence(),))
        bundle.write({target.name: text})
    return target


def written_ribbons(rig: Rig, units: Units) -> dict[str, Ribbon]:
    """The ribbons at rest by safe names, in the units that are written."""
    layouts: Mapping[str, OneRibbon] = rig.layout.ribbons
    names = unique_names("ribbon" if name == BODY else f"ribbon_{name}" for name in layouts)
    return {
        name: Ribbon(units.points(layout.ribbon.control_points), layout.ribbon.knots)
        for name, layout in zip(names, layouts.values(), strict=True)
    }


def surface_text(ribbons: Mapping[str, Ribbon], remarks: tuple[str, ...] = ()) -> str:
    """Write ribbons by name as OBJ free-form surfaces, remarks as comments at the top.

    Numbers are written so that they read back bit for bit.
    """
    lines = ["# spline surfaces: degree 1 across (u), 3 along (v); control points, u fastest"]
    lines += [f"# {' '.join(remark.split())}" for remark in remarks]
    before = 0
    for name, ribbon in ribbons.items():
        lines += _statements(name, ribbon, before)
        before += 2 * len(ribbon.control_points)
    return "\n".join(lines) + "\n"


def _statements(name: str, ribbon: Ribbon, before: int) -> Iterator[str]:
    """One surface; ``before`` vertices stand in the file already."""
    points = ribbon.control_points.reshape(-1, 3)
    yield f"o {name}"
    for x, y, z in points.tolist():
        yield f"v {x!r} {y!r} {z!r}"
    yield f"g {name}"
    yield "cstype bspline"
    yield f"deg 1 {ribbon.degree}"
    references = [str(before + 1 + i) for i in range(len(points))]
    yield from _continued(["surf", "0", "1", "0", "1", *references])
    yield "parm u 0 0 1 1"
    yield from _continued(["parm", "v", *(repr(knot) for knot in ribbon.knots.tolist())])
    yield "end"


def _continued(words: list[str]) -> Iterator[str]:
    """A statement in lines of a readable length, each but the last ending in a backslash."""
    starts = range(0, len(words), _WORDS_A_LINE)
    rows = [" ".join(words[start : start + _WORDS_A_LINE]) for start in starts]
    yield from (f"{row} \\" for row in rows[:-1])
    yield rows[-1]

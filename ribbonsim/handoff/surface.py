"""Ribbons as spline surfaces in OBJ's free-form statements.

The statements are ``cstype bspline``, ``deg``, ``surf``, ``parm u``, ``parm v`` and ``end``, as
the "Advanced Visualizer" manual defines them (Wavefront, appendix B1, "Object files"): control
points with ``u`` running fastest, and for ``n`` control points of degree ``d`` a knot vector of
``n + d + 1`` numbers, written out in full.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from ribbonsim.bundle import Bundle
from ribbonsim.handoff.names import unique_names
from ribbonsim.handoff.units import Units
from ribbonsim.layout import BODY, Layout
from ribbonsim.ribbon import Ribbon
from ribbonsim.rig import Rig

_WORDS_A_LINE = 12


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
    held, target = units or Units(), Path(path)
    with Bundle(target.parent, force) as bundle:
        text = surface_text(written_ribbons(rig, held), (held.sentence(),))
        bundle.write({target.name: text})
    return target


def written_ribbons(rig: Rig, units: Units) -> dict[str, Ribbon]:
    """The ribbons at rest by safe names, in the units that are written.

    Parameters
    ----------
    rig : Rig
    units : Units

    Returns
    -------
    dict of str to Ribbon
    """
    layouts: Mapping[str, Layout] = rig.layout.ribbons
    names = unique_names("ribbon" if name == BODY else f"ribbon_{name}" for name in layouts)
    return {
        name: Ribbon(units.points(layout.ribbon.control_points), layout.ribbon.knots)
        for name, layout in zip(names, layouts.values(), strict=True)
    }


def surface_text(ribbons: Mapping[str, Ribbon], remarks: tuple[str, ...] = ()) -> str:
    """Write ribbons as OBJ free-form surfaces.

    Parameters
    ----------
    ribbons : mapping of str to Ribbon
        By the names they get in the file.
    remarks : tuple of str
        Comment lines at the top, such as the unit.

    Returns
    -------
    str
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

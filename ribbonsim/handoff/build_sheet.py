"""The build sheet: a page and a printed sheet by which a rig is built by hand."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from ribbonsim.bundle import Bundle
from ribbonsim.handoff.baking import choose_poses
from ribbonsim.handoff.differences import Discrepancy, measure_discrepancies
from ribbonsim.handoff.sheet_checks import check_values, simple_poses, what_differs
from ribbonsim.handoff.sheet_model import Sheet, Writer
from ribbonsim.handoff.sheet_pdf import check_pdf, print_sheet
from ribbonsim.handoff.sheet_steps import steps_of_work
from ribbonsim.handoff.strip import plot_strip
from ribbonsim.handoff.units import Units
from ribbonsim.html import embed, page_environment
from ribbonsim.pose import Pose
from ribbonsim.rig import Rig
from ribbonsim.view.camera import telling_view
from ribbonsim.view.pictures import draw_ribbon
from ribbonsim.view.plots import Plot
from ribbonsim.view.scene import Stage

Bytes = NDArray[np.uint8]
Progress = Callable[[str, int, int], None]

PAGE, PRINT = "build_sheet.html", "build_sheet.pdf"
PICTURE_SIZE = (1500, 1000)
_CHECKED = 2


@dataclass(frozen=True)
class BuildSheet:
    """A build sheet that was written.

    Parameters
    ----------
    page, pdf : Path
        The same in HTML, with nothing beside it, and for printing.
    checks : dict of str to Pose
        Poses that it gives values for.
    discrepancies : tuple of Discrepancy
        What other ways make of poses.
    """

    page: Path
    pdf: Path
    checks: dict[str, Pose]
    discrepancies: tuple[Discrepancy, ...]


def build_sheet(
    rig: Rig,
    folder: str | os.PathLike[str],
    poses: Mapping[str, Pose] | Sequence[str] | None = None,
    *,
    units: Units | None = None,
    force: bool = False,
    picture: Bytes | None = None,
    progress: Progress | None = None,
) -> BuildSheet:
    """Write the sheet by which the rig is built by hand in any package.

    It tells in order of work how the ribbon, its joints, its controls and all weights are made,
    with a picture in which they are numbered, values to check the result by, and how far other
    ways of posing are from what ribbonsim shows.

    Parameters
    ----------
    rig : Rig
    folder : path
        Made if it is not there; gets ``build_sheet.html`` and ``build_sheet.pdf``.
    poses : mapping of str to Pose, or sequence of str, optional
        Poses that differences are measured in; the first two are those to check by. If left
        out, two that are quickly set by hand are checked, and differences measured in these
        and in all kept poses and test poses.
    units : Units, optional
        What to convert to; numbers stay as they are if left out.
    force : bool
        Replace files that are there.
    picture : (height, width, 3) array of uint8, optional
        What :func:`draw_numbered` has drawn, if that is done elsewhere.
    progress : callable, optional
        Called as ``progress(stage, done, total)``; raise in it to stop. Nothing is then
        written.

    Returns
    -------
    BuildSheet

    Raises
    ------
    RibbonsimError
        If reportlab is not installed, a pose is unknown, a file is in the way, or nothing can
        be drawn or written.
    """
    check_pdf()
    tell = progress or (lambda *_: None)
    chosen = choose_poses(rig, poses)
    asked = dict(list(chosen.items())[:_CHECKED]) if poses is not None else {}
    checks = asked or simple_poses(rig)
    held = units or Units()
    with Bundle(folder, force) as bundle:
        bundle.claim([PAGE, PRINT])
        found = measure_discrepancies(rig, {**checks, **chosen}, tell)
        tell("draw", 0, 1)
        sheet = describe(rig, checks, found, held)
        numbered = draw_numbered(rig) if picture is None else picture
        strips = _strips(rig, held)
        tell("draw", 1, 1)
        tell("write", 0, 1)
        files: dict[str, str | bytes] = {
            PAGE: render_sheet(sheet, numbered, strips, rig.mesh.source),
            PRINT: print_sheet(sheet, numbered, strips),
        }
        bundle.write(files)
        tell("write", 1, 1)
    return BuildSheet(bundle.folder / PAGE, bundle.folder / PRINT, dict(checks), found)


def describe(
    rig: Rig, checks: Mapping[str, Pose], found: Sequence[Discrepancy], units: Units
) -> Sheet:
    """Put into words and tables what somebody needs to build a rig by hand.

    Parameters
    ----------
    rig : Rig
    checks : mapping of str to Pose
        Poses to compare in afterwards.
    found : sequence of Discrepancy
    units : Units

    Returns
    -------
    Sheet
    """
    layout = rig.layout
    write = Writer(units, layout.ribbon.length)
    ribbons = layout.ribbons.values()
    unit = units.unit_name
    return Sheet(
        name=rig.mesh.name,
        lead="The ribbon, joints, controls and weights of this layout, in the order in which they "
        "are built by hand, with values to check the result by.",
        numbers=(
            (f"{len(rig.mesh.positions):,}", "", "vertices"),
            (write.distance(layout.ribbon.length), "", f"body length, {unit}"),
            (str(sum(one.ribbon.spans for one in ribbons)), "", "spans"),
            (str(len(rig.joint_names)), "", "ribbon joints"),
            (str(len(layout.all_control_names)), "", "controls"),
            (str(layout.mesh_weights.influences), "", "joints a vertex"),
        ),
        sections=(
            *steps_of_work(rig, write),
            check_values(rig, checks, write),
            what_differs(found),
        ),
    )


def draw_numbered(rig: Rig) -> Bytes:
    """Draw the creature at rest with its ribbons, stations and controls numbered and named.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    (height, width, 3) array of uint8
    """
    guide = rig.layout.ribbon.midline(np.linspace(0.0, 1.0, 65))
    with Stage(rig.mesh, PICTURE_SIZE) as stage:
        return draw_ribbon(stage, rig, telling_view(guide))


def _strips(rig: Rig, units: Units) -> dict[str, Plot]:
    unit = units.unit_name
    return {
        f"strip {name}": plot_strip(layout, f"The ribbon of {name} laid flat", units.factor, unit)
        for name, layout in rig.layout.ribbons.items()
    }


def render_sheet(sheet: Sheet, picture: Bytes, strips: Mapping[str, Plot], source: str) -> str:
    """Render the page.

    Parameters
    ----------
    sheet : Sheet
    picture : (height, width, 3) array of uint8
        With everything numbered.
    strips : mapping of str to Plot
        By the keys of figures.
    source : str
        Path of the mesh, or "".

    Returns
    -------
    str
        HTML that asks for nothing outside itself.
    """
    drawn = {key: Markup(plot.svg()) for key, plot in strips.items()}
    template = page_environment().get_template("build_sheet.html")
    return template.render(sheet=sheet, picture=embed(picture), strips=drawn, source=source)

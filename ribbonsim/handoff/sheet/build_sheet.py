"""The build sheet: a page and a printed sheet by which a rig is built by hand."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from markupsafe import Markup

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.bendcheck.cases import wishes
from ribbonsim.bendcheck.other_drive import under_other_drive
from ribbonsim.files.writing import Bundle
from ribbonsim.handoff.clips import choose_poses
from ribbonsim.handoff.sheet.checks import check_values, simple_poses, what_differs
from ribbonsim.handoff.sheet.differences import Discrepancy, measure_discrepancies
from ribbonsim.handoff.sheet.motions import motions_section
from ribbonsim.handoff.sheet.parts import Sheet, Writer
from ribbonsim.handoff.sheet.pdf import check_pdf, print_sheet
from ribbonsim.handoff.sheet.steps import steps_of_work
from ribbonsim.handoff.sheet.strip import plot_strip
from ribbonsim.handoff.units import Units
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.targets import TEST_POSES
from ribbonsim.pages.html import embed, render_page
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.take import Take
from ribbonsim.view.camera import telling_view
from ribbonsim.view.pictures import draw_ribbon
from ribbonsim.view.plot_style import Plot
from ribbonsim.view.scene import Stage

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
    motions: Sequence[Take] = (),
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
    motions : sequence of Take
        Told with their keys, lag and swing.
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
    report = progress or (lambda *_: None)
    chosen = choose_poses(rig, poses)
    asked = dict(list(chosen.items())[:_CHECKED]) if poses is not None else {}
    checks = asked or simple_poses(rig)
    held = units or Units(up=rig.layout.up)
    with Bundle(folder, force) as bundle:
        bundle.claim([PAGE, PRINT])
        found = measure_discrepancies(rig, {**checks, **chosen}, report)
        report("draw", 0, 1)
        sheet = describe(rig, checks, found, held, motions)
        numbered = draw_numbered(rig) if picture is None else picture
        strips = _strips(rig, held)
        report("draw", 1, 1)
        report("write", 0, 1)
        files: dict[str, str | bytes] = {
            PAGE: render_sheet(sheet, numbered, strips, rig.mesh.source),
            PRINT: print_sheet(sheet, numbered, strips),
        }
        bundle.write(files)
        report("write", 1, 1)
    return BuildSheet(bundle.folder / PAGE, bundle.folder / PRINT, dict(checks), found)


def describe(
    rig: Rig,
    checks: Mapping[str, Pose],
    found: Sequence[Discrepancy],
    units: Units,
    motions: Sequence[Take] = (),
) -> Sheet:
    """Put into words and tables what somebody needs to build a rig by hand, and to check it by."""
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
            (str(sum(layout.ribbon.spans for layout in ribbons)), "", "spans"),
            (str(len(rig.joint_names)), "", "ribbon joints"),
            (str(len(layout.all_control_names)), "", "controls"),
            (str(layout.mesh_weights.influences), "", "joints a vertex"),
        ),
        sections=(
            *steps_of_work(rig, write),
            *([motions_section(motions, write)] if motions else []),
            check_values(rig, checks, write),
            what_differs(found, _other_drive(rig, checks, found)),
        ),
    )


def _other_drive(rig: Rig, checks: Mapping[str, Pose], found: Sequence[Discrepancy]) -> str:
    """What the other drive makes of the test poses that were measured, or of those to check by."""
    asked = [each.pose for each in found if each.pose in TEST_POSES]
    other = under_other_drive(rig, wishes(asked or dict(checks), rig.layout))
    return "" if other is None else other.sentence


def draw_numbered(rig: Rig) -> Bytes:
    """Draw the creature at rest with its ribbons, stations and controls numbered and named."""
    guide = rig.layout.ribbon.midline(np.linspace(0.0, 1.0, 65))
    with Stage(rig.mesh, PICTURE_SIZE) as stage:
        return draw_ribbon(stage, rig, telling_view(guide, up=rig.layout.up))


def _strips(rig: Rig, units: Units) -> dict[str, Plot]:
    unit = units.unit_name
    return {
        f"strip {name}": plot_strip(layout, f"The ribbon of {name} laid flat", units.factor, unit)
        for name, layout in rig.layout.ribbons.items()
    }


def render_sheet(sheet: Sheet, picture: Bytes, strips: Mapping[str, Plot], source: str) -> str:
    """Render the page; ``strips`` are plots by the keys of figures, ``source`` is a path."""
    drawn = {key: Markup(plot.svg()) for key, plot in strips.items()}
    values = {"sheet": sheet, "picture": embed(picture), "strips": drawn}
    return render_page("build_sheet.html", sheet.name, source=source, **values)

"""Contact sheets: many small pictures on a page that is printed or shown."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.bendcheck.cases import PoseList
from ribbonsim.checks import check_choice
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import moment, version
from ribbonsim.files.writing import check_free, write_file
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Take
from ribbonsim.show.filming import take_of
from ribbonsim.show.finish import named_finish
from ribbonsim.show.page_of_pictures import (
    DARK_INK,
    LIGHT_INK,
    PAPERS,
    Ink,
    PageText,
    Paper,
    Plan,
    Tile,
    compose,
    plan_series,
    plan_table,
)
from ribbonsim.show.shots import (
    ELEVATION,
    ShotList,
    check_rigs,
    list_moments,
    list_shots,
    names_of,
)
from ribbonsim.show.slate import Slate
from ribbonsim.show.studio import Look, Studio
from ribbonsim.view.look import colour

_FILL = 0.9
_MOMENTS = 8
_QUALITY = 92


@dataclass(frozen=True, eq=False)
class ContactSheet:
    """A contact sheet that was written.

    Parameters
    ----------
    path : Path
    pages : int
    pictures : int
    size : (int, int)
        Of a page, pixels.
    """

    path: Path
    pages: int
    pictures: int
    size: tuple[int, int]


def contact_sheet(
    rigs: Rig | Sequence[Rig],
    path: str | os.PathLike[str],
    poses: PoseList = None,
    *,
    motion: str | Take | None = None,
    angles: int | Sequence[float] | None = None,
    names: Sequence[str] | None = None,
    paper: Paper = "a4",
    method: Method = "linear",
    elevation: float = ELEVATION,
    look: Look | None = None,
    ribbon: bool = False,
    slate: Slate | None = None,
    force: bool = False,
    progress: Progress | None = None,
) -> ContactSheet:
    """Draw a contact sheet: one pose from all sides, poses by angles, or layouts by poses.

    Parameters
    ----------
    rigs : Rig or sequence of Rig
        Several, up to six, stand side by side.
    path : path
        Ends with ``.png`` for one page, or ``.pdf`` for as many as it takes.
    poses : Pose, mapping, sequence of str or None
        As for :func:`ribbonsim.check`, or names of poses kept in the layout; the creature at
        rest if left out.
    motion : str or Take, optional
        Moments of a motion in place of poses, as :func:`ribbonsim.turntable` takes it.
    angles : int or sequence of float, optional
        How many, evenly all round, or degrees from the front; eight for one pose, four for
        several. Layouts side by side are seen from one.
    names : sequence of str, optional
        Of the layouts.
    paper : {"a4", "16:9"}
        A4 at 300 dots per inch, upright or across as suits; or 3840 x 2160 pixels.
    method : {"linear", "dual_quaternion"}
    elevation : float
        Of the camera, degrees above the horizon.
    look : Look, optional
        Backdrop, light and material.
    ribbon : bool
        Draw the ribbons over the creature.
    slate : Slate, optional
        Project, note and date for the foot.
    force : bool
        Replace a file that is there.
    progress : callable, optional
        Called as ``progress(stage, done, total)``; raise in it to stop. Nothing is then
        written.

    Returns
    -------
    ContactSheet

    Raises
    ------
    RibbonsimError
        If something cannot be shown, so many pictures would be too small, a file is in the
        way, or nothing can be drawn or written.
    """
    check_choice("paper", paper, PAPERS)
    target = check_sheet(path, force)
    ending = target.suffix.lower()
    tell = progress or (lambda *_: None)
    if motion is None:
        listed = list_shots(rigs, poses, angles, names, method, elevation)
    else:
        listed = _moments(rigs, poses, motion, angles, names, method, elevation)
    plan = plan_for(listed, paper, one_page=ending == ".png")
    pictures = draw_shots(listed, plan.pixels, tell, look, ribbon)
    tell("write", 0, 1)
    held = [rigs] if isinstance(rigs, Rig) else list(rigs)
    pages = compose(
        plan,
        [Tile(p, s.caption, s.note) for p, s in zip(pictures, listed.shots, strict=True)],
        _words(listed, held, names, slate or Slate()),
        _ink(paper, look),
        listed.columns,
        listed.rows,
    )
    write_file(target, _encode(pages, ending, plan, listed), force)
    tell("write", 1, 1)
    return ContactSheet(target, len(pages), len(pictures), pages[0].size)


def _moments(
    rigs: Rig | Sequence[Rig],
    poses: PoseList,
    motion: str | Take,
    angles: int | Sequence[float] | None,
    names: Sequence[str] | None,
    method: Method,
    elevation: float,
) -> ShotList:
    held = [rigs] if isinstance(rigs, Rig) else list(rigs)
    check_rigs(held)
    if poses is not None:
        raise RibbonsimError("a motion has its own poses: leave out the poses, or the motion")
    listed = [None] if angles is None else [] if isinstance(angles, int) else list(angles)
    if len(listed) != 1:
        raise RibbonsimError("moments of a motion are seen from one angle: give one, in a list")
    first = take_of(held[0], motion)
    takes = [first, *(first.on(rig) for rig in held[1:])]
    return list_moments(takes, _MOMENTS, listed[0], names_of(held, names), method, elevation)


def check_sheet(path: str | os.PathLike[str], force: bool = False) -> Path:
    """See that a contact sheet can be written, before the work begins."""
    if Path(path).suffix.lower() not in (".png", ".pdf"):
        raise RibbonsimError(f"{path} cannot be a contact sheet: end its name with .png or .pdf")
    return check_free(path, force)


def plan_for(listed: ShotList, paper: Paper, one_page: bool) -> Plan:
    """Lay the pictures of a list out on paper."""
    aspect = listed.aspect
    if not listed.columns:
        return plan_series(len(listed.shots), paper, aspect)
    return plan_table(len(listed.rows), len(listed.columns), paper, aspect, one_page)


def draw_shots(
    listed: ShotList,
    size: tuple[int, int],
    tell: Progress,
    look: Look | None = None,
    ribbon: bool = False,
) -> list[Bytes]:
    """Draw all pictures of a list."""
    pictures: list[Bytes] = []
    row, posed, ribbons = -1, None, None
    first = listed.shots[0].rig
    with Studio(first.mesh, size, look, first.layout.up) as studio:
        for done, shot in enumerate(listed.shots):
            tell("draw the pictures", done, len(listed.shots))
            if shot.row != row:
                row, posed = shot.row, None
                sides = [other.view.azimuth for other in listed.shots if other.row == row]
                studio.frame(listed.clouds(row), shot.view.elevation, azimuths=sides, fill=_FILL)
            if posed != (id(shot.rig), id(shot.pose)):
                posed = (id(shot.rig), id(shot.pose))
                studio.pose(
                    shot.skin(listed.method),
                    shot.rig.deform_normals(shot.pose, listed.method),
                )
                ribbons = list(shot.rig.pose_ribbons(shot.pose).values()) if ribbon else None
            pictures.append(studio.shoot(shot.view.azimuth, ribbons).picture)
    tell("draw the pictures", len(listed.shots), len(listed.shots))
    return pictures


def _ink(paper: Paper, look: Look | None) -> Ink:
    """Dark pictures are shown on a dark page; what is printed stands on white."""
    finish = named_finish((look or Look()).finish)
    dark = sum(colour(finish.ink)) > 1.5
    return DARK_INK if dark and paper == "16:9" else LIGHT_INK


def _words(
    listed: ShotList, rigs: Sequence[Rig], names: Sequence[str] | None, slate: Slate
) -> PageText:
    rig = rigs[0]
    called = names_of(rigs, names) if len(rigs) > 1 or names else (rig.layout.name,)
    layouts = ("layout " if len(called) == 1 else "layouts ") + ", ".join(called)
    foot = tuple(filter(None, (slate.project, rig.mesh.name, layouts if any(called) else "")))
    stamp = tuple(filter(None, (slate.note, slate.day, f"ribbonsim {version()}")))
    return PageText(rig.mesh.name, listed.lead, foot, stamp)


def _encode(pages: Sequence[Image.Image], ending: str, plan: Plan, listed: ShotList) -> bytes:
    dots = plan.dots * 25.4
    if ending == ".png":
        stream = io.BytesIO()
        pages[0].save(stream, "PNG", dpi=(dots, dots), compress_level=6)
        return stream.getvalue()
    stream = io.BytesIO()
    pages[0].save(
        stream,
        "PDF",
        resolution=dots,
        save_all=True,
        append_images=pages[1:],
        quality=_QUALITY,
        subsampling=0,
        title=f"{listed.shots[0].rig.mesh.name}: {listed.lead}",
        producer=f"ribbonsim {version()}",
        creationDate=moment(),
        modDate=moment(),
    )
    return stream.getvalue()

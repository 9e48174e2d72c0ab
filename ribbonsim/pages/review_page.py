"""A page for the one who decides: the turntable plays, the verdict, the pictures, a decision."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ribbonsim.arrays import Bytes, Progress
from ribbonsim.bendcheck.cases import PoseList, wish_for
from ribbonsim.bendcheck.compare import LETTERS, Comparison, compare
from ribbonsim.bendcheck.findings import Finding
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version
from ribbonsim.files.writing import Bundle, check_free, write_file
from ribbonsim.layout.appendage_targets import test_poses_of
from ribbonsim.layout.pose import Pose
from ribbonsim.pages.compare_page import layout_card, table_row
from ribbonsim.pages.creature_page import (
    MOST_MARKS,
    Mark,
    PageCreature,
    marks_of,
    page_creature,
)
from ribbonsim.pages.html import METHOD_WORDS, Embedded, embed, plain, render_page
from ribbonsim.pages.page_film import LARGEST, PageFilm, read_film
from ribbonsim.rig.own_motions import motions_asked
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Take
from ribbonsim.show.contact_sheet import draw_shots
from ribbonsim.show.filming import FilmOptions, Overlay, frames_for, take_of
from ribbonsim.show.moves import MOVEMENTS, CameraPath, Movement
from ribbonsim.show.shots import ShotList, list_shots, names_of
from ribbonsim.show.slate import Slate
from ribbonsim.show.studio import Look
from ribbonsim.show.turntable import film_turntable

_TILE = (800, 600)
_SIDE_BY_SIDE = 4
# frames of the turntable: of a pose alone, of each of several, at most
_ONE_POSE, _A_POSE, _LONGEST = 96, 36, 240
_MOST_NAMED = 4
_CHOICES = ("Go ahead", "Go ahead with the changes below", "Show me again")


@dataclass(frozen=True)
class _Points:
    letter: str
    title: str
    points: tuple[tuple[str, str, int | None], ...]  # statement, advice, number of its mark
    more: str


@dataclass(frozen=True)
class _Tile:
    picture: Embedded
    caption: str
    note: str


@dataclass(frozen=True)
class _Strip:
    name: str
    note: str
    tiles: tuple[_Tile, ...]


@dataclass(frozen=True)
class _Sheet:
    words: str
    columns: int
    titled: bool
    rows: tuple[_Strip, ...]


@dataclass(frozen=True, eq=False)
class ReviewPage:
    """A review page that was written.

    Parameters
    ----------
    path : Path
    size : int
        Bytes.
    reports : tuple of Report
        The bend check of each layout.
    comparison : Comparison or None
        Of several layouts.
    """

    path: Path
    size: int
    reports: tuple[Report, ...]
    comparison: Comparison | None


def review_page(
    rigs: Rig | Sequence[Rig],
    path: str | os.PathLike[str],
    poses: PoseList = None,
    *,
    film: str | os.PathLike[str] | bool = False,
    motion: Movement | str | Take | None = None,
    camera: CameraPath | None = None,
    overlays: Sequence[Overlay] = (),
    size: str | tuple[int, int] = "720p",
    frames: int | None = None,
    fps: int = 24,
    angles: int | Sequence[float] | None = None,
    names: Sequence[str] | None = None,
    method: Method = "linear",
    look: Look | None = None,
    slate: Slate | None = None,
    question: str = "",
    motions: Sequence[str] | None = None,
    force: bool = False,
    progress: Progress | None = None,
) -> ReviewPage:
    """Write one page for a review: the creature itself, verdict, contact sheet, a decision.

    Parameters
    ----------
    rigs : Rig or sequence of Rig
        Several, up to six, are compared.
    path : path
        Ends with ``.html``. The page holds everything and asks for nothing from outside.
    poses : Pose, mapping, sequence of str or None
        What is shown and judged, as for :func:`ribbonsim.contact_sheet`; all test poses if
        left out.
    film : path or bool
        A turntable that is there already, to be played in the page too: MP4, WebP, GIF or PNG;
        or whether one is made for it.
    motion, camera, overlays, size, frames, fps
        Of the turntable, as for :func:`ribbonsim.turntable`. If left out, one pose eases in and
        out, several follow each other, and there are as many frames as that needs.
    angles, names, method, look, slate
        As for :func:`ribbonsim.contact_sheet`.
    question : str
        What the one who decides is asked.
    motions : sequence of str, optional
        Names of motions that the page plays; all that make sense for the creature if left out.
    force : bool
        Replace a file that is there.
    progress : callable, optional
        Called as ``progress(stage, done, total)``; raise in it to stop. Nothing is then
        written.

    Returns
    -------
    ReviewPage

    Raises
    ------
    RibbonsimError
        If something cannot be shown or measured, a file is in the way, the page would be
        larger than 25 MB, or nothing can be drawn or written.
    """
    target = check_page(path, force)
    tell = progress or (lambda *_: None)
    held = [rigs] if isinstance(rigs, Rig) else list(rigs)
    asked = list(test_poses_of(held[0].layout)) if held and poses is None else poses
    way = camera or CameraPath()
    listed = list_shots(held, asked, angles, names, method, way.elevation)
    takes = _takes(held[0], motion, motions)
    shown = None
    if film is True:
        count = len(listed.wishes)
        usual = _ONE_POSE if count == 1 else min(_A_POSE * count, _LONGEST)
        moves = motion is not None and motion not in MOVEMENTS
        if moves:
            usual = frames_for(take_of(held[0], motion), fps, way.turns)
        filming = FilmOptions(
            motion or _usual_motion(listed),
            None if names is None else names[:_SIDE_BY_SIDE],
            way,
            look or Look(),
            slate or Slate(),
            overlays,
            size,
            frames or usual,
            fps,
            method,
        )
        with Bundle(target.parent) as bundle:
            part = bundle.scratch / "turntable.mp4"
            shots = None if moves else asked
            made = film_turntable(held[:_SIDE_BY_SIDE], part, shots, filming, progress=tell)
            shown = read_film(made.path)
    elif film is not False:
        shown = read_film(film)
    called = names_of(held, names)
    reports = [check(rig, _judged(listed, held[0], rig), method, progress=progress) for rig in held]
    found = None
    if len(held) > 1:
        judged = _judged(listed, held[0], held[0])
        found = compare(held, judged, called, method, contacts=True, progress=progress)
    pictures = draw_shots(listed, _TILE, tell, look, "ribbon" in overlays)
    marks = marks_of(reports)
    still = embed(pictures[0])
    creature = page_creature(held, called, listed.wishes, takes, marks, method, still, tell)
    tell("write", 0, 1)
    text = render_review(
        listed,
        pictures,
        reports,
        found,
        called,
        creature,
        marks,
        film=shown,
        slate=slate,
        question=question,
    )
    data = text.encode()
    if len(data) > LARGEST:
        raise RibbonsimError(
            f"{target} would be {len(data) / 1e6:.0f} MB, more than the {LARGEST / 1e6:.0f} MB "
            "that can be sent: show fewer poses or angles, or a shorter or smaller turntable"
        )
    write_file(target, data, force)
    tell("write", 1, 1)
    return ReviewPage(target, len(data), tuple(reports), found)


def check_page(path: str | os.PathLike[str], force: bool = False) -> Path:
    """See that a review page can be written, before the work begins."""
    if Path(path).suffix.lower() not in (".html", ".htm"):
        raise RibbonsimError(f"{path} cannot be a review page: end its name with .html")
    return check_free(path, force)


def _takes(
    rig: Rig, motion: Movement | str | Take | None, names: Sequence[str] | None
) -> list[Take]:
    """What the page plays; a motion that the film shows stands first, as it is set there."""
    wanted = motions_asked(rig, ["all"] if names is None else names)
    if motion is None or motion in MOVEMENTS:
        return [rig.motion(name) for name in wanted]
    filmed = take_of(rig, motion)
    return [filmed, *(rig.motion(name) for name in wanted if name != filmed.name)]


def _usual_motion(listed: ShotList) -> Movement:
    """One pose eases in and out unless it is the rest; several follow each other."""
    if len(listed.wishes) > 1:
        return "sequence"
    pose = listed.wishes[0].pose
    return "hold" if pose is not None and not pose.controls else "ease"


def _judged(listed: ShotList, first: Rig, rig: Rig) -> dict[str, Pose | float | None]:
    """The poses as a rig is asked for them."""
    asked = [wish_for(wish, first, rig) for wish in listed.wishes]
    return {wish.name: wish.amount if wish.pose is None else wish.pose for wish in asked}


# -- the page ------------------------------------------------------------------------------------


def render_review(
    listed: ShotList,
    pictures: Sequence[Bytes],
    reports: Sequence[Report],
    found: Comparison | None,
    names: Sequence[str],
    creature: PageCreature,
    marks: Sequence[Mark] = (),
    *,
    film: PageFilm | None = None,
    slate: Slate | None = None,
    question: str = "",
) -> str:
    """Render the page of a review."""
    mesh = listed.shots[0].rig.mesh
    right = all(report.bends_right for report in reports)
    headline, verdict = _verdict(reports, found)
    return render_page(
        "review.html",
        mesh.name,
        source=Path(mesh.source).name if mesh.source else "",
        slate=_slate(listed, names, slate or Slate()),
        question=question,
        film=film,
        creature=creature,
        script_policy=creature.policy,
        right=right,
        headline=headline,
        verdict=verdict,
        findings=_findings(reports, names, marks),
        sheet=_sheet(listed, pictures),
        layouts=[layout_card(found, i) for i in range(len(found.rigs))] if found else [],
        differences=found.differences if found else (),
        rows=[table_row(row) for row in found.table] if found else [],
        choices=_CHOICES,
        method=METHOD_WORDS[listed.method],
    )


def _slate(listed: ShotList, names: Sequence[str], slate: Slate) -> list[tuple[str, str]]:
    poses = ", ".join(wish.shown for wish in listed.wishes)
    if len(listed.wishes) > _MOST_NAMED:
        poses = f"{len(listed.wishes)} poses"
    several = len(names) > 1
    pairs = [
        ("project", slate.project),
        ("creature", listed.shots[0].rig.mesh.name),
        ("layouts" if several else "layout", ", ".join(names)),
        ("pose" if len(listed.wishes) == 1 else "poses", poses),
        ("note", slate.note),
        ("date", slate.day),
        ("made with", f"ribbonsim {version()}"),
    ]
    return [(label, value) for label, value in pairs if value]


def _verdict(reports: Sequence[Report], found: Comparison | None) -> tuple[str, str]:
    """A headline of a few words, and one sentence."""
    if found is None:
        report = reports[0]
        if report.bends_right:
            return "It bends right", report.verdict
        return "It does not bend right", _in_which_poses(report)
    good = [label for label, r in zip(found.labels, reports, strict=True) if r.bends_right]
    count = len(reports)
    if len(good) == count:
        headline = "All bend right" if count > 2 else "Both bend right"
    elif not good:
        headline = "None bends right" if count > 2 else "Neither bends right"
    else:
        headline = f"{_listed(good)} {'bends' if len(good) == 1 else 'bend'} right"
    return headline, found.differences[0] if found.differences else "They bend the same."


def _in_which_poses(report: Report) -> str:
    """In how many poses a limit is broken, and in which."""
    count = len(report.cases)
    named = dict.fromkeys(finding.pose for finding in report.findings if finding.pose)
    if count == 1 or not named:
        return report.findings[0].statement
    words = [plain(name) for name in named]
    if len(words) == count > 2:
        return f"In each of {count} poses a limit is broken; the worst is below."
    if len(words) > _MOST_NAMED:
        words = [*words[:_MOST_NAMED], f"{len(words) - _MOST_NAMED} more"]
    return f"A limit is broken in {len(named)} of {count} poses: {_listed(words)}."


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _findings(
    reports: Sequence[Report], names: Sequence[str], marks: Sequence[Mark]
) -> list[_Points]:
    """What bends wrong in each layout, the worst first, each with what to try."""
    several = len(reports) > 1
    place = {(mark.layout, mark.number): number for number, mark in enumerate(marks)}
    groups = []
    for layout, (letter, name, report) in enumerate(zip(LETTERS, names, reports, strict=False)):
        chosen = report.findings[:MOST_MARKS]
        left = len(report.findings) - len(chosen)
        more = f"And {left} more {'finding' if left == 1 else 'findings'}." if left else ""
        if several and not chosen:
            more = "Nothing bends wrong."
        if chosen or more:
            points = tuple(
                (f.statement, _advice(f), place.get((layout, number)))
                for number, f in enumerate(chosen)
            )
            title = ("" if name == letter else name) or ("layout" if several else "")
            groups.append(
                _Points(letter if several else "", title if several else "", points, more)
            )
    return groups


def _advice(finding: Finding) -> str:
    """What to try; a long list of what did not help is for the one who builds, not decides."""
    return finding.advice if finding.tried is not None else "Nothing that was tried helps much."


def _sheet(listed: ShotList, pictures: Sequence[Bytes]) -> _Sheet:
    rows = []
    for number, (name, note) in enumerate(listed.rows):
        pairs = [
            (shot, picture)
            for shot, picture in zip(listed.shots, pictures, strict=True)
            if shot.row == number
        ]
        heads = listed.columns or tuple(shot.caption for shot, _ in pairs)
        notes = ("",) * len(pairs) if listed.columns else tuple(shot.note for shot, _ in pairs)
        tiles = tuple(
            _Tile(embed(picture), head, note)
            for (_, picture), head, note in zip(pairs, heads, notes, strict=True)
        )
        rows.append(_Strip(name, note, tiles))
    columns = len(listed.columns) or (4 if len(listed.shots) > 4 else len(listed.shots))
    return _Sheet(f"{listed.lead}.", columns, bool(listed.columns), tuple(rows))

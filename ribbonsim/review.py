"""A page for the one who decides: the turntable plays, the verdict, the pictures, a decision."""

from __future__ import annotations

import base64
import os
import tempfile
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ribbonsim.appendage_targets import test_poses_of
from ribbonsim.bendcheck.cases import PoseList, wish_for
from ribbonsim.bendcheck.compare import LETTERS, Comparison, compare
from ribbonsim.bendcheck.findings import Finding
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.compare_page import layout_card, table_row
from ribbonsim.errors import RibbonsimError
from ribbonsim.files import check_free, write_file
from ribbonsim.html import METHOD_WORDS, Embedded, embed, page_environment
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig
from ribbonsim.sheets import draw_shots
from ribbonsim.shots import ShotList, list_shots, names_of
from ribbonsim.turning import Overlay, turntable
from ribbonsim.version import version
from ribbonsim.view.motion import CameraPath, Motion
from ribbonsim.view.slate import Slate
from ribbonsim.view.studio import Look

Bytes = NDArray[np.uint8]
Progress = Callable[[str, int, int], None]

LARGEST = 25_000_000
_TILE = (800, 600)
_MOST_POINTS = 5
_SIDE_BY_SIDE = 4
# frames of the turntable: of a pose alone, of each of several, at most
_ONE_POSE, _A_POSE, _LONGEST = 96, 36, 240
_MOST_NAMED = 4
_KINDS = {
    ".mp4": "video/mp4",
    ".gif": "image/gif",
    ".webp": "image/webp",
    ".png": "image/png",
    ".apng": "image/apng",
}
_ENDINGS = "MP4, GIF, WebP or animated PNG"
_CHOICES = ("Go ahead", "Go ahead with the changes below", "Show me again")


@dataclass(frozen=True)
class Film:
    """A turntable as it stands in the page.

    Parameters
    ----------
    source : str
        A ``data:`` address that holds the whole film.
    kind : str
        Its media type, such as ``video/mp4``.
    width, height : int
        Pixels.
    words : str
        What it shows.
    still : str
        A ``data:`` address of one frame, for paper; may be empty.
    """

    source: str
    kind: str
    width: int
    height: int
    words: str
    still: str = ""

    @property
    def plays(self) -> bool:
        """Whether it is a film rather than a moving picture."""
        return self.kind.startswith("video/")


@dataclass(frozen=True)
class _Points:
    letter: str
    title: str
    points: tuple[tuple[str, str], ...]
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
    film: str | os.PathLike[str] | None = None,
    motion: Motion | None = None,
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
    force: bool = False,
    progress: Progress | None = None,
) -> ReviewPage:
    """Write one page for a review: turntable, verdict, contact sheet and room for a decision.

    Parameters
    ----------
    rigs : Rig or sequence of Rig
        Several, up to six, are compared.
    path : path
        Ends with ``.html``. The page holds everything and asks for nothing from outside.
    poses : Pose, mapping, sequence of str or None
        What is shown and judged, as for :func:`ribbonsim.contact_sheet`; all test poses if
        left out.
    film : path, optional
        A turntable that is there already: MP4, WebP, GIF or PNG. One is made if left out.
    motion, camera, overlays, size, frames, fps
        Of the turntable, as for :func:`ribbonsim.turntable`. If left out, one pose eases in and
        out, several follow each other, and there are as many frames as that needs.
    angles, names, method, look, slate
        As for :func:`ribbonsim.contact_sheet`.
    question : str
        What the one who decides is asked.
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
    if film is None:
        order = _Order(motion, way, tuple(overlays), size, frames, fps, look, slate)
        shown = _make_film(listed, held, asked, names, order, tell)
    else:
        shown = read_film(film)
    called = names_of(held, names)
    reports = [check(rig, _judged(listed, held[0], rig), method, progress=progress) for rig in held]
    found = None
    if len(held) > 1:
        judged = _judged(listed, held[0], held[0])
        found = compare(held, judged, called, method, contacts=True, progress=progress)
    pictures = draw_shots(listed, _TILE, tell, look, "ribbon" in overlays)
    tell("write", 0, 1)
    text = render_review(
        listed, pictures, reports, found, called, film=shown, slate=slate, question=question
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
    """See that a review page can be written, before the work begins.

    Parameters
    ----------
    path : path
    force : bool
        Replace a file that is there.

    Returns
    -------
    Path

    Raises
    ------
    RibbonsimError
    """
    if Path(path).suffix.lower() not in (".html", ".htm"):
        raise RibbonsimError(f"{path} cannot be a review page: end its name with .html")
    return check_free(path, force)


@dataclass(frozen=True)
class _Order:
    """How the page's turntable is made."""

    motion: Motion | None
    camera: CameraPath
    overlays: tuple[Overlay, ...]
    size: str | tuple[int, int]
    frames: int | None
    fps: int
    look: Look | None
    slate: Slate | None


def _make_film(
    listed: ShotList,
    rigs: Sequence[Rig],
    poses: PoseList,
    names: Sequence[str] | None,
    order: _Order,
    tell: Progress,
) -> Film:
    """A turntable of what the sheet shows; of the first layouts where there are many."""
    count = len(listed.wishes)
    alone = listed.wishes[0].pose if count == 1 else None
    resting = alone is not None and not alone.controls
    usual: Motion = "sequence" if count > 1 else "hold" if resting else "ease"
    frames = order.frames or (_ONE_POSE if count == 1 else min(_A_POSE * count, _LONGEST))
    with tempfile.TemporaryDirectory() as folder:
        made = turntable(
            rigs[:_SIDE_BY_SIDE],
            Path(folder, "turntable.mp4"),
            poses,
            motion=order.motion or usual,
            names=None if names is None else names[:_SIDE_BY_SIDE],
            camera=order.camera,
            look=order.look,
            slate=order.slate,
            overlays=order.overlays,
            size=order.size,
            frames=frames,
            fps=order.fps,
            method=listed.method,
            progress=tell,
        )
        return read_film(made.path)


def _judged(listed: ShotList, first: Rig, rig: Rig) -> dict[str, Pose | float | None]:
    """The poses as a rig is asked for them."""
    asked = [wish_for(wish, first, rig) for wish in listed.wishes]
    return {wish.name: wish.amount if wish.pose is None else wish.pose for wish in asked}


def read_film(path: str | os.PathLike[str]) -> Film:
    """Read a turntable into an address.

    Parameters
    ----------
    path : path
        MP4, WebP, GIF or PNG.

    Returns
    -------
    Film

    Raises
    ------
    RibbonsimError
        If it cannot be read, is nothing of these, or is too large for a page.
    """
    file = Path(path)
    kind = _KINDS.get(file.suffix.lower())
    if kind is None:
        raise RibbonsimError(f"{file} cannot play in a page: give a turntable as {_ENDINGS}")
    try:
        data = file.read_bytes()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise RibbonsimError(f"{file} cannot be read ({reason}): make a turntable first") from error
    if len(data) * 4 / 3 > LARGEST:
        raise RibbonsimError(
            f"{file} is {len(data) / 1e6:.0f} MB, too large for a page of {LARGEST / 1e6:.0f} MB: "
            "make the turntable shorter or smaller"
        )
    still, seconds = _middle_frame(file, kind)
    height, width = still.shape[:2]
    words = f"Turntable, {seconds:.1f} s in a loop." if seconds else "Turntable."
    source = f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
    return Film(source, kind, width, height, words, embed(still).source)


def _middle_frame(file: Path, kind: str) -> tuple[Bytes, float]:
    """The middle frame of a film, and the film's length in seconds; 0 if it does not say."""
    try:
        if kind == "video/mp4":
            return _middle_of_video(file)
        with Image.open(file) as picture:
            count = getattr(picture, "n_frames", 1)
            seconds = count * picture.info.get("duration", 0) / 1e3
            picture.seek(count // 2)
            return np.asarray(picture.convert("RGB")), seconds
    except (OSError, ValueError, EOFError, LookupError) as error:
        raise RibbonsimError(f"{file} cannot be played: make the turntable again") from error


def _middle_of_video(file: Path) -> tuple[Bytes, float]:
    import av

    try:
        with av.open(str(file)) as container:
            stream = container.streams.video[0]
            frames = deque(islice(container.decode(stream), stream.frames // 2 + 1), maxlen=1)
            picture = np.asarray(frames[0].to_ndarray(format="rgb24"), dtype=np.uint8)
            return picture, (container.duration or 0) / 1e6
    except av.FFmpegError as error:
        raise ValueError(str(error)) from error


# -- the page ------------------------------------------------------------------------------------


def render_review(
    listed: ShotList,
    pictures: Sequence[Bytes],
    reports: Sequence[Report],
    found: Comparison | None,
    names: Sequence[str],
    *,
    film: Film | None = None,
    slate: Slate | None = None,
    question: str = "",
) -> str:
    """Render the page of a review.

    Parameters
    ----------
    listed : ShotList
        What the contact sheet shows.
    pictures : sequence of (height, width, 3) arrays of uint8
        Its pictures.
    reports : sequence of Report
        The check of each layout.
    found : Comparison or None
        Of several layouts.
    names : sequence of str
        Of the layouts.
    film : Film, optional
    slate : Slate, optional
    question : str

    Returns
    -------
    str
        HTML that asks for nothing outside itself.
    """
    mesh = listed.shots[0].rig.mesh
    right = all(report.bends_right for report in reports)
    headline, verdict = _verdict(reports, found)
    return (
        page_environment()
        .get_template("review.html")
        .render(
            name=mesh.name,
            source=Path(mesh.source).name if mesh.source else "",
            slate=_slate(listed, names, slate or Slate()),
            question=question,
            film=film,
            right=right,
            headline=headline,
            verdict=verdict,
            findings=_findings(reports, names),
            sheet=_sheet(listed, pictures),
            layouts=[layout_card(found, i) for i in range(len(found.rigs))] if found else [],
            differences=found.differences if found else (),
            rows=[table_row(row) for row in found.table] if found else [],
            choices=_CHOICES,
            method=METHOD_WORDS[listed.method],
        )
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
    words = [name.replace("_", " ") for name in named]
    if len(words) == count > 2:
        return f"In each of {count} poses a limit is broken; the worst is below."
    if len(words) > _MOST_NAMED:
        words = [*words[:_MOST_NAMED], f"{len(words) - _MOST_NAMED} more"]
    return f"A limit is broken in {len(named)} of {count} poses: {_listed(words)}."


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _findings(reports: Sequence[Report], names: Sequence[str]) -> list[_Points]:
    """What bends wrong in each layout, the worst first, each with what to try."""
    several = len(reports) > 1
    groups = []
    for letter, name, report in zip(LETTERS, names, reports, strict=False):
        chosen = report.findings[:_MOST_POINTS]
        left = len(report.findings) - len(chosen)
        more = f"And {left} more {'finding' if left == 1 else 'findings'}." if left else ""
        if several and not chosen:
            more = "Nothing bends wrong."
        if chosen or more:
            points = tuple((f.statement, _advice(f)) for f in chosen)
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

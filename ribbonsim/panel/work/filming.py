"""What the review section has made: one frame to look at, films, sheets and pages. No widgets.

Everything is drawn by the worker of all pictures, as long tasks: live pictures go first.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from PIL import Image

from ribbonsim.arrays import Progress
from ribbonsim.layout.pose import Pose
from ribbonsim.pages.review_page import review_page
from ribbonsim.panel.work.job import Fail, Job, Tell
from ribbonsim.panel.work.painting import FINE_QUALITY
from ribbonsim.panel.work.trouble import Trouble, trouble_of
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Take
from ribbonsim.show.contact_sheet import contact_sheet
from ribbonsim.show.filming import FilmOptions, Overlay
from ribbonsim.show.moves import CameraPath, Movement
from ribbonsim.show.page_of_pictures import Paper
from ribbonsim.show.slate import Slate
from ribbonsim.show.studio import Look
from ribbonsim.show.turntable import draw_frame, film_turntable

Product = Literal["turntable", "sheet", "page"]


_FAILED = "this could not be made"


@dataclass(frozen=True, eq=False)
class Order:
    """What is to be made.

    Parameters
    ----------
    rigs : tuple of Rig
        Several are shown side by side.
    names : tuple of str
        Of their layouts.
    poses : dict of str to Pose, float or None
        Poses of the first rig, or amounts of test poses, None for the usual one.
    ribbon : bool
        Draw the ribbons over the creature.
    size : (width, height)
        Of the film, pixels.
    motion : {"hold", "ease", "sequence"} or Take
        What the poses do; or a motion of the creature in place of them.
    question : str
        On the page.
    """

    rigs: tuple[Rig, ...]
    names: tuple[str, ...]
    poses: dict[str, Pose | float | None]
    method: Method = "linear"
    motion: Movement | Take = "hold"
    camera: CameraPath = field(default_factory=CameraPath)
    look: Look = field(default_factory=Look)
    slate: Slate = field(default_factory=Slate)
    ribbon: bool = False
    size: tuple[int, int] = (1280, 720)
    frames: int = 144
    fps: int = 24
    paper: Paper = "a4"
    question: str = ""

    @property
    def overlays(self) -> tuple[Overlay, ...]:
        """What the film shows over the creature."""
        return ("ribbon",) if self.ribbon else ()

    @property
    def take(self) -> Take | None:
        """The creature's motion that is filmed, if it is one."""
        return self.motion if isinstance(self.motion, Take) else None

    @property
    def filmed(self) -> dict[str, Pose | float | None] | None:
        """The poses of film and sheet; none where a motion brings its own."""
        return self.poses if self.take is None else None

    @property
    def film_options(self) -> FilmOptions:
        """The options of the film."""
        return FilmOptions(
            self.motion,
            self.names,
            self.camera,
            self.look,
            self.slate,
            self.overlays,
            self.size,
            self.frames,
            self.fps,
            self.method,
        )

    def looks_like(self, other: Order | None) -> bool:
        """Whether the frames of another order are the same."""
        if other is None or len(self.rigs) != len(other.rigs):
            return False
        if any(a is not b for a, b in zip(self.rigs, other.rigs, strict=True)):
            return False
        return all(getattr(self, name) == getattr(other, name) for name in _SEEN)


# what can be seen in a frame, besides the rigs
_SEEN = (
    *("names", "poses", "method", "motion", "camera", "look", "slate", "ribbon", "size"),
    "frames",
)


class Filming:
    """Makes what is ordered.

    Parameters
    ----------
    look : callable
        Takes a JPEG of one frame, on the drawing thread.
    tell : callable
        Takes what goes on in words, and the share that is done.
    deliver : callable
        Takes which it is, the path and the words of what was made.
    fail : callable
        Takes what went wrong.
    """

    def __init__(
        self,
        look: Callable[[bytes], None],
        tell: Tell,
        deliver: Callable[[Product, Path, str], None],
        fail: Fail,
    ) -> None:
        self._look, self._deliver = look, deliver
        self._fail = lambda trouble: fail(_with_box(trouble))
        stopped = "Stopped: nothing was written."
        self._job = Job(PICTURES, tell, self._fail, _FAILED, stopped, pictures=True)

    @property
    def going(self) -> bool:
        """Whether a file is being made or waits for it."""
        return self._job.going

    # -- one frame -----------------------------------------------------------------------------

    def show(self, order: Order, share: float, width: int) -> None:
        """Ask for a frame of the film; a later one replaces this one."""
        PICTURES.ask_long((self, "frame"), lambda: self._show(order, share, width))

    def _show(self, order: Order, share: float, width: int) -> None:
        number = min(int(share * order.frames), order.frames - 1) + 1
        try:
            options = replace(
                order.film_options,
                look=replace(order.look, quality="draft"),
                size=(width, round(width * order.size[1] / order.size[0])),
            )
            picture = draw_frame(order.rigs, number, order.filmed, options)
        except Exception as error:  # nothing above this but the thread of all panels
            self._fail(trouble_of(error, _FAILED))
            return
        stream = io.BytesIO()
        Image.fromarray(picture).save(stream, "JPEG", quality=FINE_QUALITY)
        self._look(stream.getvalue())

    # -- files ---------------------------------------------------------------------------------

    def make(self, product: Product, order: Order, path: Path, force: bool) -> None:
        """Ask for a file."""

        def work(progress: Progress) -> str:
            return _MAKERS[product](order, path, force, progress)

        def take(words: str, seconds: float) -> None:
            self._deliver(product, path, f"{words}, {seconds:.1f} s")

        self._job.start(work, take)

    def stop(self) -> None:
        """Give up what is being made."""
        self._job.stop()


def _with_box(trouble: Trouble) -> Trouble:
    """The sentence with the panel's box to tick where the command line has an option."""
    box = "tick 'replace' or take another name"
    option = r"ask for [a-z ]+ to be replaced \(--force\)"
    return replace(trouble, sentence=re.sub(option, box, trouble.sentence))


def _make_turntable(order: Order, path: Path, force: bool, progress: Progress) -> str:
    made = film_turntable(
        order.rigs, path, order.filmed, order.film_options, force=force, progress=progress
    )
    return made.words


def _make_sheet(order: Order, path: Path, force: bool, progress: Progress) -> str:
    made = contact_sheet(
        order.rigs,
        path,
        order.filmed,
        motion=order.take,
        names=order.names,
        paper=order.paper,
        method=order.method,
        elevation=order.camera.elevation,
        look=order.look,
        ribbon=order.ribbon,
        slate=order.slate,
        force=force,
        progress=progress,
    )
    pages = "1 page" if made.pages == 1 else f"{made.pages} pages"
    return f"{made.pictures} pictures on {pages}"


def _make_page(order: Order, path: Path, force: bool, progress: Progress) -> str:
    made = review_page(
        order.rigs,
        path,
        order.poses,
        motion=order.motion,
        camera=order.camera,
        overlays=order.overlays,
        size=order.size,
        frames=order.frames,
        fps=order.fps,
        names=order.names,
        method=order.method,
        look=order.look,
        slate=order.slate,
        question=order.question,
        force=force,
        progress=progress,
    )
    return f"one page of {made.size / 1e6:.1f} MB"


_MAKERS: dict[Product, Callable[[Order, Path, bool, Progress], str]] = {
    "turntable": _make_turntable,
    "sheet": _make_sheet,
    "page": _make_page,
}

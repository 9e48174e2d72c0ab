"""What the review section has made: one frame to look at, films, sheets and pages. No widgets.

Everything is drawn on the easel's thread, as long wishes: they give way to live pictures
between their own, and are stopped from within.
"""

from __future__ import annotations

import io
import logging
import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from PIL import Image

from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.easel import EASEL
from ribbonsim.panel.viewer import FINE_QUALITY
from ribbonsim.pose import Pose
from ribbonsim.review import review_page
from ribbonsim.rig import Method, Rig
from ribbonsim.sheets import contact_sheet
from ribbonsim.turning import Overlay, draw_frame, turntable
from ribbonsim.view.motion import CameraPath, Motion
from ribbonsim.view.sheet import Paper
from ribbonsim.view.slate import Slate
from ribbonsim.view.studio import Look

Kind = Literal["turntable", "sheet", "page"]
Progress = Callable[[str, int, int], None]

_LOG = logging.getLogger(__name__)


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
    method : {"linear", "dual_quaternion"}
    motion : {"hold", "ease", "sequence"}
    camera : CameraPath
    look : Look
    slate : Slate
    ribbon : bool
        Draw the ribbons over the creature.
    size : (width, height)
        Of the film, pixels.
    frames, fps : int
    paper : {"a4", "16:9"}
    question : str
        On the page.
    """

    rigs: tuple[Rig, ...]
    names: tuple[str, ...]
    poses: dict[str, Pose | float | None]
    method: Method = "linear"
    motion: Motion = "hold"
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

    def looks_like(self, other: Order | None) -> bool:
        """Whether the frames of another order are the same.

        Parameters
        ----------
        other : Order or None

        Returns
        -------
        bool
        """
        if other is None or len(self.rigs) != len(other.rigs):
            return False
        if any(one is not two for one, two in zip(self.rigs, other.rigs, strict=True)):
            return False
        return all(getattr(self, name) == getattr(other, name) for name in _SEEN)


# what can be seen in a frame, besides the rigs
_SEEN = (
    *("names", "poses", "method", "motion", "camera", "look", "slate", "ribbon", "size"),
    "frames",
)


class _StoppedError(Exception):
    """What was being made was stopped."""


class Filming:
    """Makes what is ordered.

    Parameters
    ----------
    look : callable
        Takes a JPEG of one frame, on the drawing thread.
    tell : callable
        Takes what goes on in words, and the share that is done.
    deliver : callable
        Takes the kind, the path and the words of what was made.
    fail : callable
        Takes what went wrong, in words.
    """

    def __init__(
        self,
        look: Callable[[bytes], None],
        tell: Callable[[str, float], None],
        deliver: Callable[[Kind, Path, str], None],
        fail: Callable[[str], None],
    ) -> None:
        self._look, self._tell, self._deliver, self._fail = look, tell, deliver, fail
        self._ticket = 0
        self.going = False

    # -- one frame -----------------------------------------------------------------------------

    def show(self, order: Order, share: float, width: int) -> None:
        """Ask for a frame of the film; a later wish replaces this one.

        Parameters
        ----------
        order : Order
        share : float
            Which, 0 for the first and 1 for the last.
        width : int
            Of the picture, pixels.
        """
        EASEL.ask_long((self, "frame"), lambda: self._show(order, share, width))

    def _show(self, order: Order, share: float, width: int) -> None:
        number = min(int(share * order.frames), order.frames - 1) + 1
        try:
            picture = draw_frame(
                order.rigs,
                number,
                order.poses,
                motion=order.motion,
                names=order.names,
                camera=order.camera,
                look=replace(order.look, quality="draft"),
                slate=order.slate,
                overlays=order.overlays,
                size=(width, round(width * order.size[1] / order.size[0])),
                frames=order.frames,
                method=order.method,
            )
        except Exception as error:  # nothing above this but the thread of all panels
            self._say(error)
            return
        stream = io.BytesIO()
        Image.fromarray(picture).save(stream, "JPEG", quality=FINE_QUALITY)
        self._look(stream.getvalue())

    # -- files ---------------------------------------------------------------------------------

    def make(self, kind: Kind, order: Order, path: Path, force: bool) -> None:
        """Ask for a file.

        Parameters
        ----------
        kind : {"turntable", "sheet", "page"}
        order : Order
        path : Path
        force : bool
            Replace a file that is there.
        """
        self._ticket += 1
        ticket = self._ticket
        self.going = True
        self._tell("Waiting for its turn …", 0.0)
        EASEL.ask_long((self, "file"), lambda: self._make(kind, order, path, force, ticket))

    def stop(self) -> None:
        """Give up what is being made."""
        self._ticket += 1

    def _make(self, kind: Kind, order: Order, path: Path, force: bool, ticket: int) -> None:
        begin = time.perf_counter()

        def progress(what: str, done: int, total: int) -> None:
            if ticket != self._ticket:
                raise _StoppedError
            self._tell(f"{what}: {done} of {total}" if total > 1 else what, done / max(total, 1))
            EASEL.give_way()

        try:
            progress("begin", 0, 1)
            words = _MAKERS[kind](order, path, force, progress)
        except _StoppedError:
            self._end("Stopped: nothing was written.")
            return
        except Exception as error:  # nothing above this but the thread of all panels
            self._end("")
            self._say(error)
            return
        self._end("")
        self._deliver(kind, path, f"{words}, {time.perf_counter() - begin:.1f} s")

    def _end(self, words: str) -> None:
        self.going = False
        self._tell(words, 0.0)

    def _say(self, error: Exception) -> None:
        _LOG.debug("what was ordered could not be made", exc_info=True)
        if isinstance(error, RibbonsimError):
            # the panel has a box to tick where the command line has an option
            box = "tick 'replace' or take another name"
            self._fail(re.sub(r"ask for [a-z ]+ to be replaced \(--force\)", box, str(error)))
        else:
            self._fail(f"this could not be made ({type(error).__name__}: {error})")


def _make_turntable(order: Order, path: Path, force: bool, progress: Progress) -> str:
    made = turntable(
        order.rigs,
        path,
        order.poses,
        motion=order.motion,
        names=order.names,
        camera=order.camera,
        look=order.look,
        slate=order.slate,
        overlays=order.overlays,
        size=order.size,
        frames=order.frames,
        fps=order.fps,
        method=order.method,
        force=force,
        progress=progress,
    )
    return made.words


def _make_sheet(order: Order, path: Path, force: bool, progress: Progress) -> str:
    made = contact_sheet(
        order.rigs,
        path,
        order.poses,
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


_MAKERS: dict[Kind, Callable[[Order, Path, bool, Progress], str]] = {
    "turntable": _make_turntable,
    "sheet": _make_sheet,
    "page": _make_page,
}

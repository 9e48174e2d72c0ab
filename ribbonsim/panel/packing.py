"""What the handoff section has made: files of all formats in one folder. No widgets.

Writing takes its time on a thread of its own, so the picture stays live; the one picture that a
build sheet needs is drawn on the easel's thread like all others.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ribbonsim.errors import RibbonsimError
from ribbonsim.handoff.build_sheet import draw_numbered
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.whole import Handoff, hand_off, stages_of
from ribbonsim.panel.easel import EASEL, Easel
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig

_LOG = logging.getLogger(__name__)

# the thread that writes, shared by all panels
PACKER = Easel()


@dataclass(frozen=True, eq=False)
class Parcel:
    """What is to be written.

    Parameters
    ----------
    rig : Rig
    folder : Path
    formats : tuple of str
    poses : mapping of str to Pose, or None
        None for all kept and test poses.
    method : {"linear", "dual_quaternion"}
    units : Units
    text : bool
        glTF and USD as text.
    force : bool
        Replace files that are there.
    """

    rig: Rig
    folder: Path
    formats: tuple[str, ...]
    poses: Mapping[str, Pose] | None
    method: Method
    units: Units
    text: bool
    force: bool


class _StoppedError(Exception):
    """The work was stopped."""


class Packing:
    """Writes parcels, one at a time.

    Parameters
    ----------
    tell : callable
        Takes what goes on, in words, and the share that is done; on any thread. The words are
        empty when it has ended.
    deliver : callable
        Takes each :class:`ribbonsim.Handoff` and the seconds it took.
    fail : callable
        Takes what went wrong, in words.
    """

    def __init__(
        self,
        tell: Callable[[str, float], None],
        deliver: Callable[[Handoff, float], None],
        fail: Callable[[str], None],
    ) -> None:
        self._tell, self._deliver, self._fail = tell, deliver, fail
        self._ticket = 0
        self.going = False

    def make(self, parcel: Parcel) -> None:
        """Ask for a parcel.

        Parameters
        ----------
        parcel : Parcel
        """
        self._ticket += 1
        ticket = self._ticket
        self.going = True
        self._tell("Waiting for its turn …", 0.0)
        PACKER.ask(self, lambda: self._make(parcel, ticket))

    def stop(self) -> None:
        """Give up what is being written; nothing of it is then there."""
        self._ticket += 1

    def _make(self, parcel: Parcel, ticket: int) -> None:
        begin = time.perf_counter()
        stages = stages_of(parcel.formats)

        def progress(what: str, done: int, total: int) -> None:
            if ticket != self._ticket:
                raise _StoppedError
            counted = f": {done} of {total}" if total > 1 else ""
            words = f"{what}{counted} … {time.perf_counter() - begin:.1f} s"
            self._tell(words, _share(stages, what, done / max(total, 1)))

        try:
            picture = None
            if "sheet" in parcel.formats:
                progress("draw the ribbon", 0, 1)
                picture = _drawn(parcel.rig)
            done = hand_off(
                parcel.rig,
                parcel.folder,
                parcel.formats,
                parcel.poses,
                method=parcel.method,
                units=parcel.units,
                text=parcel.text,
                force=parcel.force,
                picture=picture,
                progress=progress,
            )
        except _StoppedError:
            self._end("Stopped: nothing was written.")
            return
        except Exception as error:  # nothing above this but the thread of all panels
            self._end("")
            self._say(error)
            return
        self._end("")
        self._deliver(done, time.perf_counter() - begin)

    def _end(self, words: str) -> None:
        self.going = False
        self._tell(words, 0.0)

    def _say(self, error: Exception) -> None:
        _LOG.debug("a handoff failed", exc_info=True)
        if isinstance(error, RibbonsimError):
            # the panel has a box to tick where the command line has an option
            self._fail(str(error).replace(" (--force)", ": tick 'replace'"))
        else:
            self._fail(f"this could not be written ({type(error).__name__}: {error})")


def _share(stages: tuple[str, ...], stage: str, done: float) -> float:
    """Share of the whole; a stage counts as much as another."""
    if stage not in stages:
        return 0.0
    return (stages.index(stage) + done) / len(stages)


def _drawn(rig: Rig) -> NDArray[np.uint8]:
    """The numbered picture, drawn on the easel's thread; waits for it."""
    drawn: list[NDArray[np.uint8]] = []
    failed: list[Exception] = []
    ready = threading.Event()

    def draw() -> None:
        try:
            drawn.append(draw_numbered(rig))
        except Exception as error:  # raised again on the thread that waits
            failed.append(error)
        finally:
            ready.set()

    EASEL.ask_long(ready, draw)
    ready.wait()
    if failed:
        raise failed[0]
    return drawn[0]

"""What the handoff section has made: files of all formats in one folder. No widgets.

Writing takes its time on a thread of its own, so the picture stays live; the one picture that a
build sheet needs is drawn by the worker of all pictures like all others.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ribbonsim.arrays import Progress
from ribbonsim.handoff.sheet.build_sheet import draw_numbered
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.whole import Handoff, hand_off, stages_of
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.work.job import Fail, Job, Tell
from ribbonsim.panel.work.trouble import Trouble
from ribbonsim.panel.work.worker import FILES, PICTURES
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import Take


@dataclass(frozen=True, eq=False)
class Parcel:
    """What is to be written.

    Parameters
    ----------
    poses : mapping of str to Pose, or None
        None for all kept and test poses.
    motions : sequence of Take
        Each becomes an animation.
    text : bool
        glTF and USD as text.
    force : bool
        Replace files that are there.
    """

    rig: Rig
    folder: Path
    formats: tuple[str, ...]
    poses: Mapping[str, Pose] | None
    motions: Sequence[Take]
    method: Method
    units: Units
    text: bool
    force: bool


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
        Takes what went wrong.
    """

    def __init__(self, tell: Tell, deliver: Callable[[Handoff, float], None], fail: Fail) -> None:
        self._deliver = deliver
        failed, stopped = "this could not be written", "Stopped: nothing was written."
        self._job = Job(FILES, tell, lambda trouble: fail(_with_box(trouble)), failed, stopped)

    @property
    def going(self) -> bool:
        """Whether something is being written or waits for it."""
        return self._job.going

    def make(self, parcel: Parcel) -> None:
        """Ask for a parcel."""
        work = partial(_write, parcel)
        self._job.start(work, self._deliver, stages_of(parcel.formats))

    def stop(self) -> None:
        """Give up what is being written; nothing of it is then there."""
        self._job.stop()


def _write(parcel: Parcel, progress: Progress) -> Handoff:
    picture = None
    if "sheet" in parcel.formats:
        progress("draw the ribbon", 0, 1)
        picture = _drawn(parcel.rig)
    return hand_off(
        parcel.rig,
        parcel.folder,
        parcel.formats,
        parcel.poses,
        motions=parcel.motions,
        method=parcel.method,
        units=parcel.units,
        text=parcel.text,
        force=parcel.force,
        picture=picture,
        progress=progress,
    )


def _with_box(trouble: Trouble) -> Trouble:
    """The sentence with the panel's box to tick where the command line has an option."""
    return replace(trouble, sentence=trouble.sentence.replace(" (--force)", ": tick 'replace'"))


def _drawn(rig: Rig) -> NDArray[np.uint8]:
    """The numbered picture, drawn by the worker of all pictures; waits for it."""
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

    PICTURES.ask_long(ready, draw)
    ready.wait()
    if failed:
        raise failed[0]
    return drawn[0]

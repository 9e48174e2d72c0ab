"""Looks for a layout beside the picture, and hands over the best so far. No widgets here."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from PIL import Image

from ribbonsim.arrays import Progress
from ribbonsim.panel.work.job import Fail, Job, Tell
from ribbonsim.panel.work.worker import CHECKS
from ribbonsim.placing.result import Suggestion
from ribbonsim.placing.search import Search
from ribbonsim.placing.wanted import Wanted
from ribbonsim.rig.rig import Rig

_FAILED, _STOPPED = "no layout could be sought", "Stopped; the best so far is kept."
_SCALE = 1.5


@dataclass(frozen=True, eq=False)
class Answer:
    """What was found so far.

    Parameters
    ----------
    found : Suggestion
    mine : float
        Skin error of the layout that the search began with, as a share of the body length.
    plot : bytes
        PNG.
    """

    found: Suggestion
    mine: float
    plot: bytes


class Suggesting:
    """One search at a time.

    Parameters
    ----------
    deliver : callable
        Takes each :class:`Answer`, on a working thread.
    tell, fail : callable
        As for :class:`Job`.
    """

    def __init__(self, deliver: Callable[[Answer], None], tell: Tell, fail: Fail) -> None:
        self._deliver = deliver
        self._job = Job(CHECKS, tell, fail, _FAILED, _STOPPED)

    @property
    def going(self) -> bool:
        """Whether a search goes on or waits."""
        return self._job.going

    def start(self, rig: Rig, weights: Mapping[str, float], wanted: Wanted) -> None:
        """Look for a layout for some poses with their weights."""

        def work(progress: Progress) -> None:
            search = Search(rig, list(weights), weights, wanted)
            for found in search.run(progress):
                self._deliver(Answer(found, search.mine, plot_png(found)))

        self._job.start(work, lambda _found, _seconds: None)

    def stop(self) -> None:
        """Give up what goes on; what was found is kept."""
        self._job.stop()


def plot_png(found: Suggestion, chosen: int | None = None) -> bytes:
    """The plot of a suggestion as PNG."""
    from ribbonsim.view.placing_plot import plot_suggestion  # loads matplotlib

    stream = io.BytesIO()
    Image.fromarray(plot_suggestion(found, chosen).picture(_SCALE)).save(stream, "PNG")
    return stream.getvalue()

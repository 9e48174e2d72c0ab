"""Background work that tells how far it is, can be stopped, and ends well or with a sentence."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from ribbonsim.arrays import Progress
from ribbonsim.panel.work.trouble import Trouble, trouble_of
from ribbonsim.panel.work.worker import Worker

Tell = Callable[[str, float], None]
Fail = Callable[[Trouble], None]
Result = TypeVar("Result")


class _StoppedError(Exception):
    """The work was stopped."""


class Job:
    """Work of one kind for one panel; work that is asked for takes the place of what goes on.

    Parameters
    ----------
    worker : Worker
        Does the work; what follows is called on its thread.
    tell : callable
        Takes what goes on, in words, and the share that is done.
    fail : callable
        Takes what went wrong.
    failed : str
        What did not work when there is a defect, such as "this could not be written".
    stopped : str
        What is told after a stop.
    unit : str
        What is counted, such as " poses".
    pictures : bool
        Whether the work draws: then it waits for live pictures, and lets them go first at
        every step.
    """

    def __init__(
        self,
        worker: Worker,
        tell: Tell,
        fail: Fail,
        failed: str,
        stopped: str,
        unit: str = "",
        pictures: bool = False,
    ) -> None:
        self._worker, self._tell, self._fail = worker, tell, fail
        self._failed, self._stopped, self._unit = failed, stopped, unit
        self._pictures = pictures
        self._ticket = 0  # of the work that is wanted; what holds another one stops
        self._newest = 0
        self.going = False

    def start(
        self,
        work: Callable[[Progress], Result],
        take: Callable[[Result, float], None],
        stages: tuple[str, ...] = (),
    ) -> None:
        """Ask for work."""
        self._ticket += 1
        ticket = self._newest = self._ticket
        self.going = True
        self._tell("Waiting for its turn …", 0.0)
        ask = self._worker.ask_long if self._pictures else self._worker.ask
        ask(self, lambda: self._run(work, take, stages, ticket))

    def stop(self) -> None:
        """Give up what goes on or waits."""
        self._ticket += 1

    def _run(
        self,
        work: Callable[[Progress], Result],
        take: Callable[[Result, float], None],
        stages: tuple[str, ...],
        ticket: int,
    ) -> None:
        begin = time.perf_counter()

        def progress(what: str, done: int, total: int) -> None:
            if ticket != self._ticket:
                raise _StoppedError
            counted = f": {done} of {total}{self._unit}" if total > 1 else ""
            share = done / max(total, 1)
            if stages:
                share = (stages.index(what) + share) / len(stages) if what in stages else 0.0
            self._tell(f"{what}{counted} … {time.perf_counter() - begin:.1f} s", share)
            if self._pictures:
                self._worker.give_way()

        try:
            progress("begin", 0, 1)
            result = work(progress)
        except _StoppedError:
            self._end(ticket, self._stopped)
        except Exception as error:  # nothing above this but the thread of all panels
            self._end(ticket, "")
            self._fail(trouble_of(error, self._failed))
        else:
            self._end(ticket, "")
            take(result, time.perf_counter() - begin)

    def _end(self, ticket: int, words: str) -> None:
        # work that was stopped for the sake of other work leaves the words to that
        if ticket == self._newest:
            self.going = False
            self._tell(words, 0.0)

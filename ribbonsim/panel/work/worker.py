"""Threads that work for all panels: one draws pictures, one looks, one checks, one writes files.

A drawing context belongs to the thread that made it, and a notebook's kernel answers widgets
on threads of its own choosing. So all pictures of all panels are drawn by one worker. A panel
leaves a task; a task that has not begun is replaced by the next of the same owner: the latest
state wins, and there is never a queue of stale frames. Work that takes many pictures, such as
a film, is a long task: it waits for the others, and lets them go first between its pictures.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Hashable

from ribbonsim import threads

Task = Callable[[], None]

_LOG = logging.getLogger(__name__)


class Worker:
    """Does tasks one after the other on a thread of its own, the latest of each owner.

    Parameters
    ----------
    name : str
        Of what is done, for the thread's name.
    clock : callable
        Seconds, rising.
    """

    def __init__(self, name: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._name, self._clock = name, clock
        self._ready = threading.Condition()
        self._tasks: dict[Hashable, tuple[float, Task]] = {}
        self._long: dict[Hashable, Task] = {}
        self._thread: threading.Thread | None = None
        self._busy = False

    def ask(self, owner: Hashable, task: Task) -> None:
        """Leave a task; one of the same owner that waits still is dropped."""
        with self._ready:
            self._leave(owner, task, 0.0)

    def ask_later(self, owner: Hashable, task: Task, wait: float) -> None:
        """Leave a task for when an owner has not asked for anything else in a while."""
        with self._ready:
            if owner not in self._tasks:
                self._leave(owner, task, wait)

    def ask_long(self, owner: Hashable, task: Task) -> None:
        """Leave a task that takes long; it calls :meth:`give_way` between its steps."""
        with self._ready:
            self._long[owner] = task
            self._start()

    def give_way(self) -> None:
        """Do what others wait for; to be called by a long task, on the worker's thread."""
        while True:
            with self._ready:
                task = self._due()
            if task is None:
                return
            self._try(task)

    def waits(self, owner: Hashable) -> bool:
        """Whether an owner has a task that has not begun."""
        with self._ready:
            return owner in self._tasks

    def pause(self, owner: Hashable, seconds: float) -> bool:
        """Let other threads go on for a moment, less if an owner asks for something."""
        with self._ready:
            return not self._ready.wait_for(lambda: owner in self._tasks, seconds)

    def settle(self, timeout: float = 30.0) -> bool:
        """Wait until nothing is left to do."""
        with self._ready:
            return self._ready.wait_for(
                lambda: not self._tasks and not self._long and not self._busy, timeout
            )

    def _leave(self, owner: Hashable, task: Task, wait: float) -> None:
        self._tasks[owner] = (self._clock() + wait, task)
        self._start()

    def _start(self) -> None:
        if self._thread is None or not self._thread.is_alive():
            self._thread = threads.begin(self._name, self._run)
        self._ready.notify_all()

    def _due(self) -> Task | None:
        """Take the task that has waited longest, if its time has come; with the lock held."""
        if not self._tasks:
            return None
        owner, (due, task) = min(self._tasks.items(), key=lambda item: item[1][0])
        if due > self._clock():
            return None
        del self._tasks[owner]
        return task

    def _next(self) -> Task:
        """Wait for the task whose turn it is; called with the lock held."""
        while True:
            task = self._due()
            if task is not None:
                return task
            if self._long:
                return self._long.pop(next(iter(self._long)))
            soonest = min((due for due, _ in self._tasks.values()), default=None)
            self._ready.wait(None if soonest is None else max(soonest - self._clock(), 0.0))

    def _run(self) -> None:
        while True:
            with self._ready:
                task = self._next()
                self._busy = True
            try:
                self._try(task)
            finally:
                del task  # a thread that waits must not keep the creature of a closed panel
                with self._ready:
                    self._busy = False
                    self._ready.notify_all()

    @staticmethod
    def _try(task: Task) -> None:
        try:
            task()
        except Exception:  # one panel's defect must not take the picture from the others
            _LOG.exception("a background task of the panel failed")


PICTURES = Worker("pictures")
LOOKS = Worker("looks")
CHECKS = Worker("checks")
FILES = Worker("files")
LOOPS = Worker("loops")
SESSIONS = Worker("sessions")

"""Opening creatures on a thread of its own, so that the panel answers meanwhile."""

from __future__ import annotations

import ctypes
import threading
import time
from collections.abc import Callable
from typing import Any

from ribbonsim import threads
from ribbonsim.arrays import Progress
from ribbonsim.panel.work.dispatch import Dispatcher
from ribbonsim.panel.work.trouble import Trouble, trouble_of

_PATIENCE, _TICK = 0.4, 0.5
_FAILED = "this could not be opened"


class _StoppedError(Exception):
    """The opening was stopped."""


class Opening:
    """Opens one creature at a time; one that is asked for takes the place of what goes on.

    Where there is no event loop, as in a script, it is opened at once and without a thread.

    Parameters
    ----------
    dispatcher : Dispatcher
        Leads back to where widgets are answered; all that follows is called there.
    tell : callable
        Takes what goes on, in words once it takes longer than a blink, and whether it goes on.
    fail : callable
        Takes what went wrong.
    """

    def __init__(
        self,
        dispatcher: Dispatcher,
        tell: Callable[[str, bool], None],
        fail: Callable[[Trouble], None],
    ) -> None:
        self._dispatcher, self._tell, self._fail = dispatcher, tell, fail
        self._tick = dispatcher.handed(self._tell_time)
        self._end = dispatcher.handed(self._finish)
        self._ticket = 0
        self._thread: threading.Thread | None = None
        self._came: tuple[int, Any, Exception | None] | None = None
        self._take: Callable[[Any], None] = lambda _: None
        self._what, self._begin = "", 0.0

    @property
    def going(self) -> bool:
        """Whether something is being opened."""
        return self._thread is not None

    def start(self, work: Callable[[Progress], Any], take: Callable[[Any], None]) -> None:
        """Open; what the work returns is taken where widgets are answered."""
        self.stop()
        self._ticket += 1
        self._take, self._came = take, None
        ticket = self._ticket
        if not self._dispatcher.has_loop:
            self._run(work, ticket)
            self._finish(ticket)
            return
        self._what, self._begin = "Opening", time.monotonic()
        self._tell("", True)
        self._thread = threads.begin("opening", self._run, work, ticket)
        threads.begin("progress", self._watch, self._thread, ticket)

    def stop(self) -> None:
        """Give up what is being opened; what is open already stays."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self._ticket += 1
        if thread.ident is not None:  # steps in compiled code end first
            ctypes.pythonapi.PyThreadState_SetAsyncExc(
                ctypes.c_ulong(thread.ident), ctypes.py_object(_StoppedError)
            )
        self._tell("", False)

    def wait(self) -> None:
        """Wait until it is open, and take it here and now."""
        thread = self._thread
        if thread is not None:
            thread.join()
            self._finish(self._ticket)

    def _run(self, work: Callable[[Progress], Any], ticket: int) -> None:
        def progress(what: str, _done: int, _total: int) -> None:
            if ticket != self._ticket:
                raise _StoppedError
            self._what = what

        try:
            came, error = work(progress), None
        except _StoppedError:
            return
        except Exception as wrong:  # nothing above this but the thread
            came, error = None, wrong
        if ticket == self._ticket:
            self._came = ticket, came, error

    def _watch(self, thread: threading.Thread, ticket: int) -> None:
        thread.join(_PATIENCE)
        while thread.is_alive() and ticket == self._ticket:
            self._tick(ticket)
            thread.join(_TICK)
        self._end(ticket)

    def _tell_time(self, ticket: int) -> None:
        if ticket == self._ticket and self._thread is not None:
            self._tell(f"{self._what} … {time.monotonic() - self._begin:.0f} s", True)

    def _finish(self, ticket: int) -> None:
        if ticket != self._ticket or self._came is None:
            return
        (_, came, error), self._came, self._thread = self._came, None, None
        self._tell("", False)
        if error is not None:
            self._fail(trouble_of(error, _FAILED, "what was open stays"))
        else:
            self._take(came)
        self._take = lambda _: None

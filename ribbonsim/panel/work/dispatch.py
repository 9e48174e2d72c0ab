"""The way from the working threads back to the one that answers the widgets."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from functools import partial
from typing import ParamSpec

from ribbonsim.panel.work.trouble import Trouble, trouble_of

Params = ParamSpec("Params")


class Dispatcher:
    """Calls what workers hand over on the thread that made the panel, one after the other.

    That is the thread of the notebook kernel's event loop. In a script there is no loop: then
    it is called at once, on the worker's thread, under the same lock.

    Parameters
    ----------
    lock : RLock
        Held during each call.
    fail : callable
        Takes what went wrong.
    """

    def __init__(self, lock: threading.RLock, fail: Callable[[Trouble], None]) -> None:
        self._lock, self._fail = lock, fail
        self._thread = threading.get_ident()
        self._loop: asyncio.AbstractEventLoop | None
        try:
            self._loop = asyncio.get_running_loop()
        except RuntimeError:
            self._loop = None

    @property
    def has_loop(self) -> bool:
        """Whether there is an event loop, which answers the widgets."""
        return self._loop is not None and not self._loop.is_closed()

    def handed(self, call: Callable[Params, object]) -> Callable[Params, None]:
        """The same function, to be called on any thread."""

        def hand_over(*args: Params.args, **kwargs: Params.kwargs) -> None:
            act = partial(self._try, partial(call, *args, **kwargs))
            if self._loop is None or threading.get_ident() == self._thread:
                act()
            elif not self._loop.is_closed():
                self._loop.call_soon_threadsafe(act)

        return hand_over

    def later(self, seconds: float, call: Callable[[], object]) -> None:
        """Call after a while, once the loop has nothing else to do; at once without a loop."""
        if self._loop is None:
            self._try(call)
        elif not self._loop.is_closed():
            self._loop.call_later(seconds, partial(self._try, call))

    def _try(self, call: Callable[[], object]) -> None:
        with self._lock:
            try:
                call()
            except Exception as error:  # a defect: the work on the page must outlive it
                self._fail(trouble_of(error, "this could not be shown"))

"""The one thread that draws for every panel.

A drawing context belongs to the thread that made it, and a notebook's kernel answers widgets
on threads of its own choosing. So all pictures of all panels are drawn here. A panel leaves a
wish; a wish that is not drawn yet is replaced by the next: the latest state wins, and there
is never a queue of stale frames.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

Wish = Callable[[], None]


class Easel:
    """Draws wishes one after the other on a thread of its own, the latest of each owner."""

    def __init__(self) -> None:
        self._ready = threading.Condition()
        self._wishes: OrderedDict[Any, Wish] = OrderedDict()
        self._thread: threading.Thread | None = None
        self._busy = False

    def ask(self, owner: Any, wish: Wish) -> None:
        """Leave a wish; one of the same owner that waits still is dropped.

        Parameters
        ----------
        owner : hashable
        wish : callable
            Called on the drawing thread; it handles its own errors.
        """
        with self._ready:
            self._wishes[owner] = wish
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(
                    target=self._draw, name="ribbonsim-easel", daemon=True
                )
                self._thread.start()
            self._ready.notify()

    def busy(self) -> bool:
        """Whether anybody waits for a picture."""
        with self._ready:
            return bool(self._wishes)

    def settle(self, timeout: float = 30.0) -> bool:
        """Wait until nothing is left to draw.

        Parameters
        ----------
        timeout : float
            Seconds.

        Returns
        -------
        bool
            Whether it came to rest in time.
        """
        with self._ready:
            return self._ready.wait_for(lambda: not self._wishes and not self._busy, timeout)

    def _draw(self) -> None:
        while True:
            with self._ready:
                self._ready.wait_for(lambda: bool(self._wishes))
                _, wish = self._wishes.popitem(last=False)
                self._busy = True
            try:
                wish()
            finally:
                with self._ready:
                    self._busy = False
                    self._ready.notify_all()


EASEL = Easel()

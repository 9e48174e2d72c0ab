"""The one thread that draws for every panel.

A drawing context belongs to the thread that made it, and a notebook's kernel answers widgets
on threads of its own choosing. So all pictures of all panels are drawn here. A panel leaves a
wish; a wish that is not drawn yet is replaced by the next: the latest state wins, and there
is never a queue of stale frames. Work that takes many pictures, such as a film, is a long wish:
it waits for the others, and gives way to them between its pictures.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Hashable

Wish = Callable[[], None]

_LOG = logging.getLogger(__name__)


class Easel:
    """Draws wishes one after the other on a thread of its own, the latest of each owner.

    Parameters
    ----------
    clock : callable
        Seconds, rising.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._ready = threading.Condition()
        self._wishes: dict[Hashable, tuple[float, Wish]] = {}
        self._long: dict[Hashable, Wish] = {}
        self._thread: threading.Thread | None = None
        self._busy = False

    def ask(self, owner: Hashable, wish: Wish) -> None:
        """Leave a wish; one of the same owner that waits still is dropped.

        Parameters
        ----------
        owner : hashable
        wish : callable
            Called on the drawing thread; it handles its own errors.
        """
        with self._ready:
            self._leave(owner, wish, 0.0)

    def ask_later(self, owner: Hashable, wish: Wish, wait: float) -> None:
        """Leave a wish for when an owner has not asked for anything else in a while.

        Parameters
        ----------
        owner : hashable
        wish : callable
        wait : float
            Seconds. A wish of the same owner that is there already, or comes meanwhile,
            takes the place of this one.
        """
        with self._ready:
            if owner not in self._wishes:
                self._leave(owner, wish, wait)

    def ask_long(self, owner: Hashable, wish: Wish) -> None:
        """Leave a wish that takes long; it calls :meth:`give_way` between its pictures.

        Parameters
        ----------
        owner : hashable
        wish : callable
            Called on the drawing thread when nothing else is due; it handles its own errors.
        """
        with self._ready:
            self._long[owner] = wish
            self._start()

    def give_way(self) -> None:
        """Draw what others wait for; to be called by a long wish, on the drawing thread."""
        while True:
            with self._ready:
                wish = self._due()
            if wish is None:
                return
            self._try(wish)

    def waits(self, owner: Hashable) -> bool:
        """Whether an owner has a wish that is not drawn yet.

        Parameters
        ----------
        owner : hashable

        Returns
        -------
        bool
        """
        with self._ready:
            return owner in self._wishes

    def pause(self, owner: Hashable, seconds: float) -> bool:
        """Let other threads go on for a moment, less if an owner asks for something.

        Parameters
        ----------
        owner : hashable
        seconds : float

        Returns
        -------
        bool
            Whether nothing was asked for.
        """
        with self._ready:
            return not self._ready.wait_for(lambda: owner in self._wishes, seconds)

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
            return self._ready.wait_for(
                lambda: not self._wishes and not self._long and not self._busy, timeout
            )

    def _leave(self, owner: Hashable, wish: Wish, wait: float) -> None:
        self._wishes[owner] = (self._clock() + wait, wish)
        self._start()

    def _start(self) -> None:
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._draw, name="ribbonsim-easel", daemon=True)
            self._thread.start()
        self._ready.notify_all()

    def _due(self) -> Wish | None:
        """Take the wish that has waited longest, if its time has come; with the lock held."""
        if not self._wishes:
            return None
        owner, (due, wish) = min(self._wishes.items(), key=lambda item: item[1][0])
        if due > self._clock():
            return None
        del self._wishes[owner]
        return wish

    def _next(self) -> Wish:
        """Wait for the wish whose turn it is; called with the lock held."""
        while True:
            wish = self._due()
            if wish is not None:
                return wish
            if self._long:
                return self._long.pop(next(iter(self._long)))
            soonest = min((due for due, _ in self._wishes.values()), default=None)
            self._ready.wait(None if soonest is None else max(soonest - self._clock(), 0.0))

    def _draw(self) -> None:
        while True:
            with self._ready:
                wish = self._next()
                self._busy = True
            try:
                self._try(wish)
            finally:
                with self._ready:
                    self._busy = False
                    self._ready.notify_all()

    @staticmethod
    def _try(wish: Wish) -> None:
        try:
            wish()
        except Exception:  # one panel's defect must not take the picture from the others
            _LOG.debug("a wish failed", exc_info=True)


EASEL = Easel()

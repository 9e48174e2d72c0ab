"""Whether what a widget reports is only what it was just told."""

from __future__ import annotations

import threading
from typing import Any, overload


class Quiet:
    """An attribute that is true on the thread that set it true, and false on all others.

    A section is quiet while it shows the model. A kernel may answer widgets on another thread than
    the one on which a section is shown: what the user does meanwhile is no echo.
    """

    def __set_name__(self, owner: type, name: str) -> None:
        self._threads = f"{name} on"

    @overload
    def __get__(self, holder: None, owner: type) -> Quiet: ...

    @overload
    def __get__(self, holder: object, owner: type) -> bool: ...

    def __get__(self, holder: Any, owner: type) -> Quiet | bool:
        if holder is None:
            return self
        return threading.get_ident() in vars(holder).get(self._threads, ())

    def __set__(self, holder: Any, quiet: bool) -> None:
        threads: set[int] = vars(holder).setdefault(self._threads, set())
        (threads.add if quiet else threads.discard)(threading.get_ident())

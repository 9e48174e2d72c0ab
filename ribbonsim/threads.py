"""Threads of this package, begun only after what cannot be loaded beside others.

USD's library lets go of the interpreter while the system's loader, which lets in one thread at a
time, is still at it. A thread that gets the interpreter then and loads anything itself, a window's
driver or a module that is compiled, waits for the loader; the first waits for the interpreter;
and both wait for ever.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from functools import cache


def begin(name: str, work: Callable[..., object], *given: object) -> threading.Thread:
    """Begin a thread that does not keep the process from ending.

    Parameters
    ----------
    name : str
        What it is for, as a list of threads shows it.
    work : callable
        What it does, called with what is given.
    """
    prepare()
    thread = threading.Thread(target=work, args=given, name=f"ribbonsim-{name}", daemon=True)
    thread.start()
    return thread


@cache
def prepare() -> None:
    """Load what has to be loaded while there is one thread, before a pool of them is made."""
    with contextlib.suppress(ImportError):  # USD is an extra
        import pxr.Tf  # noqa: F401

"""Signals that ask the program to stop: each ends it as Ctrl-C does, with all cleaned up."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from typing import Any

_KINDS = ("SIGINT", "SIGTERM", "SIGHUP")
_came: list[int] = []


@contextlib.contextmanager
def stops_heard() -> Iterator[None]:
    """In this block a signal that asks to stop raises KeyboardInterrupt.

    One that the caller had switched off, as nohup does, stays so.
    """
    _came.clear()
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for kind in (getattr(signal, name) for name in _KINDS if hasattr(signal, name)):
            if signal.getsignal(kind) in (signal.SIG_DFL, signal.default_int_handler):
                before[kind] = signal.signal(kind, _stop)
    try:
        yield
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)


def _stop(number: int, _frame: object) -> None:
    _came.append(number)
    raise KeyboardInterrupt


def check_stopped() -> None:
    """Stop now if a signal came where its exception went lost, as in a callback of a library."""
    if _came:
        raise KeyboardInterrupt


def stop_taken() -> int:
    """Take a stop as answered, by keeping what there is; the code to end with."""
    code = stop_code()
    _came.clear()
    return code


def stop_code() -> int:
    """The code that a shell gives a process which such a signal ended: 128 and its number."""
    return 128 + (_came[0] if _came else signal.SIGINT)

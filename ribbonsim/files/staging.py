"""Files on their way: written beside their places, then put there together or not at all.

A staging folder stands in the folder its files belong to, so that taking a place is a rename.
It is locked while its process lives; one that a process left behind when it was killed is
taken back and swept by whoever writes into the same folder next.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import signal
import stat
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from ribbonsim.errors import RibbonsimError

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # Windows, where an open folder cannot be locked
    fcntl = None

PREFIX = ".ribbonsim-"
_NEW, _OLD, _JOURNAL, _SCRATCH = "new", "old", "journal.json", "scratch"
_PATIENCE = 10.0  # seconds to wait for another writer, who needs milliseconds
_FORGOTTEN = 86_400.0  # seconds, where no lock says whether a process lives
_STOPS = ("SIGINT", "SIGTERM", "SIGHUP")


class Staging:
    """A folder inside the folder that files are meant for; only there while they are made."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder
        self._lock: int | None = None
        try:
            with held_back(), locked(folder):
                sweep(folder)
                self.path = Path(tempfile.mkdtemp(prefix=PREFIX, dir=folder))
                self._lock = _lock(self.path)
                for name in (_NEW, _OLD, _SCRATCH):
                    (self.path / name).mkdir()
        except BaseException:
            self.close()
            raise

    def new(self, name: str) -> Path:
        """Where to write a file that is to be put into place under this name."""
        return self.path / _NEW / name

    @property
    def scratch(self) -> Path:
        """A folder for what is needed on the way and goes with the staging folder."""
        return self.path / _SCRATCH

    def close(self) -> None:
        """Take the staging folder away with all that is still in it."""
        with held_back():
            if self.path != self.folder:
                shutil.rmtree(self.path, ignore_errors=True)
            if self._lock is not None:
                os.close(self._lock)
                self._lock = None


@dataclass(frozen=True)
class Move:
    """One file that takes its place, or goes from it where nothing was staged."""

    staging: Staging
    name: str

    @property
    def target(self) -> Path:
        """The place."""
        return self.staging.folder / self.name

    def inode(self) -> int:
        """What tells the staged file from others; 0 if none was staged."""
        new = self.staging.new(self.name)
        return new.stat().st_ino if new.exists() else 0

    def carry_out(self, force: bool) -> None:
        """Keep what is there aside, and take its place."""
        new, old = self.staging.new(self.name), self.staging.path / _OLD / self.name
        if not new.exists():
            os.rename(self.target, old)
            return
        if not force:
            _rename_to_free(new, self.target)
            return
        if self.target.exists():
            _keep(self.target, old)
            with contextlib.suppress(OSError):
                os.chmod(new, stat.S_IMODE(self.target.stat().st_mode))
        os.replace(new, self.target)


def place(moves: Sequence[Move], force: bool) -> None:
    """Put all files into place, or leave everything as it was.

    Raises
    ------
    OSError
        What the system says.
    RibbonsimError
        If another file took a place meanwhile and ``force`` is off.
    """
    stagings = list(dict.fromkeys(move.staging for move in moves))
    for move in moves:
        _settle(move.staging.new(move.name))
    with contextlib.ExitStack() as stack:
        check_stop = stack.enter_context(held_back())
        for folder in sorted({staging.folder for staging in stagings}):
            stack.enter_context(locked(folder))
        inodes = {move: move.inode() for move in moves}
        for staging in stagings:
            _note(staging, {m.name: inodes[m] for m in moves if m.staging is staging})
        try:
            for move in moves:
                check_stop()
                move.carry_out(force)
            check_stop()
        except BaseException:
            for move in reversed(moves):
                _take_back(move.staging.folder, move.staging.path, move.name, inodes[move])
            raise
        for staging in stagings:
            (staging.path / _JOURNAL).unlink(missing_ok=True)


def _settle(path: Path) -> None:
    """See that a file's bytes are on the disk: a full one may complain no sooner."""
    if not path.exists():
        return
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _keep(target: Path, aside: Path) -> None:
    try:
        os.link(target, aside)
    except OSError:  # a file system without links
        shutil.copy2(target, aside)


def _rename_to_free(new: Path, target: Path) -> None:
    """Rename, unless something stands there already, and leave nobody a moment in between."""
    try:
        if os.name == "nt":
            os.rename(new, target)
        else:
            os.link(new, target)
            new.unlink()
    except FileExistsError:
        raise RibbonsimError(
            f"{target} exists and is kept: it was made meanwhile; choose another name, or ask for "
            "it to be replaced (--force)"
        ) from None
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS):
            raise
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))  # no links here
        os.replace(new, target)


def _note(staging: Staging, inodes: dict[str, int]) -> None:
    """Write down what is about to happen, for whoever finds it half done."""
    with (staging.path / _JOURNAL).open("w", encoding="ascii") as stream:
        json.dump(inodes, stream)
        stream.flush()
        os.fsync(stream.fileno())


def _take_back(folder: Path, staging: Path, name: str, inode: int) -> None:
    """Undo one move, however far it came; what others put there meanwhile stays."""
    target, aside = folder / name, staging / _OLD / name
    with contextlib.suppress(OSError):
        ours = target.exists() and target.stat().st_ino == inode
        if aside.exists() and (ours or not target.exists()):
            os.replace(aside, target)
        elif ours:
            target.unlink()


# -- what was left behind ------------------------------------------------------------------------


def sweep(folder: Path) -> None:
    """Take away staging folders whose process is gone; undo what it had half done."""
    with contextlib.suppress(OSError):
        for entry in list(os.scandir(folder)):
            if entry.name.startswith(PREFIX) and entry.is_dir(follow_symlinks=False):
                path = Path(entry.path)
                if _is_own(path) and _is_abandoned(path):
                    _recover(folder, path)
                    shutil.rmtree(path, ignore_errors=True)


def _is_own(path: Path) -> bool:
    return not hasattr(os, "geteuid") or path.stat().st_uid == os.geteuid()


def _is_abandoned(path: Path) -> bool:
    handle = None
    if fcntl is not None:
        try:
            handle = os.open(path, os.O_RDONLY)
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            return False
        except OSError:  # a file system without locks
            pass
        finally:
            if handle is not None:
                os.close(handle)
    return time.time() - path.stat().st_mtime > _FORGOTTEN


def _recover(folder: Path, staging: Path) -> None:
    with contextlib.suppress(OSError, ValueError):
        noted: Any = json.loads((staging / _JOURNAL).read_text("ascii"))
        for name, inode in noted.items():
            if os.path.basename(name) == name:
                _take_back(folder, staging, name, inode)


# -- locks and signals ---------------------------------------------------------------------------


def _lock(folder: Path) -> int | None:
    if fcntl is None:
        return None
    handle = os.open(folder, os.O_RDONLY)
    with contextlib.suppress(OSError):
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    return handle


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep other writers of ours out of a folder for a moment."""
    handle = None
    if fcntl is not None:
        with contextlib.suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            until = time.monotonic() + _PATIENCE
            while time.monotonic() < until:
                try:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    break
                except BlockingIOError:
                    time.sleep(0.002)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


@contextlib.contextmanager
def held_back(names: Iterable[str] = _STOPS) -> Iterator[Callable[[], None]]:
    """Let the signals that stop a program wait until the block is done.

    Calling what is given raises KeyboardInterrupt where one is waiting.
    """
    came: list[int] = []

    def check() -> None:
        if came:
            raise KeyboardInterrupt

    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for kind in (getattr(signal, name) for name in names if hasattr(signal, name)):
            handler = signal.getsignal(kind)
            if handler is not None and handler is not signal.SIG_IGN:
                before[kind] = handler
                signal.signal(kind, lambda number, _frame: came.append(number))
    try:
        yield check
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)
        for number in came[:1]:
            signal.raise_signal(number)

"""Session files: found when a creature is opened, written as the user works."""

from __future__ import annotations

import atexit
import os
import threading
import weakref
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Generic, TypeVar

from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import write_file
from ribbonsim.panel.state.compare_session import CompareSession
from ribbonsim.panel.state.session import MeshMark, NotASessionError, Session, session_data
from ribbonsim.panel.work.trouble import Trouble, trouble_of
from ribbonsim.panel.work.worker import SESSIONS

FOLDER_VARIABLE = "RIBBONSIM_SESSIONS"
OFF = "off"
_WAIT = 0.25
_MOST = 99
_LARGEST = 32 * 1024 * 1024


Stamp = tuple[int, int, int]
Kind = TypeVar("Kind", Session, CompareSession)


class SessionFiles(Generic[Kind]):
    """Session files of one panel, in one folder.

    A file is only ever replaced by the panel that wrote or read it last: one that something
    else wrote in the meantime is left alone, and the next free name is taken.

    Parameters
    ----------
    kind : type
        What they hold.
    folder : Path or None
        Where they are; None keeps nothing.
    say : callable
        Takes a sentence that is to be told, on the writing thread.
    fail : callable
        Takes what went wrong, on the writing thread.
    """

    def __init__(
        self,
        kind: type[Kind],
        folder: Path | None,
        say: Callable[[str], None] = lambda _: None,
        fail: Callable[[Trouble], None] = lambda _: None,
    ) -> None:
        self._kind: type[Kind] = kind
        self.folder = folder
        self._say, self._fail = say, fail
        self._wanted: Kind | None = None
        self._lock = threading.Lock()
        self._path: Path | None = None
        self._mine: Stamp | None = None  # the file as this panel left it
        self._last = ""
        self._failed = False
        _flush_at_end(self)

    @property
    def path(self) -> Path | None:
        """The file of the creature that is open, once there is one."""
        return self._path

    # -- reading -----------------------------------------------------------------------------

    def decline(self, why: str) -> str:
        """Put aside what was found last."""
        path, self._path, self._mine = self._path, None, None
        return "" if path is None else put_aside(path, f"{path.name} is not used: {why}")

    def find(self, mesh: MeshMark) -> tuple[Kind | None, list[str]]:
        """Find what was kept of a creature, the newest, and say what had to be put aside."""
        self._path, self._mine, self._last, self._failed = None, None, "", False
        if self.folder is None:
            return None, []
        found: list[tuple[int, Path, Kind]] = []
        said: list[str] = []
        for path in self._names(mesh.name):
            if not path.is_file():
                continue
            try:
                session = self._kind.read(_text(path), path)
            except NotASessionError:
                continue
            except RibbonsimError as error:
                said.append(put_aside(path, str(error)))
                continue
            if mesh.is_for(session.mesh):
                found.append((path.stat().st_mtime_ns, path, session))
        if not found:
            return None, said
        _, path, session = max(found, key=lambda each: each[0])
        self.take(path)
        return session, said

    def _names(self, name: str) -> Iterator[Path]:
        """The names that sessions of a creature may have, up to the first that is free."""
        folder = self.folder or Path()
        stem = "".join(c if c.isalnum() or c in "-_. " else "_" for c in name)[:80] or "creature"
        for number in range(1, _MOST):
            more = "" if number == 1 else f".{number}"
            path = folder / f"{stem}{more}{self._kind.ending}"
            yield path
            if not os.path.lexists(path):
                return

    def take(self, path: Path) -> None:
        """Go on with a file that was read."""
        self._path, self._mine = path, stamp_of(path)

    def last_opened(self, since: float = 0.0) -> Path | None:
        """The mesh file that was worked on last in the folder, if it was so since a time."""
        found = [] if self.folder is None else list(self.folder.glob(f"*{self._kind.ending}"))
        stamped = [(path.stat().st_mtime, path) for path in found if path.is_file()]
        for when, path in sorted(stamped, reverse=True):
            if when < since:
                return None
            try:
                mark = session_data(_text(path), path, self._kind.key)["mesh"]
                file = Path(mark["file"])
                if mark["file"] and file.is_file():
                    return file
            except (RibbonsimError, OSError, KeyError, TypeError, ValueError):
                continue
        return None

    # -- writing -----------------------------------------------------------------------------

    def keep(self, session: Kind) -> None:
        """Write a session by and by; one that waits is replaced by it."""
        if self.folder is None:
            return
        self._wanted = session
        SESSIONS.ask_later(self, self.flush, _WAIT)

    def flush(self) -> None:
        """Write now what waits to be written."""
        with self._lock:
            session, self._wanted = self._wanted, None
            if session is None or self.folder is None:
                return
            try:
                self._write(session)
                self._failed = False
            except (RibbonsimError, OSError) as error:
                if not self._failed:  # once is enough: each change would say it again
                    self._failed = True
                    self._fail(_unwritten(error))

    def _write(self, session: Kind) -> None:
        text = session.text()
        unchanged = self._path is not None and stamp_of(self._path) == self._mine
        if unchanged and text == self._last:
            return
        if self._path is None or not unchanged:
            before = self._path
            self._path = self._free(session.mesh)
            if before is not None and before.is_file():
                self._say(
                    f"{before.name} was changed by another panel or program, and is left as it "
                    f"is: this panel goes on in {self._path.name}."
                )
        write_file(self._path, text, force=self._mine is not None and unchanged)
        self._mine, self._last = stamp_of(self._path), text

    def _free(self, mesh: MeshMark) -> Path:
        for path in self._names(mesh.name):
            if not os.path.lexists(path):
                return path
        raise RibbonsimError(f"there are {_MOST} sessions of {mesh.name}: take some away")


def session_folder() -> Path | None:
    """Where sessions are kept: where the notebook is, unless the environment says otherwise."""
    named = os.environ.get(FOLDER_VARIABLE, "")
    if named == OFF:
        return None
    folder = Path(named) if named else Path.cwd()
    return folder if folder.is_dir() and os.access(folder, os.W_OK | os.X_OK) else None


def put_aside(path: Path, why: str) -> str:
    """Give a file that cannot be used another name; the sentence that says so."""
    for number in range(1, 1000):
        aside = path.with_name(f"{path.name}.aside" + (f"-{number}" if number > 1 else ""))
        if not os.path.lexists(aside):
            break
    try:
        os.replace(path, aside)
    except OSError as error:
        return f"{why}; it is left where it is ({error.strerror})."
    return f"{why}; it was put aside as {aside.name}, and a fresh start made."


def _text(path: Path) -> str:
    if path.stat().st_size > _LARGEST:
        raise NotASessionError(f"{path.name} is no session file")
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise NotASessionError(f"{path.name} is no session file") from error


def stamp_of(path: Path) -> Stamp | None:
    """What a file that is written anew differs in; None if there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


def _unwritten(error: Exception) -> Trouble:
    failed = "What you do cannot be kept in a session file"
    if isinstance(error, RibbonsimError):
        return Trouble(f"{failed}: {error}")
    return trouble_of(error, failed)


_OPEN: weakref.WeakSet[SessionFiles[Any]] = weakref.WeakSet()


def _flush_at_end(files: SessionFiles[Any]) -> None:
    _OPEN.add(files)


@atexit.register
def _flush_all() -> None:
    for files in list(_OPEN):
        files.flush()

"""Writing files so that nothing is lost: all or none, and never over another unasked."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterable, Iterator, Mapping
from contextvars import ContextVar
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from ribbonsim.errors import RibbonsimError
from ribbonsim.files.staging import PREFIX, Move, Staging, held_back, place

_SHOWN = 300  # characters of a path

_READ: ContextVar[list[os.stat_result] | None] = ContextVar("files read", default=None)

FileName = str | os.PathLike[str]


@contextlib.contextmanager
def inputs_guarded() -> Iterator[None]:
    """In this block every file that is read is kept from being written over, whatever is asked."""
    token = _READ.set([])
    try:
        yield
    finally:
        _READ.reset(token)


def open_input(path: FileName) -> BinaryIO:
    """Open a file to read; in a block of :func:`inputs_guarded` it is then kept.

    Raises
    ------
    OSError
        What the system says.
    RibbonsimError
        If it is a device or a pipe, which may never end.
    """
    try:
        found = os.stat(path)
    except ValueError:
        raise RibbonsimError(f"{os.fspath(path)!r} is no name that a file can have") from None
    if not stat.S_ISREG(found.st_mode) and not stat.S_ISDIR(found.st_mode):
        raise RibbonsimError(
            f"{os.fspath(path)}: this is a device or a pipe, which may never end; copy what it "
            "gives into a file, and name that."
        )
    stream = open(path, "rb")  # noqa: SIM115
    held = _READ.get()
    if held is not None:
        held.append(found)
    return stream


def write_file(
    path: FileName, data: str | bytes, force: bool = False, inputs: Iterable[FileName] = ()
) -> Path:
    """Write a file in one step: a reader sees the old one or the new one, never a half.

    Parameters
    ----------
    path : path
        The folder must exist.
    data : str or bytes
        Text is written as UTF-8 with its line ends as they are.
    force : bool
        Replace a file that is there.
    inputs : iterable of path
        Files that are not replaced, whatever ``force`` says; empty names are none.

    Raises
    ------
    RibbonsimError
        If the file exists and ``force`` is off, or it cannot be written.
    """
    target = check_free(path, force, inputs)
    with Bundle(target.parent, force, inputs) as bundle:
        bundle.write({target.name: data})
    return target


def check_free(path: FileName, force: bool = False, inputs: Iterable[FileName] = ()) -> Path:
    """See that a file can be written, before the work that fills it begins.

    Parameters
    ----------
    force : bool
        It may replace a file that is there.
    inputs : iterable of path
        Files that are not replaced, whatever ``force`` says.

    Raises
    ------
    RibbonsimError
        If it is a folder or no regular file, exists and ``force`` is off, is an input, or its
        folder cannot be written to.
    """
    target = Path(path)
    _check_target(target, force, inputs)
    if not target.parent.is_dir():
        raise RibbonsimError(
            f"{target} cannot be written: there is no folder {target.parent}; make it first"
        )
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise RibbonsimError(f"{target} cannot be written: choose a folder that you may write")
    return target


def _check_target(target: Path, force: bool, inputs: Iterable[FileName]) -> None:
    found = _stat(target)
    if found is None:
        return
    if stat.S_ISDIR(found.st_mode):
        raise RibbonsimError(f"{target} is a folder: give the name of a file, or move the folder")
    if not stat.S_ISREG(found.st_mode):
        raise RibbonsimError(
            f"{target} is a device or a pipe, which cannot be put in place in one step: give the "
            "name of a file"
        )
    read = [*(_READ.get() or ()), *(_stat(Path(name)) for name in inputs if os.fspath(name))]
    if any(each is not None and os.path.samestat(found, each) for each in read):
        raise RibbonsimError(
            f"{target} is a file that was read, and what is read is never written over: choose "
            "another name or folder"
        )
    if not force:
        raise RibbonsimError(
            f"{target} exists and is kept: choose another place, or ask for it to be replaced "
            "(--force)"
        )


def _stat(path: Path) -> os.stat_result | None:
    """What is there, links followed; None if there is nothing."""
    try:
        return os.stat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise RibbonsimError(cannot_write(path, error)) from error
    except ValueError:
        raise RibbonsimError(
            f"{str(path)!r} is no name that a file can have: give another"
        ) from None


def make_folder(path: FileName) -> Path:
    """Make a folder and those above it; one that is there is fine.

    Raises
    ------
    RibbonsimError
        If it cannot be made or is a file.
    """
    folder = Path(path)
    _make_missing(folder)
    return folder


def _make_missing(folder: Path) -> list[Path]:
    """Make a folder with those above it; those that were not there, the innermost first."""
    missing = []
    for above in (folder, *folder.parents):
        if _stat(above) is not None:
            break
        missing.append(above)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        _take_away(missing)
        raise RibbonsimError(cannot_write(folder, error)) from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise RibbonsimError(f"{folder} cannot be written to: choose a folder that you may write")
    return missing


def _take_away(folders: Iterable[Path]) -> None:
    for path in folders:
        with contextlib.suppress(OSError):  # another program put something there meanwhile
            path.rmdir()


def cannot_write(path: Path, error: OSError) -> str:
    """Say in one sentence why a path could not be written."""
    reason = error.strerror or str(error)
    advice = {
        "ENOSPC": "free some space or choose another disk",
        "EDQUOT": "free some space or choose another disk",
        "EFBIG": "choose another disk",
        "EACCES": "choose a folder that you may write",
        "EPERM": "choose a folder that you may write",
        "EROFS": "choose a folder that you may write",
        "ENOENT": "make its folder first",
        "ENOTDIR": "choose a folder, not a file",
        "EEXIST": "choose a folder, not a file",
        "ENAMETOOLONG": "choose a shorter name",
        "ELOOP": "its links go round in a circle",
    }
    name = errno.errorcode.get(error.errno or 0, "")
    path = _outside(path)
    shown = str(path) if len(str(path)) < _SHOWN else f"{str(path)[:60]}…{str(path)[-60:]}"
    if name == "ENOENT" and path.parent.is_dir():  # some file systems take no new files at all
        return f"{shown} cannot be written: {path.parent} takes no files; choose another folder"
    return (
        f"{shown} cannot be written ({reason.lower()}): {advice.get(name, 'choose another place')}"
    )


def _encoded(data: str | bytes) -> bytes:
    """UTF-8; halves of pairs, as names of files that are not UTF-8 bring them, become '?'."""
    return data.encode("utf-8", "replace") if isinstance(data, str) else data


def _outside(path: Path) -> Path:
    """The folder that the user knows, of a path inside a staging folder."""
    for above in path.parents:
        if above.name.startswith(PREFIX):
            return _outside(above.parent)
    return path


class Bundle:
    """Claims a folder's file names first, and fills them last.

    Used in a ``with`` block: entering makes the folder, :meth:`claim` sees that nothing is in
    the way, and :meth:`write` puts all files there at once. If the block is left by an error
    or by the user, every file is as it was before, and no folder is there that was not.

    Parameters
    ----------
    force : bool
        Files that are there may be replaced.
    inputs : iterable of path
        Files that are not replaced, whatever ``force`` says.
    """

    def __init__(
        self, folder: FileName, force: bool = False, inputs: Iterable[FileName] = ()
    ) -> None:
        self.folder = Path(folder)
        self.force = force
        self._inputs = tuple(inputs)
        self._made: list[Path] = []
        self._stagings: dict[Path, Staging] = {}

    def __enter__(self) -> Bundle:
        """Make the folder."""
        try:
            with held_back():
                self._made = _make_missing(self.folder)
        except BaseException:
            _take_away(self._made)
            raise
        return self

    def claim(self, names: Iterable[str]) -> None:
        """See that no file is in the way.

        Parameters
        ----------
        names : iterable of str
            Files that will be written.

        Raises
        ------
        RibbonsimError
            Naming the first file that is in the way.
        """
        for name in names:
            _check_target(self.folder / name, self.force, self._inputs)

    def path(self, name: str) -> Path:
        """Where to write a file that :meth:`place` is to put into place under this name."""
        move = self._move(name)
        return move.staging.new(move.name)

    @property
    def scratch(self) -> Path:
        """A folder on the same disk for what is needed on the way; it goes with the block."""
        return self._staging(self.folder).scratch

    def write(self, files: Mapping[str, str | bytes]) -> None:
        """Write all files and put them into place.

        Parameters
        ----------
        files : mapping of str to str or bytes
            By name; text becomes UTF-8.

        Raises
        ------
        RibbonsimError
            If they cannot be written; those that were there are as they were.
        """
        try:
            for name, data in files.items():
                self.path(name).write_bytes(_encoded(data))
        except OSError as error:
            raise RibbonsimError(self._cannot(error)) from error
        self.place(files)

    def place(self, names: Iterable[str], remove: Iterable[str] = ()) -> None:
        """Put files that were written to :meth:`path` into place, and take others away.

        Raises
        ------
        RibbonsimError
            If they cannot be put there; those that were there are as they were.
        """
        listed = list(names)
        self.claim(listed)
        try:
            moves = [self._move(name) for name in (*listed, *remove)]
            place(moves, self.force)
        except OSError as error:
            raise RibbonsimError(self._cannot(error)) from error

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for staging in self._stagings.values():
            staging.close()
        self._stagings = {}
        if kind is not None:
            _take_away(self._made)

    def _move(self, name: str) -> Move:
        """A file's move to where links lead from its name."""
        target = Path(os.path.realpath(self.folder / name))
        return Move(self._staging(target.parent), target.name)

    def _staging(self, folder: Path) -> Staging:
        real = Path(os.path.realpath(folder))
        if real not in self._stagings:
            try:
                self._stagings[real] = Staging(real)
            except OSError as error:
                raise RibbonsimError(self._cannot(error)) from error
        return self._stagings[real]

    def _cannot(self, error: OSError) -> str:
        """Names the file where that is one of the user's, else the folder."""
        named = error.filename2 or error.filename
        own = isinstance(named, str | os.PathLike) and Path(named).parent == self.folder
        return cannot_write(Path(named) if own else self.folder, error)

"""Writing files so that nothing is lost: whole or not at all, and never over another unasked."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from ribbonsim.errors import RibbonsimError


def write_file(path: str | os.PathLike[str], data: str | bytes, force: bool = False) -> Path:
    """Write a file in one step.

    The data goes to a new file beside the target, which then takes the target's name: a
    reader sees the old file or the new one, never a half.

    Parameters
    ----------
    path : path
        The folder must exist.
    data : str or bytes
        Text is written as UTF-8 with its line ends as they are.
    force : bool
        Replace a file that is there.

    Returns
    -------
    Path

    Raises
    ------
    RibbonsimError
        If the file exists and ``force`` is off, or it cannot be written.
    """
    target = check_free(path, force)
    content = data.encode() if isinstance(data, str) else data
    handle = None
    try:
        descriptor, handle = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(handle, 0o666 & ~_umask())
        os.replace(handle, target)
    except OSError as error:
        if handle is not None:
            Path(handle).unlink(missing_ok=True)
        raise RibbonsimError(cannot_write(target, error)) from error
    return target


def check_free(path: str | os.PathLike[str], force: bool = False) -> Path:
    """See that a file can be written, before the work that fills it begins.

    Parameters
    ----------
    path : path
    force : bool
        It may replace a file that is there.

    Returns
    -------
    Path

    Raises
    ------
    RibbonsimError
        If it is a folder, exists and ``force`` is off, or its folder cannot be written to.
    """
    target = Path(path)
    if target.is_dir():
        raise RibbonsimError(f"{target} is a folder: give the name of a file")
    if target.exists() and not force:
        raise RibbonsimError(f"{target} exists and is kept: ask for it to be replaced (--force)")
    if not target.parent.is_dir():
        raise RibbonsimError(
            f"{target} cannot be written: there is no folder {target.parent}; make it first"
        )
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise RibbonsimError(f"{target} cannot be written: choose a folder that you may write")
    return target


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder and those above it; one that is there is fine.

    Parameters
    ----------
    path : path

    Returns
    -------
    Path

    Raises
    ------
    RibbonsimError
        If it cannot be made or is a file.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RibbonsimError(cannot_write(folder, error)) from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise RibbonsimError(f"{folder} cannot be written to: choose a folder that you may write")
    return folder


def cannot_write(path: Path, error: OSError) -> str:
    """Say in one sentence why a path could not be written.

    Parameters
    ----------
    path : Path
    error : OSError

    Returns
    -------
    str
    """
    reason = error.strerror or str(error)
    advice = {
        "ENOSPC": "free some space or choose another disk",
        "EDQUOT": "free some space or choose another disk",
        "EACCES": "choose a folder that you may write",
        "EPERM": "choose a folder that you may write",
        "EROFS": "choose a folder that you may write",
        "ENOENT": "make its folder first",
        "ENOTDIR": "choose a folder, not a file",
        "EEXIST": "choose a folder, not a file",
        "ENAMETOOLONG": "choose a shorter name",
    }
    import errno

    name = errno.errorcode.get(error.errno or 0, "")
    if name == "ENOENT" and path.parent.is_dir():  # some file systems take no new files at all
        return f"{path} cannot be written: {path.parent} takes no files; choose another folder"
    return (
        f"{path} cannot be written ({reason.lower()}): {advice.get(name, 'choose another place')}"
    )


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask

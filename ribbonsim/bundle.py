"""A folder of files that appear together or not at all."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType

from ribbonsim.errors import RibbonsimError
from ribbonsim.files import cannot_write, make_folder


class Bundle:
    """Claims a folder's file names first, and fills them last.

    Used in a ``with`` block: entering makes the folder, :meth:`claim` sees that nothing is in
    the way, and :meth:`write` puts all files there at once. If the block is left by an error
    or by the user, no file is there that was not there before, and no folder either.

    Parameters
    ----------
    folder : path
    force : bool
        Files that are there may be replaced.
    """

    def __init__(self, folder: str | os.PathLike[str], force: bool = False) -> None:
        self.folder = Path(folder)
        self.force = force
        self._made: list[Path] = []

    def __enter__(self) -> Bundle:
        """Make the folder."""
        missing = [path for path in (self.folder, *self.folder.parents) if not path.exists()]
        make_folder(self.folder)
        self._made = missing
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
            path = self.folder / name
            if path.is_dir():
                raise RibbonsimError(f"{path} is a folder: move it or choose another place")
            if path.exists() and not self.force:
                raise RibbonsimError(
                    f"{path} exists and is kept: choose another folder, or ask for it to be "
                    "replaced (--force)"
                )

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            return
        for path in self._made:
            try:
                path.rmdir()
            except OSError:  # another program put something there meanwhile
                return

    def write(self, files: Mapping[str, str | bytes]) -> None:
        """Write all files.

        They are written in full to a folder beside their own and then renamed into place.

        Parameters
        ----------
        files : mapping of str to str or bytes
            By name; text becomes UTF-8.

        Raises
        ------
        RibbonsimError
            If they cannot be written; those that were there are as they were.
        """
        self.claim(files)
        new = [name for name in files if not (self.folder / name).exists()]
        staging = None
        try:
            staging = Path(tempfile.mkdtemp(dir=self.folder, prefix=".writing."))
            for name, data in files.items():
                content = data.encode() if isinstance(data, str) else data
                (staging / name).write_bytes(content)
            for name in files:
                os.replace(staging / name, self.folder / name)
        except BaseException as error:
            for name in new:
                (self.folder / name).unlink(missing_ok=True)
            if isinstance(error, OSError):
                raise RibbonsimError(cannot_write(self.folder, error)) from error
            raise
        finally:
            if staging is not None:
                shutil.rmtree(staging, ignore_errors=True)


_LONGEST = 64
_LEAST_LEAD = 16


def file_names(stems: Iterable[str], ending: str = ".png", lead: str = "") -> list[str]:
    """Turn names into file names that never meet, whatever they hold.

    Parameters
    ----------
    stems : iterable of str
        What a file's name cannot hold becomes ``_``.
    ending : str
    lead : str
        Stands before each stem, with ``_`` between. If both are too long, it is cut and the
        stem kept.

    Returns
    -------
    list of str
    """
    found: list[str] = []
    taken: set[str] = set()
    for stem in stems:
        plain = _plain(stem, _LONGEST)
        if lead:
            plain = f"{_plain(lead, max(_LEAST_LEAD, _LONGEST - 1 - len(plain)))}_{plain}"
        name, count = f"{plain}{ending}", 2
        while name.casefold() in taken:
            name, count = f"{plain}_{count}{ending}", count + 1
        taken.add(name.casefold())
        found.append(name)
    return found


def _plain(text: str, longest: int) -> str:
    """What a file's name can hold of a text; the middle is cut, as ends tell names apart."""
    plain = re.sub(r"[^\w.-]+", "_", text).lstrip(".") or "_"
    if len(plain) <= longest:
        return plain
    return plain[: longest - longest // 2] + plain[-(longest // 2) :]

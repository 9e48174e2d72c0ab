"""Finding the file that is meant by a path as it is written or pasted into a field."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.load import MESH_ENDINGS
from ribbonsim.panel.jupyter import FOLDER_VARIABLE

_LONGEST, _LONGEST_NAME = 4000, 255
_QUOTES = ("''", '""', "“”", "‘’", "„“", "«»")
_MOST_NAMED = 6


def start_folders() -> list[Path]:
    """Where paths start from: the notebook's folder, and where the notebook was started."""
    named = os.environ.get(FOLDER_VARIABLE, "")
    folders = [Path.cwd(), *([Path(named)] if named else [])]
    return [folder for i, folder in enumerate(folders) if folder not in folders[:i]]


def cleaned(text: str) -> str:
    """A path without quotes and blanks around it.

    Raises
    ------
    RibbonsimError
        If nothing is left, or it cannot be the path of a file.
    """
    path = text.strip()
    if len(path) > 1 and path[0] + path[-1] in _QUOTES:
        path = path[1:-1].strip()
    if not path:
        raise RibbonsimError("there is no path: write where the file is")
    if "\0" in path or not path.isprintable():
        raise RibbonsimError(
            "this path holds characters that cannot be printed: write it anew by hand"
        )
    longest = max(len(os.fsencode(part)) for part in path.split("/"))
    if len(path) > _LONGEST or longest > _LONGEST_NAME:
        raise RibbonsimError(
            f"this path is too long to be one ({len(path):,} characters, {path[:40]} …): "
            "write the path of one file"
        )
    return path


def find_file(text: str, folders: Sequence[Path], endings: Iterable[str] = MESH_ENDINGS) -> Path:
    """The file that a path means, as seen from some folders.

    Raises
    ------
    RibbonsimError
        Naming where it was looked for, and the files of that kind there.
    """
    try:
        path = Path(cleaned(text)).expanduser()
    except RuntimeError as error:
        raise RibbonsimError(f"{text.strip()} names a user who is not known here") from error
    tried = [path] if path.is_absolute() else [folder / path for folder in folders]
    for each in tried:
        if os.path.isfile(each):
            return each
    for each in tried:
        if os.path.isdir(each):
            there = files_in([each], endings)
            raise RibbonsimError(f"{each} is a folder: {_there(there, each)}")
    looked = list(dict.fromkeys(str(each.parent) for each in tried))
    there = files_in([each.parent for each in tried], endings)
    raise RibbonsimError(
        f"{path.name} is not there: looked in {' and in '.join(looked)}; {_there(there, None)}"
    )


def files_in(folders: Iterable[Path], endings: Iterable[str] = MESH_ENDINGS) -> list[Path]:
    """Files of a kind in some folders, by name."""
    found: list[Path] = []
    for folder in folders:
        try:
            found += sorted(p for p in folder.iterdir() if p.suffix.lower() in set(endings))
        except OSError:
            continue
    return list(dict.fromkeys(found))


def offered(folders: Iterable[Path]) -> list[str]:
    """Meshes that can be opened from some folders and the folders named meshes in them."""
    here = list(folders)
    found: list[str] = []
    for folder in here:
        for path in files_in([folder, folder / "meshes"]):
            found.append(
                str(path.relative_to(here[0])) if path.is_relative_to(here[0]) else str(path)
            )
    return list(dict.fromkeys(found))


def _there(found: Sequence[Path], folder: Path | None) -> str:
    """What is there instead, in words."""
    names = [path.name for path in found[:_MOST_NAMED]]
    if not names:
        return "no such file is there" if folder is None else "no mesh is in it"
    more = f" and {len(found) - len(names)} more" if len(found) > len(names) else ""
    return f"there are {', '.join(names)}{more}"

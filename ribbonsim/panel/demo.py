"""Where the demo creatures are."""

from __future__ import annotations

from pathlib import Path


def demo_meshes(start: Path | None = None) -> dict[str, Path]:
    """Find the demo creatures: the folder ``meshes`` here, above, or beside the package.

    Parameters
    ----------
    start : Path, optional
        Where to look first; the working folder if left out.

    Returns
    -------
    dict of str to Path
        OBJ files by name; empty if the folder is not there.
    """
    here = (start or Path.cwd()).resolve()
    for folder in (here, *here.parents, Path(__file__).resolve().parents[2]):
        found = sorted((folder / "meshes").glob("*.obj"))
        if found:
            named = {path.stem: path for path in found}
            first = [name for name in ("lampeel",) if name in named]
            return {name: named[name] for name in [*first, *(n for n in named if n not in first)]}
    return {}

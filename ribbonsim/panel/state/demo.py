"""Where the demo creatures are."""

from __future__ import annotations

from pathlib import Path

_FIRST = "lampeel"


def demo_meshes(start: Path | None = None) -> dict[str, Path]:
    """Find the demo creatures: in a folder ``meshes`` here or above, else the package's own."""
    here = (start or Path.cwd()).resolve()
    package = Path(__file__).resolve().parents[2]
    # beside the package in a checkout, inside it once installed
    for folder in (here, *here.parents, package, package.parent):
        found = sorted((folder / "meshes").glob("*.obj"), key=lambda p: (p.stem != _FIRST, p.stem))
        if found:
            return {path.stem: path for path in found}
    return {}

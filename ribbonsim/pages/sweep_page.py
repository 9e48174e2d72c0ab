"""A sweep as a page: for each mesh a table of layouts by poses."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ribbonsim.files.writing import FileName, write_file
from ribbonsim.pages.html import METHOD_WORDS, Table, plain, render_page
from ribbonsim.placing.prepared import Row
from ribbonsim.placing.sweep import Sweep
from ribbonsim.placing.words import per_cent


@dataclass(frozen=True)
class MeshSection:
    """One mesh of a sweep.

    Parameters
    ----------
    name : str
    words : str
        Which layout is best, or why there is none.
    table : Table or None
    """

    name: str
    words: str
    table: Table | None


def write_sweep(found: Sweep, folder: FileName, force: bool = False) -> Path:
    """Write the page of a sweep beside its table.

    Parameters
    ----------
    found : Sweep
    folder : path
    force : bool
        Replace a page that is there.

    Returns
    -------
    Path
    """
    return write_file(Path(folder) / "index.html", render_sweep(found), force)


def render_sweep(found: Sweep) -> str:
    """Render the page of a sweep."""
    meshes = dict.fromkeys(str(row["mesh"]) for row in found.rows)
    return render_page(
        "sweep.html",
        "Sweep",
        layouts=len(found.plan.recipes),
        method=METHOD_WORDS[found.plan.method],
        sections=[
            _section(name, [row for row in found.rows if row["mesh"] == name]) for name in meshes
        ],
        files=[file.name for file in found.files],
    )


def _section(name: str, rows: list[Row]) -> MeshSection:
    good = [row for row in rows if not row.get("error")]
    wrong = [f"{row.get('layout', name)}: {row['error']}" for row in rows if row.get("error")]
    if not good:
        return MeshSection(name, " ".join(wrong), None)
    poses = list(dict.fromkeys(row["pose"] for row in good))
    layouts = list(dict.fromkeys(row["layout"] for row in good))
    errors = {(row["layout"], row["pose"]): row["skin_error"] for row in good}
    worst = {layout: max(errors[layout, pose] for pose in poses) for layout in layouts}
    best = min(layouts, key=lambda layout: worst[layout])
    table = Table(
        ("layout", "worst", *(plain(pose) for pose in poses)),
        tuple(
            (layout, per_cent(worst[layout]), *(per_cent(errors[layout, p]) for p in poses))
            for layout in layouts
        ),
        marked=frozenset({layouts.index(best)}),
    )
    words = f"Best in the worst pose: {best}, {per_cent(worst[best])}."
    return MeshSection(name, " ".join([words, *wrong]), table)

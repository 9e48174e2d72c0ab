"""Opening a creature with layouts side by side, as they were left where they were kept."""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from ribbonsim.arrays import Progress
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.toml import layout_text
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.panel.state.bench import FIRST_ASKED, Asked, Bench, Entry, entries_of
from ribbonsim.panel.state.compare_session import CompareSession, KeptAsked, KeptLayout
from ribbonsim.panel.state.opening import Keeper, Source, unheard
from ribbonsim.panel.state.session import MeshMark
from ribbonsim.rig.rig import Rig

Layouts = Sequence[Layout | str | os.PathLike[str]] | None


@dataclass(frozen=True, eq=False)
class OpenedBench:
    """Layouts of a creature, ready to be worked on.

    Parameters
    ----------
    at_first : callable
        Makes the layouts anew that there are without what was kept.
    start : int
        Checksum of the layouts that were given; 0 if none were.
    session : CompareSession or None
        What is taken up again.
    says : tuple of str
        What the user has to know of it.
    """

    entries: list[Entry]
    at_first: Callable[[], list[Entry]]
    mark: MeshMark
    start: int = 0
    session: CompareSession | None = None
    says: tuple[str, ...] = ()


def open_bench(
    source: Source,
    layouts: Layouts = None,
    keeper: Keeper[CompareSession] | None = None,
    progress: Progress = unheard,
) -> OpenedBench:
    """Open a mesh with layouts, with what was kept, or with a first layout and a sparser one."""
    progress("Reading the mesh", 0, 1)
    if isinstance(source, Rig):
        mesh, own = source.mesh, [source.layout]
    else:
        mesh, own = source if isinstance(source, CreatureMesh) else load_mesh(source), []
    if layouts is not None:
        own = [each if isinstance(each, Layout) else Layout.load(each) for each in layouts]
    mark, start = MeshMark.of(mesh), zlib.crc32("".join(map(layout_text, own)).encode())
    at_first = partial(entries_of, source if isinstance(source, Rig) else mesh, layouts)
    said: list[str] = []
    if keeper is not None:
        session, aside = keeper.find(mark)
        said += aside
        if session is not None and session.start != start:
            said.append(keeper.decline("Other layouts are given now than when it was written"))
        elif session is not None:
            progress("Taking up what was kept", 0, 1)
            try:
                entries = _taken_up(mesh, session)
            except RibbonsimError as error:
                said.append(keeper.decline(f"It does not fit this mesh any more ({error})"))
            else:
                if session.mesh.shape != mark.shape:
                    said.append("The mesh file has changed since; ribbons stay where they were.")
                return OpenedBench(entries, at_first, mark, start, session, tuple(said))
    progress("Looking for the body", 0, 1)
    return OpenedBench(at_first(), at_first, mark, start, None, tuple(said))


def _taken_up(mesh: CreatureMesh, session: CompareSession) -> list[Entry]:
    """The layouts of a session, each with its way of blending and its chosen control."""
    entries = entries_of(mesh, [each.layout for each in session.layouts])
    for entry, kept in zip(entries, session.layouts, strict=True):
        entry.name, entry.model.method = kept.name, kept.method
        entry.model.select(kept.selected)
    return entries


def take_opened(bench: Bench, opened: OpenedBench) -> None:
    """Put what was opened on a bench, in the pose that was kept of it."""
    bench.take(opened.entries)
    bench.at_first, bench.asked = opened.at_first, FIRST_ASKED
    kept = opened.session
    if kept is not None:
        bench.chosen = kept.chosen
        owner = None if kept.asked.owner is None else bench.entries[kept.asked.owner]
        asked = kept.asked
        bench.asked = Asked(asked.name, asked.amount, owner, asked.moment, asked.told)
    bench.mind_kept()


def session_of(bench: Bench, opened: OpenedBench) -> CompareSession:
    """What is kept of a bench, as it is now."""
    layouts = tuple(
        KeptLayout(entry.name, entry.model.layout, entry.model.method, entry.model.selected)
        for entry in bench.entries
    )
    asked, owner = bench.asked, bench.asked.owner
    number = None if owner is None else bench.entries.index(owner)
    return CompareSession(
        *(opened.mark, layouts, bench.chosen),
        KeptAsked(asked.name, asked.amount, number, asked.moment, dict(asked.told)),
        opened.start,
    )


def has_changed(bench: Bench, opened: OpenedBench) -> bool:
    """Whether there is anything to be kept that the opening alone would not give."""
    same = [entry.name for entry in bench.entries] == [entry.name for entry in opened.entries]
    untouched = not any(entry.model.can_undo for entry in bench.entries)
    return not (same and untouched and bench.asked == FIRST_ASKED)

"""Opening a creature step by step: the file, what is found in it, and what was kept of it."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeVar

from ribbonsim.arrays import Progress
from ribbonsim.body.guide import Guide, read_guide
from ribbonsim.curves.up import Up
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.panel.state.session import MeshMark, Session, digest_of
from ribbonsim.rig.bind import bind
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.rig.rig import Rig

Source = str | os.PathLike[str] | CreatureMesh | Rig


Kept = TypeVar("Kept", covariant=True)


class Keeper(Protocol[Kept]):
    """Knows what was kept of creatures."""

    def find(self, mark: MeshMark) -> tuple[Kept | None, list[str]]:
        """What was kept of a creature, and sentences about what had to be put aside."""

    def decline(self, why: str) -> str:
        """Put aside what was found last, for a reason; the sentence that says so."""


@dataclass(frozen=True, eq=False)
class Opened:
    """A creature that is ready to be worked on.

    Parameters
    ----------
    guide : Guide or None
        What was understood, where the guide was looked for.
    first : Rig or None
        What it had at first, where that is known.
    start : int
        Checksum of the layout that the creature came with; 0 if it was found.
    session : Session or None
        What is taken up again.
    says : tuple of str
        What the user has to know of it.
    """

    rig: Rig
    mark: MeshMark
    guide: Guide | None = None
    first: Rig | None = None
    start: int = 0
    session: Session | None = None
    says: tuple[str, ...] = ()


def unheard(_what: str, _done: int, _total: int) -> None:
    """Tell nobody how far it is."""


def open_source(
    source: Source,
    keeper: Keeper[Session] | None = None,
    progress: Progress = unheard,
    show: Callable[[CreatureMesh], None] = lambda _: None,
) -> Opened:
    """Open a creature: with what was kept of it, with its own layout, or with a first one.

    Parameters
    ----------
    show : callable
        Takes the mesh once it is read, before anything is looked for in it.
    """
    progress("Reading the mesh", 0, 1)
    if isinstance(source, Rig):
        mesh, own = source.mesh, source
    else:
        mesh, own = source if isinstance(source, CreatureMesh) else load_mesh(source), None
    mark, start = MeshMark.of(mesh), 0 if own is None else digest_of(own.layout)
    show(mesh)
    said: list[str] = []
    if keeper is not None:
        kept = _taken_up(keeper, mesh, mark, start, progress, said)
        if kept is not None:
            return Opened(kept[0], mark, None, own, start, kept[1], tuple(said))
    if own is not None:
        return Opened(own, mark, None, own, start, None, tuple(said))
    progress("Looking for the body", 0, 1)
    layout = build_layout(mesh)
    progress("Binding the skin", 0, 1)
    rig = bind(mesh, layout)
    return Opened(rig, mark, read_guide(mesh), rig, 0, None, tuple(said))


def _taken_up(
    keeper: Keeper[Session],
    mesh: CreatureMesh,
    mark: MeshMark,
    start: int,
    progress: Progress,
    said: list[str],
) -> tuple[Rig, Session] | None:
    """What was kept, bound to the mesh again; None where there is nothing that fits."""
    session, aside = keeper.find(mark)
    said += aside
    if session is None:
        return None
    if session.start != start:
        said.append(keeper.decline("Another layout is given now than when it was written"))
        return None
    progress("Taking up what was kept", 0, 1)
    try:
        rig = bind(mesh, session.layout)
    except RibbonsimError as error:
        said.append(keeper.decline(f"It does not fit this mesh any more ({error})"))
        return None
    if session.mesh.shape != mark.shape:
        said.append("The mesh file has changed since; the ribbons stay where they were.")
    return rig, session


def first_layout_of(mesh: CreatureMesh, up: Up = "y") -> tuple[Rig, Guide]:
    """A fresh start on a mesh, and what was understood."""
    return bind(mesh, build_layout(mesh, BuildOptions(up=up))), read_guide(mesh, up=up)

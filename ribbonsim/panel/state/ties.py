"""Rigid parts of the mesh, tied to stations: eyes, teeth, plates."""

from __future__ import annotations

from dataclasses import replace

from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import Tie
from ribbonsim.layout.layout import Layout
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.state.model import PanelModel


def parts_of(mesh: CreatureMesh, layout: Layout) -> list[tuple[str, Tie]]:
    """Parts of a mesh that can be tied, in words, each with a tie to the body's first station."""
    groups = [Tie(1, group=str(name)) for name in mesh.group_names]
    count = int(mesh.components.max()) + 1
    components = [Tie(1, component=number) for number in range(1, count + 1)]
    ties = [*(groups if len(groups) > 1 else ()), *(components if count > 1 else ())]
    now = {tie.part: tie for tie in layout.ties}
    ties = [now.pop(tie.part, tie) for tie in ties]
    return [(tie.part, tie) for tie in [*ties, *now.values()]]


def tie(model: PanelModel, part: Tie, ribbon: str, station: int) -> None:
    """Tie a rigid part of the mesh to a station."""
    tied = replace(part, ribbon=ribbon, station=station)
    model.change_layout(model.layout.with_tie(tied))


def untie(model: PanelModel, part: Tie) -> None:
    """Let a part follow the skin's own weights again."""
    kept = tuple(tie for tie in model.layout.ties if tie.part != part.part)
    if len(kept) == len(model.layout.ties):
        raise RibbonsimError(f"{part.part} is not tied: nothing has to be done")
    model.change_layout(replace(model.layout, ties=kept))

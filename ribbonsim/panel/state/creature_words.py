"""A creature in words: how large it is, and what was found in its mesh."""

from __future__ import annotations

from ribbonsim.body.up_guess import likelier_up
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.readout import guess_unit


def headline(model: PanelModel) -> str:
    """The creature in one line."""
    mesh, layout = model.rig.mesh, model.layout
    return (
        f"{mesh.name}: {len(mesh.positions):,} vertices; body {layout.ribbon.length:.4g} long, "
        f"in {guess_unit(mesh.diagonal)}s it seems; up is {layout.up}."
    )


def size_words(model: PanelModel) -> list[str]:
    """How much of it there is, and how large it is."""
    mesh = model.rig.mesh
    low, high = mesh.bounds
    size = " × ".join(f"{value:.4g}" for value in high - low)
    pieces = int(mesh.components.max()) + 1
    return [
        f"{mesh.name}: {len(mesh.positions):,} vertices, "
        f"{len(mesh.polygon_offsets) - 1:,} polygons, "
        f"{'one piece' if pieces == 1 else f'{pieces} pieces'}.",
        f"Size {size} scene units, body {model.layout.ribbon.length:.4g} long; "
        f"the unit looks like the {guess_unit(mesh.diagonal)}.",
    ]


def mesh_words(model: PanelModel) -> list[str]:
    """What was found in the mesh."""
    mesh, up = model.rig.mesh, model.layout.up
    understood = [] if model.guide is None else list(model.guide.notes)
    likelier = likelier_up(mesh, up)
    if likelier is not None:
        understood.append(
            f"It looks as if {likelier} were up, and {up} is taken: if it lies on "
            "its side, choose the other under Layout."
        )
    return [*size_words(model), *understood, *mesh.notes]

"""What the panel says of the chosen ribbon: its root, who stands still, and what bends where."""

from __future__ import annotations

import numpy as np

from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.settings import Drive
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.names import short

DRIVE_WORDS: dict[Drive, str] = {
    "shares": (
        "Each control turns and shifts the piece of body that leads to it, by fixed shares along "
        "it: even bends are arcs. To be built as a chain of joints and a table of shares."
    ),
    "skinned": (
        "Each ribbon's surface is skinned linearly to its control joints by the distance-based "
        "weights: quick to build anywhere, but even bends are no arcs."
    ),
}


def root_words(model: PanelModel) -> str:
    """Which end of the body is its root, and why."""
    guide = model.guide
    if guide is None:
        return "Root and tip are as the layout has them."
    start = model.layout.ribbon.midline(0.0)
    first, last = (float(np.linalg.norm(start - guide.points[k])) for k in (0, -1))
    if last < first:
        return f"Root and tip are swapped; found was the root {guide.why_root}."
    return f"Root {guide.why_root}."


def layout_words(layout: Layout) -> str:
    """What a layout is made of."""
    own = layout.body
    riders = len(layout.appendages)
    parts = [
        f"{len(own.stations)} stations",
        f"{own.ribbon.spans} spans",
        f"{len(own.controls)} controls",
        f"drive {layout.drive}",
    ]
    if riders:
        parts.append("1 appendage" if riders == 1 else f"{riders} appendages")
    if layout.poses:
        parts.append(f"kept poses: {', '.join(short(name) for name in layout.poses)}")
    return f"Layout: {', '.join(parts)}."


def still_words(own: OneRibbon) -> str:
    """Which control of a ribbon nobody carries."""
    root = own.chain_root
    if len(own.controls) == 1:
        return f"{short(own.controls[0].name)} moves the ribbon as a whole."
    if root is not None:
        return f"{short(root)} stands still; the others are carried from it, outwards."
    alone = [control.name for control in own.controls if control.carried_by is None]
    if len(alone) == len(own.controls):
        return "Each control stands alone: none carries another."
    return f"{', '.join(short(name, 16) for name in alone)}: nobody carries these."


def bent_piece(own: OneRibbon, name: str) -> tuple[float, float] | None:
    """The piece of a ribbon that one of its controls bends, as places along it.

    Between a control and the one that carries it; about one that stands alone, from neighbour
    to neighbour. A control that carries the others turns the ribbon as a whole: None.
    """
    index, places = own.control_index(name), own.control_places
    carrier = own.controls[index].carried_by
    if carrier is not None:
        low, high = sorted((places[index], places[own.control_index(carrier)]))
        return float(low), float(high)
    if own.chain_root is not None:
        return None
    return float(places[max(index - 1, 0)]), float(places[min(index + 1, len(places) - 1)])


def pose_words(model: PanelModel) -> str:
    """Which pose the creature is in."""
    shown = model.shown
    if shown is not None:
        pose = ALL_TEST_POSES[shown.name]
        amount = pose.usual if shown.amount is None else shown.amount
        unit = {"degrees": "°", "turns": " turns", "factor": " times"}[pose.unit]
        on = "" if shown.ribbon is None else f", on {short(shown.ribbon)} alone"
        return f"The creature is in {shown.name.replace('_', ' ')}, {amount:.4g}{unit}{on}."
    if all(values == ControlPose() for values in model.pose.controls.values()):
        return "The creature is at rest."
    kept = [name for name, pose in model.layout.poses.items() if pose == model.pose]
    if kept:
        return f"The creature is in the kept pose {short(kept[0])}."
    return "The creature is in a pose of its own, no test pose."


def piece_words(model: PanelModel) -> str:
    """What the chosen control bends."""
    own, control, ribbon = model.own, model.control, model.ribbon
    name, whole = short(control.name), "body" if ribbon == BODY else short(ribbon)
    piece = bent_piece(own, control.name)
    if piece is None:
        return f"{name} stands still: it turns and shifts {whole} as a whole."
    first, last = (own.station_near(place) for place in piece)
    return f"{name} bends the piece between stations {first} and {last}."

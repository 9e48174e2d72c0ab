"""What a rigger does with appendages in the panel: find, accept, seat, pair, mirror, tie."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ribbonsim.body.propose import (
    Proposal,
    find_appendages,
    find_on_appendage,
    propose_appendage,
)
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import free_name
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.rider_names import with_telling_names
from ribbonsim.panel.state.rider_words import report_words, station_near
from ribbonsim.rig.mirror import mirror_layout, pair_appendages


def find(model: PanelModel) -> tuple[list[Proposal], list[str]]:
    """Look for appendages that are not in the layout yet, on the body and on its appendages."""
    new: list[Proposal] = []
    there: list[str] = []
    found = find_appendages(model.rig.mesh, model.layout.ribbon, up=model.layout.up)
    for proposal in [*found, *_on_appendages(model, list(model.rig.limbs))]:
        holder = _already_as(model, proposal)
        if holder is None:
            new.append(_freely_named(proposal, [*model.layout.ribbons, *(p.name for p in new)]))
        else:
            there.append(holder)
    return _telling(model, new), there


def _telling(model: PanelModel, proposals: Sequence[Proposal]) -> list[Proposal]:
    """Proposals with names that tell which is which."""
    mesh = model.rig.mesh
    plane = None
    if proposals:
        with contextlib.suppress(RibbonsimError):
            plane = model.sides.plane(mesh)
    taken = list(model.layout.ribbons)
    return with_telling_names(proposals, mesh.positions, plane, model.layout.up, taken)


def _already_as(model: PanelModel, proposal: Proposal) -> str | None:
    """The appendage that a proposal is already; None while its tip is its carrier's skin."""
    holder = holder_of(model, proposal.tip)
    return None if holder == proposal.rides_on else holder


def _on_appendages(
    model: PanelModel, names: Collection[str], least: float = 0.25
) -> list[Proposal]:
    """What grows from some appendages of the layout."""
    mesh, limbs, up = model.rig.mesh, model.rig.limbs, model.layout.up
    return [
        proposal
        for appendage in model.layout.appendages
        if appendage.name in names
        for proposal in find_on_appendage(mesh, appendage, limbs[appendage.name], least, up)
    ]


def waiting_on(model: PanelModel, names: Sequence[str]) -> list[Proposal]:
    """What grows from appendages and is not in the layout yet."""
    found = _on_appendages(model, names)
    return [proposal for proposal in found if _already_as(model, proposal) is None]


def _freely_named(proposal: Proposal, taken: Sequence[str]) -> Proposal:
    if proposal.name not in taken:
        return proposal
    return replace(proposal, name=free_name("appendage", taken))


def holder_of(model: PanelModel, vertex: int) -> str | None:
    """The appendage of the layout whose skin a vertex is on, the last of those that carry it."""
    limbs = model.rig.limbs
    holders = [name for name, limb in limbs.items() if vertex in limb.vertices]
    # the skin of a limb holds the skins of all that grow from it
    return min(holders, key=lambda name: len(limbs[name].vertices), default=None)


def accept(model: PanelModel, proposals: Sequence[Proposal]) -> list[str]:
    """Take proposals into the layout, paired left and right where there is a plane; one step."""
    if not proposals:
        raise RibbonsimError("no appendage is ticked: tick those that are to be added")
    layout, names = model.layout, []
    for proposal in proposals:
        if proposal.name in layout.ribbons:
            raise RibbonsimError(f"two ribbons are called {proposal.name!r}: rename one")
        layout = layout.with_appendage(proposal.appendage())
        names.append(proposal.name)
    model.change_layout(_paired_if_it_can(model, layout))
    model.choose_ribbon(names[0])
    return names


def _paired_if_it_can(model: PanelModel, layout: Layout) -> Layout:
    try:
        plane = model.sides.plane(model.rig.mesh)
    except RibbonsimError:
        return layout
    return pair_appendages(layout, plane)[0]


def add_at(model: PanelModel, tip: int) -> str:
    """Add the appendage that a vertex is on, one that rides on another included."""
    proposal = _at(model, tip)
    free = _freely_named(proposal, list(model.layout.ribbons))
    return accept(model, _telling(model, [free]))[0]


def _at(model: PanelModel, tip: int) -> Proposal:
    holder = holder_of(model, tip)
    if holder is None:
        return propose_appendage(model.rig.mesh, model.layout.ribbon, tip, model.layout.up)
    for proposal in _on_appendages(model, [holder], least=0.0):
        if tip in proposal.vertices:
            return proposal
    raise RibbonsimError(
        f"{holder} is there already: click another appendage, or what stands out of {holder}"
    )


def remove(model: PanelModel, name: str) -> None:
    """Take an appendage away, with all that rides on it."""
    carrier = model.layout.appendage(name).rides_on
    chosen = model.ribbon
    model.change_layout(model.layout.without_appendage(name))
    if chosen not in model.layout.ribbons:
        model.choose_ribbon(carrier)


def set_blend(model: PanelModel, name: str, blend: float) -> None:
    """Set how far from its base an appendage takes over the skin."""
    changed = replace(model.layout.appendage(name), blend=blend)
    model.change_layout(model.layout.with_appendage(changed), gesture=f"blend {name}")


def set_at(model: PanelModel, name: str, at: float) -> None:
    """Let an appendage ride elsewhere."""
    changed = replace(model.layout.appendage(name), at=at)
    model.change_layout(model.layout.with_appendage(changed), gesture=f"at {name}")


def set_at_station(model: PanelModel, name: str, station: int) -> None:
    """Let an appendage ride at a station of what carries it."""
    carrier = model.layout.ribbons[model.layout.appendage(name).rides_on]
    if not 1 <= station <= len(carrier.stations):
        raise RibbonsimError(
            f"there is no station {station}: give 1 to {len(carrier.stations)} for {name!r}"
        )
    length = carrier.ribbon.arc_length(carrier.stations[station - 1])
    set_at(model, name, float(np.clip(length / carrier.ribbon.length, 0.0, 1.0)))


# -- left and right ----------------------------------------------------------------------------


def pair(model: PanelModel) -> str:
    """Find which appendages are each other's mirror images."""
    layout, report = pair_appendages(_with_some(model.layout), model.sides.plane(model.rig.mesh))
    model.change_layout(layout)
    return report_words(report)


def mirror(model: PanelModel, names: Sequence[str] | None = None) -> str:
    """Give appendages their mirror images on the other side."""
    layout, report = mirror_layout(
        _with_some(model.layout), model.sides.plane(model.rig.mesh), names
    )
    model.change_layout(layout)
    return report_words(report)


def _with_some(layout: Layout) -> Layout:
    if not layout.appendages:
        raise RibbonsimError("there is no appendage yet: find or add one first")
    return layout


# -- a control level with the base -------------------------------------------------------------


@dataclass(frozen=True)
class Level:
    """Where a control of the carrier would stand level with an appendage's base.

    Rotating there carries the appendage level: common practice, no published source.

    Parameters
    ----------
    carrier : str
        The ribbon that carries it.
    station : int
        The one nearest to the base.
    there : str or None
        The control that stands there, by its name in the whole creature.
    nearest : str
        The control nearest to that station.
    seat : int
        The nearest one's station.
    """

    carrier: str
    station: int
    there: str | None
    nearest: str
    seat: int

    def words(self, name: str) -> str:
        """What is proposed for an appendage, in a sentence."""
        where = f"The base of {name} is level with station {self.station}"
        if self.there is not None:
            return f"{where}, and {self.there} stands there: rotating it carries {name} level."
        steps = abs(self.seat - self.station)
        away = "one station" if steps == 1 else f"{steps} stations"
        return (
            f"{where}; {self.nearest} stands {away} away. "
            f"A control there would carry {name} level when it rotates."
        )


def level_with(layout: Layout, name: str) -> Level:
    """Find where a control of the carrier stands level with an appendage's base."""
    appendage = layout.appendage(name)
    carrier = layout.ribbons[appendage.rides_on]
    station = station_near(layout, appendage.rides_on, appendage.at)
    nearest = min(carrier.controls, key=lambda control: abs(control.station - station))
    label = layout.control_name(appendage.rides_on, nearest.name)
    there = label if nearest.station == station else None
    return Level(appendage.rides_on, station, there, label, nearest.station)


def add_level_control(model: PanelModel, name: str) -> str:
    """Add a control of the carrier level with an appendage's base."""
    level = _free_level(model.layout, name)
    chosen = model.selected
    model.choose_ribbon(level.carrier)
    try:
        return edits.add_control(model, level.station)
    except RibbonsimError:
        model.select(chosen)
        raise


def move_level_control(model: PanelModel, name: str) -> str:
    """Move the nearest control of the carrier level with an appendage's base."""
    level = _free_level(model.layout, name)
    edits.move_control(model, level.nearest, level.station)
    return level.nearest


def _free_level(layout: Layout, name: str) -> Level:
    level = level_with(layout, name)
    if level.there is not None:
        raise RibbonsimError(
            f"{level.there} stands level with the base of {name} already, at station "
            f"{level.station}: nothing has to be done"
        )
    return level


# -- as it grew --------------------------------------------------------------------------------


def grown_at(model: PanelModel, name: str) -> float:
    """Where an appendage grows from what carries it."""
    carrier = model.layout.appendage(name).rides_on
    base = model.rig.limbs[name].base
    if carrier == BODY:
        places = model.rig.places[base]
    else:
        limb = model.rig.limbs[carrier]
        places = limb.places[np.isin(limb.vertices, base)]
    length = model.layout.ribbons[carrier].ribbon.length
    return float(np.clip(np.median(places) / length, 0.0, 1.0))


def usual_blend(model: PanelModel, name: str) -> float:
    """How far from its base an appendage takes over the skin when nothing else is asked for."""
    points = model.rig.mesh.positions[model.rig.limbs[name].base]
    away = np.sum((points - points.mean(axis=0)) ** 2, axis=1)
    width = 2.0 * float(np.sqrt(away.mean()))
    return min(width, model.layout.ribbons[name].ribbon.length / 3.0)

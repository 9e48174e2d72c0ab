"""What a rigger does with appendages in the panel: find, accept, seat, pair, mirror, tie."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ribbonsim.appendages import BODY, Appendage, Tie
from ribbonsim.errors import RibbonsimError
from ribbonsim.find_limbs import (
    Proposal,
    find_appendages,
    find_on_appendage,
    propose_appendage,
)
from ribbonsim.layout import Layout, free_name
from ribbonsim.mesh import CreatureMesh
from ribbonsim.mirror import MirrorReport, mirror_layout, pair_appendages
from ribbonsim.panel.model import PanelModel


def find(model: PanelModel) -> tuple[list[Proposal], list[str]]:
    """Look for appendages that are not in the layout yet, on the body and on its appendages.

    Parameters
    ----------
    model : PanelModel

    Returns
    -------
    proposals : list of Proposal
        The most confident first.
    there : list of str
        Appendages of the layout that were found again.
    """
    new: list[Proposal] = []
    there: list[str] = []
    found = find_appendages(model.rig.mesh, model.layout.ribbon)
    for proposal in [*found, *_on_appendages(model, list(model.rig.limbs))]:
        holder = _already_as(model, proposal)
        if holder is None:
            new.append(_freely_named(proposal, [*model.layout.ribbons, *(p.name for p in new)]))
        else:
            there.append(holder)
    return new, there


def _already_as(model: PanelModel, proposal: Proposal) -> str | None:
    """The appendage that a proposal is already; None while its tip is its carrier's skin."""
    holder = holder_of(model, proposal.tip)
    return None if holder == proposal.rides_on else holder


def _on_appendages(
    model: PanelModel, names: Collection[str], least: float = 0.25
) -> list[Proposal]:
    """What grows from some appendages of the layout."""
    mesh, limbs = model.rig.mesh, model.rig.limbs
    return [
        proposal
        for one in model.layout.appendages
        if one.name in names
        for proposal in find_on_appendage(mesh, one, limbs[one.name], least)
    ]


def waiting_on(model: PanelModel, names: Sequence[str]) -> list[Proposal]:
    """What grows from appendages and is not in the layout yet.

    Parameters
    ----------
    model : PanelModel
    names : sequence of str
        The appendages that are looked at.

    Returns
    -------
    list of Proposal
    """
    found = _on_appendages(model, names)
    return [one for one in found if _already_as(model, one) is None]


def _freely_named(proposal: Proposal, taken: Sequence[str]) -> Proposal:
    if proposal.name not in taken:
        return proposal
    return replace(proposal, name=free_name("appendage", taken))


def holder_of(model: PanelModel, vertex: int) -> str | None:
    """The appendage of the layout whose skin a vertex is on, the last of those that carry it.

    Parameters
    ----------
    model : PanelModel
    vertex : int
        Counted from 0.

    Returns
    -------
    str or None
    """
    limbs = model.rig.limbs
    holders = [name for name, limb in limbs.items() if vertex in limb.vertices]
    # the skin of a limb holds the skins of all that grow from it
    return min(holders, key=lambda name: len(limbs[name].vertices), default=None)


def accept(model: PanelModel, proposals: Sequence[Proposal]) -> list[str]:
    """Take proposals into the layout, paired left and right where there is a plane; one step.

    Parameters
    ----------
    model : PanelModel
    proposals : sequence of Proposal

    Returns
    -------
    list of str
        The names they got.

    Raises
    ------
    RibbonsimError
        If none is given or one is not on a limb of its own.
    """
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
        plane = model.find_plane()
    except RibbonsimError:
        return layout
    return pair_appendages(layout, plane)[0]


def add_at(model: PanelModel, tip: int) -> str:
    """Add the appendage that a vertex is on, one that rides on another included.

    Parameters
    ----------
    model : PanelModel
    tip : int
        Vertex counted from 0.

    Returns
    -------
    str
        The name it got.

    Raises
    ------
    RibbonsimError
        If the vertex is on the body, or on an appendage that is there already and stands out
        nowhere near the vertex.
    """
    proposal = _at(model, tip)
    return accept(model, [_freely_named(proposal, list(model.layout.ribbons))])[0]


def _at(model: PanelModel, tip: int) -> Proposal:
    holder = holder_of(model, tip)
    if holder is None:
        return propose_appendage(model.rig.mesh, model.layout.ribbon, tip)
    for proposal in _on_appendages(model, [holder], least=0.0):
        if tip in proposal.vertices:
            return proposal
    raise RibbonsimError(
        f"{holder} is there already: click another appendage, or what stands out of {holder}"
    )


def remove(model: PanelModel, name: str) -> None:
    """Take an appendage away, with all that rides on it.

    Parameters
    ----------
    model : PanelModel
    name : str
    """
    carrier = model.layout.appendage(name).rides_on
    chosen = model.ribbon
    model.change_layout(model.layout.without_appendage(name))
    if chosen not in model.layout.ribbons:
        model.choose_ribbon(carrier)


def set_blend(model: PanelModel, name: str, blend: float) -> None:
    """Set how far from its base an appendage takes over the skin.

    Parameters
    ----------
    model : PanelModel
    name : str
    blend : float
        Scene units along it.
    """
    changed = replace(model.layout.appendage(name), blend=blend)
    model.change_layout(model.layout.with_appendage(changed), gesture=f"blend {name}")


def set_at(model: PanelModel, name: str, at: float) -> None:
    """Let an appendage ride elsewhere.

    Parameters
    ----------
    model : PanelModel
    name : str
    at : float
        Share of the length of what carries it.
    """
    changed = replace(model.layout.appendage(name), at=at)
    model.change_layout(model.layout.with_appendage(changed), gesture=f"at {name}")


def set_at_station(model: PanelModel, name: str, station: int) -> None:
    """Let an appendage ride at a station of what carries it.

    Parameters
    ----------
    model : PanelModel
    name : str
    station : int
        From 1 at the root end.
    """
    carrier = model.layout.ribbons[model.layout.appendage(name).rides_on]
    if not 1 <= station <= len(carrier.stations):
        raise RibbonsimError(
            f"there is no station {station}: give 1 to {len(carrier.stations)} for {name!r}"
        )
    length = carrier.ribbon.arc_length(carrier.stations[station - 1])
    set_at(model, name, float(np.clip(length / carrier.ribbon.length, 0.0, 1.0)))


# -- left and right ----------------------------------------------------------------------------


def pair(model: PanelModel) -> str:
    """Find which appendages are each other's mirror images.

    Parameters
    ----------
    model : PanelModel

    Returns
    -------
    str
        What matches and what does not.
    """
    layout, report = pair_appendages(_with_some(model.layout), model.find_plane())
    model.change_layout(layout)
    return report_words(report)


def mirror(model: PanelModel, names: Sequence[str] | None = None) -> str:
    """Give appendages their mirror images on the other side.

    Parameters
    ----------
    model : PanelModel
    names : sequence of str, optional
        The model for the other side; those without a partner if left out.

    Returns
    -------
    str
        What was made, what matches and what does not.
    """
    layout, report = mirror_layout(_with_some(model.layout), model.find_plane(), names)
    model.change_layout(layout)
    return report_words(report)


def _with_some(layout: Layout) -> Layout:
    if not layout.appendages:
        raise RibbonsimError("there is no appendage yet: find or add one first")
    return layout


def report_words(report: MirrorReport) -> str:
    """What a mirrored layout matches and what it does not, in sentences.

    Parameters
    ----------
    report : MirrorReport

    Returns
    -------
    str
    """
    words = []
    if report.made:
        words.append(f"Mirrored onto {_listed(report.made)}.")
    if report.pairs:
        words.append(f"Paired: {', '.join(f'{a} with {b}' for a, b in report.pairs)}.")
    if report.middle:
        words.append(f"In the middle: {_listed(report.middle)}.")
    if report.unmatched:
        words.append(f"Without a partner: {_listed(report.unmatched)}.")
    if report.loose_vertices:
        words.append(f"{report.loose_vertices:,} vertices have none opposite.")
    return " ".join(words)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


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
        """What is proposed for an appendage, in a sentence.

        Parameters
        ----------
        name : str

        Returns
        -------
        str
        """
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
    """Find where a control of the carrier stands level with an appendage's base.

    Parameters
    ----------
    layout : Layout
    name : str

    Returns
    -------
    Level
    """
    one = layout.appendage(name)
    carrier = layout.ribbons[one.rides_on]
    station = station_near(layout, one.rides_on, one.at)
    nearest = min(carrier.controls, key=lambda control: abs(control.station - station))
    label = layout.control_name(one.rides_on, nearest.name)
    there = label if nearest.station == station else None
    return Level(one.rides_on, station, there, label, nearest.station)


def add_level_control(model: PanelModel, name: str) -> str:
    """Add a control of the carrier level with an appendage's base.

    Parameters
    ----------
    model : PanelModel
    name : str

    Returns
    -------
    str
        The control's name.
    """
    level = _free_level(model.layout, name)
    chosen = model.selected
    model.choose_ribbon(level.carrier)
    try:
        return model.add_control(level.station)
    except RibbonsimError:
        model.select(chosen)
        raise


def move_level_control(model: PanelModel, name: str) -> str:
    """Move the nearest control of the carrier level with an appendage's base.

    Parameters
    ----------
    model : PanelModel
    name : str

    Returns
    -------
    str
        The control's name.
    """
    level = _free_level(model.layout, name)
    model.move_control(level.nearest, level.station)
    return level.nearest


def _free_level(layout: Layout, name: str) -> Level:
    level = level_with(layout, name)
    if level.there is not None:
        raise RibbonsimError(
            f"{level.there} stands level with the base of {name} already, at station "
            f"{level.station}: nothing has to be done"
        )
    return level


# -- rigid parts -------------------------------------------------------------------------------


def parts_of(mesh: CreatureMesh, layout: Layout) -> list[tuple[str, Tie]]:
    """Parts of a mesh that can be tied, in words, each with a tie to the body's first station.

    Parameters
    ----------
    mesh : CreatureMesh
    layout : Layout
        Parts that it ties already are listed as they are tied.

    Returns
    -------
    list of (str, Tie)
        Groups of the file where there are several, components where there are several.
    """
    groups = [Tie(1, group=str(name)) for name in mesh.group_names]
    count = int(mesh.components.max()) + 1
    components = [Tie(1, component=number) for number in range(1, count + 1)]
    ties = [*(groups if len(groups) > 1 else ()), *(components if count > 1 else ())]
    now = {tie.part: tie for tie in layout.ties}
    ties = [now.pop(tie.part, tie) for tie in ties]
    return [(tie.part, tie) for tie in [*ties, *now.values()]]


def tie(model: PanelModel, part: Tie, ribbon: str, station: int) -> None:
    """Tie a rigid part of the mesh to a station.

    Parameters
    ----------
    model : PanelModel
    part : Tie
        Names the part.
    ribbon : str
    station : int
    """
    tied = replace(part, ribbon=ribbon, station=station)
    model.change_layout(model.layout.with_tie(tied))


def untie(model: PanelModel, part: Tie) -> None:
    """Let a part follow the skin's own weights again.

    Parameters
    ----------
    model : PanelModel
    part : Tie
        Names the part.

    Raises
    ------
    RibbonsimError
        If it is not tied.
    """
    kept = tuple(one for one in model.layout.ties if one.part != part.part)
    if len(kept) == len(model.layout.ties):
        raise RibbonsimError(f"{part.part} is not tied: nothing has to be done")
    model.change_layout(replace(model.layout, ties=kept))


# -- in words ----------------------------------------------------------------------------------


def station_near(layout: Layout, ribbon: str, at: float) -> int:
    """Number of the station nearest to a share of a ribbon's length.

    Parameters
    ----------
    layout : Layout
    ribbon : str
    at : float

    Returns
    -------
    int
        From 1 at the root end.
    """
    one = layout.ribbons[ribbon]
    lengths = one.ribbon.arc_length(one.stations)
    return int(np.argmin(np.abs(lengths - at * one.ribbon.length))) + 1


def proposal_words(layout: Layout, proposal: Proposal) -> str:
    """What a proposal is, in words.

    Parameters
    ----------
    layout : Layout
    proposal : Proposal

    Returns
    -------
    str
    """
    station = station_near(layout, proposal.rides_on, proposal.at)
    where = "" if proposal.rides_on == BODY else f"on {proposal.rides_on} "
    return (
        f"{proposal.length:.3g} long, {proposal.girth:.2g} wide, {where}at station {station} "
        f"({proposal.at:.0%} along), {proposal.confidence:.0%} sure"
    )


def appendage_words(layout: Layout, one: Appendage) -> str:
    """What an appendage is, in words.

    Parameters
    ----------
    layout : Layout
    one : Appendage

    Returns
    -------
    str
    """
    station = station_near(layout, one.rides_on, one.at)
    pair_words = f", pair of {one.partner}" if one.partner else ""
    return f"on {one.rides_on} at station {station}{pair_words}"


def grown_at(model: PanelModel, name: str) -> float:
    """Where an appendage grows from what carries it.

    Parameters
    ----------
    model : PanelModel
    name : str

    Returns
    -------
    float
        Share of the carrier's length.
    """
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
    """How far from its base an appendage takes over the skin when nothing else is asked for.

    Parameters
    ----------
    model : PanelModel
    name : str

    Returns
    -------
    float
        Width of the base, or a third of the length if that is less; scene units.
    """
    points = model.rig.mesh.positions[model.rig.limbs[name].base]
    away = np.sum((points - points.mean(axis=0)) ** 2, axis=1)
    width = 2.0 * float(np.sqrt(away.mean()))
    return min(width, model.layout.ribbons[name].ribbon.length / 3.0)

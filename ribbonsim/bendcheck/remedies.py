"""Remedies: changes that are made on a copy, measured, and only then advised."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from ribbonsim.appendages import BODY
from ribbonsim.bendcheck.cases import Wish, measure_case, wish_for
from ribbonsim.bendcheck.findings import Finding, Kind, Tried, holds, quantity
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.weights import bleed
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout import Layout
from ribbonsim.rig import Method, Rig, rebind


@dataclass(frozen=True, eq=False)
class Change:
    """One change that might help.

    Parameters
    ----------
    says : str
        As an instruction.
    layout : Layout
        The changed layout, or that of the rig.
    method : {"linear", "dual_quaternion"}
    """

    says: str
    layout: Layout
    method: Method


Edit = Callable[[Layout], Layout]
Maker = Callable[[Rig, Method, Finding], Change | None]


def changes_for(rig: Rig, method: Method, finding: Finding) -> list[Change]:
    """Changes worth trying for a finding, the lighter first.

    Parameters
    ----------
    rig : Rig
    method : {"linear", "dual_quaternion"}
    finding : Finding

    Returns
    -------
    list of Change
    """
    made = []
    for maker in _MAKERS[finding.kind]:
        try:
            change = maker(rig, method, finding)
        except RibbonsimError:
            continue  # a layout that cannot be changed so has nothing to be tried
        if change is not None:
            made.append(change)
    return made


class Workbench:
    """Tries changes; each changed layout is bound once.

    Parameters
    ----------
    rig : Rig
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._bound: dict[str, tuple[Rig, Gauge]] = {}

    def trial(self, finding: Finding, wish: Wish | None, change: Change) -> Tried:
        """Make a change on a copy and measure the finding's quantity again.

        Parameters
        ----------
        finding : Finding
        wish : Wish or None
            The pose it was found in; None for a finding of the layout itself.
        change : Change

        Returns
        -------
        Tried
        """
        rig, gauge = self.bound(change)
        if wish is None:
            after = float(bleed(rig).max())
        else:
            asked = wish_for(wish, self._rig, rig)
            looks = finding.kind == "contact"
            case = measure_case(rig, gauge, asked, change.method, looks)
            after = quantity(finding.kind, case, finding.place.ribbon)
        clears = holds(finding.kind, after, finding.limit)
        return Tried(change.says, finding.value, after, clears, change.layout, change.method)

    def bound(self, change: Change) -> tuple[Rig, Gauge]:
        """The rig with a change.

        Parameters
        ----------
        change : Change

        Returns
        -------
        (Rig, Gauge)
        """
        if change.says not in self._bound:
            rig = rebind(self._rig, change.layout)
            self._bound[change.says] = rig, Gauge(rig)
        return self._bound[change.says]


# -- the changes ---------------------------------------------------------------------------------


def _other_blending(rig: Rig, method: Method, finding: Finding) -> Change:
    if method == "linear":
        return Change("blend with dual quaternions", rig.layout, "dual_quaternion")
    return Change("blend linearly", rig.layout, "linear")


def _here(rig: Rig, finding: Finding) -> Layout:
    """The ribbon that a finding is on."""
    return rig.layout.ribbons[finding.place.ribbon]


def _change(rig: Rig, finding: Finding, says: str, edit: Edit, method: Method) -> Change:
    """A change of the ribbon that a finding is on, and of its partner's."""
    ribbon, layout = finding.place.ribbon, rig.layout
    if ribbon == BODY:
        return Change(says, edit(layout), method)
    pair = [ribbon]
    partner = layout.appendage(ribbon).partner
    if partner is not None and partner in layout.ribbons:
        pair.append(partner)
    for name in pair:
        appendage = layout.appendage(name)
        layout = layout.with_appendage(replace(appendage, layout=edit(appendage.layout)))
    return Change(f"on {' and '.join(pair)} {says}", layout, method)


def _another_control(rig: Rig, method: Method, finding: Finding) -> Change | None:
    """A control in the middle of the gap that the finding lies in."""
    own = _here(rig, finding)
    stands = [control.station for control in own.controls]
    here = finding.place.station
    below = max((s for s in stands if s <= here), default=1)
    above = min((s for s in stands if s > here), default=None)
    if above is None:  # past the last control: the gap before it
        if len(stands) < 2:
            return None
        below, above = sorted(stands)[-2:]
    middle = (below + above) // 2
    if middle in stands:
        return None
    says = f"add a control at station {middle}"
    return _change(rig, finding, says, lambda one: one.with_added(middle), method)


def _reach(factor: float) -> Maker:
    def change(rig: Rig, method: Method, finding: Finding) -> Change:
        own, ribbon = _here(rig, finding), finding.place.ribbon
        name = finding.place.control
        if ribbon != BODY:
            lead = rig.layout.appendage(ribbon).control_name("")
            name = name.removeprefix(lead)
        control = own.controls[own.control_index(name)]
        reach = round(control.reach * factor, 2)
        says = f"give {name} a reach of {reach:g} instead of {control.reach:g}"
        return _change(rig, finding, says, lambda one: one.with_control(name, reach=reach), method)

    return change


def _denser_stations(rig: Rig, method: Method, finding: Finding) -> Change:
    own = _here(rig, finding)
    count = round(1.5 * len(own.stations))
    says = f"use {count} stations instead of {len(own.stations)}"
    return _change(rig, finding, says, lambda one: one.with_stations(count), method)


def _softer_joints(rig: Rig, method: Method, finding: Finding) -> Change:
    own = _here(rig, finding)
    rules = own.mesh_weights
    softer = replace(rules, reach=rules.reach * 1.5, influences=round(rules.influences * 1.5))
    says = f"let ribbon joints reach {softer.reach:g} stations with {softer.influences} influences"
    return _change(rig, finding, says, lambda one: replace(one, mesh_weights=softer), method)


def _narrower_falloff(rig: Rig, method: Method, finding: Finding) -> Change:
    own = _here(rig, finding)
    narrower = replace(own.mesh_weights, reach=0.75 * own.mesh_weights.reach)
    says = f"let ribbon joints reach only {narrower.reach:g} stations"
    return _change(rig, finding, says, lambda one: replace(one, mesh_weights=narrower), method)


def _through_the_body(rig: Rig, method: Method, finding: Finding) -> Change | None:
    own = _here(rig, finding)
    if own.mesh_weights.distance == "body":
        return None
    says = "measure the mesh's distance through the body"
    through = replace(own.mesh_weights, distance="body")
    return _change(rig, finding, says, lambda one: replace(one, mesh_weights=through), method)


def _wider_base(rig: Rig, method: Method, finding: Finding) -> Change | None:
    """An appendage takes over the skin more slowly."""
    if finding.place.ribbon == BODY:
        return None
    appendage, layout = rig.layout.appendage(finding.place.ribbon), rig.layout
    blend = min(1.6 * appendage.blend, 0.8 * appendage.layout.ribbon.length)
    if blend <= appendage.blend:
        return None
    pair = [one for one in layout.appendages if appendage.name in (one.name, one.partner)]
    for one in pair:
        layout = layout.with_appendage(replace(one, blend=blend))
    names = " and ".join(one.name for one in pair)
    says = f"blend {names} over {blend:.3g} units at the base instead of {appendage.blend:.3g}"
    return Change(says, layout, method)


_BENDS: list[Maker] = [
    _other_blending,
    _wider_base,
    _another_control,
    _reach(1.5),
    _reach(0.75),
    _denser_stations,
    _softer_joints,
]
_MAKERS: dict[Kind, list[Maker]] = {
    "fold": _BENDS,
    "contact": _BENDS,
    "pinch": _BENDS,
    "bulge": _BENDS,
    "stretch": _BENDS,
    "squeeze": _BENDS,
    "volume": _BENDS,
    "kink": [_another_control, _reach(1.5), _reach(0.75)],
    "shape": [_another_control, _reach(0.75), _reach(1.5)],
    "bleed": [_through_the_body, _narrower_falloff],
    "asymmetry": [],
}

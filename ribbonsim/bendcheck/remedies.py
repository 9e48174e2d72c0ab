"""Remedies: changes of a layout that may help, one on top of another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ribbonsim.bendcheck.findings import Finding, FindingKind
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.rig.rig import Method


@dataclass(frozen=True, eq=False)
class Change:
    """A layout and a blending that may do better, and how one gets there.

    Parameters
    ----------
    steps : tuple of str
        Names of the single changes, each once.
    says : str
        As an instruction; empty where nothing was changed.
    """

    steps: tuple[str, ...]
    says: str
    layout: Layout
    method: Method


@dataclass(frozen=True)
class Site:
    """The place a change is for: a ribbon, its partner, and how far along."""

    ribbon: str
    length: float
    names: tuple[str, ...]

    @classmethod
    def of(cls, layout: Layout, finding: Finding) -> Site:
        """Where a finding of a layout is."""
        ribbon = finding.place.ribbon
        own, names = layout.ribbons[ribbon], [ribbon]
        if ribbon != BODY and layout.appendage(ribbon).partner in layout.ribbons:
            names.append(str(layout.appendage(ribbon).partner))
        station = own.stations[finding.place.station - 1]
        return cls(ribbon, float(own.ribbon.arc_length([station])[0]), tuple(names))

    def station(self, own: OneRibbon) -> int:
        """The station of a ribbon nearest to the place."""
        away = np.abs(own.station_lengths - self.length)
        return int(np.argmin(away)) + 1


Edit = Callable[[OneRibbon], OneRibbon]
Step = Callable[[Change, Site], Change | None]


def start(layout: Layout, method: Method) -> Change:
    """Nothing changed yet."""
    return Change((), "", layout, method)


def next_changes(change: Change, kind: FindingKind, site: Site) -> list[Change]:
    """What can be changed on top of a change, the lighter first; no step is taken twice."""
    made = []
    for name, step in _STEPS[kind].items():
        if name.split(":")[0] in {done.split(":")[0] for done in change.steps}:
            continue
        try:
            after = step(change, site)
        except RibbonsimError:
            continue  # a layout that cannot be changed so has nothing to be tried
        if after is not None:
            made.append(replace(after, steps=tuple(sorted((*change.steps, name)))))
    return made


def _then(change: Change, says: str, layout: Layout, method: Method | None = None) -> Change:
    words = f"{change.says}, and {says}" if change.says else says
    return Change(change.steps, words, layout, method or change.method)


def _edited(change: Change, site: Site, says: str, edit: Edit) -> Change:
    """A change of the ribbon that a finding is on, and of its partner's."""
    layout = change.layout
    for name in site.names:
        layout = layout.with_ribbon(name, edit(layout.ribbons[name]))
    on = "" if site.ribbon == BODY else f"on {' and '.join(site.names)} "
    return _then(change, f"{on}{says}", layout)


# -- the steps -----------------------------------------------------------------------------------


def _other_blending(change: Change, site: Site) -> Change:
    if change.method == "linear":
        return _then(change, "blend with dual quaternions", change.layout, "dual_quaternion")
    return _then(change, "blend linearly", change.layout, "linear")


def _another_control(change: Change, site: Site) -> Change | None:
    """A control in the middle of the gap that the place lies in."""
    own = change.layout.ribbons[site.ribbon]
    stands = sorted(control.station for control in own.controls)
    here = site.station(own)
    below = max((s for s in stands if s <= here), default=1)
    above = min((s for s in stands if s > here), default=None)
    if above is None:  # past the last control: the gap before it
        if len(stands) < 2:
            return None
        below, above = stands[-2:]
    middle = (below + above) // 2
    if middle in stands:
        return None
    says = f"add a control at station {middle}"
    return _edited(change, site, says, lambda one: one.with_added(middle))


def _more_controls(change: Change, site: Site) -> Change | None:
    """A control in every gap that has a station free."""
    own = change.layout.ribbons[site.ribbon]
    stands = sorted(control.station for control in own.controls)
    middles = [(a + b) // 2 for a, b in pairwise(stands) if (a + b) // 2 != a]
    if len(middles) < 2:
        return None

    def edit(one: OneRibbon) -> OneRibbon:
        for middle in middles:
            one = one.with_added(middle)
        return one

    says = f"add controls at stations {', '.join(map(str, middles[:-1]))} and {middles[-1]}"
    return _edited(change, site, says, edit)


def _reach(factor: float) -> Step:
    def step(change: Change, site: Site) -> Change:
        own = change.layout.ribbons[site.ribbon]
        here = site.station(own)
        name = min(
            zip(own.control_names, own.controls, strict=True),
            key=lambda pair: abs(pair[1].station - here),
        )[0]
        now = own.controls[own.control_index(name)].reach
        reach = round(now * factor, 2)
        shown = change.layout.control_name(site.ribbon, name)
        says = f"give {shown} a reach of {reach:g} instead of {now:g}"
        return _edited(change, site, says, lambda one: one.with_control(name, reach=reach))

    return step


def _denser_stations(change: Change, site: Site) -> Change:
    own = change.layout.ribbons[site.ribbon]
    count = round(1.5 * len(own.stations))
    says = f"use {count} stations instead of {len(own.stations)}"
    return _edited(change, site, says, lambda one: one.with_stations(count))


def _finer_ribbon(change: Change, site: Site) -> Change | None:
    """The same ribbon with a knot in the middle of every span."""
    own = change.layout.ribbons[site.ribbon]
    breaks = own.ribbon.breaks
    if len(breaks) > 65:
        return None
    spans = 2 * own.ribbon.spans
    says = f"give the ribbon {spans} spans instead of {own.ribbon.spans}"

    def edit(one: OneRibbon) -> OneRibbon:
        places = one.ribbon.breaks
        return replace(one, ribbon=one.ribbon.insert_knots(0.5 * (places[1:] + places[:-1])))

    return _edited(change, site, says, edit)


def _softer_joints(change: Change, site: Site) -> Change:
    rules = change.layout.ribbons[site.ribbon].mesh_weights
    softer = replace(rules, reach=rules.reach * 1.5, influences=round(rules.influences * 1.5))
    says = f"let ribbon joints reach {softer.reach:g} stations with {softer.influences} influences"
    return _edited(change, site, says, lambda one: replace(one, mesh_weights=softer))


def _narrower_falloff(change: Change, site: Site) -> Change:
    rules = change.layout.ribbons[site.ribbon].mesh_weights
    narrower = replace(rules, reach=0.75 * rules.reach)
    says = f"let ribbon joints reach only {narrower.reach:g} stations"
    return _edited(change, site, says, lambda one: replace(one, mesh_weights=narrower))


def _through_the_body(change: Change, site: Site) -> Change | None:
    rules = change.layout.ribbons[site.ribbon].mesh_weights
    if rules.distance == "body":
        return None
    through = replace(rules, distance="body")
    says = "measure the mesh's distance through the body"
    return _edited(change, site, says, lambda one: replace(one, mesh_weights=through))


def _wider_base(factor: float) -> Step:
    """An appendage takes over the skin more slowly, or more quickly."""

    def step(change: Change, site: Site) -> Change | None:
        if site.ribbon == BODY:
            return None
        layout = change.layout
        appendage = layout.appendage(site.ribbon)
        blend = min(factor * appendage.blend, 0.8 * appendage.layout.ribbon.length)
        if np.isclose(blend, appendage.blend):
            return None
        for name in site.names:
            layout = layout.with_appendage(replace(layout.appendage(name), blend=blend))
        says = (
            f"blend {' and '.join(site.names)} over {blend:.3g} units at the base "
            f"instead of {appendage.blend:.3g}"
        )
        return _then(change, says, layout)

    return step


_SKIN: dict[str, Step] = {
    "blending": _other_blending,
    "base:wider": _wider_base(1.6),
    "base:narrower": _wider_base(0.6),
    "distance": _through_the_body,
    "joints:softer": _softer_joints,
    "joints:narrower": _narrower_falloff,
    "control:one": _another_control,
    "stations": _denser_stations,
    "reach:wider": _reach(1.5),
    "reach:narrower": _reach(0.75),
    "spans": _finer_ribbon,
}
_MIDLINE: dict[str, Step] = {
    "control:one": _another_control,
    "reach:narrower": _reach(0.75),
    "reach:wider": _reach(1.5),
    "spans": _finer_ribbon,
    "control:all": _more_controls,
}
_STEPS: dict[FindingKind, dict[str, Step]] = {
    "fold": _SKIN,
    "contact": _SKIN,
    "pinch": _SKIN,
    "bulge": _SKIN,
    "off": _SKIN,
    "tear": {"base:wider": _wider_base(1.6), "distance": _through_the_body},
    "stretch": _SKIN,
    "squeeze": _SKIN,
    "volume": _SKIN,
    "kink": _MIDLINE,
    "shape": _MIDLINE,
    "bleed": {"distance": _through_the_body, "joints:narrower": _narrower_falloff},
    "asymmetry": {},
}

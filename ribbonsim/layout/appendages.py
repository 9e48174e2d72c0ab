"""Appendages and ties: what rides on a creature's body ribbon."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.fields import within
from ribbonsim.layout.one_ribbon import OneRibbon

BODY = "body"
# numbers that a component, a share and a length may have
COMPONENTS, SHARES, LENGTHS = (1, 10**9), (0.0, 1.0), (0.0, 1e12)


class WithBody(Protocol):
    """A layout that an appendage can be made of."""

    def body_alone(self, name: str) -> OneRibbon:
        """Its body, to be the appendage of a name; refused if it holds more."""


@dataclass(frozen=True, eq=False, init=False)
class Appendage:
    """A ribbon that rides on another: a barbel, a fin, an arm.

    Parameters
    ----------
    name : str
        Unique among the ribbons of a layout; it leads the names of its controls and joints.
    layout : OneRibbon or Layout
        Its own ribbon with stations and controls, root at the base. Of a layout, which holds
        no poses and no appendages of its own, the ribbon is kept.
    at : float
        Where its root rides: share of the length of the ribbon that carries it, 0 to 1.
    rides_on : str
        Name of the ribbon that carries it.
    blend : float
        How far from the base it takes over the skin, scene units along it.
    partner : str or None
        Name of the appendage on the other side.

    Raises
    ------
    RibbonsimError
        If a value cannot be used.
    """

    name: str
    layout: OneRibbon
    at: float = within(*SHARES)
    rides_on: str = BODY
    blend: float = within(*LENGTHS, 0.0)
    partner: str | None = None

    def __init__(
        self,
        name: str,
        layout: OneRibbon | WithBody,
        at: float,
        rides_on: str = BODY,
        blend: float = 0.0,
        partner: str | None = None,
    ) -> None:
        if not isinstance(name, str) or not name.strip():
            raise RibbonsimError("an appendage has no name: give it one")
        check_number(f"at of {name!r}", at, *SHARES)
        check_number(f"blend of {name!r}", blend, *LENGTHS)
        if not isinstance(layout, OneRibbon):
            layout = layout.body_alone(name)
        object.__setattr__(self, "name", name)
        object.__setattr__(self, "layout", layout)
        object.__setattr__(self, "at", at)
        object.__setattr__(self, "rides_on", rides_on)
        object.__setattr__(self, "blend", blend)
        object.__setattr__(self, "partner", partner)

    def control_name(self, control: str) -> str:
        """Name of one of its controls in the whole creature."""
        return f"{self.name}.{control}"

    def relabelled(self, labels: Mapping[str, str]) -> Appendage:
        """Rename ribbons wherever it names one: itself, its carrier, its partner."""
        return replace(
            self,
            name=labels.get(self.name, self.name),
            rides_on=labels.get(self.rides_on, self.rides_on),
            partner=None if self.partner is None else labels.get(self.partner, self.partner),
        )


@dataclass(frozen=True)
class Tie:
    """A rigid part of the mesh that follows one ribbon joint: an eye, a tooth, a plate.

    Parameters
    ----------
    group : str or None
        Name of a group in the mesh's file.
    component : int or None
        Or the number of a connected component, from 1 in the order of the file.
    station : int
        Number of the station whose joint it follows, from 1 at the root end.
    ribbon : str
        Name of the ribbon that the station is on.

    Raises
    ------
    RibbonsimError
        If not exactly one of group and component is given.
    """

    station: int
    group: str | None = None
    component: int | None = within(*COMPONENTS, None)
    ribbon: str = BODY

    def __post_init__(self) -> None:
        if (self.group is None) == (self.component is None):
            raise RibbonsimError("a tie names one part: give a group or a component's number")
        if self.component is not None:
            check_number("component", self.component, *COMPONENTS, whole=True)

    @property
    def part(self) -> str:
        """The tied part, in words."""
        return f"group {self.group!r}" if self.group is not None else f"component {self.component}"


def parents_first(appendages: Iterable[Appendage]) -> tuple[Appendage, ...]:
    """Order appendages so that each stands after the ribbon that carries it."""
    waiting = list(appendages)
    names = [appendage.name for appendage in waiting]
    for name in names:
        if names.count(name) > 1 or name == BODY:
            raise RibbonsimError(f"two ribbons are called {name!r}: rename one")
    for appendage in waiting:
        if appendage.rides_on not in (BODY, *names):
            raise RibbonsimError(
                f"{appendage.name!r} rides on {appendage.rides_on!r}, which is not there: "
                f"choose one of {', '.join((BODY, *names))}"
            )
    done: list[Appendage] = []
    while waiting:
        there = {BODY, *(appendage.name for appendage in done)}
        ready = [appendage for appendage in waiting if appendage.rides_on in there]
        if not ready:
            raise RibbonsimError(
                f"{waiting[0].name!r} rides on itself in a circle: break the circle"
            )
        done += ready
        waiting = [appendage for appendage in waiting if appendage not in ready]
    return tuple(done)


def with_riders(appendages: Sequence[Appendage], name: str) -> set[str]:
    """Name an appendage and all that rides on it; what carries stands before its riders."""
    names = {name}
    for rider in appendages:
        if rider.rides_on in names:
            names.add(rider.name)
    return names


def check_ties(ties: Sequence[Tie], stations: dict[str, int]) -> None:
    """Check that ties stand at stations that there are; ``stations`` counts each ribbon's."""
    parts = [tie.part for tie in ties]
    for tie in ties:
        if tie.ribbon not in stations:
            raise RibbonsimError(
                f"{tie.part} is tied to the ribbon {tie.ribbon!r}, which is not there: "
                f"choose one of {', '.join(stations)}"
            )
        check_number(f"station of {tie.part}", tie.station, 1, stations[tie.ribbon], whole=True)
        if parts.count(tie.part) > 1:
            raise RibbonsimError(f"{tie.part} is tied twice: leave one out")

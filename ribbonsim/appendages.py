"""Appendages and ties: what rides on a creature's body ribbon."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError

if TYPE_CHECKING:
    from ribbonsim.layout import Layout

BODY = "body"


@dataclass(frozen=True, eq=False)
class Appendage:
    """A ribbon that rides on another: a barbel, a fin, an arm.

    Parameters
    ----------
    name : str
        Unique among the ribbons of a layout; it leads the names of its controls and joints.
    layout : Layout
        Its own ribbon with stations and controls, root at the base. It holds no poses and
        no appendages of its own.
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
    layout: Layout
    at: float
    rides_on: str = BODY
    blend: float = 0.0
    partner: str | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise RibbonsimError("an appendage has no name: give it one")
        check_number(f"at of {self.name!r}", self.at, 0.0, 1.0)
        check_number(f"blend of {self.name!r}", self.blend, 0.0, 1e12)
        if self.layout.appendages or self.layout.ties or self.layout.poses:
            raise RibbonsimError(
                f"the layout of {self.name!r} holds poses or appendages of its own: "
                "keep them with the body"
            )

    def control_name(self, control: str) -> str:
        """Name of one of its controls in the whole creature.

        Parameters
        ----------
        control : str

        Returns
        -------
        str
        """
        return f"{self.name}.{control}"


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
    component: int | None = None
    ribbon: str = BODY

    def __post_init__(self) -> None:
        if (self.group is None) == (self.component is None):
            raise RibbonsimError("a tie names one part: give a group or a component's number")
        if self.component is not None:
            check_number("component", self.component, 1, 10**9, whole=True)

    @property
    def part(self) -> str:
        """The tied part, in words."""
        return f"group {self.group!r}" if self.group is not None else f"component {self.component}"


def parents_first(appendages: Iterable[Appendage]) -> tuple[Appendage, ...]:
    """Order appendages so that each stands after the ribbon that carries it.

    Parameters
    ----------
    appendages : iterable of Appendage

    Returns
    -------
    tuple of Appendage

    Raises
    ------
    RibbonsimError
        If two have one name, or a carrier is not there or is carried by what it carries.
    """
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


def check_ties(ties: Sequence[Tie], stations: dict[str, int]) -> None:
    """Check that ties stand at stations that there are, one for each part.

    Parameters
    ----------
    ties : sequence of Tie
    stations : dict of str to int
        Number of stations of each ribbon.

    Raises
    ------
    RibbonsimError
    """
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

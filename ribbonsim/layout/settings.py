"""What is set on a ribbon: its controls, and how its weights are shared out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ribbonsim.checks import check_number
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.falloff import DEFAULT_EXPONENT, KERNELS
from ribbonsim.layout.fields import check_fields, one_of, range_of, within

DEFAULT_REACH = 2.0
Drive = Literal["shares", "skinned"]
DRIVES: tuple[Drive, ...] = ("shares", "skinned")
OTHER_DRIVE: dict[Drive, Drive] = {"shares": "skinned", "skinned": "shares"}


@dataclass(frozen=True)
class Control:
    """What the user moves: a control standing at a station.

    Parameters
    ----------
    name : str
        Unique in its layout.
    station : int
        Number of the station, from 1 at the root end.
    reach : float
        How far its influence extends, in multiples of the distance to its neighbours. Driven
        by shares, a reach of 1 or less keeps what it adds within the piece that leads to it.
    carried_by : str or None
        The control that takes it along; None if it stands alone.
    """

    name: str
    station: int
    reach: float = within(0.01, 1000.0, DEFAULT_REACH)
    carried_by: str | None = None


@dataclass(frozen=True)
class ControlWeights:
    """How what controls do is spread along the ribbon.

    Both drives use the kernel and the controls' reaches: ``skinned`` for its weights,
    ``shares`` to spread what a control adds over its piece and beyond.

    Parameters
    ----------
    falloff : {"wendland_c2", "gaussian", "inverse_distance", "linear"}
        The kernel by which an influence fades with distance.
    exponent : float
        Used by ``inverse_distance`` alone.
    distance : {"ribbon", "straight"}
        Along the ribbon, or through the air; used by ``skinned`` alone.
    """

    falloff: str = one_of(tuple(KERNELS), "wendland_c2")
    exponent: float = within(0.1, 32.0, DEFAULT_EXPONENT)
    distance: Literal["ribbon", "straight"] = "ribbon"

    def __post_init__(self) -> None:
        check_fields(self)


@dataclass(frozen=True)
class MeshWeights:
    """How ribbon joints share the mesh's vertices.

    Parameters
    ----------
    falloff : {"wendland_c2", "gaussian", "inverse_distance", "linear"}
        The kernel by which an influence fades with distance.
    exponent : float
        Used by ``inverse_distance`` alone.
    distance : {"body", "straight"}
        Through the body, or through the air.
    reach : float
        In multiples of the distance between stations. With ``wendland_c2`` and ``linear``,
        a reach of half the influences uses each of them and drops none.
    influences : int
        At most so many ribbon joints a vertex.
    smoothing : int
        Rounds of averaging over the mesh's edges.
    prune : float
        Weights up to this are taken off, 0 to 0.25.
    """

    falloff: str = one_of(tuple(KERNELS), "wendland_c2")
    exponent: float = within(0.1, 32.0, DEFAULT_EXPONENT)
    distance: Literal["body", "straight"] = "body"
    reach: float = within(0.1, 1000.0, DEFAULT_REACH)
    influences: int = within(1, 64, 4)
    smoothing: int = within(0, 1000, 0)
    prune: float = within(0.0, 0.25, 0.0)

    def __post_init__(self) -> None:
        check_fields(self)


def check_controls(controls: Sequence[Control], stations: int) -> None:
    """Check that controls have names, stations and carriers of their own, in no circle."""
    if not controls:
        raise RibbonsimError("a layout needs at least one control: place one at a station")
    names = [control.name for control in controls]
    for control in controls:
        if not isinstance(control.name, str) or not control.name.strip():
            raise RibbonsimError("a control has no name: give it one")
        if names.count(control.name) > 1:
            raise RibbonsimError(f"two controls are called {control.name!r}: rename one")
        check_number(f"station of {control.name!r}", control.station, 1, stations, whole=True)
        limits = range_of(Control, "reach") or ()
        check_number(f"reach of {control.name!r}", control.reach, *limits)
        if control.carried_by is not None and control.carried_by not in names:
            raise RibbonsimError(
                f"{control.name!r} is carried by {control.carried_by!r}, which is not there: "
                f"choose one of {', '.join(names)}"
            )
    places = [control.station for control in controls]
    for place in places:
        if places.count(place) > 1:
            raise RibbonsimError(f"two controls stand at station {place}: move one of them")
    carrier = {control.name: control.carried_by for control in controls}
    for name in names:
        seen, step = {name}, carrier[name]
        while step is not None:
            if step in seen:
                raise RibbonsimError(f"{name!r} is carried by itself in a circle: break the circle")
            seen.add(step)
            step = carrier[step]

"""Ribbons of a layout by name: which one a control is on, what rides on what."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from ribbonsim.appendages import BODY, Tie
from ribbonsim.layout import Control, Layout
from ribbonsim.pose import Pose
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]

_SAMPLES = 401
# nearer than this, over the ribbon's length, a place has moved by rounding alone
_SAME_SEAT = 1e-6


def ribbon_of(layout: Layout, control: str) -> tuple[str, Control]:
    """Find the ribbon that a control is on.

    Parameters
    ----------
    layout : Layout
    control : str
        One of all the layout's controls.

    Returns
    -------
    ribbon : str
    control : Control
        By its own name, without the ribbon's in front.

    Raises
    ------
    RibbonsimError
        If there is no such control.
    """
    index = layout.index_of_control(control)
    for ribbon, one in layout.ribbons.items():
        if index < len(one.controls):
            return ribbon, one.controls[index]
        index -= len(one.controls)
    raise IndexError("a control that has an index is on a ribbon")


def tree(layout: Layout) -> list[tuple[str, int]]:
    """Every ribbon with its depth, each under the one that carries it.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    list of (name, depth)
        The body first, with depth 0.
    """
    found: list[tuple[str, int]] = []

    def visit(name: str, depth: int) -> None:
        found.append((name, depth))
        for one in sorted(layout.appendages, key=lambda each: each.at):
            if one.rides_on == name:
                visit(one.name, depth + 1)

    visit(BODY, 0)
    return found


def with_ribbon(layout: Layout, ribbon: str, own: Layout) -> Layout:
    """Give one ribbon of a layout other stations, controls or another shape.

    Parameters
    ----------
    layout : Layout
    ribbon : str
    own : Layout
        What that ribbon is from now on; of the body, the whole layout.

    Returns
    -------
    Layout
        Kept poses forget controls that are no longer there; what rides on the ribbon stays
        where it is on the creature, and parts that are tied to it go to the nearest stations.
    """
    if ribbon == BODY:
        return reseated(own, BODY, layout.ribbon)
    one = layout.appendage(ribbon)
    ties = tuple(
        tie if tie.ribbon != ribbon else replace(tie, station=_nearest(one.layout, tie, own))
        for tie in layout.ties
    )
    # every tie has to have its station, before the change and after it
    free = replace(layout, ties=()).with_appendage(replace(one, layout=own))
    return reseated(replace(free, ties=ties), ribbon, one.layout.ribbon)


def _nearest(old: Layout, tie: Tie, new: Layout) -> int:
    return int(np.argmin(np.abs(new.stations - old.stations[tie.station - 1]))) + 1


def reseated(layout: Layout, ribbon: str, old: Ribbon) -> Layout:
    """Let what rides on a ribbon stay where it is on the creature when the ribbon moves.

    Parameters
    ----------
    layout : Layout
        With the ribbon as it is now.
    ribbon : str
    old : Ribbon
        As it was.

    Returns
    -------
    Layout
    """
    now = layout.ribbons[ribbon].ribbon
    if now is old or not any(one.rides_on == ribbon for one in layout.appendages):
        return layout

    def seat(at: float) -> float:
        share = _share_near(now, old.midline(old.place_at(at * old.length)))
        return at if abs(share - at) < _SAME_SEAT else share

    appendages = tuple(
        replace(one, at=seat(one.at)) if one.rides_on == ribbon else one
        for one in layout.appendages
    )
    return replace(layout, appendages=appendages)


def _share_near(ribbon: Ribbon, point: Array) -> float:
    """Share of a ribbon's length at its place nearest to a point."""

    def away(t: float) -> float:
        return float(np.sum((ribbon.midline(t) - point) ** 2))

    places = np.linspace(0.0, 1.0, _SAMPLES)
    nearest = int(np.argmin(np.sum((ribbon.midline(places) - point) ** 2, axis=1)))
    low, high = places[max(nearest - 1, 0)], places[min(nearest + 1, _SAMPLES - 1)]
    found = minimize_scalar(away, bounds=(low, high), method="bounded", options={"xatol": 1e-9})
    share = float(ribbon.arc_length(found.x) / ribbon.length)
    return float(np.clip(share, 0.0, 1.0))


def with_renamed_control(layout: Layout, control: str, new: str) -> Layout:
    """Rename a control of any ribbon, in kept poses too.

    Parameters
    ----------
    layout : Layout
    control : str
        Its name in the whole creature.
    new : str
        Its own, without the ribbon's in front.

    Returns
    -------
    Layout
    """
    ribbon, own = ribbon_of(layout, control)
    if ribbon == BODY:
        return layout.renamed(control, new)
    one = layout.appendage(ribbon)
    changed = replace(one, layout=one.layout.renamed(own.name, new))
    labels = {control: changed.control_name(new)}
    poses = {name: relabelled(pose, labels) for name, pose in layout.poses.items()}
    appendages = tuple(changed if each is one else each for each in layout.appendages)
    return replace(layout, appendages=appendages, poses=poses)


def relabelled(pose: Pose, labels: dict[str, str]) -> Pose:
    """A pose whose controls have other names.

    Parameters
    ----------
    pose : Pose
    labels : dict of str to str
        New names by old ones; the others stay.

    Returns
    -------
    Pose
    """
    moved = {labels.get(name, name): value for name, value in pose.controls.items()}
    return Pose(moved, pose.keep_volume)

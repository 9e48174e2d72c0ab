"""All that differs between two layouts, in words, before one takes the other's place."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import QUANTITIES, Pose
from ribbonsim.panel.state.history import Snapshot
from ribbonsim.rig.rig import Method

_MOST = 3
_METHODS: dict[Method, str] = {"linear": "linear", "dual_quaternion": "dual quaternion"}


def changes_between(old: Layout, new: Layout, before: Method, after: Method) -> list[str]:
    """Say all that differs; an empty list where nothing does."""
    said: list[str] = []
    for name, own in old.ribbons.items():
        there = new.ribbons.get(name)
        of = "" if name == BODY and not old.appendages else f" of {name}"
        if there is None:
            said.append(f"{name} goes")
        elif there is not own:
            said += [words + of for words in _of_ribbon(own, there)]
    said += [f"{name} comes" for name in new.ribbons if name not in old.ribbons]
    said += _of_riders(old, new)
    for key, words in (("drive", "drive"), ("up", "up axis")):
        if getattr(old, key) != getattr(new, key):
            said.append(f"{words} {getattr(old, key)} → {getattr(new, key)}")
    if old.ties != new.ties:
        said.append(f"rigid parts {len(old.ties)} → {len(new.ties)}")
    said += _of_settings("limit of", old.limits, new.limits)
    if before != after:
        said.append(f"blending {_METHODS[before]} → {_METHODS[after]}")
    return said


def step_words(then: Snapshot, now: Snapshot) -> str:
    """What was done between two states, in a few words."""
    said: list[str] = []
    if then.layout is not now.layout:
        said += changes_between(then.layout, now.layout, then.method, now.method)
        before, after = then.layout.poses, now.layout.poses
        said += [f"pose {name} kept" for name in after if name not in before]
        said += [f"pose {name} deleted" for name in before if name not in after]
    elif then.method != now.method:
        said.append(f"blending {_METHODS[then.method]} → {_METHODS[now.method]}")
    if not said and now.shown is not None and now.shown != then.shown:
        amount = "" if now.shown.amount is None else f" {now.shown.amount:.4g}"
        said = [f"test pose {now.shown.name.replace('_', ' ')}{amount}"]
    if not said:
        said = _of_pose(then.pose, now.pose)
    more = f" and {len(said) - _MOST} more" if len(said) > _MOST else ""
    return "; ".join(said[:_MOST]) + more


def _of_pose(old: Pose, new: Pose) -> list[str]:
    if old.keep_volume != new.keep_volume:
        return [f"keep volume {old.keep_volume:.4g} → {new.keep_volume:.4g}"]
    moved = [name for name in {**old.controls, **new.controls} if old[name] != new[name]]
    if len(moved) != 1:
        return [f"pose of {len(moved)} controls"] if moved else ["names"]
    (name,) = moved
    pairs = [(key, getattr(old[name], key), getattr(new[name], key)) for key in QUANTITIES]
    told = [
        f"{key} of {name}" if key == "shift" else f"{key} of {name} {was:.4g} → {now:.4g}"
        for key, was, now in pairs
        if was != now
    ]
    return told


def _of_ribbon(old: OneRibbon, new: OneRibbon) -> list[str]:
    said: list[str] = []
    if len(old.stations) != len(new.stations):
        said.append(f"stations {len(old.stations)} → {len(new.stations)}")
    elif not np.allclose(old.stations, new.stations, atol=1e-9):
        said.append("stations stand elsewhere")
    if old.ribbon.spans != new.ribbon.spans:
        said.append(f"spans {old.ribbon.spans} → {new.ribbon.spans}")
    elif not np.allclose(old.ribbon.knots, new.ribbon.knots, atol=1e-9):
        said.append("spans lie elsewhere")
    elif not np.allclose(old.ribbon.control_points, new.ribbon.control_points, atol=1e-9):
        said.append("the ribbon runs elsewhere or is wider or narrower")
    said += _of_controls(old, new)
    said += _of_settings("controls:", old.control_weights, new.control_weights)
    return said + _of_settings("skin:", old.mesh_weights, new.mesh_weights)


def _of_controls(old: OneRibbon, new: OneRibbon) -> list[str]:
    was = {control.name: control for control in old.controls}
    now = {control.name: control for control in new.controls}
    said = [f"{name} goes" for name in was if name not in now]
    for name, control in now.items():
        before = was.get(name)
        if before is None:
            said.append(f"{name} comes at station {control.station}")
            continue
        places = old.stations[before.station - 1], new.stations[control.station - 1]
        if abs(places[0] - places[1]) > 1e-9 or before.station != control.station:
            said.append(f"{name} at station {before.station} → {control.station}")
        if before.reach != control.reach:
            said.append(f"reach of {name} {before.reach:.4g} → {control.reach:.4g}")
        if before.carried_by != control.carried_by:
            carriers = [by or "nobody" for by in (before.carried_by, control.carried_by)]
            said.append(f"{name} is carried by {carriers[0]} → {carriers[1]}")
    return said


def _of_riders(old: Layout, new: Layout) -> list[str]:
    said: list[str] = []
    now = {rider.name: rider for rider in new.appendages}
    for rider in old.appendages:
        other = now.get(rider.name)
        if other is None:
            continue
        if rider.rides_on != other.rides_on:
            said.append(f"{rider.name} rides on {rider.rides_on} → {other.rides_on}")
        for key, words in (("at", "rides at"), ("blend", "base blend")):
            values = getattr(rider, key), getattr(other, key)
            if abs(values[0] - values[1]) > 1e-9:
                said.append(f"{rider.name} {words} {values[0]:.4g} → {values[1]:.4g}")
        if rider.partner != other.partner:
            pair = [each.partner or "none" for each in (rider, other)]
            said.append(f"partner of {rider.name} {pair[0]} → {pair[1]}")
    return said


def _of_settings(lead: str, old: object, new: object) -> list[str]:
    said = []
    for each in fields(old):  # type: ignore[arg-type]
        values = getattr(old, each.name), getattr(new, each.name)
        if values[0] != values[1]:
            shown = [f"{v:.4g}" if isinstance(v, float) else str(v) for v in values]
            said.append(f"{lead} {each.name.replace('_', ' ')} {shown[0]} → {shown[1]}")
    return said

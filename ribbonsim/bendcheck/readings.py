"""Readings: one measure of one pose against its limit, and against what an exact ribbon does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.bendcheck.cases import Case, PartCase
from ribbonsim.bendcheck.findings import FindingKind
from ribbonsim.bendcheck.floor import SLACK
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.limits import Limits


@dataclass(frozen=True, eq=False)
class Reading:
    """What a measure says of a pose.

    Parameters
    ----------
    value, limit : float
        The limit is the layout's own or, where an exact ribbon comes near that, a seventh beyond
        what the exact ribbon does.
    holds : bool
        Whether the limit does.
    where : int
        Triangle, or station counted from 0, of the worst; -1 for all.
    floor : float or None
        What an exact ribbon does there; None if that was not asked, or says nothing.
    beyond : int array
        Triangles beyond the limit, where the measure is of triangles.
    """

    value: float
    limit: float
    holds: bool
    where: int = -1
    floor: float | None = None
    beyond: Ints | None = None


def read(kind: FindingKind, case: Case, limits: Limits, ribbon: str = BODY) -> Reading:
    """Read a measure of a pose; girth, distance and midline are those of one ribbon."""
    part = next((one for one in case.parts if one.name == ribbon), case.body)
    if kind in ("stretch", "squeeze"):
        return _stretch(kind == "stretch", case, limits)
    if kind in ("pinch", "bulge"):
        return _girth(kind == "pinch", case, part, limits)
    found: dict[str, Callable[[], Reading]] = {
        "fold": lambda: _folds(case, limits),
        "contact": lambda: _contacts(case, limits),
        "volume": lambda: _volume(case, limits),
        "tear": lambda: _within(case.measures.tear, limits.tear),
        "off": lambda: _within(float(part.off.max()), limits.off, int(np.argmax(part.off))),
        "kink": lambda: _within(part.sharpness[0], limits.kink),
        "shape": lambda: _within(part.shape_error or 0.0, limits.shape),
    }
    return found[kind]()


def quantity(kind: FindingKind, case: Case, ribbon: str = BODY) -> float:
    """The plain number of a measure, whatever an exact ribbon does."""
    part = next((one for one in case.parts if one.name == ribbon), case.body)
    if kind in ("pinch", "bulge"):
        ratio = part.girth / part.asked_girth
        return float(ratio.min() if kind == "pinch" else ratio.max())
    if kind in ("stretch", "squeeze"):
        large, small = case.relative_stretch
        return float(large.max() if kind == "stretch" else small.min())
    numbers: dict[str, Callable[[], float]] = {
        "fold": lambda: float(np.count_nonzero(case.measures.folded)),
        "contact": lambda: float(0 if case.contacts is None else len(case.contacts)),
        "volume": lambda: case.measures.volume - 1.0,
        "tear": lambda: case.measures.tear,
        "off": lambda: float(part.off.max()),
        "kink": lambda: part.sharpness[0],
        "shape": lambda: part.shape_error or 0.0,
    }
    return numbers[kind]()


def _within(value: float, limit: float, where: int = -1) -> Reading:
    return Reading(float(value), limit, bool(value <= limit), where)


def counted_contacts(case: Case) -> Ints:
    """(c, 2) contacts that an exact ribbon does not have at that place too."""
    pairs = case.contacts
    if pairs is None or not len(pairs):
        return np.zeros((0, 2), dtype=np.int64)
    if not case.is_asked:
        return pairs
    return pairs[~case.floor.shares_contact(pairs)]


def _folds(case: Case, limits: Limits) -> Reading:
    folded: Flags = case.measures.folded
    if folded.any() and case.is_asked:
        folded = folded & ~case.floor.own_folds(limits)
    beyond = np.flatnonzero(folded)
    return Reading(len(beyond), limits.folds, len(beyond) <= limits.folds, beyond=beyond)


def _contacts(case: Case, limits: Limits) -> Reading:
    count = len(counted_contacts(case))
    return Reading(count, limits.contacts, count <= limits.contacts)


def _volume(case: Case, limits: Limits) -> Reading:
    change = case.measures.volume - 1.0
    if not case.rig.mesh.is_closed or abs(change) <= limits.volume:
        return Reading(change, limits.volume, True)
    change = case.measures.volume - case.floor.volume
    return Reading(change, limits.volume, abs(change) <= limits.volume)


def _girth(narrow: bool, case: Case, part: PartCase, limits: Limits) -> Reading:
    ratio = part.girth / part.asked_girth
    limit = limits.pinch if narrow else limits.bulge
    beyond = ratio < limit if narrow else ratio > limit
    if part.name == BODY and beyond.any():
        # rings about a limb's foot turn with it, whatever carries them
        exact = case.floor.girth(case.gauge) / part.asked_girth
        held = np.minimum(exact, 1.0) if narrow else np.maximum(exact, 1.0)
        # what an exact ribbon squeezes to nothing says nothing of a layout
        ratio = np.divide(ratio, held, out=np.ones_like(ratio), where=held > 0.0)
    worst = int(np.argmin(ratio) if narrow else np.argmax(ratio))
    value = float(ratio[worst])
    return Reading(value, limit, value >= limit if narrow else value <= limit, worst)


def _stretch(larger: bool, case: Case, limits: Limits) -> Reading:
    large, small = case.relative_stretch
    values, limit = (large, limits.stretch) if larger else (small, limits.squeeze)
    beyond = values > limit if larger else values < limit
    if not beyond.any():
        worst = int(np.argmax(values) if larger else np.argmin(values))
        return Reading(float(values[worst]), limit, True, worst)
    exact = _exact_stretch(larger, case)
    held = np.full(len(exact), limit)
    if case.is_asked:
        held = np.maximum(limit, SLACK * exact) if larger else np.minimum(limit, exact / SLACK)
    beyond = values > held if larger else values < held
    away, room = (np.abs(np.log(np.maximum(table, 1e-3))) for table in (values, held))
    worst = int(np.argmax(away / np.maximum(room, 1e-3)))
    return Reading(
        float(values[worst]),
        float(held[worst]),
        not beyond.any(),
        worst,
        float(exact[worst]),
        np.flatnonzero(beyond),
    )


def _exact_stretch(larger: bool, case: Case) -> Array:
    """(T,) stretch on an exact ribbon over what the pose asks for."""
    high, low = case.asked_sizes
    floor = case.floor
    if larger:
        return floor.stretch[:, 0] / high
    return np.where(floor.folded, 0.0, floor.stretch[:, 1] / low)

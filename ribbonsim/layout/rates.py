"""Rates: what controls add to the ribbon between them, integrated from a control outwards.

Cut at many places, a ribbon at rest is a chain of screw steps. Each control adds a turn and a
shift to the piece that leads to it, spread by the shares of that piece; multiplied up from the
control that nobody carries, the steps give the posed path.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import (
    ACROSS,
    ALONG,
    NORMAL,
    axis_rotation,
    invert_rigid,
    rigid_exp,
    rigid_log,
)
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.curves.screws import walk
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.shares import Shares, between_neighbours, control_shares

# steps along a whole ribbon, at least
_STEPS = 96
_SAME_PLACE = 1e-12


def slider_table(values: Sequence[ControlPose]) -> Array:
    """(K, 8) bend, sway, twist, shift along, across and normal, stretch, girth of controls."""
    return np.array(
        [(v.bend, v.sway, v.twist, *v.shift, v.stretch, v.girth) for v in values], dtype=float
    ).reshape(-1, 8)


@dataclass(frozen=True, eq=False)
class RestPath:
    """One ribbon at rest, cut into steps at its control points', stations' and controls' places.

    Parameters
    ----------
    shares : Shares
        Of its controls.
    places : (m,) array
        Rising places ``t`` of the cuts.
    greville, stations, controls : int arrays
        Which cuts are which places.
    """

    ribbon: Ribbon
    shares: Shares
    places: Array
    greville: Ints
    stations: Ints
    controls: Ints

    @classmethod
    def of(
        cls,
        ribbon: Ribbon,
        stations: Array,
        controls: Array,
        reaches: Array,
        falloff: str,
        exponent: float,
    ) -> RestPath:
        """Cut a ribbon.

        Parameters
        ----------
        stations, controls : (N,) and (K,) arrays
            Rising places ``t``.
        reaches : (K,) array
        """
        special = np.sort(np.concatenate([ribbon.greville, stations, controls, [0.0, 1.0]]))
        # what differs by rounding alone is one place
        known = special[np.r_[True, np.diff(special) > _SAME_PLACE]]
        lengths = ribbon.arc_length(known)
        counts = np.ceil(np.diff(lengths) / ribbon.length * _STEPS - 1e-6).astype(int)
        starts, steps = np.repeat(lengths[:-1], counts), np.repeat(np.diff(lengths), counts)
        within = np.concatenate([np.arange(1, count + 1) / count for count in counts])
        fill = ribbon.place_at((starts + within * steps)[within < 1.0 - 1e-9])
        places = np.sort(np.concatenate([known, fill]))
        seats = (
            np.searchsorted(places, t + _SAME_PLACE, side="right") - 1
            for t in (ribbon.greville, stations, controls)
        )
        greville, joints, stands = seats
        shares = Shares(ribbon.arc_length(controls), reaches, falloff, exponent)
        return cls(ribbon, shares, places, greville, joints, stands)

    @cached_property
    def lengths(self) -> Array:
        """(m,) arc lengths of the cuts."""
        return self.ribbon.arc_length(self.places)

    @cached_property
    def frames(self) -> Array:
        """(m, 4, 4) rest frames."""
        return self.ribbon.frames(self.places)

    @cached_property
    def screws(self) -> Array:
        """(m - 1, 6) screw from each cut to the next, in the frame of the first."""
        return rigid_log(invert_rigid(self.frames[:-1]) @ self.frames[1:])

    @cached_property
    def order(self) -> Array:
        """(m,) order coordinates."""
        return self.shares.order(self.lengths)

    @cached_property
    def share_values(self) -> Array:
        """(m, n) shares of the pieces."""
        return self.shares.values(self.order)

    @cached_property
    def share_slopes(self) -> Array:
        """(m, n) their derivatives by arc length."""
        return self.shares.slopes_along(self.lengths, self.order)

    @cached_property
    def turning(self) -> Array:
        """(m, K) weights by which controls' twist and girth go over into each other."""
        return control_shares(self.share_values)

    @cached_property
    def stretching(self) -> Array:
        """(m, K) weights of controls' stretch."""
        return between_neighbours(self.order, len(self.controls))

    @cached_property
    def rises(self) -> Array:
        """(m - 1, n) share of each piece that each step takes."""
        return np.diff(self.share_values, axis=0)

    @cached_property
    def weights(self) -> Array:
        """(m,) share of the whole length that each cut stands for."""
        steps = np.diff(self.lengths) / self.ribbon.length
        return 0.5 * (np.r_[steps, 0.0] + np.r_[0.0, steps])

    @cached_property
    def root_weights(self) -> Array:
        """(3 m, 1) their roots, for each coordinate of each cut."""
        return np.repeat(np.sqrt(self.weights), 3)[:, None]

    def carried_from(self, root: int) -> CarriedRibbons:
        """Its controls carried in a chain from one of them; made once for each."""
        known: dict[int, CarriedRibbons] = self.__dict__.setdefault("_carried", {})
        if root not in known:
            known[root] = CarriedRibbons([self], [root])
        return known[root]

    def weights_at(self, lengths: ArrayLike) -> tuple[Array, Array]:
        """(k, K) weights of twist and girth, and of stretch, at arc lengths."""
        order = self.shares.order(lengths)
        turning = control_shares(self.shares.values(order))
        return turning, between_neighbours(order, len(self.controls))

    def step_of(self, lengths: ArrayLike) -> tuple[Ints, Array]:
        """The step that each place is on, and how far along it, 0 to 1."""
        places = np.asarray(lengths, dtype=float)
        last = len(self.lengths) - 2
        step = np.clip(np.searchsorted(self.lengths, places, side="right") - 1, 0, last)
        start = self.lengths[step]
        share = (places - start) / (self.lengths[step + 1] - start)
        return step, np.clip(share, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class PosedPath:
    """Cuts of one or several ribbons in a pose, without twist.

    Parameters
    ----------
    turns : (m, 3, 3) array
        Frames of the cuts; the first column is the body's own length, which is the path's
        direction where nothing is shifted.
    points : (m, 3) array
        Scene units.
    screws : (6, m - 1) array
        Steps between them.
    """

    turns: Array
    points: Array
    screws: Array

    def part(self, cuts: slice) -> PosedPath:
        """The path of one of several ribbons."""
        steps = slice(cuts.start, cuts.stop - 1)
        return PosedPath(self.turns[cuts], self.points[cuts], self.screws[:, steps])

    def motions_at(self, rest: RestPath, lengths: ArrayLike) -> Array:
        """Rigid motions from rest of one ribbon's frames at places along it.

        Parameters
        ----------
        rest : RestPath
            The ribbon; this path is of it alone.
        lengths : (k,) array
            Arc lengths at rest.

        Returns
        -------
        (k, 4, 4) array
        """
        step, share = rest.step_of(lengths)
        start = np.zeros((len(step), 4, 4))
        start[:, :3, :3], start[:, :3, 3] = self.turns[step], self.points[step]
        start[:, 3, 3] = 1.0
        posed = start @ rigid_exp(share[:, None] * self.screws.T[step])
        before = rest.frames[step] @ rigid_exp(share[:, None] * rest.screws[step])
        return posed @ invert_rigid(before)


class CarriedRibbons:
    """Ribbons whose controls are carried in a chain from one of them, posed together.

    Parameters
    ----------
    roots : sequence of int
        Of each, the control that carries the others.
    """

    def __init__(self, paths: Sequence[RestPath], roots: Sequence[int]) -> None:
        cuts = [len(path.places) for path in paths]
        pieces = [path.shares.count for path in paths]
        counts = [len(path.controls) for path in paths]
        self.slices = _slices(cuts)
        self.control_slices = _slices(counts)
        total = sum(cuts)
        self._rest = np.zeros((6, total - 1))
        self._rises = np.zeros((sum(pieces), total - 1))
        self._stretching = np.zeros((sum(counts), total - 1))
        self._drivers = np.zeros(sum(pieces), dtype=np.int64)
        self._signs = np.ones((sum(pieces), 1))
        self._roots = [
            own.start + path.controls[root]
            for own, path, root in zip(self.slices, paths, roots, strict=True)
        ]
        self._root_controls = [
            own.start + root for own, root in zip(self.control_slices, roots, strict=True)
        ]
        self._starts = [
            path.frames[path.controls[root]] for path, root in zip(paths, roots, strict=True)
        ]
        self._gather = np.zeros((sum(counts), sum(counts)))
        for path, root, steps, seats, rows in zip(
            paths, roots, self.slices, self.control_slices, _slices(pieces), strict=True
        ):
            own = slice(steps.start, steps.stop - 1)
            self._rest[:, own] = path.screws.T
            self._rises[rows, own] = np.diff(path.share_values, axis=0).T
            held = path.stretching
            self._stretching[seats, own] = 0.5 * (held[1:] + held[:-1]).T
            piece = np.arange(path.shares.count)
            outer = piece >= root
            self._drivers[rows] = seats.start + np.where(outer, piece + 1, piece)
            self._signs[rows, 0] = np.where(outer, 1.0, -1.0)
            self._gather[seats, seats] = _outward_sums(len(path.controls), root)

    def added(self, table: Array) -> Array:
        """(5, n) bend and sway (radians) and shift that controls add to their pieces."""
        told = self._signs * table[self._drivers]
        return np.concatenate([np.radians(told[:, :2]), told[:, 3:6]], axis=1).T

    def twists(self, table: Array) -> Array:
        """(K,) degrees of twist at the controls, summed up from the one that carries them."""
        return self._gather @ table[:, 2]

    def path(self, table: Array) -> PosedPath:
        """Integrate a pose.

        Parameters
        ----------
        table : (K, 8) array
            As of :func:`slider_table`, of all ribbons.

        Returns
        -------
        PosedPath
            Cuts of all ribbons, one after the other.
        """
        return self.integrated(self.added(table), table, self.starts(table))

    def starts(self, table: Array) -> list[Array]:
        """Of each ribbon the frame that the control that carries the others takes."""
        return [
            start @ own_motion(table[control])
            for start, control in zip(self._starts, self._root_controls, strict=True)
        ]

    def integrated(self, added: Array, table: Array, starts: Sequence[Array]) -> PosedPath:
        """As :meth:`path`, for what is added to the pieces and the frames to start from.

        All may have leading axes, of many poses at once; so has then the path, whose screws
        keep their first axis in front.
        """
        factors = 1.0 + (table[..., 6] - 1.0) @ self._stretching
        screws = np.empty((6, *factors.shape))
        screws[0] = self._rest[0]
        screws[1:] = np.moveaxis(added @ self._rises, -2, 0)
        for row, rest in zip(screws[1:3], self._rest[1:3], strict=True):
            row += rest
        for row, rest in zip(screws[3:], self._rest[3:], strict=True):
            row += rest * factors
        turns, points = walk(screws)
        for own, cut, begin in zip(self.slices, self._roots, starts, strict=True):
            turn = begin[..., :3, :3] @ np.swapaxes(turns[..., cut, :, :], -1, -2)
            away = points[..., own, :] - points[..., cut, None, :]
            moved = away @ np.swapaxes(turn, -1, -2)
            points[..., own, :] = moved + begin[..., None, :3, 3]
            turns[..., own, :, :] = turn[..., None, :, :] @ turns[..., own, :, :]
        return PosedPath(turns, points, screws)


def rest_path(own: OneRibbon) -> RestPath:
    """A ribbon cut into steps, with the shares of its controls."""
    rules = own.control_weights
    reaches = np.array([control.reach for control in own.controls])
    places = own.stations, own.control_places
    return RestPath.of(own.ribbon, *places, reaches, rules.falloff, rules.exponent)


def chain_seat(own: OneRibbon) -> int | None:
    """Index of the control that carries all others outwards, neighbour by neighbour."""
    name = own.chain_root
    return None if name is None else own.control_index(name)


def own_motion(row: Array) -> Array:
    """(4, 4) what a control that nobody carries does in its own rest frame."""
    bend, sway, twist = row[:3]
    motion = axis_rotation(NORMAL, sway) @ axis_rotation(ACROSS, bend) @ axis_rotation(ALONG, twist)
    motion[:3, 3] = row[3:6]
    return motion


def own_turns(table: Array, carry_order: Sequence[tuple[int, int | None]]) -> Array:
    """(K, 3) rotation vectors that bends and sways add up to, carrier after carrier; radians."""
    turns = np.zeros((len(table), 3))
    for i, carrier in carry_order:
        turns[i, 1:] = np.radians(table[i, :2])
        if carrier is not None:
            turns[i] += turns[carrier]
    return turns


def _outward_sums(count: int, root: int) -> Array:
    """Matrix that sums values from the neighbours of one seat outwards; its own is left out."""
    away = np.arange(count) - root
    here, there = away[:, None], away[None, :]
    same_side = (np.sign(here) == np.sign(there)) & (here != 0)
    return (same_side & (np.abs(there) <= np.abs(here))).astype(float)


def _slices(counts: Sequence[int]) -> tuple[slice, ...]:
    ends = np.cumsum(counts).tolist()
    return tuple(slice(end - count, end) for end, count in zip(ends, counts, strict=True))

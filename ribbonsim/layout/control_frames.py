"""Frames that controls take for what their sliders say, and sliders for given frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import ACROSS, ALONG, NORMAL, axis_rotation, invert_rigid
from ribbonsim.layout.pose import ControlPose


@dataclass(frozen=True, eq=False)
class ControlFrames:
    """Where controls stand in a pose.

    Parameters
    ----------
    frames : (K, 4, 4) array
        Posed frames, all of the twist in them.
    twists : (K,) array
        Turn of each frame about the body's own length, in degrees and not folded into one
        turn: what is left against a neighbour when bending is taken away, summed up from the
        control that carries the others.
    stretches, girths : (K,) array
        Factors.
    """

    frames: Array
    twists: Array
    stretches: Array
    girths: Array

    @classmethod
    def stacked(cls, each: Sequence[ControlFrames]) -> ControlFrames:
        """Frames at the same places in many poses: all arrays with an axis of poses in front."""
        return cls(
            np.stack([one.frames for one in each]),
            np.stack([one.twists for one in each]),
            np.stack([one.stretches for one in each]),
            np.stack([one.girths for one in each]),
        )

    @property
    def untwisted(self) -> Array:
        """(K, 4, 4) frames with the twist taken out."""
        return self.frames @ axis_rotation(ALONG, -self.twists)


class ControlTree:
    """Controls of one or several ribbons, arranged once by who carries whom.

    A carried control keeps its place in its carrier's frame, farther off by the mean of the
    two stretches, and then moves by its own values: forward kinematics. Twist is carried as
    an angle: from a twisted control on the body turns about its own length, and its midline
    stays where it is. Only the twist of a control that nobody carries rolls what it carries.

    Parameters
    ----------
    rest : (K, 4, 4) array
        Rest frames, ribbon after ribbon, each in body order.
    carriers : (K,) sequence of int or None
        Index of the control that carries each.
    counts : sequence of int
        Number of controls of each ribbon.
    """

    def __init__(self, rest: Array, carriers: Sequence[int | None], counts: Sequence[int]) -> None:
        self._rest = rest
        own = np.arange(len(rest))
        self._free = np.array([carrier is None for carrier in carriers])
        self._carrier = np.array(
            [i if c is None else c for i, c in enumerate(carriers)], dtype=np.int64
        )
        self._ribbon = np.repeat(np.arange(len(counts)), counts)
        depth, above = np.where(self._free, 0, 1), self._carrier.copy()
        while not self._free[above].all():
            depth += np.where(self._free[above], 0, 1)
            above = np.where(self._free[above], above, self._carrier[above])
        self._levels = [np.flatnonzero(depth == level) for level in range(depth.max() + 1)]
        self._single = bool((np.bincount(self._ribbon[self._free]) == 1).all())
        self._between = invert_rigid(rest[self._carrier]) @ rest
        before = np.maximum(own - 1, 0)
        self._onwards = invert_rigid(rest[before]) @ rest
        self._backwards = invert_rigid(self._onwards)
        self._steps: dict[bytes, list[tuple[Ints, Ints, Array]]] = {}

    def frames(self, values: Sequence[ControlPose]) -> ControlFrames:
        """Frames of the controls in a pose.

        Parameters
        ----------
        values : (K,) sequence of ControlPose

        Returns
        -------
        ControlFrames
            Of each ribbon as if what carries it were at rest.
        """
        swings, turns = _own_motions(values)
        stretches = np.array([value.stretch for value in values])
        between = self._between.copy()
        between[:, :3, 3] *= 0.5 * (stretches + stretches[self._carrier])[:, None]
        local = between @ swings
        untwisted = np.empty_like(self._rest)
        twists = np.array([value.twist for value in values], dtype=float)
        free = self._levels[0]
        untwisted[free] = self._rest[free] @ swings[free] @ turns[free]
        for level in self._levels[1:]:
            carrier = self._carrier[level]
            untwisted[level] = untwisted[carrier] @ local[level]
            twists[level] += np.where(self._free[carrier], 0.0, twists[carrier])
        references = self._references(twists)
        twists[free] -= twists[references[self._ribbon[free]]]
        held = np.where(self._free, 0.0, twists)
        frames = untwisted @ axis_rotation(ALONG, held)
        girths = np.array([value.girth for value in values])
        told = self._along_body(frames, twists, references)
        return ControlFrames(frames, told, stretches, girths)

    def _references(self, twists: Array) -> Ints:
        """Of each ribbon the control that nobody carries and that twists least."""
        free = self._levels[0]
        if self._single:
            return free
        order = np.lexsort((free, np.abs(twists[free]), self._ribbon[free]))
        _, first = np.unique(self._ribbon[free][order], return_index=True)
        return free[order][first]

    def _along_body(self, frames: Array, turns: Array, references: Ints) -> Array:
        """Turn of each frame about the body's length; ``turns`` only say in which full turn.

        From the references outwards each frame is compared with where its neighbour, its
        twist taken out, would carry it; the rotation between is split into a swing and a
        twist about the along axis. So a rigid motion of all frames holds no twist, whatever
        the sliders call it.
        """
        twists = np.zeros(len(frames))
        untwisted = frames.copy()
        for here, neighbour, step in self._outwards(references):
            told = untwisted[neighbour] @ step
            apart = np.einsum("kji,kjl->kil", told[:, :3, :3], frames[here, :3, :3])
            # the turn about the along axis that a swing square to it leaves
            sine = apart[:, 2, 1] - apart[:, 1, 2]
            folded = np.degrees(np.arctan2(sine, apart[:, 1, 1] + apart[:, 2, 2]))
            # at exactly half a turn either side will do: keep the one the sliders are nearer to
            whole = np.round((turns[here] - folded) / 360.0 * (1.0 - 1e-9))
            twists[here] = folded + 360.0 * whole
            untwisted[here] = frames[here] @ axis_rotation(ALONG, -twists[here])
        return twists

    def _outwards(self, references: Ints) -> list[tuple[Ints, Ints, Array]]:
        """Controls at growing distance from their references, their neighbours, the step there."""
        key = references.tobytes()
        if key not in self._steps:
            away = np.arange(len(self._rest)) - references[self._ribbon]
            steps = []
            for distance in range(1, int(np.abs(away).max(initial=0)) + 1):
                here = np.flatnonzero(np.abs(away) == distance)
                ahead = away[here] > 0
                neighbour = np.where(ahead, here - 1, here + 1)
                onwards = self._onwards[here]
                back = self._backwards[np.minimum(here + 1, len(self._rest) - 1)]
                steps.append((here, neighbour, np.where(ahead[:, None, None], onwards, back)))
            self._steps[key] = steps
        return self._steps[key]


def values_for(
    rest: Array,
    carry_order: Sequence[tuple[int, int | None]],
    wanted: ControlFrames,
) -> list[ControlPose]:
    """Values that put controls of one ribbon on wanted frames.

    The inverse of :meth:`ControlTree.frames`.

    Parameters
    ----------
    rest : (K, 4, 4) array
    carry_order : sequence of (index, carrier index or None)

    Returns
    -------
    (K,) list of ControlPose
    """
    values: list[ControlPose] = [ControlPose()] * len(rest)
    free = [i for i, carrier in carry_order if carrier is None]
    before: tuple[float, float] | None = None
    untwisted, held = wanted.frames.copy(), np.zeros(len(rest))
    between = _between(rest, carry_order, wanted.stretches)
    for i, carrier in carry_order:
        start = rest[i] if carrier is None else untwisted[carrier] @ between[i]
        own = invert_rigid(start) @ wanted.frames[i]
        turns = wanted.twists[i] - (0.0 if carrier is None else wanted.twists[free[0]])
        sway, bend, twist = split_rotation(own[:3, :3], turns)
        if carrier is None:
            # no whole turn from one that stands alone to the next that the frames do not say
            if before is not None:
                sway, bend = (_near_turn(a, b) for a, b in zip((sway, bend), before, strict=True))
            before = sway, bend
        else:
            held[i] = twist
            untwisted[i] = wanted.frames[i] @ axis_rotation(ALONG, -twist)
        values[i] = ControlPose(
            bend=bend,
            sway=sway,
            twist=twist - (0.0 if carrier is None else float(held[carrier])),
            shift=(float(own[0, 3]), float(own[1, 3]), float(own[2, 3])),
            stretch=float(wanted.stretches[i]),
            girth=float(wanted.girths[i]),
        )
    return values


def _between(rest: Array, carry_order: Sequence[tuple[int, int | None]], stretches: Array) -> Array:
    """Each control in its carrier's frame, farther off by the mean of the two stretches."""
    carriers = np.arange(len(rest))
    for i, carrier in carry_order:
        carriers[i] = i if carrier is None else carrier
    between = invert_rigid(rest[carriers]) @ rest
    between[:, :3, 3] *= 0.5 * (stretches + stretches[carriers])[:, None]
    return between


def _own_motions(values: Sequence[ControlPose]) -> tuple[Array, Array]:
    """What each control does in its own frame: shift and swing, and its twist."""
    table = np.array([(value.sway, value.bend, value.twist, *value.shift) for value in values])
    swings = axis_rotation(NORMAL, table[:, 0]) @ axis_rotation(ACROSS, table[:, 1])
    swings[:, :3, 3] = table[:, 3:]
    return swings, axis_rotation(ALONG, table[:, 2])


def split_rotation(rotation: Array, wanted: float) -> tuple[float, float, float]:
    """Sway, bend and twist in degrees, of all that give a rotation with twist nearest to wanted."""
    bend = np.arctan2(-rotation[2, 0], np.hypot(rotation[0, 0], rotation[1, 0]))
    if np.hypot(rotation[0, 0], rotation[1, 0]) > 1e-9:
        sway = np.arctan2(rotation[1, 0], rotation[0, 0])
        twist = np.arctan2(rotation[2, 1], rotation[2, 2])
    else:  # straight up or down the normal: sway and twist are one, call it sway
        sway = np.arctan2(-rotation[0, 1], rotation[1, 1])
        twist = 0.0
    best = (np.inf, 0.0, 0.0, 0.0)
    for s, b, t in ((sway, bend, twist), (sway + np.pi, np.pi - bend, twist + np.pi)):
        turned = np.degrees(t) + 360.0 * np.round((wanted - np.degrees(t)) / 360.0)
        away = abs(turned - wanted) + 1e-9 * abs(b)
        best = min(best, (away, _half_turn(s), _half_turn(b), float(turned)))
    return best[1:]


def _half_turn(radians: float) -> float:
    """Degrees from -180 to 180."""
    return float((np.degrees(radians) + 180.0) % 360.0 - 180.0)


def _near_turn(degrees: float, near: float) -> float:
    """The same direction in whole turns nearest to another."""
    return degrees + 360.0 * round((near - degrees) / 360.0)

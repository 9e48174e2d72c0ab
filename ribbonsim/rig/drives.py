"""Drives: how controls move the ribbons. Each takes values and gives what a pose is made of.

``shares``: each control turns and shifts the piece of body that leads to it, by fixed shares
along it. ``skinned``: the ribbon's control points are skinned linearly to the control joints.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import invert_rigid, make_frames
from ribbonsim.layout.control_frames import ControlFrames, ControlTree
from ribbonsim.layout.frame_spline import FrameSpline
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.rates import CarriedRibbons, PosedPath, own_turns, slider_table
from ribbonsim.rig.chain import Chain, slices_of

# what is shorter than this share of its length at rest has no direction of its own
_NOTHING = 1e-9
# nor has a surface that is narrower than this share of its width at rest
_THIN = 1e-6


@dataclass(frozen=True, eq=False)
class Driven:
    """Ribbons of a creature moved by their controls, each as if its carrier were at rest.

    Parameters
    ----------
    controls : ControlFrames
        Of all ribbons.
    points : (n, 2, 3) array
        Control points of all ribbons.
    frames : (N, 4, 4) array
        Frames of the ribbon joints.
    stretch, girth : (N,) arrays
        Factor along, and across as the sliders say it.
    path : PosedPath or None
        Of all ribbons, where shares drive them.
    twists : (K,) array or None
        Degrees that the sliders add up to at the controls, where shares drive.
    """

    controls: ControlFrames
    points: Array
    frames: Array
    stretch: Array
    girth: Array
    path: PosedPath | None = None
    twists: Array | None = None


class SharesDrive:
    """Controls to ribbons by fixed shares along each chain of controls.

    Ribbons whose controls are not carried in one chain run through the frames of their
    controls instead.
    """

    def __init__(self, chains: Sequence[Chain]) -> None:
        self._chains = tuple(chains)
        paths = [chain.path for chain in chains]
        stands = [np.concatenate([p.greville, p.stations, p.controls]) for p in paths]
        roots = [chain.root or 0 for chain in chains]
        alone = len(paths) == 1
        self._rates = paths[0].carried_from(roots[0]) if alone else CarriedRibbons(paths, roots)
        self._cuts = np.concatenate(
            [own.start + cuts for own, cuts in zip(self._rates.slices, stands, strict=True)]
        )
        self._greville, self._joints, self._controls = _seats(chains)
        turning = [path.turning[cuts] for path, cuts in zip(paths, stands, strict=True)]
        self._girth = block_diag(*turning)
        # the control that carries the others keeps its own turn
        self._turning = block_diag(
            *(
                held if chain.root is None else held - path.turning[path.controls[chain.root]]
                for held, path, chain in zip(turning, paths, chains, strict=True)
            )
        )
        pairs = list(zip(paths, stands, strict=True))
        self._stretching = block_diag(*(path.stretching[cuts] for path, cuts in pairs)).T
        self._rises = block_diag(*(path.share_slopes[cuts] for path, cuts in pairs)).T
        self._collocation = block_diag(*(chain.point_rest.collocation for chain in chains))
        self._halves = np.concatenate([chain.point_rest.halves for chain in chains])
        self._half_values = np.concatenate([chain.point_rest.half_values for chain in chains])
        self._half_points = np.concatenate([chain.point_rest.half_points for chain in chains])
        counts = slices_of([len(cuts) for cuts in stands])
        self._splined = [
            _Splined(chain, cuts, own, controls)
            for chain, cuts, own, controls in zip(
                chains, stands, counts, self._rates.control_slices, strict=True
            )
            if chain.root is None
        ]

    def driven(self, values: Sequence[ControlPose]) -> Driven:
        """Move all ribbons.

        Parameters
        ----------
        values : (K,) sequence of ControlPose
            Of all controls.
        """
        table = slider_table(values)
        added = self._rates.added(table)
        path = self._rates.integrated(added, table, self._rates.starts(table))
        turns, points = path.turns[self._cuts], path.points[self._cuts]
        twists = self._rates.twists(table)
        speed = np.zeros((len(turns), 3))
        speed[:, 0] = 1.0 + (table[:, 6] - 1.0) @ self._stretching
        leans = bool(self._splined) or bool(added[2:].any())
        if leans:
            speed += (added[2:] @ self._rises).T
        for ribbon in self._splined:
            ribbon.fill(values, table, turns, points, speed, twists)
        stands = self._controls
        controls = _framed(_rolled(turns[stands], self._turning[stands] @ twists), points[stands])
        stretch = speed[:, 0]
        if leans:
            stretch = np.maximum(np.linalg.norm(speed, axis=1), _NOTHING)
            turns = turns @ _leaning(speed / stretch[:, None])
        angles = self._turning @ twists
        turns = _rolled(turns, angles)
        girth = self._girth @ table[:, 7]
        at = self._joints
        return Driven(
            ControlFrames(controls, angles[stands], table[:, 6], table[:, 7]),
            self._surface(turns[self._greville], points[self._greville], girth[self._greville]),
            _framed(turns[at], points[at]),
            stretch[at],
            girth[at],
            path,
            twists,
        )

    def path_of(self, driven: Driven, number: int) -> tuple[PosedPath, Array] | None:
        """Path of one ribbon and the twists of its controls; None if it is not in a chain."""
        if self._chains[number].root is None or driven.path is None or driven.twists is None:
            return None
        rates = self._rates
        own = driven.path.part(rates.slices[number])
        return own, driven.twists[rates.control_slices[number]]

    def _surface(self, turns: Array, points: Array, girth: Array) -> Array:
        """Control points of the surface that runs through frames at their places."""
        held = girth[:, None] * np.matmul(turns, self._halves[:, :, None])[:, :, 0]
        flat = np.concatenate([points, held - self._half_values], axis=1)
        fitted = self._collocation @ flat
        middle, half = fitted[:, :3], self._half_points + fitted[:, 3:]
        return np.stack([middle - half, middle + half], axis=1)


class _Splined:
    """One ribbon that runs through the frames of its controls."""

    def __init__(self, chain: Chain, cuts: Ints, stands: slice, controls: slice) -> None:
        self._stands, self._controls = stands, controls
        self._order = chain.layout.carry_order()
        carriers = dict(self._order)
        count = len(chain.control_rest)
        self._tree = ControlTree(chain.control_rest, [carriers[i] for i in range(count)], [count])
        self._spline = FrameSpline(chain.path, np.arange(len(chain.path.places)))
        self._cuts, self._lengths = cuts, chain.path.lengths
        self._rest_slopes = self._local_slopes(chain.path.frames)

    def _local_slopes(self, frames: Array) -> Array:
        """Slopes by arc length of the path through frames, in these frames."""
        slopes = np.gradient(frames[:, :3, 3], self._lengths, axis=0)
        return np.einsum("mij,mi->mj", frames[:, :3, :3], slopes)

    def fill(
        self,
        values: Sequence[ControlPose],
        table: Array,
        turns: Array,
        points: Array,
        speed: Array,
        twists: Array,
    ) -> None:
        """Put this ribbon's part into arrays of all ribbons' places, and of all controls."""
        controls = self._tree.frames(values[self._controls])
        told = own_turns(table[self._controls], self._order)
        frames = self._spline.frames(controls, told)
        cuts = frames[self._cuts]
        turns[self._stands], points[self._stands] = cuts[:, :3, :3], cuts[:, :3, 3]
        # differences at rest are taken off, so that rest and rigid motions stay exact
        lean = self._local_slopes(frames) - self._rest_slopes
        speed[self._stands] = lean[self._cuts] + [1.0, 0.0, 0.0]
        twists[self._controls] = controls.twists


class SkinnedDrive:
    """Controls to ribbons by linear skinning: what joints bound to a surface do anywhere."""

    def __init__(self, chains: Sequence[Chain]) -> None:
        rest = np.concatenate([chain.control_rest for chain in chains])
        counts = [len(chain.control_rest) for chain in chains]
        carriers: list[int | None] = []
        for chain, own in zip(chains, slices_of(counts), strict=True):
            order = dict(chain.layout.carry_order())
            above = [order[i] for i in range(len(order))]
            carriers += [None if c is None else c + own.start for c in above]
        self._tree = ControlTree(rest, carriers, counts)
        self._back = invert_rigid(rest)
        self._weights = block_diag(*(chain.surface_weights for chain in chains))
        ribbons = [chain.layout.ribbon for chain in chains]
        self._points = np.concatenate([ribbon.control_points for ribbon in ribbons])
        self._basis = block_diag(*(chain.station_basis for chain in chains))
        self._slopes = block_diag(*(chain.station_slopes for chain in chains))
        self._rest_speed = np.concatenate([chain.rest_speed for chain in chains])
        self._joint_rest = np.concatenate([chain.joint_rest for chain in chains])
        widths = [chain.layout.ribbon.width(chain.layout.stations) for chain in chains]
        self._thin = _THIN * np.concatenate(widths)

    def driven(self, values: Sequence[ControlPose]) -> Driven:
        """Move all ribbons.

        Parameters
        ----------
        values : (K,) sequence of ControlPose
            Of all controls.
        """
        controls = self._tree.frames(values)
        motions = scaled_frames(controls) @ self._back
        blend = (self._weights @ motions.reshape(len(motions), 16)).reshape(-1, 4, 4)
        points = np.einsum("nij,nuj->nui", blend[:, :3, :3], self._points) + blend[:, None, :3, 3]
        middle, across = points.mean(axis=1), points[:, 1] - points[:, 0]
        along, across = self._slopes @ middle, self._basis @ across
        speed = np.linalg.norm(along, axis=1)
        frames = make_frames(along, self._told_across(along, across), self._basis @ middle)
        girth = self._basis @ (self._weights @ controls.girths)
        return Driven(controls, points, frames, speed / self._rest_speed, girth)

    def path_of(self, driven: Driven, number: int) -> None:
        """None: a skinned surface has no path of its own."""
        return

    def _told_across(self, along: Array, across: Array) -> Array:
        """Directions across; where half a turn has narrowed the surface to nothing, the rest's.

        Carried there by the smallest rotation from the rest's direction along to the posed one.
        """
        x = along / np.linalg.norm(along, axis=1, keepdims=True)
        flat = across - np.sum(across * x, axis=1, keepdims=True) * x
        gone = np.linalg.norm(flat, axis=1) < self._thin
        if not gone.any():
            return across
        rest = self._joint_rest[gone, :3, :3]
        turn = rest @ _leaning(np.einsum("nij,ni->nj", rest, x[gone]))
        told = across.copy()
        told[gone] = turn[:, :, 1]
        return told


Drive = SharesDrive | SkinnedDrive
DRIVES: dict[str, type[SharesDrive] | type[SkinnedDrive]] = {
    "shares": SharesDrive,
    "skinned": SkinnedDrive,
}


def scaled_frames(controls: ControlFrames) -> Array:
    """(K, 4, 4) frames of control joints with their stretch and girth in them."""
    frames = controls.frames.copy()
    frames[:, :3, 0] *= controls.stretches[:, None]
    frames[:, :3, 1:3] *= controls.girths[:, None, None]
    return frames


def _seats(chains: Sequence[Chain]) -> tuple[Ints, Ints, Ints]:
    """Where control points, stations and controls stand, all ribbons' places in one row."""
    seats: tuple[list[Ints], list[Ints], list[Ints]] = [], [], []
    start = 0
    for chain in chains:
        path = chain.path
        for kind, cuts in zip(seats, (path.greville, path.stations, path.controls), strict=True):
            kind.append(np.arange(start, start + len(cuts)))
            start += len(cuts)
    greville, stations, controls = (np.concatenate(kind) for kind in seats)
    return greville, stations, controls


def _rolled(turns: Array, degrees: Array) -> Array:
    """Frames turned about their first axis."""
    angle = np.radians(degrees)
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    rolled = np.empty_like(turns)
    across, normal = turns[:, :, 1], turns[:, :, 2]
    rolled[:, :, 0] = turns[:, :, 0]
    rolled[:, :, 1], rolled[:, :, 2] = c * across + s * normal, c * normal - s * across
    return rolled


def _leaning(directions: Array) -> Array:
    """(z, 3, 3) smallest rotations that take the first axis to unit vectors."""
    x, y, z = directions.T
    share = 1.0 / np.maximum(1.0 + x, _NOTHING)
    turn = np.empty((len(directions), 3, 3))
    turn[:, 0, 0], turn[:, 0, 1], turn[:, 0, 2] = x, -y, -z
    turn[:, 1, 0], turn[:, 2, 0] = y, z
    turn[:, 1, 1], turn[:, 2, 2] = 1.0 - share * y * y, 1.0 - share * z * z
    turn[:, 1, 2] = turn[:, 2, 1] = -share * y * z
    return turn


def _framed(turns: Array, points: Array) -> Array:
    frames = np.zeros((len(turns), 4, 4))
    frames[:, :3, :3], frames[:, :3, 3], frames[:, 3, 3] = turns, points, 1.0
    return frames

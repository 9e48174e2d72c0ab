"""Poses of layout files of version 1, whose controls' whole frames were blended.

There each control stood where its own and its carriers' sliders put it, and the body ran near
it. Values are found that bring the body near to the same frames by shares.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from ribbonsim.arrays import Array
from ribbonsim.curves.frames import ALONG, axis_rotation, invert_rigid, rigid_log
from ribbonsim.curves.screws import rigid_log_near, walk
from ribbonsim.layout.control_frames import ControlFrames, ControlTree
from ribbonsim.layout.fit import fit_shares
from ribbonsim.layout.one_ribbon import OneRibbon
from ribbonsim.layout.pose import ControlPose
from ribbonsim.layout.rates import RestPath, chain_seat, own_turns, rest_path, slider_table

_ROUNDS, _CLOSE, _NUDGE = 20, 1e-10, 1e-6


def shared_values(own: OneRibbon, values: Sequence[ControlPose]) -> list[ControlPose]:
    """Values for one ribbon that shares drive, from values whose frames were blended.

    Parameters
    ----------
    values : (K,) sequence of ControlPose

    Returns
    -------
    (K,) list of ControlPose
        The same where controls are not carried in a chain: they stand as they stood.
    """
    root = chain_seat(own)
    if root is None or all(value == ControlPose() for value in values):
        return list(values)
    path = rest_path(own)
    order = own.carry_order()
    carriers = dict(order)
    count = len(values)
    tree = ControlTree(path.frames[path.controls], [carriers[i] for i in range(count)], [count])
    turns = own_turns(slider_table(values), order)
    wanted = _through(path, tree.frames(values), turns)
    return fit_shares(path, root, wanted, shifts=True, fine=True)


def _through(path: RestPath, controls: ControlFrames, turns: Array) -> ControlFrames:
    """Frames at all cuts of a path that adds evenly between each two controls."""
    stands, lengths = path.controls, path.lengths
    frames = controls.untwisted
    told = np.empty_like(path.frames)
    for end, outside in ((0, slice(0, stands[0] + 1)), (-1, slice(stands[-1], len(told)))):
        own = frames[end] @ invert_rigid(path.frames[stands[end]])
        told[outside] = own @ path.frames[outside]
    for i, (start, stop) in enumerate(itertools.pairwise(stands.tolist())):
        steps = path.screws[start:stop]
        share = np.diff(lengths[start : stop + 1]) / (lengths[stop] - lengths[start])
        between = invert_rigid(frames[i]) @ frames[i + 1]
        inside = _even_steps(steps, share, between, turns[i + 1] - turns[i])
        told[start : stop + 1] = frames[i] @ inside
    known = lengths[stands]
    twists, stretches, girths = (
        np.interp(lengths, known, values)
        for values in (controls.twists, controls.stretches, controls.girths)
    )
    return ControlFrames(told @ axis_rotation(ALONG, twists), twists, stretches, girths)


def _even_steps(steps: Array, share: Array, between: Array, turned: Array) -> Array:
    """Frames along steps to which one screw is added evenly, so that they end where wanted."""
    resting = steps[:, :3].sum(axis=0)
    whole = 2.0 * np.pi * np.round(turned / (2.0 * np.pi))
    added = rigid_log_near(between[None], (resting + whole)[None])[0] - steps.sum(axis=0)

    def ends(screw: Array) -> tuple[Array, Array]:
        rotations, points = walk((steps + share[:, None] * screw).T)
        frames = np.zeros((len(points), 4, 4))
        frames[:, :3, :3], frames[:, :3, 3], frames[:, 3, 3] = rotations, points, 1.0
        return frames, rigid_log(invert_rigid(frames[-1]) @ between)

    size = np.r_[np.ones(3), np.full(3, max(float(np.linalg.norm(steps[:, 3:].sum(0))), 1e-300))]
    frames, lacking = ends(added)
    for _ in range(_ROUNDS):
        if np.abs(lacking / size).max() < _CLOSE:
            break
        nudges = _NUDGE * size
        columns = [(ends(added + nudge)[1] - lacking) / _NUDGE for nudge in np.diag(nudges)]
        slopes = np.stack(columns, axis=1) / size[:, None]
        tried = added - size * np.linalg.lstsq(slopes, lacking / size, rcond=1e-9)[0]
        further, left = ends(tried)
        if np.abs(left / size).max() >= np.abs(lacking / size).max():
            break
        added, frames, lacking = tried, further, left
    return frames

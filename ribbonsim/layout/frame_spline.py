"""A ribbon through the frames of controls that stand alone: a cumulative screw spline."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.curves.frames import invert_rigid, rigid_exp
from ribbonsim.curves.screws import rigid_log_near
from ribbonsim.layout.control_frames import ControlFrames
from ribbonsim.layout.rates import RestPath


class FrameSpline:
    """Frames along a ribbon from those of its controls, whoever carries them.

    From each control to the next goes one screw; shares of the screws, multiplied up from the
    first control, give the path, so at both ends it meets the controls, and where neither of
    two neighbours moves nothing does. What the rest itself has beside its own such path is put
    on top.

    Parameters
    ----------
    cuts : (z,) int array
        The cuts of the path that are asked for.

    References
    ----------
    M.-J. Kim, M.-S. Kim, S. Y. Shin, "A general construction scheme for unit quaternion curves
    with simple high order derivatives", SIGGRAPH 1995.
    """

    def __init__(self, path: RestPath, cuts: Ints) -> None:
        self._shares = path.share_values[cuts]
        self._rest = path.frames[path.controls]
        self._near = _turns_between(path)
        self._screws = self._screws_between(self._rest, self._near)
        self._stretching = path.stretching[cuts]
        self._apart = path.lengths[cuts, None] - path.lengths[path.controls]
        piece = np.floor(path.order[cuts]).astype(int)
        self._piece = np.clip(piece, 0, max(path.shares.count - 1, 0))
        first, last = path.lengths[path.controls[[0, -1]]]
        self._between = (path.lengths[cuts] > first) & (path.lengths[cuts] < last)
        self._own = invert_rigid(self._along(self._rest[0], self._screws)) @ path.frames[cuts]

    def _screws_between(self, frames: Array, near: Array) -> Array:
        if len(frames) == 1:
            return np.zeros((0, 6))
        return rigid_log_near(invert_rigid(frames[:-1]) @ frames[1:], near)

    def _along(self, start: Array, screws: Array) -> Array:
        steps = rigid_exp(self._shares[:, :, None] * screws)
        frames = np.broadcast_to(start, (len(self._shares), 4, 4))
        for piece in range(len(screws)):
            frames = frames @ steps[:, piece]
        return frames

    def frames(self, controls: ControlFrames, turns: Array) -> Array:
        """Frames of the cuts in a pose, without twist.

        Parameters
        ----------
        controls : ControlFrames
            Of this ribbon.
        turns : (K, 3) array
            Rotation vectors (radians) that the sliders add up to; whole turns between
            neighbours are kept, which the frames alone do not tell.

        Returns
        -------
        (z, 4, 4) array
        """
        frames = controls.untwisted
        whole = 2.0 * np.pi * np.round(np.diff(turns, axis=0) / (2.0 * np.pi))
        screws = self._screws_between(frames, self._near + whole)
        path = self._along(frames[0], screws)
        stretches = controls.stretches
        if (stretches != 1.0).any():
            # along a piece the screw already stretches: add what the controls do beside it
            size = np.linalg.norm(self._screws[:, 3:], axis=1)
            pieces = np.linalg.norm(screws[:, 3:], axis=1) / np.maximum(size, 1e-300)
            even = np.ones(len(path))
            if len(pieces):
                even[self._between] = pieces[self._piece[self._between]]
            lacking = stretches - even[:, None]
            shift = np.einsum("zk,zk->z", self._stretching * lacking, self._apart)
            path[:, :3, 3] += shift[:, None] * path[:, :3, 0]
        own = self._own.copy()
        own[:, :3, 3] *= (self._stretching @ stretches)[:, None]
        return path @ own


def _turns_between(path: RestPath) -> Array:
    """(n, 3) rotation that the rest makes from each control to the next, added up."""
    sums = np.vstack([np.zeros(3), np.cumsum(path.screws[:, :3], axis=0)])
    return np.diff(sums[path.controls], axis=0)

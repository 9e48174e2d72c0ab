"""Skin weights in sets of four, in single precision, summing to one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Influences:
    """The joints that move each vertex.

    Parameters
    ----------
    joints : (V, 4 s) int array
        Greatest weight first; 0 where there is no weight.
    weights : (V, 4 s) float32 array
        Rows sum to one, 0 where there is none.
    """

    joints: NDArray[np.int64]
    weights: NDArray[np.float32]

    @property
    def sets(self) -> int:
        """How many sets of four."""
        return self.joints.shape[1] // 4


def pack_influences(weights: NDArray[np.float64]) -> Influences:
    """Pack a table of weights; none is left out.

    Parameters
    ----------
    weights : (V, N) array
        None below 0; rows sum to one.

    Returns
    -------
    Influences
        What single precision rounds off a row is put on its greatest weight, so that the row
        sums to one within half a unit in that weight's last place.
    """
    small = weights.astype(np.float32)
    vertex, joint = np.nonzero(small)
    value = small[vertex, joint]
    order = np.lexsort((joint, -value, vertex))
    vertex, joint, value = vertex[order], joint[order], value[order]
    counts = np.bincount(vertex, minlength=len(weights))
    starts = np.cumsum(counts) - counts
    place = np.arange(len(vertex)) - starts[vertex]
    width = 4 * max(1, -(-int(counts.max(initial=1)) // 4))
    joints = np.zeros((len(weights), width), dtype=np.int64)
    packed = np.zeros((len(weights), width), dtype=np.float32)
    joints[vertex, place], packed[vertex, place] = joint, value
    packed[:, 0] = 1.0 - packed[:, 1:].sum(axis=1, dtype=np.float64)
    return Influences(joints, packed)

"""Steps back and forward."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ribbonsim.layout.layout import Layout
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.bind import Found
from ribbonsim.rig.rig import Method

_STEPS_BACK = 200
_ONE_GESTURE = 0.8


@dataclass(frozen=True)
class ShownPose:
    """The test pose that the creature is in.

    Parameters
    ----------
    amount : float or None
        None for the usual one.
    ribbon : str or None
        The ribbon that it was put on; None for the whole creature.
    """

    name: str
    amount: float | None
    ribbon: str | None = None


@dataclass(frozen=True, eq=False)
class Snapshot:
    """What one step back restores.

    Parameters
    ----------
    shown : ShownPose or None
        None where the pose is no test pose.
    """

    layout: Layout
    pose: Pose
    method: Method
    selected: str
    found: Found
    shown: ShownPose | None = None


class History:
    """What was there before each change, and what was undone.

    Parameters
    ----------
    clock : callable
        Seconds, rising; changes of one gesture in quick succession are one step back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self.clear()

    def clear(self) -> None:
        """Forget all steps."""
        self._past: list[Snapshot] = []
        self._future: list[Snapshot] = []
        self._last_change: tuple[str, float] = ("", -np.inf)

    def remember(self, state: Snapshot, gesture: str = "") -> None:
        """Keep a state before it changes; during one gesture the first is kept alone."""
        now = self._clock()
        if not self.goes_on(gesture):
            self._past = [*self._past[-_STEPS_BACK + 1 :], state]
        self._future = []
        self._last_change = (gesture, now)

    @property
    def past(self) -> Sequence[Snapshot]:
        """All states before changes, the last one last."""
        return self._past

    def goes_on(self, gesture: str) -> bool:
        """Whether a change now would be one step back together with the last one."""
        last, when = self._last_change
        return bool(gesture) and gesture == last and self._clock() - when <= _ONE_GESTURE

    def last(self, forward: bool) -> Snapshot | None:
        """The state that a step back or forward leads to; None if there is none."""
        steps = self._future if forward else self._past
        return steps[-1] if steps else None

    def step(self, forward: bool, state: Snapshot) -> None:
        """Take that step, away from a state to which the opposite step leads again."""
        here, there = (self._future, self._past) if forward else (self._past, self._future)
        there.append(state)
        here.pop()
        self._last_change = ("", -np.inf)

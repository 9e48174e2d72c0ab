"""Findings beside the picture: a quick look at every pose, and a check that takes its time.

No widgets here. Both work on threads of their own, so neither waits for the other nor holds
up the picture.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass

from ribbonsim.bendcheck.cases import Case, Wish, measure_case
from ribbonsim.bendcheck.findings import Finding, findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.report import check
from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.easel import Easel
from ribbonsim.pose import Pose
from ribbonsim.rig import Method, Rig

THIS_POSE = "this pose"

_LOG = logging.getLogger(__name__)
_BETWEEN_LOOKS = 0.25
_PICTURE_FIRST = 0.08

# one thread for quick looks and one for checks, shared by all panels
LOOKS = Easel()
CHECKS = Easel()


@dataclass(frozen=True, eq=False)
class State:
    """What is looked at.

    Parameters
    ----------
    rig : Rig
    pose : Pose
    method : {"linear", "dual_quaternion"}
    """

    rig: Rig
    pose: Pose
    method: Method

    def same(self, other: State | None) -> bool:
        """Whether another state looks the same."""
        return (
            other is not None
            and self.rig is other.rig
            and self.pose == other.pose
            and self.method == other.method
        )


@dataclass(frozen=True, eq=False)
class Found:
    """Findings and what they were found in.

    Parameters
    ----------
    state : State
    findings : tuple of Finding
        The worst first.
    cases : dict of str to Case
        By pose; a finding of the layout itself belongs to any.
    depth : {"look", "pose", "all"}
        A look knows no contacts; a check of this pose or of all test poses has tried remedies.
    seconds : float
        What it took.
    """

    state: State
    findings: tuple[Finding, ...]
    cases: dict[str, Case]
    depth: str
    seconds: float

    def case_of(self, finding: Finding) -> Case:
        """The measured pose that a finding belongs to."""
        return self.cases.get(finding.pose) or next(iter(self.cases.values()))


class _StoppedError(Exception):
    """The check was stopped."""


class Inspector:
    """Looks at poses and checks them, the latest first.

    Parameters
    ----------
    deliver : callable
        Takes each :class:`Found`, on a working thread.
    tell : callable
        Takes what goes on, in words; an empty text when it has ended.
    fail : callable
        Takes what went wrong, in words.
    """

    def __init__(
        self,
        deliver: Callable[[Found], None],
        tell: Callable[[str], None],
        fail: Callable[[str], None],
    ) -> None:
        self._deliver, self._tell, self._fail = deliver, tell, fail
        self._gauge: Gauge | None = None
        self._next_look = 0.0
        self._wanted: State | None = None
        self._ticket = 0
        self.checking = False

    def look(self, state: State) -> None:
        """Ask for the findings of a pose, without contacts; a later wish replaces this one.

        Parameters
        ----------
        state : State
        """
        self._wanted = state
        # no more often than anybody reads, and not while the picture of this pose is drawn
        wait = max(self._next_look - time.monotonic(), _PICTURE_FIRST)
        LOOKS.ask_later(self, self._look, wait)

    def check(self, state: State, all_poses: bool) -> None:
        """Ask for contacts and remedies too.

        Parameters
        ----------
        state : State
        all_poses : bool
            All test poses, or the pose of the state.
        """
        self._ticket += 1
        ticket = self._ticket
        self.checking = True
        CHECKS.ask(self, lambda: self._check(state, all_poses, ticket))

    def stop(self) -> None:
        """Give up a check that goes on or waits."""
        self._ticket += 1

    @staticmethod
    def settle(timeout: float = 60.0) -> bool:
        """Wait until nothing is left to do.

        Parameters
        ----------
        timeout : float
            Seconds.

        Returns
        -------
        bool
            Whether it came to rest in time.
        """
        return LOOKS.settle(timeout) and CHECKS.settle(timeout)

    def _look(self) -> None:
        state = self._wanted
        if state is None:
            return
        begin = time.perf_counter()
        try:
            if self._gauge is None or self._gauge.rig is not state.rig:
                self._gauge = Gauge(state.rig)
            wish = Wish(THIS_POSE, pose=state.pose)
            case = measure_case(state.rig, self._gauge, wish, state.method, contacts=False)
            findings = tuple(findings_of(case, state.rig.layout.limits))
        except Exception as error:  # nothing above this but the thread of all panels
            self._say(error)
            return
        seconds = time.perf_counter() - begin
        self._next_look = time.monotonic() + max(_BETWEEN_LOOKS, 4.0 * seconds)
        self._deliver(Found(state, findings, {THIS_POSE: case}, "look", seconds))

    def _check(self, state: State, all_poses: bool, ticket: int) -> None:
        begin = time.perf_counter()

        def progress(what: str, done: int, total: int) -> None:
            if ticket != self._ticket:
                raise _StoppedError
            self._tell(f"{what}: {done} of {total} … {time.perf_counter() - begin:.1f} s")

        poses = None if all_poses else {THIS_POSE: state.pose}
        try:
            report = check(state.rig, poses, state.method, progress=progress)
        except _StoppedError:
            self._end(ticket, "Stopped: nothing more was looked for.")
            return
        except Exception as error:  # nothing above this but the thread of all panels
            self._end(ticket, "")
            self._say(error)
            return
        seconds = time.perf_counter() - begin
        depth = "all" if all_poses else "pose"
        self._end(ticket, "")
        self._deliver(Found(state, report.findings, report.cases, depth, seconds))

    def _end(self, ticket: int, words: str) -> None:
        # a check that was stopped for the sake of the next one leaves the words to that
        if not CHECKS.waits(self):
            self.checking = False
            self._tell(words)

    def _say(self, error: Exception) -> None:
        _LOG.debug("a check failed", exc_info=True)
        if isinstance(error, RibbonsimError):
            self._fail(str(error))
        else:
            self._fail(f"this could not be checked ({type(error).__name__}: {error})")

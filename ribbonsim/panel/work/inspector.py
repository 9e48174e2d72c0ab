"""Findings beside the picture: a quick look at every pose, and a check that takes its time.

No widgets here. Both work on threads of their own, so neither waits for the other nor holds
up the picture.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.cases import Case, Wish, measure_case
from ribbonsim.bendcheck.findings import Finding
from ribbonsim.bendcheck.look import findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.other_drive import UnderOtherDrive, under_other_drive
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.work.job import Fail, Job, Tell
from ribbonsim.panel.work.trouble import trouble_of
from ribbonsim.panel.work.worker import CHECKS, LOOKS
from ribbonsim.rig.rig import Method, Rig

THIS_POSE = "this pose"

_FAILED = "this could not be checked"
_BETWEEN_LOOKS = 0.25
_PICTURE_FIRST = 0.08


@dataclass(frozen=True, eq=False)
class State:
    """What is looked at."""

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
    findings : tuple of Finding
        The worst first.
    cases : dict of str to Case
        By pose; a finding of the layout itself belongs to any.
    depth : {"look", "pose", "all"}
        A look knows no contacts; a check of this pose or of all test poses has tried remedies.
    seconds : float
        What it took.
    other : UnderOtherDrive or None
        Where the other drive misses the poses most.
    """

    state: State
    findings: tuple[Finding, ...]
    cases: dict[str, Case]
    depth: str
    seconds: float
    other: UnderOtherDrive | None = None

    def case_of(self, finding: Finding) -> Case:
        """The measured pose that a finding belongs to."""
        return self.cases.get(finding.pose) or next(iter(self.cases.values()))


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

    def __init__(self, deliver: Callable[[Found], None], tell: Tell, fail: Fail) -> None:
        self._deliver, self._fail = deliver, fail
        self._gauge: Gauge | None = None
        self._next_look = 0.0
        self._wanted: State | None = None
        stopped = "Stopped: nothing more was looked for."
        self._job = Job(CHECKS, tell, fail, _FAILED, stopped)

    @property
    def checking(self) -> bool:
        """Whether a check goes on or waits."""
        return self._job.going

    def look(self, state: State) -> None:
        """Ask for the findings of a pose, without contacts; a later pose replaces this one."""
        self._wanted = state
        # no more often than anybody reads, and not while the picture of this pose is drawn
        wait = max(self._next_look - time.monotonic(), _PICTURE_FIRST)
        LOOKS.ask_later(self, self._look, wait)

    def check(self, state: State, all_poses: bool) -> None:
        """Ask for contacts and remedies too."""
        poses = None if all_poses else {THIS_POSE: state.pose}
        depth = "all" if all_poses else "pose"

        def work(progress: Progress) -> tuple[Report, UnderOtherDrive | None]:
            report = check(state.rig, poses, state.method, progress=progress)
            return report, report.other_drive

        def take(done: tuple[Report, UnderOtherDrive | None], seconds: float) -> None:
            report, other = done
            self._deliver(Found(state, report.findings, report.cases, depth, seconds, other))

        self._job.start(work, take)

    def stop(self) -> None:
        """Give up a check that goes on or waits."""
        self._job.stop()

    @staticmethod
    def settle(timeout: float = 60.0) -> bool:
        """Wait until nothing is left to do."""
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
            other = under_other_drive(state.rig, [wish])
        except Exception as error:  # nothing above this but the thread of all panels
            self._fail(trouble_of(error, _FAILED))
            return
        seconds = time.perf_counter() - begin
        self._next_look = time.monotonic() + max(_BETWEEN_LOOKS, 4.0 * seconds)
        self._deliver(Found(state, findings, {THIS_POSE: case}, "look", seconds, other))

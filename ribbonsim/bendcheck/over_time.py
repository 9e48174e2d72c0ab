"""A check over time: how bad a motion gets, when, and for what share of its loop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.cases import Case, Wish, measure_case
from ribbonsim.bendcheck.figures import NOTHING, figure
from ribbonsim.bendcheck.findings import FindingKind
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.readings import read
from ribbonsim.bendcheck.report import Report, check
from ribbonsim.layout.limits import Limits
from ribbonsim.rig.own_motions import motions_of
from ribbonsim.rig.rig import Method, Rig
from ribbonsim.rig.take import DEFAULT_FPS, Instant, Take

KINDS: tuple[FindingKind, ...] = (
    "stretch",
    "squeeze",
    "pinch",
    "bulge",
    "off",
    "volume",
    "fold",
    "contact",
    "kink",
    "shape",
)
_LOWEST = ("squeeze", "pinch")
# every so many frames one is measured, and then the neighbours of each worst
_STRIDE = 4


@dataclass(frozen=True)
class WorstMoment:
    """How bad one measure gets in a motion.

    Parameters
    ----------
    kind : str
        As of a finding.
    value, limit : float
    holds : bool
        Whether the limit does, all the time.
    number : int
        Of the frame, counted from 0.
    time : float
        Seconds from the beginning of the loop.
    share : float
        Of the loop, how long the limit is broken, as seen every fourth frame.
    """

    kind: FindingKind
    value: float
    limit: float
    holds: bool
    number: int
    time: float
    share: float


@dataclass(frozen=True, eq=False)
class MotionMeasures:
    """The worst of a motion.

    Parameters
    ----------
    take : Take
    count : int
        Frames of the loop.
    measured : int
        How many of them were measured.
    worst : dict of str to WorstMoment
        By measure.
    """

    take: Take
    count: int
    measured: int
    worst: dict[FindingKind, WorstMoment]

    @property
    def name(self) -> str:
        """Of the motion."""
        return self.take.name

    def instants(self) -> dict[str, Instant]:
        """The moments at which a limit is broken most, and the one that misses its shape most.

        By the motion's name and the time, as :func:`ribbonsim.check`, :func:`ribbonsim.compare`
        and :func:`ribbonsim.suggest` take poses.
        """
        numbers = [one.number for one in self.worst.values() if not one.holds]
        numbers.append(self.worst["shape"].number)
        all_of_them = self.take.instants(self.count)
        chosen = [all_of_them[number] for number in sorted(set(numbers))]
        return {f"{self.take.motion.shown} at {one.time:.2f} s": one for one in chosen}


@dataclass(frozen=True, eq=False)
class MotionReport:
    """What a check of motions found.

    Parameters
    ----------
    motions : tuple of MotionMeasures
    report : Report
        Of the worst moments of all of them.
    """

    motions: tuple[MotionMeasures, ...]
    report: Report

    @property
    def bends_right(self) -> bool:
        """Whether no limit is broken at any time."""
        return self.report.bends_right

    @property
    def verdict(self) -> str:
        """The worst finding in a sentence, or that there is none."""
        if self.bends_right:
            count = len(self.motions)
            return (
                f"{self.report.name} bends right throughout {count} "
                f"{'motion' if count == 1 else 'motions'}."
            )
        return self.report.verdict

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers and words, fit for JSON."""
        return {**self.report.to_dict(), "verdict": self.verdict, "motions": told(self.motions)}


def told(motions: Sequence[MotionMeasures]) -> list[dict[str, object]]:
    """Numbers of motions, fit for JSON."""
    return [
        {
            "name": one.name,
            "seconds": one.take.seconds,
            "frames": one.count,
            "measured": one.measured,
            "worst": {kind: asdict(worst) for kind, worst in one.worst.items()},
        }
        for one in motions
    ]


def check_motions(
    rig: Rig,
    motions: Sequence[str | Take] | None = None,
    method: Method = "linear",
    limits: Limits | None = None,
    contacts: bool = True,
    remedies: bool = True,
    fps: float = DEFAULT_FPS,
    progress: Progress | None = None,
) -> MotionReport:
    """Check whether a rig bends right throughout motions.

    Every fourth frame is measured, then the neighbours of each worst one; findings are of the
    worst moments.

    Parameters
    ----------
    rig : Rig
    motions : sequence of str or Take, optional
        By name, or as :meth:`ribbonsim.Rig.motion` makes them; all that make sense if left out.
    method : {"linear", "dual_quaternion"}
    limits : Limits, optional
        Those of the layout if left out.
    contacts : bool
        Look for contacts too.
    remedies : bool
        Try changes for each finding and quote the best.
    fps : float
        Frames a second.
    progress : callable, optional
        Called as ``progress(what, done, total)``; raise in it to stop.

    Returns
    -------
    MotionReport

    Raises
    ------
    RibbonsimError
        If a motion is unknown.
    """
    show = progress or (lambda *_: None)
    found = measure_motions(rig, motions, method, limits, contacts, fps, show)
    moments: dict[str, Instant] = {}
    for one in found:
        moments |= one.instants()
    report = check(rig, moments, method, limits, contacts, remedies, progress)
    return MotionReport(tuple(found), report)


def worst_moments(
    rig: Rig,
    motions: Sequence[str | Take] | None = None,
    method: Method = "linear",
    contacts: bool = False,
    progress: Progress | None = None,
) -> dict[str, Instant]:
    """The worst moments of motions, as shapes that any layout may be asked for.

    Parameters
    ----------
    rig, motions, method, contacts, progress
        As for :func:`check_motions`.

    Returns
    -------
    dict of str to Instant
        To be given as poses to :func:`ribbonsim.check`, ``compare`` and ``suggest``.
    """
    moments: dict[str, Instant] = {}
    for one in measure_motions(rig, motions, method, contacts=contacts, progress=progress):
        moments |= one.instants()
    return moments


def measure_motions(
    rig: Rig,
    motions: Sequence[str | Take] | None = None,
    method: Method = "linear",
    limits: Limits | None = None,
    contacts: bool = True,
    fps: float = DEFAULT_FPS,
    progress: Progress | None = None,
) -> list[MotionMeasures]:
    """Measure motions; arguments are as for :func:`check_motions`."""
    show = progress or (lambda *_: None)
    names = (
        motions_of(rig) if motions is None else [motions] if isinstance(motions, str) else motions
    )
    takes = [one if isinstance(one, Take) else rig.motion(one) for one in names]
    held = rig.layout.limits if limits is None else limits
    gauge = Gauge(rig)
    found = []
    for done, take in enumerate(takes):
        show(f"look through {take.motion.shown}", done, len(takes))
        found.append(_Scan(rig, gauge, take, method, held, contacts).run(fps))
    return found


class _Scan:
    """One motion, measured here and there."""

    def __init__(
        self, rig: Rig, gauge: Gauge, take: Take, method: Method, limits: Limits, contacts: bool
    ) -> None:
        self._rig, self._gauge, self._take = rig, gauge, take
        self._method, self._limits, self._contacts = method, limits, contacts
        self._kinds = [kind for kind in KINDS if contacts or kind != "contact"]
        self._read: dict[int, dict[FindingKind, tuple[float, float, bool]]] = {}

    def run(self, fps: float) -> MotionMeasures:
        """Look through the loop."""
        self._instants = self._take.on(self._rig).frames(fps)
        count = len(self._instants)
        coarse = list(range(0, count, _STRIDE))
        for number in coarse:
            self._look(number, self._contacts)
        for step in (_STRIDE // 2, 1):
            for kind in self._kinds:
                worst = self._worst(kind)
                for number in (worst - step, worst + step):
                    if not self._is_nothing(kind, worst):
                        self._look(number % count, kind == "contact")
        told: dict[FindingKind, WorstMoment] = {}
        for kind in self._kinds:
            number = self._worst(kind)
            value, limit, _ = self._read[number][kind]
            seen = [row[kind] for row in self._read.values() if kind in row]
            broken = [not self._read[k][kind][2] for k in coarse]
            told[kind] = WorstMoment(
                kind,
                value,
                limit,
                all(holds for _, _, holds in seen),
                number,
                self._instants[number].time,
                sum(broken) / len(broken),
            )
        return MotionMeasures(self._take, count, len(self._read), told)

    def _look(self, number: int, contacts: bool) -> None:
        known = self._read.get(number)
        if known is not None and (not contacts or "contact" in known):
            return
        wish = Wish.at(self._take.name, self._instants[number])
        case = measure_case(self._rig, self._gauge, wish, self._method, contacts)
        self._read[number] = {
            kind: self._reading(kind, case) for kind in self._kinds if contacts or kind != "contact"
        }

    def _reading(self, kind: FindingKind, case: Case) -> tuple[float, float, bool]:
        told = read(kind, case, self._limits)
        return told.value, told.limit, told.holds

    def _worst(self, kind: FindingKind) -> int:
        rows = {number: row[kind] for number, row in self._read.items() if kind in row}
        sign = -1.0 if kind in _LOWEST else 1.0

        def badness(number: int) -> tuple[bool, float]:
            value, _, holds = rows[number]
            return not holds, sign * abs(value)

        return max(sorted(rows), key=badness)

    def _is_nothing(self, kind: FindingKind, number: int) -> bool:
        """Whether there is nothing to look closer at."""
        return kind in ("fold", "contact") and self._read[number][kind][0] == 0.0


# -- words ---------------------------------------------------------------------------------------

_HEADS = ("motion", "seconds", *KINDS)


def motions_text(found: Mapping[str, Sequence[MotionMeasures]]) -> str:
    """Tables of motions by measures, one for each layout: worst value, when, and how long."""
    parts: list[str] = []
    for name, motions in found.items():
        rows = [list(_HEADS), *(_row(one) for one in motions)]
        widths = [max(len(row[k]) for row in rows) for k in range(len(_HEADS))]
        parts += ([f"{name}:"] if name else []) + [
            "  ".join(
                cell.ljust(width) if k == 0 else cell.rjust(width)
                for k, (cell, width) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
            for row in rows
        ]
        parts.append("")
    parts.append(
        "Each figure is the worst of the loop and the second at which it is reached; then, if a "
        "limit is broken, for what share of the loop."
    )
    return "\n".join(parts)


def _row(one: MotionMeasures) -> list[str]:
    return [one.take.motion.shown, f"{one.take.seconds:g}", *(worst_words(one, k) for k in KINDS)]


def worst_words(one: MotionMeasures, kind: FindingKind) -> str:
    """A measure's worst in a motion, as it stands in a table."""
    worst = one.worst.get(kind)
    if worst is None:
        return NOTHING
    if kind in ("fold", "contact") and not worst.value:
        return "0"
    text = f"{figure(kind, worst.value)} at {worst.time:.1f}"
    return text if worst.holds else f"{text}, {100.0 * worst.share:.0f} %"

"""Before and after in figures: one measure of both, in the pose that both are in."""

from __future__ import annotations

from collections.abc import Callable

from ribbonsim.bendcheck.cases import Case, Wish, measure_case
from ribbonsim.bendcheck.figures import figures
from ribbonsim.bendcheck.findings import FindingKind
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.readings import quantity, read
from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.work.job import Fail
from ribbonsim.panel.work.trouble import trouble_of
from ribbonsim.panel.work.two_sides import Sides, TwoFigures
from ribbonsim.panel.work.worker import LOOKS
from ribbonsim.placing.asked import read_poses
from ribbonsim.placing.judge import Judge
from ribbonsim.placing.words import per_cent

_FAILED = "before and after could not be measured"
_REST = 0.25  # seconds without another pose before anything is measured
# findings of a layout itself say nothing of a pose
_OF_NO_POSE: tuple[FindingKind, ...] = ("bleed", "asymmetry")


def measure_both(sides: Sides) -> TwoFigures:
    """Measure both sides by what is judged.

    That is the measure of a finding where one is looked at, else the skin error of a test pose,
    else the lowest girth.
    """
    finding = sides.beside.finding
    if finding is not None and finding.kind not in _OF_NO_POSE:
        kind, ribbon = finding.kind, finding.place.ribbon
        layout = sides.rig.layout
        values = [
            read(kind, case, layout.limits, ribbon).value
            for case in _cases(sides, kind == "contact")
        ]
        here, there = figures(kind, *values)
        return TwoFigures(sides, f"{kind} {here}", f"{kind} {there}")
    errors = _skin_errors(sides)
    if errors is not None:
        here, there = (f"skin error {per_cent(error)}" for error in errors)
        return TwoFigures(sides, here, there)
    lowest = [quantity("pinch", case) for case in _cases(sides, contacts=False)]
    here, there = figures("pinch", *lowest)
    return TwoFigures(sides, f"lowest girth {here}", f"lowest girth {there}")


def _cases(sides: Sides, contacts: bool) -> list[Case]:
    """The pose measured on both."""
    beside, request = sides.beside, sides.request
    measured = []
    for rig, method in ((sides.rig, sides.method), (beside.other, beside.method)):
        pose = sides.pose if rig is sides.rig else request.fit(rig)
        if request.instants:
            wish = Wish.at(request.name, next(i for i in request.instants if i.take.rig is rig))
        elif request.source is None:
            wish = Wish(request.name, request.amount)
        else:
            wish = Wish(request.name, pose=pose)
        measured.append(measure_case(rig, Gauge(rig), wish, method, contacts, fitted=pose))
    return measured


def _skin_errors(sides: Sides) -> list[float] | None:
    """Skin error of both in a test pose, as it is said of suggestions; None in another pose."""
    request, beside = sides.request, sides.beside
    if request.source is not None or request.instants or sides.pose.keep_volume != 1.0:
        return None
    try:
        asked = read_poses(Gauge(sides.rig), {request.name: request.amount})
    except RibbonsimError:  # so little of it that nothing moves
        return None
    judges = {method: Judge(sides.rig, asked, method) for method in (sides.method, beside.method)}
    sought = ((sides.rig.layout, sides.method), (beside.other.layout, beside.method))
    found = []
    for layout, method in sought:
        judge = judges[method]
        found.append(judge.skin_error(judge.whole(judge.rough(layout))))
    return found


class TwoFiguresWork:
    """Measures both sides once the pose has come to rest, the latest alone.

    Parameters
    ----------
    deliver : callable
        Takes the figures, on a working thread.
    fail : callable
        Takes what went wrong, in words.
    """

    def __init__(self, deliver: Callable[[TwoFigures], None], fail: Fail) -> None:
        self._deliver, self._fail = deliver, fail
        self._wanted: Sides | None = None

    def ask(self, sides: Sides | None) -> None:
        """Ask for figures, or for none."""
        if sides is not None and sides.same(self._wanted):
            return
        self._wanted = sides
        if sides is not None:
            LOOKS.ask_later(self, self._measure, _REST)

    def _measure(self) -> None:
        sides = self._wanted
        if sides is None:
            return
        try:
            found = measure_both(sides)
        except Exception as error:  # nothing above this but the thread of all panels
            self._fail(trouble_of(error, _FAILED))
            return
        if sides is self._wanted:
            self._deliver(found)
        else:
            LOOKS.ask_later(self, self._measure, _REST)

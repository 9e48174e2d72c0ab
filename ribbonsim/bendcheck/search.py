"""The search for advice that ends a cause: a few changes together, measured, and what they cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ribbonsim.arrays import Progress
from ribbonsim.bendcheck.cases import Case, Wish, measure_case, wish_for
from ribbonsim.bendcheck.causes import Cause
from ribbonsim.bendcheck.coarse import coarse_rig
from ribbonsim.bendcheck.figures import figures
from ribbonsim.bendcheck.findings import Finding, FindingKind, Tried
from ribbonsim.bendcheck.limbs import LooseLimbs
from ribbonsim.bendcheck.look import findings_of
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.bendcheck.readings import read
from ribbonsim.bendcheck.remedies import Change, Site, next_changes, start
from ribbonsim.bendcheck.weights import bleed
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.appendage_targets import ALL_TEST_POSES
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.layout import Layout
from ribbonsim.layout.limits import Limits
from ribbonsim.layout.targets import Target
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.rig import Method, Rig

_DEEPEST = 3
# of each depth so many go on, and of each depth so many are measured on the whole skin
_KEPT, _PROVED = 3, (3, 2, 2)
# causes beyond these get single changes alone
_SEARCHED = 4
# Work of all trials together, in triangles posed and measured; looking for contacts is as much as
# seven measures. Causes for which nothing is left are listed without changes.
_WORK, _CONTACT_WORK = 12_000_000, 7
# where the skin meets itself at rest, as doubled shells do, each of these pairs is found again
_PAIR_WORK = 4
# how far another measure may worsen that was beyond its limit before
_WORSE = 1.05
_OF_LIMBS: tuple[FindingKind, ...] = ("fold", "contact", "squeeze", "stretch", "off", "bulge")
_ASK_LESS = (0.8, 0.65, 0.5, 0.35)

_Key = tuple[str, FindingKind, str]


@dataclass(frozen=True, eq=False)
class _Outcome:
    """What a change does in some poses: the severity of all that breaks a limit there."""

    change: Change
    rig: Rig
    cases: dict[str, Case]
    broken: dict[_Key, float]

    def left(self, cause: Cause) -> float:
        """What is left of a cause; 0 if all of it keeps its limits."""
        return sum(
            self.broken.get(_key(one), 0.0) for one in cause.findings if _measured(one, self.cases)
        )

    def harm(self, cause: Cause, before: dict[_Key, float]) -> float:
        """What breaks a limit that did not, or breaks it more."""
        own = {_key(one) for one in cause.findings}
        return sum(
            severity
            for key, severity in self.broken.items()
            if key not in own and severity > _WORSE * before.get(key, 0.0)
        )


def _key(finding: Finding) -> _Key:
    return finding.pose, finding.kind, finding.place.ribbon


def _measured(finding: Finding, cases: dict[str, Case]) -> bool:
    return not finding.pose or finding.pose in cases


class Search:
    """Searches changes of one rig's layout.

    Parameters
    ----------
    method : {"linear", "dual_quaternion"}
    wishes : sequence of Wish
        All poses that were checked; none of them may break a limit that it kept.
    findings : sequence of Finding
        What breaks limits now.
    cases : mapping of str to Case
        The measured poses.
    limbs : LooseLimbs
        Of the rig.

    Attributes
    ----------
    left_out : int
        Causes for which nothing was tried, as the work would have been too much.
    """

    def __init__(
        self,
        rig: Rig,
        method: Method,
        limits: Limits,
        wishes: Sequence[Wish],
        findings: Sequence[Finding],
        cases: dict[str, Case],
        limbs: LooseLimbs,
    ) -> None:
        self._rig, self._limits, self._method = rig, limits, method
        self._wishes = {wish.name: wish for wish in wishes}
        self._before = {_key(one): one.severity for one in findings}
        self._cases, self._limbs = cases, limbs
        self._bound: dict[tuple[bool, str, tuple[str, ...], str], tuple[Rig, Gauge]] = {}
        self._coarse: Rig | None = None
        self._coarse_cases: dict[str, Case] = {}
        self._last_bleed: tuple[Rig, float] | None = None
        self._spent = 0
        self.left_out = 0
        self._coarse_before: dict[str, dict[_Key, float]] = {}

    def run(self, causes: Sequence[Cause], progress: Progress | None = None) -> list[Cause]:
        """The causes with what was tried for them."""
        done: list[Cause] = []
        for number, cause in enumerate(causes):
            if progress is not None:
                progress("trying changes", number, len(causes))
            if self._spent > _WORK:
                self.left_out += 1
                done.append(cause)
                continue
            done.append(self._treated(cause, _DEEPEST if number < _SEARCHED else 1))
        return done

    # -- one cause -------------------------------------------------------------------------------

    def _treated(self, cause: Cause, deepest: int) -> Cause:
        site = Site.of(self._rig.layout, cause.worst)
        now = start(self._rig.layout, self._method)
        self._coarse_severities(cause.worst.pose)  # so that others are measured like it
        level, proved = [now], list[_Outcome]()
        for depth in range(deepest):
            fresh: dict[tuple[str, ...], Change] = {}
            for change in level:
                for after in next_changes(change, cause.worst.kind, site):
                    fresh.setdefault(after.steps, after)
            roughly = [one for one in map(self._roughly(cause), fresh.values()) if one is not None]
            roughly.sort(key=lambda one: self._score(one, cause))
            proving = [one.change for one in roughly[: _PROVED[depth]]]
            if depth == 0:
                proving = [*self._limb_changes(now, cause), *proving]
            for change in proving:
                whole = self._prove(change, cause)
                if whole is None:
                    continue
                if self._ends(whole, cause):
                    return self._with(cause, proved, whole, ends=True)
                proved.append(whole)
            level = [one.change for one in roughly[:_KEPT]]
        if not proved:
            return cause
        nearest = min(proved, key=lambda one: self._first_left(one, cause))
        return self._with(cause, proved, self._in_its_poses(nearest, cause), ends=False)

    def _limb_changes(self, now: Change, cause: Cause) -> list[Change]:
        """Limbs that bend with the body though they stick out, as appendages, if it is theirs."""
        worst = cause.worst
        if worst.kind not in _OF_LIMBS or not self._limbs.to_blame(worst.vertices):
            return []
        layout = self._limbs.as_appendages()
        if layout is None:
            return []
        says = f"make appendages of {self._limbs.names}"
        return [replace(now, steps=("limbs",), says=says, layout=layout)]

    def _roughly(self, cause: Cause) -> Callable[[Change], _Outcome | None]:
        """Tries changes on the coarse skin, in the worst pose alone."""
        names = [cause.worst.pose] if cause.worst.pose else []

        def trial(change: Change) -> _Outcome | None:
            contacts = {name for name in names if cause.worst.kind == "contact"}
            return self._trial(change, cause, names, contacts, coarse=True)

        return trial

    def _prove(self, change: Change, cause: Cause) -> _Outcome | None:
        """Try a change on the whole skin, the worst pose first, until it breaks a limit.

        Contacts are looked for where the cause has some.
        """
        names = dict.fromkeys([*cause.poses, *self._wishes])
        return self._in_turn(change, cause, list(names), stops=True)

    def _in_its_poses(self, outcome: _Outcome, cause: Cause) -> _Outcome:
        """The same change in all poses of a cause."""
        missing = [name for name in cause.poses if name not in outcome.cases]
        rest = self._in_turn(outcome.change, cause, missing, stops=False)
        if rest is None:
            return outcome
        cases, broken = outcome.cases | rest.cases, outcome.broken | rest.broken
        return replace(outcome, cases=cases, broken=broken)

    def _in_turn(
        self, change: Change, cause: Cause, names: Sequence[str], stops: bool
    ) -> _Outcome | None:
        touching = {one.pose for one in cause.findings if one.kind == "contact"}
        whole = self._trial(change, cause, [], touching, coarse=False)
        for name in names:
            if whole is None or (stops and not self._ends(whole, cause)):
                return whole
            one = self._trial(change, cause, [name], touching, coarse=False)
            if one is None:
                return whole
            whole = replace(whole, cases=whole.cases | one.cases, broken=whole.broken | one.broken)
        return whole

    def _ends(self, outcome: _Outcome, cause: Cause) -> bool:
        return outcome.left(cause) == 0.0 and outcome.harm(cause, self._before) == 0.0

    def _first_left(self, outcome: _Outcome, cause: Cause) -> float:
        """What is left of the worst finding of a cause, and the harm there."""
        worst = cause.worst
        left = outcome.broken.get(_key(worst), 0.0)
        harm = sum(
            severity
            for key, severity in outcome.broken.items()
            if key[0] == worst.pose
            and key != _key(worst)
            and severity > _WORSE * self._before.get(key, 0.0)
        )
        return left + harm

    def _score(self, outcome: _Outcome, cause: Cause) -> float:
        before = self._coarse_severities(cause.worst.pose)
        left = outcome.broken.get(_key(cause.worst), 0.0)
        return left + outcome.harm(replace(cause, findings=(cause.worst,)), before)

    def _coarse_severities(self, pose: str) -> dict[_Key, float]:
        if pose not in self._coarse_before:
            now = start(self._rig.layout, self._method)
            names = [pose] if pose else []
            found = self._trial(now, None, names, set(), coarse=True)
            self._coarse_before[pose] = {} if found is None else found.broken
        return self._coarse_before[pose]

    # -- one trial -------------------------------------------------------------------------------

    def _trial(
        self,
        change: Change,
        cause: Cause | None,
        names: Sequence[str],
        contacts: set[str],
        coarse: bool,
    ) -> _Outcome | None:
        try:
            rig, gauge = self._with_change(change, cause, coarse)
        except RibbonsimError:
            return None  # what cannot be bound cannot be advised
        cases: dict[str, Case] = {}
        broken: dict[_Key, float] = {}
        for name in names:
            if self._spent > _WORK:
                return None
            self._spent += len(rig.mesh.triangles)
            if name in contacts:
                self._spent += _CONTACT_WORK * len(rig.mesh.triangles)
                self._spent += _PAIR_WORK * gauge.rest_contacts
            asked = wish_for(self._wishes[name], self._rig, rig)
            like, known = self._like(name, change.layout, coarse)
            looks = name in contacts
            case = measure_case(rig, gauge, asked, change.method, looks, like, known)
            if coarse:
                self._coarse_cases.setdefault(name, case)
            cases[name] = case
            for found in findings_of(case, self._limits):
                key = (name, found.kind, found.place.ribbon)
                broken[key] = max(broken.get(key, 0.0), found.severity)
        if not coarse or (cause is not None and not cause.worst.pose):
            held = self._bleed(rig)
            if held > self._limits.bleed:
                place = BODY if cause is None else cause.worst.place.ribbon
                broken["", "bleed", place] = held / max(self._limits.bleed, 1e-3)
        return _Outcome(change, rig, cases, broken)

    def _bleed(self, rig: Rig) -> float:
        """The most that a vertex holds from far; asked of one rig for pose after pose."""
        last = self._last_bleed
        if last is None or last[0] is not rig:
            last = self._last_bleed = rig, float(bleed(rig).max())
        return last[1]

    def _like(
        self, name: str, layout: Layout, coarse: bool
    ) -> tuple[Case | None, Mapping[str, Target] | None]:
        """The same test pose of the layout as it is, and its targets, if they hold for another."""
        same = [(one.name, one.blend) for one in layout.appendages] == [
            (one.name, one.blend) for one in self._rig.layout.appendages
        ]
        cases = self._coarse_cases if coarse else self._cases
        return (cases.get(name), self._cases[name].targets) if same else (None, None)

    def _with_change(self, change: Change, cause: Cause | None, coarse: bool) -> tuple[Rig, Gauge]:
        key = (coarse, change.says, change.steps, change.method)
        if key not in self._bound:
            base = self._rig
            if coarse:
                self._coarse = self._coarse or coarse_rig(self._rig)
                base = self._coarse
            if change.layout is base.layout and base is not self._rig:
                rig = base
            else:
                rig = rebind(base, change.layout)
            like = next((one for _, one in self._bound.values() if one.rig.mesh is rig.mesh), None)
            if not coarse and self._cases:
                like = next(iter(self._cases.values())).gauge
            self._bound[key] = rig, Gauge(rig, like, thinned=rig.mesh is not self._rig.mesh)
            while len(self._bound) > 16:  # whole skins are large
                del self._bound[next(iter(self._bound))]
        return self._bound[key]

    # -- words -----------------------------------------------------------------------------------

    def _with(self, cause: Cause, tried: Sequence[_Outcome], best: _Outcome, ends: bool) -> Cause:
        """The cause with its attempts, and with what ends it or what comes nearest."""
        worst = cause.worst
        chosen = self._tried(worst, best)
        costs = self._costs(worst, best) if ends else ""
        chosen = replace(chosen, clears=ends, costs=costs)
        others = [self._tried(worst, one) for one in tried if one.change is not best.change]
        ask = "" if ends else self._less(cause)
        first = replace(worst, tried=chosen if ends else None, attempts=(chosen, *others), ask=ask)
        rest = []
        for one in cause.findings[1:]:
            mine = replace(self._tried(one, best), clears=ends, costs=costs)
            rest.append(replace(one, tried=mine if ends else None, attempts=(mine,), ask=ask))
        return Cause((first, *rest))

    def _tried(self, finding: Finding, outcome: _Outcome) -> Tried:
        change = outcome.change
        after = self._after(finding, outcome)
        clears = outcome.broken.get(_key(finding), 0.0) == 0.0
        return Tried(change.says, finding.value, after, clears, change.layout, change.method)

    def _after(self, finding: Finding, outcome: _Outcome) -> float:
        """The finding's value with a change; as it was where that pose was not measured."""
        if finding.kind == "bleed":
            return self._bleed(outcome.rig)
        if finding.pose not in outcome.cases:
            return finding.value
        case = outcome.cases[finding.pose]
        if finding.kind == "contact" and case.contacts is None:
            return 0.0
        return read(finding.kind, case, self._limits, finding.place.ribbon).value

    def _costs(self, worst: Finding, outcome: _Outcome) -> str:
        """What else a change does: to another measure in the same pose, and what it needs."""
        said = []
        if worst.pose:
            apart = []
            kinds: tuple[FindingKind, ...] = ("volume", "stretch", "squeeze", "pinch", "shape")
            for kind in kinds:
                if kind == worst.kind:
                    continue
                old = read(kind, self._cases[worst.pose], self._limits)
                new = read(kind, outcome.cases[worst.pose], self._limits)
                right = 1.0 if kind in ("stretch", "squeeze", "pinch") else 0.0
                weight = abs(old.value - new.value) / max(abs(old.limit - right), 1e-3)
                apart.append((weight, kind, old.value, new.value))
            weight, kind, before, after = max(apart)
            if weight > 0.1:
                told, then = figures(kind, before, after)
                said.append(f"{_CALLED[kind]} {told} becomes {then}")
        said += _needs(self._rig.layout, outcome.change.layout)
        return ", ".join(said)

    def _less(self, cause: Cause) -> str:
        """How much of the worst pose the layout does as it is."""
        wish = self._wishes.get(cause.worst.pose)
        if wish is None or wish.pose is not None or wish.amount is None:
            return ""
        case = self._cases[wish.name]
        looks = any(one.kind == "contact" for one in cause.findings)
        kinds = {one.kind for one in cause.findings if one.pose == wish.name}
        unit = ALL_TEST_POSES[wish.name].unit
        for share in _ASK_LESS:
            amount = _rounded(wish.amount, share, unit)
            less = measure_case(
                self._rig, case.gauge, replace(wish, amount=amount), self._method, looks
            )
            if not kinds & {one.kind for one in findings_of(less, self._limits)}:
                return f"as it is, the layout holds in {replace(wish, amount=amount).shown}"
        return ""


def _rounded(amount: float, share: float, unit: str) -> float:
    if unit == "factor":
        return round(float(amount**share), 2)
    step = 5.0 if unit == "degrees" else 0.05
    return round(float(np.floor(share * amount / step) * step), 2) or share * amount


def _needs(old: Layout, new: Layout) -> list[str]:
    """What a layout needs more of than another."""
    counts = {
        "control": [sum(len(o.controls) for o in x.ribbons.values()) for x in (old, new)],
        "station": [sum(len(o.stations) for o in x.ribbons.values()) for x in (old, new)],
        "span": [sum(o.ribbon.spans for o in x.ribbons.values()) for x in (old, new)],
    }
    said = []
    for noun, (before, after) in counts.items():
        if after > before:
            more = after - before
            said.append(f"{'one' if more == 1 else more} {noun}{'' if more == 1 else 's'} more")
    return said


_CALLED: dict[FindingKind, str] = {
    "volume": "volume",
    "stretch": "the largest stretch",
    "squeeze": "the smallest stretch",
    "pinch": "the smallest girth",
    "shape": "the shape error",
}

"""What bends wrong: a list that follows the pose, the places, and changes that were tried."""

from __future__ import annotations

import html
import time
from collections.abc import Callable

import ipywidgets as widgets

from ribbonsim.bendcheck.findings import Finding
from ribbonsim.panel.sections.before_after_section import BeforeAfterSection
from ribbonsim.panel.sections.cards import show_card
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import JobFields, button, facts, row, show_html
from ribbonsim.panel.state.changes import changes_between
from ribbonsim.panel.state.history import ShownPose
from ribbonsim.panel.work.inspector import Found, Inspector, State
from ribbonsim.panel.work.subject import Spot
from ribbonsim.panel.work.worker import CHECKS
from ribbonsim.view.closeups import close_view, finding_heat

_MOST = 30
_REST = 0.8
_FILL = 0.62
_WHERE = {
    "look": "In this pose, contacts not looked for yet.",
    "pose": "Looked at in this pose, for contacts too, and with changes tried.",
    "all": "Looked at in all test poses, for contacts too, and with changes tried.",
}


class FindingsSection:
    """Findings of the pose, and a check that tries changes."""

    def __init__(self, desk: Desk, both: BeforeAfterSection | None = None) -> None:
        self._desk, self._both = desk, both
        self._inspector = Inspector(
            desk.handed(self._take), desk.handed(self._show_progress), desk.complain
        )
        self._found: Found | None = None
        self._seen: State | None = None
        self._changed_at = 0.0
        self._open = False
        self._chosen: Finding | None = None
        self._check_one = button("Check this pose", lambda: self._check(False))
        self._check_all = button("Check all test poses", lambda: self._check(True))
        self._job = JobFields(self._inspector.stop, "stop the check")
        self._where = widgets.HTML()
        self._rows: list[widgets.Button] = []
        self._list = widgets.VBox([])
        self._list.add_class("rs-findings")
        self._advice = widgets.HTML()
        self._apply = button("Apply what was tried", self._apply_tried)
        self._beside = button(
            "Before and after",
            self._show_beside,
            "the skin as it is and with what was tried, on either side of a line",
        )
        if both is None:
            self._beside.layout.display = "none"
        self._unmark = button("Unmark", self._let_go, "show the whole creature again")
        self.box = widgets.VBox(
            [
                row(self._check_one, self._check_all, self._job.stop),
                self._job.words,
                self._where,
                self._list,
                self._advice,
                row(self._apply, self._beside, self._unmark),
            ]
        )
        self._show()
        desk.on_change(self.refresh)
        desk.on_mark(self._show_unmark)

    def show(self, on: bool) -> None:
        """Tell whether the section is the one in front: then poses at rest are checked."""
        self._open = on
        if on:
            self._ask_at_rest()

    def close(self) -> None:
        """Stop what goes on."""
        self._inspector.stop()
        self._list.children = self._rows  # lines that are not needed now are closed as well

    def _show_unmark(self, spot: Spot | None) -> None:
        self._unmark.disabled = spot is None

    # -- asking ------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Look at the pose as it is now, if it is another."""
        state = self._state()
        if state is None or state.same(self._seen):
            return
        other_rig = self._seen is None or self._seen.rig is not state.rig
        self._seen, self._changed_at = state, time.monotonic()
        found = self._found
        if found is not None and (found.depth != "all" or other_rig):
            self._inspector.stop()
        if self._desk.viewer.spot is not None and not self._fits(state):
            self._desk.mark(None)
        if other_rig and found is not None:
            self._found, self._chosen = None, None
        self._inspector.look(state)

    def _fits(self, state: State) -> bool:
        """Whether what is marked is true of a state; what marks no finding is true of its mesh."""
        spot, found, chosen = self._desk.viewer.spot, self._found, self._chosen
        if spot is None or spot.mesh is not state.rig.mesh:
            return False
        if found is None or chosen is None or spot.vertices is not chosen.vertices:
            return found is None or all(spot.vertices is not f.vertices for f in found.findings)
        case = found.case_of(chosen)
        posed = case.rig is state.rig and case.pose.controls == state.pose.controls
        return posed and case.method == state.method

    def _state(self) -> State | None:
        model = self._desk.model
        return State(model.rig, model.pose, model.method) if model.is_open else None

    def _check(self, all_poses: bool) -> None:
        state = self._state()
        if state is not None:
            self._seen = state
            self._inspector.check(state, all_poses)

    def _ask_at_rest(self) -> None:
        """Check the pose by and by, once it has not changed for a while."""
        found = self._found
        if self._open and not self._inspector.checking and found and found.depth == "look":
            left = self._changed_at + _REST - time.monotonic()
            CHECKS.ask_later((self, "rest"), self._desk.handed(self._check_rested), max(left, 0.05))

    def _check_rested(self) -> None:
        if time.monotonic() - self._changed_at < _REST:
            self._ask_at_rest()
        elif self._open and not self._inspector.checking:
            self._check(False)

    # -- what the inspector found --------------------------------------------------------------

    def _take(self, found: Found) -> None:
        state = self._seen
        if state is None or found.state.rig is not state.rig:
            return
        if found.depth != "all" and not found.state.same(state):
            return
        if found.depth != "look" or not self._holds_still(state):
            self._found, self._chosen = found, self._again(found)
        of_all = found.depth == "all" and not self._holds_still(state)
        where = "in the test poses" if of_all else "in this pose"
        self._show_verdict(self._of_pose(found, state), where)
        told = self._found if self._found is not None and found.depth == "look" else found
        show_html(self._desk.other, "" if told.other is None else facts(told.other.sentence))
        self._show()
        if found.depth == "look":
            self._ask_at_rest()

    def _holds_still(self, state: State) -> bool:
        """Whether what a check found tells of a state too, so that a look adds nothing."""
        known = self._found
        if known is None or known.depth == "look":
            return False
        if known.depth == "pose":
            return known.state.same(state)
        poses = [case.pose.controls for case in known.cases.values()]
        return known.state.method == state.method and state.pose.controls in poses

    def _again(self, found: Found) -> Finding | None:
        """The chosen finding in new findings."""
        old = self._chosen
        if old is None:
            return None
        same = (f for f in found.findings if f.kind == old.kind and f.pose == old.pose)
        return min(same, key=lambda f: abs(f.place.station - old.place.station), default=None)

    def _show_progress(self, words: str, share: float) -> None:
        self._job.show(words, share, self._inspector.checking)

    def _of_pose(self, found: Found, state: State) -> tuple[Finding, ...]:
        """Findings of the pose that is shown, by the deepest that was looked."""
        known = self._found
        if known is None or not self._holds_still(state):
            return found.findings
        return tuple(
            f for f in known.findings if known.case_of(f).pose.controls == state.pose.controls
        )

    def _show_verdict(self, findings: tuple[Finding, ...], where: str) -> None:
        if findings:
            count = len(findings)
            lead = "1 finding" if count == 1 else f"{count} findings"
            words = f"<b>{lead}</b> {where} · {html.escape(findings[0].statement)}"
        else:
            words = f"<b>No findings</b> {where}."
        show_html(self._desk.verdict, f'<div class="rs-verdict">{words}</div>')

    # -- the list ----------------------------------------------------------------------------

    def _show(self) -> None:
        found, chosen = self._found, self._chosen
        findings = () if found is None else found.findings[:_MOST]
        while len(self._rows) < len(findings):
            self._rows.append(button("", self._choose(len(self._rows))))
        for i, finding in enumerate(findings):
            show_card(self._rows[i], finding, finding is chosen)
        if len(self._list.children) != len(findings):
            self._list.children = self._rows[: len(findings)]
        where = "Open a creature to see findings." if found is None else _WHERE[found.depth]
        if found is not None and not found.findings:
            where = f"Nothing bends wrong. {where}"
        elif found is not None and len(found.findings) > _MOST:
            where += f" The worst {_MOST} of {len(found.findings)}."
        self._where.value = facts(where)
        self._show_advice(chosen)

    def _show_advice(self, chosen: Finding | None) -> None:
        words = ""
        if chosen is not None:
            advice = chosen.advice or "Check it to have changes tried."
            words = f"{chosen.statement} {advice}"
            words += self._all_changes(chosen)
        elif self._list.children:
            words = "Choose a finding to see where it is."
        show_html(self._advice, facts(words))
        self._apply.disabled = chosen is None or chosen.tried is None
        self._beside.disabled = self._apply.disabled
        self._unmark.disabled = self._desk.viewer.spot is None

    def _all_changes(self, chosen: Finding) -> str:
        """All that a change which was tried would change, once it is applied."""
        if chosen.tried is None:
            return ""
        model, tried = self._desk.model, chosen.tried
        said = changes_between(model.layout, tried.layout, model.method, tried.method)
        return f" It changes all this: {'; '.join(said)}." if said else " It is applied already."

    def _choose(self, number: int) -> Callable[[], None]:
        def go() -> None:
            found = self._found
            if found is None or number >= len(found.findings):
                return
            finding = found.findings[number]
            self._desk.act(lambda: self._go_to(found, finding))
            self._show()

        return go

    def _go_to(self, found: Found, finding: Finding) -> None:
        """Take the finding's pose, stand before its place and colour it."""
        desk, case = self._desk, found.case_of(finding)
        if finding.pose and found.depth == "all":
            desk.model.set_pose(case.pose, "finding")
            if case.wish.pose is None:
                desk.model.shown = ShownPose(case.wish.name, case.wish.amount)
        view, points = close_view(case, finding, desk.viewer.aspect)
        self._chosen = finding
        values, scale = finding_heat(case, finding)
        words = f"finding: {finding.kind}"
        desk.mark(Spot(case.rig.mesh, finding.vertices, values, scale, words))
        desk.viewer.frame_points(points, view, _FILL)

    def _let_go(self) -> None:
        self._chosen = None
        self._desk.mark(None)
        self._desk.act(self._desk.viewer.frame_all)
        self._show()

    def _show_beside(self) -> None:
        """Show what was tried beside what is, where the finding is seen."""
        if self._both is not None and self._chosen is not None:
            self._both.show_tried(self._chosen)

    def _apply_tried(self) -> None:
        found, chosen = self._found, self._chosen
        if found is None or chosen is None or chosen.tried is None:
            return
        tried, desk = chosen.tried, self._desk
        says = f"Done: {tried.change}. Undo takes it back."
        change = lambda: desk.model.take_change(tried.layout, tried.method)  # noqa: E731
        if desk.act(change, says, doing="Binding again"):
            self._check(found.depth == "all")

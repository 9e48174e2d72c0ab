"""Findings in the panel without a browser: what is listed, shown, tried, stopped and undone.

What is listed is held against ``ribbonsim.check``, whose own tests have outside sources.
"""

import html
import io
from dataclasses import replace

import numpy as np
import pytest
from benches import SectionBench, kept_open
from demos import demo_mesh
from PIL import Image

import ribbonsim as rs
from ribbonsim.bendcheck.figures import figures
from ribbonsim.panel.sections.cards import bar_step
from ribbonsim.panel.sections.findings_section import FindingsSection
from ribbonsim.panel.state.changes import changes_between
from ribbonsim.panel.work.inspector import Inspector, State

AMOUNT = 200.0


class Bench(SectionBench):
    """Findings, and the grub in a hard pose."""

    def __init__(self):
        super().__init__(FindingsSection, demo_mesh("grub"))
        # linear blending loses volume in a twist, and dual quaternions do not
        strict = replace(self.desk.model.layout, limits=rs.Limits(volume=0.003))
        self.desk.act(lambda: self.desk.model.take_layout(strict))
        self.pose(AMOUNT)

    def pose(self, amount):
        self.desk.act(lambda: self.desk.model.show_test_pose("twist", amount))
        self.rest()

    def picture(self):
        self.rest()
        jpeg = self.desk.picture.value
        return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"), dtype=float)

    @property
    def listed(self):
        return [row.tooltip for row in self.section._list.children]


made = kept_open(Bench)


@pytest.fixture
def bench(made):
    made.pose(AMOUNT)
    yield made
    made.section.show(False)
    made.section._let_go()
    made.rest()


def statements(report):
    return [finding.statement for finding in report.findings if finding.pose]


def test_the_list_follows_the_pose_and_says_what_check_says(bench):
    for amount in (AMOUNT, 150.0):
        bench.pose(amount)
        model = bench.desk.model
        report = rs.check(
            model.rig, {"this pose": model.pose}, model.method, contacts=False, remedies=False
        )
        assert bench.listed == statements(report)
        assert bench.listed
        assert report.findings[0].statement[:30] in bench.desk.verdict.value
    bench.desk.act(bench.desk.model.reset_all)
    bench.rest()
    assert bench.listed == []
    assert "<b>No findings</b> in this pose" in bench.desk.verdict.value


def test_a_check_finds_contacts_tries_changes_and_says_how_far_it_is(bench):
    told = []
    bench.section._job.words.observe(lambda change: told.append(change["new"]), "value")
    bench.section._check_one.click()
    bench.rest()
    assert any("trying changes" in words for words in told)
    found = bench.section._found
    assert found.depth == "pose"
    assert all(f.attempts for f in found.findings if f.kind != "asymmetry")
    assert next(iter(found.cases.values())).contacts is not None
    assert bench.section._job.stop.disabled


def test_a_finding_is_shown_its_change_applied_checked_again_and_undone(bench):
    bench.section._check_one.click()
    bench.rest()
    before = bench.picture()
    layout, method, pose = bench.desk.model.layout, bench.desk.model.method, bench.desk.model.pose
    number = next(i for i, f in enumerate(bench.section._found.findings) if f.tried is not None)
    bench.section._list.children[number].click()
    chosen = bench.section._chosen
    marked = bench.picture()
    assert np.abs(marked - before).mean() > 3.0
    assert bench.desk.viewer.spot.vertices is chosen.vertices
    card = bench.section._list.children[number]
    value, limit = figures(chosen.kind, chosen.value, chosen.limit)
    assert card.description.splitlines()[0] == f"{chosen.kind} {value} · limit {limit.lstrip('+')}"
    assert chosen.tried.costs in card.description.splitlines()[-1]
    assert f"rs-bar-{bar_step(chosen.severity)}" in card._dom_classes
    said = changes_between(layout, chosen.tried.layout, method, chosen.tried.method)
    assert said
    assert all(html.escape(words) in bench.section._advice.value for words in said)
    assert not bench.section._apply.disabled
    bench.section._apply.click()
    bench.rest()
    model = bench.desk.model
    assert (model.layout is chosen.tried.layout, model.method) == (
        chosen.tried.layout is layout,
        chosen.tried.method,
    )
    assert bench.section._found.depth == "pose"
    again = [f.value for f in bench.section._found.findings if f.kind == chosen.kind]
    assert not again or min(abs(v - chosen.tried.after) for v in again) < 1e-6
    bench.desk.act(model.undo)
    assert (model.layout is layout, model.method, model.pose == pose) == (True, method, True)


@pytest.mark.slow
def test_all_test_poses_are_checked_and_their_poses_taken(bench):
    bench.section._check_all.click()
    bench.rest()
    found = bench.section._found
    assert found.depth == "all"
    assert "</b> in the test poses" in bench.desk.verdict.value  # not of what is seen
    number = next(
        i for i, f in enumerate(found.findings[:30]) if f.pose and found.cases[f.pose].pose.controls
    )
    bench.section._list.children[number].click()
    assert bench.desk.model.pose == found.cases[found.findings[number].pose].pose
    bench.rest()
    assert bench.desk.model.shown.name == found.findings[number].pose
    assert "in this pose" in bench.desk.verdict.value
    assert bench.section._found.depth == "all"


def test_a_check_is_stopped_by_its_button_and_by_another_pose(bench):
    bench.section._check_all.click()
    bench.section._job.stop.click()
    bench.rest()
    assert "Stopped" in bench.section._job.words.value
    assert bench.section._found.depth == "look"
    bench.section._check_one.click()
    bench.pose(120.0)
    assert bench.section._found.state.pose == bench.desk.model.pose


@pytest.mark.slow
def test_a_pose_at_rest_is_checked_while_the_section_is_in_front(bench):
    bench.section.show(True)
    bench.pose(170.0)
    assert bench.section._found.depth == "pose"


def test_of_poses_in_a_row_the_latest_is_looked_at_once(bench):
    found, rig = [], bench.desk.model.rig
    inspector = Inspector(found.append, lambda words, share: None, lambda trouble: None)
    for bend in range(20):
        pose = rs.Pose({"control3": rs.ControlPose(bend=float(bend))})
        inspector.look(State(rig, pose, "linear"))
    bench.rest()
    assert [one.state.pose["control3"].bend for one in found] == [19.0]


def test_what_goes_wrong_is_said(bench):
    said = []
    inspector = Inspector(lambda found: None, lambda words, share: None, said.append)
    other = rs.Pose({"nobody": rs.ControlPose(bend=10.0)})
    state = State(bench.desk.model.rig, other, "linear")
    inspector.look(state)
    inspector.check(state, False)
    bench.rest()
    assert len(said) == 2
    assert all("nobody" in trouble.sentence for trouble in said)

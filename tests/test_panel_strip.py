"""Small pictures of poses under the picture: made when seen, judged as the check judges."""

import io
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benches import SectionBench, kept_open
from PIL import Image
from tubes import tube

import ribbonsim as rs
from ribbonsim.bendcheck.cases import Wish
from ribbonsim.layout.targets import TEST_POSES
from ribbonsim.panel.sections.pose_section import PoseSection
from ribbonsim.panel.sections.strip_section import StripSection
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.session import Session
from ribbonsim.panel.work import pose_pictures
from ribbonsim.panel.work.pose_pictures import SIZE, PosePictures
from ribbonsim.panel.work.worker import CHECKS, PICTURES


def thick():
    """A tube so thick that it cannot bend far without being squeezed."""
    t = np.linspace(0.0, 1.0, 61)
    curve = np.column_stack([10.0 * t, 0.6 * np.sin(3.0 * t), np.zeros(61)])
    return replace(tube(curve, 1.1))


class StripBench(SectionBench):
    def __init__(self, section, mesh):
        super().__init__(section, mesh)
        self.pose = PoseSection(self.desk)
        self.sent = {}
        self.section.view.send = lambda told, buffers=(): self.sent.update({told["key"]: buffers})
        self.pose.refresh()

    @property
    def model(self):
        return self.desk.model

    def hear(self, **told):
        self.section._hear(None, told, [])

    def items(self):
        return {item["key"]: item for item in self.section.view.items}

    def shown(self):
        """All items once nothing is left to do."""
        self.rest()
        return self.items()


bench = kept_open(lambda: StripBench(StripSection, thick()))


@pytest.fixture(autouse=True)
def at_once(monkeypatch):
    monkeypatch.setattr(pose_pictures, "_REST", 0.0)


@pytest.fixture
def seen(bench):
    """The bench as it is looked at, everything drawn."""
    bench.hear(kind="seen", on=True)
    bench.shown()
    return bench


def test_nothing_is_drawn_while_nobody_sees_it(bench):
    bench.hear(kind="seen", on=False)
    bench.section._known.clear()
    bench.sent.clear()
    bench.desk.refresh()
    items = bench.shown()
    assert bench.sent == {}
    assert {item["state"] for item in items.values()} == {"waits"}
    assert list(items) == [f"test:{name}" for name in TEST_POSES]


def test_every_test_pose_has_a_picture_of_its_own(seen):
    pictures = []
    for name in TEST_POSES:
        known = seen.section._known[f"test:{name}"]
        picture = Image.open(io.BytesIO(known.jpeg))
        assert (picture.size, picture.format) == (SIZE, "JPEG")
        pictures.append(np.asarray(picture.convert("RGB"), dtype=float))
        assert pictures[-1].std() > 8.0
    for i, one in enumerate(pictures):
        assert all(abs(one - other).mean() > 0.5 for other in pictures[:i])
    seen.sent.clear()
    seen.hear(kind="fresh")  # a page that was opened anew
    assert set(seen.sent) == {f"test:{name}" for name in TEST_POSES}


def test_a_picture_is_marked_where_a_limit_breaks_and_the_mark_is_no_colour_alone(seen):
    limits = replace(seen.model.layout.limits, stretch=1.02, squeeze=0.99)
    seen.desk.act(lambda: seen.model.take_layout(replace(seen.model.layout, limits=limits)))
    items = seen.shown()
    report = rs.check(seen.model.rig, method=seen.model.method, remedies=False)
    for name in TEST_POSES:
        broken = [finding for finding in report.findings if finding.pose == name]
        item = items[f"test:{name}"]
        assert item["state"] == ("breaks" if broken else "holds"), name
        assert item["mark"] == (f"! {len(broken)}" if broken else "")
        assert (broken[0].statement if broken else "keeps all limits") in item["tip"]
    assert {item["state"] for item in items.values()} == {"breaks", "holds"}
    seen.desk.act(seen.model.undo)


def test_a_click_takes_the_pose_as_its_menu_does(seen):
    before = seen.model.pose
    seen.hear(kind="take", key="test:twist")
    by_click = seen.model.pose, seen.model.shown
    assert seen.section.view.chosen == "test:twist"
    assert (seen.pose._test.value, seen.pose._amount.value) == ("twist", by_click[1].amount)
    assert "twist" in seen.model.step_words(forward=False)
    seen.desk.act(seen.model.undo)
    assert seen.model.pose == before
    assert seen.section.view.chosen == ""
    seen.pose._test.value = "twist"
    seen.pose._show_usual()
    assert (seen.model.pose, seen.model.shown) == by_click
    seen.desk.act(seen.model.undo)
    seen.desk.act(seen.model.redo)
    assert seen.section.view.chosen == "test:twist"
    seen.desk.act(seen.model.reset_all)


def test_what_a_layout_had_before_is_dimmed_until_it_is_made_again(seen):
    asked = []
    pictures = seen.section._pictures
    kept_ask, pictures.ask = pictures.ask, lambda *given: asked.append(given)
    try:
        seen.desk.act(lambda: edits.set_reach(seen.model, "control2", 1.0))
        assert all(item["old"] for item in seen.items().values())
        assert all("before the last change" in item["tip"] for item in seen.items().values())
        for bend in (10.0, 20.0):  # a pose that is changed asks for nothing again
            seen.desk.act(lambda bend=bend: seen.model.set_value("control3", "bend", bend))
        assert len(asked) == 1
    finally:
        pictures.ask = kept_ask
    pictures.ask(*asked[0])
    assert not any(item["old"] for item in seen.shown().values())
    seen.desk.act(seen.model.undo)
    seen.shown()


def test_a_kept_pose_stands_first_and_leaves_the_others_as_they_are(seen):
    seen.hear(kind="take", key="test:c_bend")
    pose = seen.model.pose
    seen.sent.clear()
    seen.desk.act(lambda: kept.keep_pose(seen.model, "bow"))
    items = seen.shown()
    assert next(iter(items)) == "kept:bow"
    assert set(seen.sent) == {"kept:bow"}
    assert items["kept:bow"]["tip"].startswith("kept pose bow")
    seen.desk.act(seen.model.reset_all)
    seen.hear(kind="take", key="kept:bow")
    assert seen.model.pose == pose
    assert seen.section.view.chosen == "kept:bow"
    seen.desk.act(lambda: kept.delete_pose(seen.model, "bow"))
    assert "kept:bow" not in seen.items()
    seen.hear(kind="take", key="kept:bow")  # a click that comes too late
    assert seen.model.pose == pose


def test_it_can_be_switched_off_which_the_session_keeps(seen):
    seen.section.switch.value = False
    assert seen.section.view.layout.display == "none"
    seen.desk.act(lambda: edits.set_reach(seen.model, "control2", 1.5))
    seen.sent.clear()
    seen.shown()
    assert seen.sent == {}
    session = seen.model.session()
    assert Session.read(session.text(), Path("tube")).pose_strip is False
    text = session.text().replace(' "pose_strip": false,\n', "")
    assert Session.read(text, Path("tube")).pose_strip is True  # as it was written before
    seen.section.switch.value = True
    assert seen.section.view.layout.display == ""
    assert not any(item["old"] for item in seen.shown().values())


def test_poses_wait_until_the_live_picture_rests(bench, monkeypatch):
    monkeypatch.setattr(pose_pictures, "_REST", 0.3)
    came, asked_at = [], [time.monotonic() + 0.5]  # as if a drag went on for half a second

    def take(made):
        came.append(time.monotonic())

    pictures = PosePictures(take, pytest.fail, lambda: min(asked_at[0], time.monotonic()))
    pictures.ask(bench.model.rig, "linear", [Wish("c_bend")], None)
    assert CHECKS.settle(300)
    assert PICTURES.settle(300)
    (when,) = came
    assert when - asked_at[0] >= 0.3
    pictures.stop()


def test_a_pose_that_a_layout_cannot_take_is_told_and_a_defect_is_said_once(bench, monkeypatch):
    rig = bench.model.rig
    came, failed = [], []
    pictures = PosePictures(came.append, failed.append, lambda: 0.0)
    pictures.ask(rig, "linear", [Wish("appendage_curl", 30.0), Wish("c_bend")], "tag")
    assert CHECKS.settle(300)
    assert PICTURES.settle(300)
    first, second = came
    assert "appendage" in first.trouble
    assert first.jpeg == b""
    assert second.jpeg
    assert (first.tag, failed) == ("tag", [])

    def spoilt(*_):
        raise ValueError("no such thing")

    monkeypatch.setattr(pose_pictures, "measure_case", spoilt)
    pictures.ask(rig, "linear", [Wish("c_bend"), Wish("s_bend")], "tag")
    assert CHECKS.settle(300)
    assert len(failed) == 1
    assert "could not be made" in failed[0].sentence

"""Motions in the panel: what plays, and what is sent to a browser."""

import cases
import numpy as np
import pytest

import ribbonsim as rs
from ribbonsim.bendcheck.figures import figure
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.inpage.pose_bytes import pack_loop, pack_steps, pose_numbers
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.motion_section import MotionSection
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.playing import Playing
from ribbonsim.panel.state.readout import Readout
from ribbonsim.panel.work.worker import LOOKS, LOOPS, PICTURES
from ribbonsim.rig.first_layout import build_layout


@pytest.fixture(scope="module")
def rig():
    mesh = rs.load_mesh("meshes/tentacle.obj")
    return rs.bind(mesh, build_layout(mesh))


def test_a_setting_acts_where_the_loop_stands(rig):
    playing = Playing("strike")
    assert playing.instant(rig).number == 0
    playing.frame = 36
    before = playing.take(rig)
    playing.tell("seconds", 6.0)
    after = playing.take(rig)
    assert (before.seconds, after.seconds) == (3.0, 6.0)
    assert playing.frame == 72
    playing.choose("strike")
    assert playing.take(rig).seconds == 3.0


def test_keys_and_worst_moments_are_marked_in_order(rig):
    playing = Playing("strike")
    playing.worst = {1.0: "worst shape"}
    marks = playing.marks(rig)
    assert [seconds for seconds, *_ in marks] == sorted(seconds for seconds, *_ in marks)
    assert (1.0, "worst shape", True) in marks
    assert (0.0, "key", False) in marks


def test_numbers_follow_what_the_browser_plays(rig):
    stage = Stage(rig)
    stage.ready()
    stage.hear("play")
    stage.settle()
    stage.hear("at", 0.25)
    assert LOOKS.settle()
    take = rig.motion("swim")
    frame = take.frames()[round(0.25 * take.count())]
    gauge = Gauge(rig)
    ribbon = rig.posed(frame.pose).ribbons["body"]
    wanted = gauge.measure(frame.skin(), ribbon)
    shown = stage.desk.readout.value
    assert f"<b>{frame.time:.2f} s of swim</b>" in shown
    assert figure("stretch", float(wanted.stretch[:, 0].max())) in shown
    # what is still measured when it is paused is not shown in place of the pose's numbers
    stage.hear("pause", 0.5)
    stage.settle()
    stage.section._tell_numbers(Readout(1.0, 1.0, 1, 1.0, 0.0, "late"))
    assert "measured at" not in stage.desk.readout.value
    stage.desk.close()


def test_a_loop_is_packed_as_a_poses_steps_are_and_closes(rig):
    take = rig.motion("swim")
    frames = take.frames(5)
    shares = [k / 8 for k in range(-1, 10)]
    again = pack_steps(rig, lambda share: frames[round(share * 8) % 8].pose, shares)
    assert pack_loop(take, 5) == again
    assert np.isfinite(pose_numbers(rig, frames[3].pose)).all()


class Stage:
    """The tab Motion beside a view whose browser is played by the test."""

    def __init__(self, rig):
        self.desk = Desk((320, 240))
        self.live = ViewSection(self.desk).live
        self.section = MotionSection(self.desk, self.live, Playing())
        self.player = self.section._player
        self.sent, self.told = [], []
        self.live.view.send = lambda told, buffers=None: self.sent.append((told, buffers))
        self.player.send = lambda told, buffers=None: self.told.append(told)
        self.desk.model = self.desk.viewer.model = PanelModel(lambda: 0.0)  # all one gesture
        self.desk.act(lambda: self.desk.model.open(rig))
        self.section.show(True)

    def ready(self):
        told = {"kind": "ready", "renderer": "some card", "software": False}
        self.live._hear(None, told, [])
        self.settle()

    def hear(self, kind, share=0.0):
        self.player._hear(None, {"kind": kind, "share": share}, [])

    def settle(self):
        assert PICTURES.settle()
        assert LOOPS.settle()

    def kinds(self):
        self.settle()
        kinds = [told["kind"] for told, _ in self.sent]
        self.sent.clear()
        return [kind for kind in kinds if kind in ("loop", "noloop", "pose")]

    @property
    def pose(self):
        return self.desk.model.pose


@pytest.fixture
def stage(rig):
    made = Stage(rig)
    yield made
    made.desk.close()
    made.settle()


def test_pictures_of_frames_are_one_step_to_undo(stage, rig):
    before = stage.pose
    assert (stage.player.asks, stage.player.ready) == (True, True)
    stage.hear("play")
    for frame in (3, 4, 5):
        stage.hear("frame", frame / 38)
    assert stage.told == [{"kind": "done"}] * 4
    assert stage.pose == rig.motion("swim").frames()[5].pose
    stage.section._rules.rows["amount"].number.value = 0.5
    assert stage.pose == rig.motion("swim", amount=0.5).frames()[5].pose
    stage.section._rules.rows["seconds"].number.value = 3.0
    stage.section._rules.rows["seconds"].back.click()
    assert stage.player.seconds == 1.6
    stage.desk.act(stage.desk.model.undo)
    assert stage.pose == before


@pytest.mark.parametrize("name", cases.first_of("strike", "swim", "slither"))
def test_a_creature_that_is_seen_whole_stays_in_the_picture_all_through_a_motion(stage, rig, name):
    viewer = stage.desk.viewer
    viewer.frame_all("side")
    stage.section._motion.value = name
    stage.hear("play")
    for instant in rig.motion(name).frames():
        points = (instant.skin() - rig.mesh.centre) / rig.mesh.diagonal
        seen = viewer.camera.project(points, viewer.size)[:, :2]
        assert ((seen > 0) & (seen < viewer.size)).all(), instant.number


def test_who_looks_at_a_part_keeps_looking_at_it_when_a_motion_plays(stage):
    viewer = stage.desk.viewer
    viewer.frame_all("side")
    viewer.orbit = near = viewer.orbit.nearer(3.0)
    stage.section._motion.value = "strike"
    stage.hear("play")
    assert viewer.orbit == near


def test_what_plays_in_the_browser_was_sent_once_and_costs_no_poses(stage, rig):
    stage.ready()
    assert "loop" in stage.kinds()
    assert (stage.player.asks, stage.player.ready) == (False, True)
    before = stage.pose
    stage.hear("play")
    assert stage.kinds() == ["pose"]
    stage.section._rules.rows["amount"].number.value = 0.4
    stage.section._rules.rows["amount"].number.value = 0.5
    stage.settle()
    _, (packed,) = next(pair for pair in reversed(stage.sent) if pair[0]["kind"] == "loop")
    assert packed == pack_loop(rig.motion("swim", amount=0.5))
    assert "noloop" not in stage.kinds()  # the one before plays on until the new one is there
    assert stage.pose == before
    stage.hear("pause", 7 / 38)
    assert stage.pose == rig.motion("swim", amount=0.5).frames()[7].pose
    stage.settle()
    assert stage.sent[-1][0]["moment"] == 7 / 38


def test_another_motion_waits_for_its_own_loop(stage):
    stage.ready()
    stage.kinds()
    stage.section._motion.value = "strike"
    assert {"kind": "go", "share": 0.0} in stage.told
    assert [kind for kind in stage.kinds() if kind != "pose"] == ["noloop", "loop"]
    assert stage.player.seconds == 3.0
    assert stage.player.ready


def test_a_creature_that_is_posed_by_hand_plays_no_more(stage):
    stage.ready()
    stage.hear("play")
    model = stage.desk.model
    stage.desk.act(lambda: model.set_value(model.selected, "bend", 20.0))
    assert stage.told[-1] == {"kind": "stop"}
    assert not stage.player.moving


def test_where_the_browser_ceases_to_draw_pictures_go_on(stage):
    stage.ready()
    stage.hear("play")
    stage.live._choice.value = "the kernel"
    assert (stage.player.asks, stage.player.ready) == (True, True)
    stage.live._choice.value = "the browser"
    assert not stage.player.asks
    assert "loop" in stage.kinds()
    assert stage.player.ready

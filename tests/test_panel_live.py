"""The browser's view in the panel without a browser: what is sent to it, and what it answers.

That the bytes pose the skin rightly is looked at in ``test_inpage_bytes.py`` and, on a card, in
``tests/browser/test_view_exact.py``.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from tubes import straight, tube

import ribbonsim as rs
from ribbonsim.inpage.pose_bytes import pose_numbers
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.compare_panel import ComparePanel
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.draw_section import DrawSection
from ribbonsim.panel.sections.live_section import LiveView
from ribbonsim.panel.sections.pose_section import PoseSection
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state.dragging import Grip
from ribbonsim.panel.state.playing import moment_of
from ribbonsim.panel.work.live import camera_facts
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.view.look import HUES

# the worm lies along x: the picture is seen from its side
RIGHT_UP = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]])
SEEN = (
    "c bend at 60° {ribbonsim view 1: pose=c_bend amount=60 azimuth=123 elevation=-5 "
    "focus=0.1,0,0 away=2.5}"
)


@pytest.fixture(scope="module")
def rig():
    mesh = tube(straight(20.0, 61), 1.0, 12, name="worm")
    return rs.bind(mesh, build_layout(mesh, BuildOptions(stations=9, controls=5)))


class Card:
    """A panel's view section whose browser is played by the test."""

    def __init__(self, rig):
        self.desk = Desk((120, 80))
        self.desk.model.open(rig)
        self.desk.viewer.frame_all("three_quarter")
        self.section = ViewSection(self.desk)
        self.live = self.section.live
        self.sent = []
        self.live.view.send = lambda told, buffers=None: self.sent.append((told, buffers))

    def hear(self, kind, **told):
        self.live._hear(None, {"kind": kind, **told}, [])

    def ready(self, software=False):
        self.hear("ready", renderer="some card", software=software)

    def settle(self):
        assert PICTURES.settle()
        return [told["kind"] for told, _ in self.sent]

    def last(self, kind):
        return next(
            (told, buffers) for told, buffers in reversed(self.sent) if told["kind"] == kind
        )

    @property
    def words(self):
        return self.live._words.value


@pytest.fixture
def card(rig):
    made = Card(rig)
    yield made
    made.desk.close()
    PICTURES.settle()


# -- a hand that drags a dot ---------------------------------------------------------------------


def seat(rig, pose, control):
    names = rig.layout.all_control_names
    return rig.pose_ribbon(pose).midline(rig.layout.body.control_places)[names.index(control)]


@pytest.mark.parametrize("start", [{}, {"control2": {"bend": 30.0}, "control4": {"sway": -25.0}}])
@pytest.mark.parametrize(("right", "up"), [(0.06, 0.05), (-0.08, 0.0), (0.02, -0.1)])
def test_the_dot_follows_the_hand(rig, start, right, up):
    # what dragging means: the dot is where the hand is, as far as the picture shows it
    pose, control = Pose(start), rig.layout.control_names[-1]
    grip = Grip(rig, pose, control, RIGHT_UP)
    value = grip.dragged(right, up, "bend")
    assert (value.twist, value.shift, value.stretch) == (0.0, (0.0, 0.0, 0.0), 1.0)
    moved = seat(rig, Pose({**pose.controls, control: value}), control) - seat(rig, pose, control)
    wanted = np.array([right, up]) * rig.mesh.diagonal
    assert RIGHT_UP @ moved == pytest.approx(wanted, abs=0.02 * rig.mesh.diagonal)


@pytest.mark.parametrize("drive", ["shares", "skinned"])
def test_every_control_answers_a_hand_square_to_the_body(rig, drive):
    driven = rig.under(drive)
    for control in driven.layout.control_names:
        value = Grip(driven, Pose(), control, RIGHT_UP).dragged(0.03, 0.02, "bend")
        assert abs(value.bend) > 0.5
        assert abs(value.sway) > 0.5
        assert max(abs(value.bend), abs(value.sway)) <= 180.0


def test_modifiers_twist_stretch_and_shift(rig):
    control = rig.layout.control_names[1]
    grip = Grip(rig, Pose({control: {"bend": 10.0}}), control, RIGHT_UP)
    assert grip.dragged(0.1, 0.0, "twist").twist == pytest.approx(54.0)
    assert grip.dragged(0.0, 0.1, "stretch").stretch == pytest.approx(np.exp(0.2), abs=1e-3)
    shifted = grip.dragged(0.1, -0.05, "shift")
    frame = rig.control_frames(grip.pose).frames[1][:3, :3]
    wanted = np.array([0.0, -0.05, 0.1]) * rig.mesh.diagonal
    assert frame @ np.array(shifted.shift) == pytest.approx(wanted)
    assert shifted.bend == 10.0


# -- which of them draws -------------------------------------------------------------------------


def test_the_kernel_draws_until_a_browser_with_a_card_says_so(card):
    assert not card.live.shown
    assert "The kernel draws" in card.words
    card.ready(software=True)
    assert not card.live.shown
    assert "no graphics card" in card.words
    card.ready()
    assert card.live.shown
    assert card.desk.picture.layout.display == "none"
    assert "The browser draws: some card" in card.words
    card.hear("timed", milliseconds=8.0)
    assert card.live.shown
    assert "8 ms a frame" in card.words
    card.hear("timed", milliseconds=300.0)
    assert not card.live.shown
    assert "300 ms a frame" in card.words


def test_it_can_be_chosen_by_hand(card):
    card.ready(software=True)
    card.live._choice.value = "the browser"
    assert card.live.shown
    card.live._choice.value = "the kernel"
    assert not card.live.shown
    card.ready()
    assert not card.live.shown


def test_a_browser_that_fails_gives_way_and_says_why(card):
    card.ready()
    card.hear("none", why="Error: no <shader>")
    assert not card.live.shown
    assert "no &lt;shader&gt;" in card.words
    assert card.desk.picture.layout.display == ""


# -- what is sent --------------------------------------------------------------------------------


def test_the_creature_goes_out_once_and_then_poses_alone(card):
    card.ready()
    assert card.settle()[:2] == ["creature", "pose"]
    card.sent.clear()
    for bend in range(1, 30):
        card.desk.act(lambda bend=bend: card.desk.model.set_value("control2", "bend", float(bend)))
    kinds = card.settle()
    assert set(kinds) == {"pose"}
    assert kinds.count("pose") < 29  # the latest wins
    told, (numbers,) = card.last("pose")
    rig = card.desk.model.rig
    wanted = pose_numbers(rig, Pose({"control2": {"bend": 29.0}}))
    assert np.array_equal(np.frombuffer(numbers, np.float32), wanted)
    size = len(numbers) + len(json.dumps(told))
    print(f"a pose's message has {size} bytes")
    assert size < 4096


def test_a_changed_layout_and_colours_go_out_too(card):
    card.ready()
    card.settle()
    card.sent.clear()
    model = card.desk.model
    card.desk.act(lambda: model.change_layout(model.layout.without_control("control2")))
    assert card.settle()[:2] == ["layout", "pose"]
    card.section._show(heat="control weights")
    card.settle()
    told, (shares,) = card.last("heat")
    wanted = model.rig.control_influence[:, model.layout.index_of_control(model.selected)]
    assert np.abs(np.frombuffer(shares, np.uint8) / 255.0 - wanted).max() < 0.003
    assert told["scale"]["title"].startswith("weight of")
    card.section._show(heat="all weights")
    card.settle()
    told, (hues,) = card.last("heat")
    assert told["scale"]["mixed"]
    shown = np.frombuffer(hues, np.uint8).reshape(-1, 3)
    held = model.rig.control_influence
    names = HUES[: held.shape[1]]
    hues = np.array([[int(name[k : k + 2], 16) for k in (1, 3, 5)] for name in names])
    wanted = held @ hues / held.sum(axis=1, keepdims=True)
    assert np.abs(shown - wanted).max() <= 1.0
    card.section._show(heat="clay")
    card.settle()
    assert card.last("heat")[0]["scale"] is None


def test_another_browser_is_sent_everything(card):
    card.ready()
    card.settle()
    card.sent.clear()
    card.ready()
    assert card.settle()[:2] == ["creature", "pose"]


# -- what the browser says -----------------------------------------------------------------------


def test_the_camera_is_that_of_the_picture(card):
    card.ready()
    card.settle()
    card.hear("camera", azimuth=33.0, elevation=-12.0, focus=[0.1, 0.2, 0.3], distance=2.0)
    orbit = card.desk.viewer.orbit
    assert camera_facts(orbit) == {
        "azimuth": 33.0, "elevation": -12.0, "focus": [0.1, 0.2, 0.3], "distance": 2.0,
    }  # fmt: skip
    card.sent.clear()
    card.desk.viewer.ask()
    card.settle()
    assert card.last("pose")[0]["camera"] is None  # it stands there already
    card.section._frame_all()
    card.settle()
    assert card.last("pose")[0]["camera"]["azimuth"] == pytest.approx(33.0)


def test_a_pick_chooses_and_a_drag_poses_as_one_step_back(card):
    card.ready()
    model = card.desk.model
    card.hear("pick", kind_picked="control", name="control4", layout=0)
    assert model.selected == "control4"
    keys = {"shift": False, "alt": False, "control": False}
    axes = RIGHT_UP.tolist()
    for step in (0.01, 0.02, 0.03):
        card.hear(
            "drag", control="control5", layout=0, right=step, up=0.0, axes=axes, keys=keys,
            done=step == 0.03,
        )  # fmt: skip
    assert model.selected == "control5"
    value = model.pose["control5"]
    assert max(abs(value.bend), abs(value.sway)) > 1.0
    assert card.settle().count("done") == 3
    card.desk.act(model.undo)
    assert model.pose == replace(Pose(), keep_volume=model.pose.keep_volume)


def test_a_vertex_that_is_asked_for_is_found_by_the_browser(card):
    card.ready()
    found = []
    card.section.pick_vertex(found.append)
    assert card.live.shown
    card.settle()
    assert card.last("pose")[0]["shown"]["picks"]
    card.hear("pick", kind_picked="")
    assert "no skin" in card.desk.message.value
    assert found == []
    card.hear("pick", kind_picked="vertex", vertex=7, layout=0)
    assert found == [7]
    card.settle()
    assert not card.last("pose")[0]["shown"]["picks"]


def test_a_guide_is_drawn_in_the_browser_as_in_the_picture(card):
    drawing = DrawSection(card.desk, card.section)
    card.ready()
    drawing._mode.value = True
    card.settle()
    told, (numbers,) = card.last("pose")
    assert told["shown"]["guide"] == {"points": [], "chosen": -1, "curve": []}
    rig = card.desk.model.rig
    at_rest = pose_numbers(rig, Pose())
    assert np.array_equal(np.frombuffer(numbers, np.float32), at_rest)
    # the browser's canvas has a shape of its own: what is meant is where it stands
    camera = camera_facts(card.desk.viewer.orbit)
    size = (400, 240)
    seen = card.desk.viewer.orbit.camera(size[0] / size[1])
    middle = rig.layout.ribbon.midline(np.array([0.25, 0.75]))
    pixels = seen.project((middle - rig.mesh.centre) / rig.mesh.diagonal, size)
    common = {"size": size, "camera": camera, "point": None, "begins": True, "loop": False}
    for x, y, _ in pixels:
        card.hear("draw", act="click", x=x, y=y, **common)
    points = np.array(drawing._draft.points)
    assert np.abs(points[:, 1:]).max() < 0.1  # on the axis of the tube, whose radius is 1
    assert np.abs(points[:, 0] - middle[:, 0]).max() < 2.0  # it is seen aslant
    card.settle()
    guide = card.last("pose")[0]["shown"]["guide"]
    wanted = (points - rig.mesh.centre) / rig.mesh.diagonal
    np.testing.assert_allclose(guide["points"], wanted, atol=1e-6)
    assert len(guide["curve"]) > 30
    assert len(json.dumps(card.last("pose")[0])) < 4096
    (x, y, _) = seen.project(wanted[:1], size)[0]
    drag = {**common, "point": 0, "act": "drag"}
    card.hear("draw", x=x + 6.0, y=y, **drag)
    card.hear("draw", x=x + 12.0, y=y, **(drag | {"begins": False}))
    assert drawing._draft.chosen == 0
    there = (drawing._draft.points[0] - rig.mesh.centre) / rig.mesh.diagonal
    assert seen.project(there[None], size)[0][:2] == pytest.approx((x + 12.0, y), abs=1e-6)
    drawing._undo.click()  # the whole drag is one step
    np.testing.assert_array_equal(drawing._draft.points[0], points[0])
    drawing._mode.value = False
    card.settle()
    assert card.last("pose")[0]["shown"]["guide"] is None


def test_the_bent_piece_and_a_place_are_told_in_seats(card):
    card.ready()
    model = card.desk.model
    root = model.own.chain_root
    chosen = next(name for name in model.layout.control_names if name != root)
    card.desk.act(lambda: model.select(chosen))
    card.section.mark(0.5)
    card.settle()
    shown = card.last("pose")[0]["shown"]
    own = model.own
    carried = own.controls[own.control_index(chosen)]
    ends = sorted((carried.station, own.controls[own.control_index(carried.carried_by)].station))
    assert shown["piece"] == [end - 1 for end in ends]
    low = int(np.searchsorted(own.stations, 0.5, side="right")) - 1
    assert low <= shown["place"] < low + 1
    card.desk.act(lambda: model.select(root))
    card.section.mark(None)
    card.settle()
    shown = card.last("pose")[0]["shown"]
    assert shown["piece"] is None
    assert shown["place"] is None


def test_a_test_pose_goes_out_at_steps_of_its_amount(card):
    pose = PoseSection(card.desk)
    pose.follow_live(card.live)
    card.ready()
    card.settle()
    told, (packed,) = card.last("steps")
    assert told["name"] == pose._test.value
    size = int.from_bytes(packed[:4], "little")
    facts = json.loads(packed[4 : 4 + size])["facts"]
    assert (facts["low"], facts["high"], facts["count"]) == (-360.0, 360.0, 49)
    card.sent.clear()
    model = card.desk.model
    card.desk.act(lambda: model.change_layout(model.layout.without_control("control2")))
    assert {"nosteps", "steps"} <= set(card.settle())  # those of the old layout hold no longer


def test_in_the_layout_tab_a_dot_goes_along_the_body(card):
    card.ready()
    model = card.desk.model
    card.live.moves_stations = True
    before = model.layout.control("control2")[1].station
    along = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])  # the worm lies along x
    stands = model.layout.stations
    step = (stands[before] - stands[before - 1]) * model.layout.ribbon.length
    sign = np.sign(seat(model.rig, Pose(), "control3")[0] - seat(model.rig, Pose(), "control2")[0])
    card.hear(
        "drag", control="control2", layout=0, right=0.8 * sign * step / model.rig.mesh.diagonal,
        up=0.01, axes=along.tolist(), keys={"shift": False, "alt": False, "control": False},
        done=True,
    )  # fmt: skip
    assert model.layout.control("control2")[1].station == before + 1
    assert not model.pose.controls or model.pose["control2"].bend == 0.0


def test_a_note_from_a_page_opens_its_pose_and_side(card):
    card.live._text.value = SEEN
    card.live._open_seen()
    orbit, model = card.desk.viewer.orbit, card.desk.model
    assert (orbit.view.azimuth, orbit.view.elevation, orbit.distance) == (123.0, -5.0, 2.5)
    assert orbit.focus.tolist() == [0.1, 0.0, 0.0]
    assert model.pose == model.rig.pose_for("c_bend", 60.0)
    card.live._text.value = SEEN.replace("pose=c_bend amount=60", "motion=swim moment=0.5")
    card.live._open_seen()
    assert model.pose == moment_of(model.rig, "swim", 0.5)
    instants = model.rig.motion("swim").frames()
    assert model.pose == min(instants, key=lambda one: abs(one.time - 0.5)).pose
    card.live._text.value = SEEN.replace("c_bend", "own")
    card.live._open_seen()
    assert "which this layout does not keep" in card.desk.message.value


def parts_of(part):
    """A widget and all that is on it."""
    yield part
    for child in getattr(part, "children", ()):
        yield from parts_of(child)


def test_layouts_of_the_compare_panel_go_out_side_by_side(rig):
    fewer = rig.layout.without_control("control2")
    panel = ComparePanel(rig.mesh, [rig.layout, fewer])
    assert len(panel.bench.entries) == 2
    view = next(part for part in parts_of(panel) if isinstance(part, LiveView))
    sent = []
    view.send = lambda told, buffers=None: sent.append((told, buffers))
    view._handle_custom_msg({"kind": "ready", "renderer": "some card", "software": False}, [])
    assert PICTURES.settle()
    (creature, packed), (pose, numbers) = sent[:2]
    assert (creature["kind"], creature["poses"], len(packed)) == ("creature", False, 3)
    assert len(numbers) == len(pose["names"]) == 2
    assert pose["arrange"] == "side"
    assert pose["shown"]["front"] == 0
    view._handle_custom_msg({"kind": "pick", "kind_picked": "vertex", "vertex": 3, "layout": 1}, [])
    assert panel.bench.chosen == 1
    panel.close()
    PICTURES.settle()

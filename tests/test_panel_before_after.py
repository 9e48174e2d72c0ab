"""Before and after in one picture, without a browser: what stands beside what, alike in pose.

Skin errors are held against a sum over triangles that is written out here; the rest of a layout
beside another against the compare panel's own parts.
"""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.bendcheck.exact import exact_skin, motions_to
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.beside import (
    after_trying,
    asked_of_both,
    before_last_change,
    last_changed,
    still_holds,
)
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.playing import Playing
from ribbonsim.panel.work.split_picture import LINE_ENDS
from ribbonsim.panel.work.two_figures import measure_both
from ribbonsim.panel.work.two_sides import TwoSides
from ribbonsim.panel.work.worker import LOOKS, PICTURES
from ribbonsim.rig.carry_over import carry_over
from ribbonsim.rig.first_layout import BuildOptions, build_layout

SIZE = (450, 300)


@pytest.fixture(scope="module")
def rig():
    mesh = tube(s_curve(rings=61), 0.5, 12, round_ends=3, name="worm")
    return rs.bind(mesh, build_layout(mesh, BuildOptions(stations=9, controls=5)))


@pytest.fixture
def model(rig):
    made = PanelModel()
    made.open(rig)
    return made


def fewer(model):
    """Take a control away: the change that is looked at."""
    name = model.layout.controls[1].name
    model.change_layout(model.layout.without_control(name))
    return name


# -- what stands beside what -----------------------------------------------------------------------


def test_before_is_the_layout_of_the_last_change_and_not_of_the_last_step(model):
    first = model.layout
    name = fewer(model)
    model.set_value(model.selected, "bend", 30.0)
    kept.keep_pose(model, "bow")  # which makes another layout that differs in nothing else
    shown = before_last_change(model)
    assert shown.other.layout is first
    assert (shown.is_before, shown.words) == (
        True,
        f"{name} goes; control1 is carried by control2 → control3",
    )
    model.set_method("dual_quaternion")
    shown = before_last_change(model)
    assert shown.other is model.rig  # blending alone: nothing is bound again
    assert shown.method == "linear"


def test_without_a_change_there_is_no_before_and_that_is_said(model):
    model.set_value(model.selected, "bend", 30.0)
    assert last_changed(model) is None
    with pytest.raises(RibbonsimError, match="there is no before"):
        before_last_change(model)


def test_it_holds_until_it_is_taken_back(model):
    fewer(model)
    shown = before_last_change(model)
    edits.set_reach(model, model.selected, 3.0)
    assert still_holds(model, shown)  # of whatever comes of it
    model.undo()
    model.undo()
    assert not still_holds(model, shown)


# -- in one pose -----------------------------------------------------------------------------------


def beside(model):
    """A subject of the picture, with what was before beside it."""
    desk = Desk(SIZE)
    desk.viewer.model = model
    model.beside = before_last_change(model)
    subject = desk.viewer.subject_of(model)
    desk.close()
    return subject


def test_both_are_asked_for_the_same_test_pose_or_pose_by_place(model):
    fewer(model)
    model.show_test_pose("c_bend", 70.0)
    model.shown = replace(model.shown)
    subject = beside(model)
    there = TwoSides().other(subject)
    assert there.pose == there.rig.pose_for("c_bend", 70.0)
    model.set_value(model.selected, "sway", 25.0)
    subject = beside(model)
    there = TwoSides().other(subject)
    assert there.pose == carry_over(model.rig, there.rig, model.pose)
    assert there.rig is model.beside.other


def test_both_are_at_the_same_moment_of_a_motion(model):
    fewer(model)
    playing = Playing("swim")
    playing.frame = 5
    model.set_moment(playing.instant(model.rig), "motion swim")
    subject = beside(model)
    other = model.beside.other
    own = playing.take(model.rig).on(other).frames()[5]
    assert TwoSides().other(subject).pose == own.pose
    model.set_value(model.selected, "bend", 1.0)
    assert model.moment is None
    assert asked_of_both(model, model.beside).source is model.rig


def skin_error(rig, base, name, amount):
    """Root mean square distance over the skin's area, of the body length; a third of each
    triangle's area belongs to each of its corners."""
    mesh = rig.mesh
    exact = exact_skin(base, motions_to(base, base.targets_for(name, amount)))[0]
    away = np.linalg.norm(rig.deform(rig.pose_for(name, amount)) - exact, axis=1)
    total = mean = 0.0
    for a, b, c in mesh.triangles:
        sides = mesh.positions[[b, c]] - mesh.positions[a]
        area = 0.5 * np.linalg.norm(np.cross(*sides))
        total += area
        mean += area * (away[[a, b, c]] ** 2).mean()
    return float(np.sqrt(mean / total) / base.layout.ribbon.length)


def test_in_a_test_pose_the_figures_are_skin_errors(model):
    fewer(model)
    model.show_test_pose("s_bend", 60.0)
    subject = beside(model)
    told = measure_both(TwoSides.of(subject))
    wanted = [skin_error(rig, model.rig, "s_bend", 60.0) for rig in (model.rig, model.beside.other)]
    assert wanted[0] > wanted[1] > 0.0  # fewer controls bend worse
    assert (told.here, told.there) == tuple(f"skin error {100.0 * each:.2f} %" for each in wanted)


def test_in_another_pose_they_are_girths(model):
    fewer(model)
    model.set_value(model.selected, "bend", 80.0)
    subject = beside(model)
    told = measure_both(TwoSides.of(subject))
    assert told.here.startswith("lowest girth ")
    assert told.there.startswith("lowest girth ")


def test_what_was_tried_is_told_in_the_numbers_of_its_finding(model):
    # linear blending loses volume in a twist, and dual quaternions do not (Kavan et al. 2008)
    strict = replace(model.layout, limits=rs.Limits(volume=0.003))
    model.take_layout(strict)
    report = rs.check(model.rig, {"twist": 200.0}, model.method)
    finding = next(each for each in report.findings if each.kind == "volume" and each.tried)
    shown = after_trying(model, finding)
    assert not shown.is_before
    model.show_test_pose("twist", 200.0)
    model.beside = shown
    desk = Desk(SIZE)
    desk.viewer.model = model
    told = measure_both(TwoSides.of(desk.viewer.subject_of(model)))
    number = f"{100.0 * finding.value:+.1f}".rstrip("0").rstrip(".")[:4]
    assert told.here.replace("\N{MINUS SIGN}", "-").startswith(f"volume {number}")
    assert abs(finding.tried.after) < abs(finding.tried.before)
    assert told.there != told.here
    model.take_change(finding.tried.layout, finding.tried.method)
    assert not still_holds(model, shown)
    desk.close()


# -- in the panel ----------------------------------------------------------------------------------


class Bench:
    """A panel's picture and its switches, whose browser is played by the test."""

    def __init__(self, rig):
        self.desk = Desk(SIZE)
        self.desk.model.open(rig)
        self.desk.viewer.frame_all("side")
        self.view = ViewSection(self.desk)
        self.both, self.live = self.view.both, self.view.live
        self.desk.refresh()
        self.sent = []
        self.live.view.send = lambda told, buffers=None: self.sent.append((told, buffers))

    @property
    def model(self):
        return self.desk.model

    def hear(self, kind, **told):
        self.live._hear(None, {"kind": kind, **told}, [])

    def rest(self):
        for line in (LOOKS, PICTURES):
            assert line.settle(300)

    def picture(self):
        self.rest()
        jpeg = self.desk.picture.value
        return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"), dtype=float)

    def last(self, kind):
        return next(each for each in reversed(self.sent) if each[0]["kind"] == kind)


@pytest.fixture
def bench(rig):
    made = Bench(rig)
    yield made
    made.view.close()
    made.desk.close()
    made.rest()


def test_the_switch_is_shut_until_something_was_changed(bench):
    assert bench.both.switch.disabled
    assert "nothing of the layout was changed yet" in bench.both.switch.tooltip
    bench.desk.act(lambda: fewer(bench.model))
    assert not bench.both.switch.disabled
    bench.both.switch.value = True
    assert bench.model.beside.is_before
    assert "control2 goes" in bench.desk.message.value
    bench.both.switch.value = False
    assert bench.model.beside is None


def test_undo_ends_it_by_itself(bench):
    bench.desk.act(lambda: fewer(bench.model))
    bench.both.switch.value = True
    bench.desk.act(bench.model.undo)
    assert bench.model.beside is None
    assert bench.both.switch.value is False
    assert bench.both.switch.disabled


def test_the_browser_has_both_follow_one_slider(bench):
    bench.desk.act(lambda: fewer(bench.model))
    bench.hear("ready", renderer="some card", software=False)
    bench.rest()
    bench.both.switch.value = True
    bench.rest()
    told, _ = bench.last("layout")
    assert (told["number"], told["arrange"]) == (1, "split")
    told, buffers = bench.last("pose")
    assert (told["arrange"], len(buffers)) == ("split", 2)
    assert (told["shown"]["front"], told["shown"]["left"]) == (0, 1)
    assert [name.split(" · ")[0] for name in told["names"]] == ["after", "before"]
    bench.desk.act(lambda: bench.model.show_test_pose("c_bend", 60.0))
    bench.rest()
    told, moved = bench.last("pose")
    assert all(a != b for a, b in zip(buffers, moved, strict=True))
    assert all("skin error" in name for name in told["names"])  # once they were measured
    bench.hear("end")  # Escape in the picture
    bench.rest()
    assert bench.last("count")[0]["count"] == 1
    told, buffers = bench.last("pose")
    assert (told["arrange"], len(buffers)) == ("side", 1)
    assert told["shown"]["front"] is None


def test_figures_of_another_pose_are_not_told(bench):
    bench.desk.act(lambda: fewer(bench.model))
    bench.both.switch.value = True
    bench.desk.act(lambda: bench.model.show_test_pose("c_bend", 60.0))
    bench.rest()
    viewer = bench.desk.viewer
    assert "skin error" in viewer.sides.names(viewer.subject_of(bench.model))[0]
    bench.model.show_test_pose("c_bend", 61.0)
    assert viewer.sides.names(viewer.subject_of(bench.model)) == ("after", "before")


def test_the_kernels_picture_is_of_both_on_either_side_of_the_line(bench):
    bench.view._toggles["controls"].value = False
    bench.desk.act(lambda: bench.model.show_test_pose("s_bend", 90.0))
    alone_before = bench.picture()
    bench.desk.act(lambda: fewer(bench.model))
    bench.desk.act(lambda: bench.model.show_test_pose("s_bend", 90.0))
    alone_after = bench.picture()
    bench.both.switch.value = True
    for share in (0.3, 0.7):
        bench.both.move(share)
        joined = bench.picture()
        at = round(share * SIZE[0])
        beside_line = 20  # the line, its grip, and what JPEG makes of them
        for part, alone in (
            (np.s_[80:, : at - beside_line], alone_before),
            (np.s_[80:, at + beside_line :], alone_after),
        ):
            assert np.abs(joined[part] - alone[part]).mean() < 1.0
        line = joined[80:120, at - 1 : at + 1]
        assert line.mean() < 110.0
    assert np.abs(alone_before - alone_after).mean() > 0.5


def test_the_line_is_dragged_in_the_kernels_picture_and_stays_in_it(bench):
    bench.desk.act(lambda: fewer(bench.model))
    bench.both.switch.value = True
    orbit, wide = bench.desk.viewer.orbit, SIZE[0]
    at = {"boundingRectWidth": wide, "boundingRectHeight": SIZE[1], "relativeY": 150, "buttons": 1}

    def drag(start, end):
        for kind, x in (("mousedown", start), ("mousemove", end), ("mouseup", end)):
            bench.view.mouse.hear({"type": kind, "relativeX": x, **at})

    drag(wide / 2 + 3, 0.25 * wide)
    assert bench.desk.viewer.sides.divider == pytest.approx(0.25)
    assert bench.desk.viewer.orbit is orbit
    drag(0.25 * wide, -50.0)
    assert bench.desk.viewer.sides.divider == LINE_ENDS[0]
    drag(0.6 * wide, 0.7 * wide)  # beside the line: the camera goes round
    assert bench.desk.viewer.orbit is not orbit
    bench.hear("divider", share=0.4)
    assert bench.desk.viewer.sides.divider == 0.4


def test_colours_of_what_is_measured_hold_on_both_sides(bench):
    bench.desk.act(lambda: fewer(bench.model))
    bench.hear("ready", renderer="some card", software=False)
    bench.both.switch.value = True
    bench.view._heat.value = "stretch"
    bench.desk.act(lambda: bench.model.show_test_pose("curl", 200.0))
    bench.rest()
    heats = {told["number"]: data for told, data in bench.sent if told["kind"] == "heat"}
    assert sorted(heats) == [0, 1]
    assert heats[0] != heats[1]


# -- rest behind the pose --------------------------------------------------------------------------


def test_rest_is_shown_behind_the_pose_and_the_session_keeps_it(bench):
    bench.desk.act(lambda: bench.model.show_test_pose("c_bend", 90.0))
    bench.view._frame_all()
    bench.view._toggles["rest"].value = True
    shown = bench.picture()
    bench.view._toggles["rest"].value = False
    assert np.abs(shown - bench.picture()).mean() > 0.1
    bench.view._toggles["rest"].value = True
    bench.hear("ready", renderer="some card", software=False)
    bench.rest()
    assert bench.last("pose")[0]["shown"]["rest"] is True
    assert bench.model.switches == {"rest": True}


def test_what_a_session_shows_is_shown_again(bench):
    bench.desk.act(lambda: bench.model.switches.update(rest=True, controls=False))
    assert bench.view._toggles["rest"].value is True
    assert bench.view._toggles["controls"].value is False
    assert (bench.desk.viewer.show.rest, bench.desk.viewer.show.controls) == (True, False)
    assert bench.desk.viewer.show.stations is False


def test_all_is_framed_with_the_rest(bench):
    bench.desk.act(lambda: bench.model.set_pose(Pose({"control5": {"shift": (0.0, 0.0, 40.0)}})))
    bench.view._toggles["rest"].value = True
    bench.view._frame_all()
    camera, mesh = bench.desk.viewer.camera, bench.model.rig.mesh
    x, y, _ = camera.project((mesh.positions - mesh.centre) / mesh.diagonal, SIZE).T
    assert x.min() >= 0
    assert x.max() <= SIZE[0]
    assert y.min() >= 0
    assert y.max() <= SIZE[1]

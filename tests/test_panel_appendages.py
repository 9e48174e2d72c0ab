"""Appendages in the panel without a browser: what a rigger does, and what it says."""

import io
import threading
from dataclasses import replace

import igl
import numpy as np
import pytest
from demos import demo_mesh
from limbs import branched, whiskered
from PIL import Image
from scipy.spatial.transform import Rotation
from tubes import tube

import ribbonsim as rs
from ribbonsim.body.plane import plane_across
from ribbonsim.layout.appendages import Tie
from ribbonsim.panel.sections.ribbon_tree import tree_lines
from ribbonsim.panel.state import kept, rider_words, riders, ties
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.bench import Bench
from ribbonsim.panel.state.branches import reseated, tree, with_ribbon
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.work.subject import Spot
from ribbonsim.panel.work.viewer import Viewer
from ribbonsim.panel.work.worker import PICTURES

# the groups of the file say what is a limb: they were named by whoever modelled it
GROUPS = ("barbel_l", "barbel_r", "fin_l", "fin_r")


@pytest.fixture(scope="module")
def bare():
    """A fish with its first layout."""
    mesh = whiskered()
    model = PanelModel()
    model.open(mesh)
    return model.rig


@pytest.fixture(scope="module")
def proposals(bare):
    model = PanelModel()
    model.open(bare)
    return riders.find(model)


@pytest.fixture(scope="module")
def grown(bare, proposals):
    """The same with barbels and fins accepted."""
    model = PanelModel()
    model.open(bare)
    riders.accept(model, proposals[0])
    return model.rig


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture(scope="module")
def fine():
    """A demo creature with barbels and fins accepted, cut finely and alike on both sides."""
    made = PanelModel()
    made.open(demo_mesh("lampeel"))
    riders.accept(made, riders.find(made)[0])
    return made.rig


@pytest.fixture
def lampeel(fine):
    made = PanelModel(Clock())
    made.open(fine)
    return made


@pytest.fixture
def model(grown):
    made = PanelModel(Clock())
    made.open(grown)
    return made


def vertices_of(mesh, group):
    number = list(mesh.group_names).index(group)
    members = np.flatnonzero(np.asarray(mesh.polygon_groups) == number)
    return np.unique(np.concatenate([mesh.polygons[i] for i in members]))


def state(model):
    return model.pose, model.layout, model.method, model.selected


# -- finding and accepting ---------------------------------------------------------------------


def test_barbels_and_fins_are_found_by_the_names_of_their_groups(bare, proposals):
    new, there = proposals
    assert sorted(proposal.name for proposal in new) == sorted(GROUPS)
    assert there == []
    for proposal in new:
        group = vertices_of(bare.mesh, proposal.name)
        assert np.isin(proposal.vertices, group).mean() > 0.8
        words = rider_words.proposal_words(bare.layout, proposal)
        assert f"{proposal.length:.3g} long" in words
        assert f"{proposal.confidence:.0%} sure" in words


def test_accepting_is_one_step_and_pairs_left_with_right(bare, proposals):
    model = PanelModel(Clock())
    model.open(bare)
    names = riders.accept(model, proposals[0])
    assert model.ribbon == names[0]
    assert {one.name: one.partner for one in model.layout.appendages} == {
        "barbel_l": "barbel_r",
        "barbel_r": "barbel_l",
        "fin_l": "fin_r",
        "fin_r": "fin_l",
    }
    again, there = riders.find(model)
    assert again == []
    assert sorted(there) == sorted(GROUPS)
    model.undo()
    assert model.layout is bare.layout
    assert model.ribbon == "body"
    model.redo()
    assert sorted(name for name, _ in tree(model.layout)) == ["barbel_l", "barbel_r", "body",
                                                              "fin_l", "fin_r"]  # fmt: skip


def test_what_is_refused_stays_out_and_what_has_no_tick_is_a_sentence(bare, proposals):
    model = PanelModel(Clock())
    model.open(bare)
    fin = next(p for p in proposals[0] if p.name == "fin_r")
    riders.accept(model, [replace(fin, name="paddle")])
    assert [one.name for one in model.layout.appendages] == ["paddle"]
    with pytest.raises(rs.RibbonsimError, match="no appendage is ticked"):
        riders.accept(model, [])
    barbel = next(p for p in proposals[0] if p.name == "barbel_l")
    with pytest.raises(rs.RibbonsimError, match="two ribbons are called 'paddle'"):
        riders.accept(model, [replace(barbel, name="paddle")])
    new, there = riders.find(model)
    assert sorted(p.name for p in new) == ["barbel_l", "barbel_r", "fin_l"]
    assert there == ["paddle"]


def test_a_tip_that_is_clicked_is_added_and_one_on_the_body_is_a_sentence(bare):
    model = PanelModel(Clock())
    model.open(bare)
    barbel = vertices_of(bare.mesh, "barbel_r")
    centre = bare.mesh.positions.mean(axis=0)
    far = np.linalg.norm(bare.mesh.positions[barbel] - centre, axis=1)
    assert riders.add_at(model, int(barbel[np.argmax(far)])) == "barbel_r"
    assert model.ribbon == "barbel_r"
    with pytest.raises(rs.RibbonsimError, match="barbel_r is there already"):
        riders.add_at(model, int(barbel[np.argmax(far)]))
    belly = int(np.argmin(np.linalg.norm(bare.mesh.positions - centre, axis=1)))
    before = state(model)
    with pytest.raises(rs.RibbonsimError, match="not on an appendage"):
        riders.add_at(model, belly)
    assert state(model) == before


@pytest.mark.slow
def test_what_rides_on_an_appendage_is_found_and_added_by_its_tip():
    mesh, owner = branched()
    twig = np.flatnonzero(owner == "twig")
    tip = int(twig[np.argmax(mesh.positions[twig, 1])])
    hand = int(np.argmax(mesh.positions[:, 0]))
    model = PanelModel(Clock())
    model.open(mesh)
    # nothing is there yet: the limb that the tip is on as a whole, then what stands out of it
    arm = riders.add_at(model, tip)
    assert [one.rides_on for one in riders.waiting_on(model, [arm])] == [arm]
    (offer,), there = riders.find(model)
    assert there == [arm]
    assert f"on {arm} at station" in rider_words.proposal_words(model.layout, offer)
    with pytest.raises(rs.RibbonsimError, match=f"{arm} is there already"):
        riders.add_at(model, hand)
    small = riders.add_at(model, tip)
    assert tree(model.layout) == [("body", 0), (arm, 1), (small, 2)]
    assert riders.waiting_on(model, [arm, small]) == []
    assert riders.find(model) == ([], [arm, small])
    with pytest.raises(rs.RibbonsimError, match=f"{small} is there already"):
        riders.add_at(model, tip)
    # bent at its root, the twig moves alone; bent at its own, the arm takes the twig along
    rest = model.rig.mesh.positions
    moved = model.rig.deform(rs.Pose({f"{small}.control1": {"bend": 90}})) - rest
    assert np.abs(moved[owner != "twig"]).max() < 1e-9
    assert np.linalg.norm(moved[tip]) > 5.0
    carried = model.rig.deform(rs.Pose({f"{arm}.control1": {"bend": 40}})) - rest
    assert np.linalg.norm(carried[tip]) > 5.0
    model.undo()
    assert tree(model.layout) == [("body", 0), (arm, 1)]
    model.redo()
    riders.remove(model, arm)
    assert tree(model.layout) == [("body", 0)]


def test_an_appendage_goes_with_what_rides_on_it_and_its_poses(model):
    model.set_value("fin_l.control2", "bend", 30.0)
    kept.keep_pose(model, "spread")
    model.choose_ribbon("fin_l")
    riders.remove(model, "fin_l")
    assert "fin_l" not in model.layout.ribbons
    assert model.layout.appendage("fin_r").partner is None
    assert model.ribbon == "body"
    assert not model.pose.controls
    assert not model.layout.poses["spread"].controls
    model.undo()
    assert model.pose["fin_l.control2"].bend == 30.0


def test_a_new_name_goes_through_pose_kept_poses_and_choice(model):
    model.select("fin_l.control3")
    model.set_value("fin_l.control3", "sway", 12.0)
    kept.keep_pose(model, "held")
    posed = model.deform()
    edits.rename_ribbon(model, "fin_l", "paddle")
    assert model.selected == "paddle.control3"
    assert model.layout.appendage("fin_r").partner == "paddle"
    assert model.layout.poses["held"]["paddle.control3"].sway == 12.0
    np.testing.assert_allclose(model.deform(), posed, atol=1e-9)
    edits.rename_control(model, "paddle.control3", "end")
    assert model.selected == "paddle.end"
    assert model.layout.poses["held"]["paddle.end"].sway == 12.0
    np.testing.assert_allclose(model.deform(), posed, atol=1e-9)
    with pytest.raises(rs.RibbonsimError, match="two ribbons are called 'fin_r'"):
        edits.rename_ribbon(model, "paddle", "fin_r")
    with pytest.raises(rs.RibbonsimError, match="two controls are called 'control1'"):
        edits.rename_control(model, "paddle.end", "control1")
    with pytest.raises(rs.RibbonsimError, match="no name"):
        edits.rename_ribbon(model, "paddle", " ")


# -- choosing ----------------------------------------------------------------------------------


def test_the_tree_has_each_ribbon_under_its_carrier(model):
    assert [depth for _, depth in tree(model.layout)] == [0, 1, 1, 1, 1]
    model.set_value("barbel_l.control1", "bend", 5.0)
    lines = {name: words for words, name in tree_lines(model.layout, model.pose)}
    assert next(iter(lines)) == "body"
    assert "5 controls" in lines["barbel_l"]
    assert lines["barbel_l"].endswith("moved")
    assert not lines["barbel_r"].endswith("moved")


def test_a_ribbon_that_is_chosen_again_has_the_control_chosen_there_last(model):
    model.select("fin_l.control3")
    model.choose_ribbon("body")
    model.choose_ribbon("fin_l")
    assert model.selected == "fin_l.control3"
    assert model.own is model.layout.appendage("fin_l").layout
    assert (model.control.name, model.partner) == ("control3", "fin_r")
    with pytest.raises(rs.RibbonsimError, match="no appendage is called 'horn'"):
        model.choose_ribbon("horn")
    with pytest.raises(rs.RibbonsimError, match="no control is called 'fin_l'"):
        model.select("fin_l")


def test_every_control_is_found_on_its_ribbon(model):
    for ribbon, one in model.layout.ribbons.items():
        for control, name in zip(one.controls, model.layout.control_names_of(ribbon), strict=True):
            assert model.layout.control(name) == (ribbon, control)


# -- layout of the chosen ribbon ---------------------------------------------------------------


def test_stations_spans_and_controls_of_an_appendage_are_its_own(model):
    body = model.layout
    model.set_value("fin_l.control2", "bend", 25.0)
    posed = model.deform()
    model.choose_ribbon("fin_l")
    edits.set_stations(model, 12)
    edits.set_spans(model, 6)
    assert (len(model.own.stations), model.own.ribbon.spans) == (12, 6)
    added = edits.add_control(model, 3)
    assert added == "fin_l.control6"
    assert model.selected == added
    edits.move_control(model, added, 2)
    edits.set_reach(model, added, 1.3)
    assert model.control.station == 2
    assert model.control.reach == 1.3
    edits.set_density(model, 0.4)
    edits.set_width(model, 1.2)
    edits.turn_ribbon(model, 10.0)
    edits.set_falloff(model, "linear")
    edits.set_carry(model, None)
    assert all(control.carried_by is None for control in model.own.controls)
    assert len(model.own.stations) == 12
    edits.remove_control(model, added)
    assert model.ribbon == "fin_l"
    assert added not in model.layout.all_control_names
    others = [name for name in model.layout.ribbons if name != "fin_l"]
    np.testing.assert_array_equal(model.layout.stations, body.stations)
    assert model.layout.controls == body.controls
    assert model.layout.ribbon is body.ribbon
    assert others == ["body", "fin_r", "barbel_l", "barbel_r"]
    # what is not the fin has not moved at all
    elsewhere = np.setdiff1d(np.arange(len(posed)), model.rig.limbs["fin_l"].vertices)
    np.testing.assert_allclose(model.deform()[elsewhere], posed[elsewhere], atol=1e-9)


def test_undo_and_redo_walk_the_same_way_across_ribbons(model):
    states = [state(model)]

    def step(change):
        model._history._clock.now += 10.0
        change()
        states.append(state(model))

    step(lambda: model.set_value("barbel_l.control2", "bend", 30.0))
    step(lambda: riders.set_blend(model, "barbel_l", 2.0))
    step(lambda: riders.set_at(model, "fin_l", 0.7))
    step(lambda: edits.rename_ribbon(model, "fin_r", "paddle"))
    step(lambda: riders.remove(model, "barbel_r"))
    step(lambda: ties.tie(model, Tie(1, group="fin_l"), "body", 13))
    step(lambda: kept.keep_pose(model, "held"))
    for pose, layout, method, _ in states[-2::-1]:
        model.undo()
        assert (model.pose, model.layout, model.method) == (pose, layout, method)
    assert not model.can_undo
    for pose, layout, method, _ in states[1:]:
        model.redo()
        assert (model.pose, model.layout, model.method) == (pose, layout, method)


def test_where_it_rides_is_said_by_station_or_share(model):
    riders.set_at_station(model, "fin_l", 9)
    carrier = model.layout
    share = carrier.ribbon.arc_length(carrier.stations[8]) / carrier.ribbon.length
    assert model.layout.appendage("fin_l").at == pytest.approx(share)
    assert rider_words.station_near(model.layout, "body", model.layout.appendage("fin_l").at) == 9
    grown_at = riders.grown_at(model, "fin_l")
    riders.set_at(model, "fin_l", grown_at)
    base = vertices_of(model.rig.mesh, "fin_l")
    places = model.rig.places[np.intersect1d(base, model.rig.limbs["fin_l"].base)]
    assert grown_at == pytest.approx(np.median(places) / carrier.ribbon.length, abs=0.02)
    for station in (0, 99):
        with pytest.raises(rs.RibbonsimError, match=f"there is no station {station}"):
            riders.set_at_station(model, "fin_l", station)
    with pytest.raises(rs.RibbonsimError, match="at of 'fin_l'"):
        riders.set_at(model, "fin_l", 1.5)
    with pytest.raises(rs.RibbonsimError, match="blend of 'fin_l'"):
        riders.set_blend(model, "fin_l", -1.0)


def test_a_wider_base_moves_more_skin_at_the_base_and_none_elsewhere(model):
    limb = model.rig.limbs["barbel_l"]
    before = model.rig.mesh_weights.copy()
    riders.set_blend(model, "barbel_l", 2.0 * model.layout.appendage("barbel_l").blend)
    after = model.rig.mesh_weights
    changed = np.flatnonzero(np.abs(after - before).max(axis=1) > 1e-12)
    assert len(changed)
    assert np.isin(changed, limb.vertices).all()
    np.testing.assert_allclose(after.sum(axis=1), 1.0, atol=1e-12)


def test_appendages_stay_where_they_are_when_the_body_ribbon_moves(model):
    """The place nearest to a point is found by libigl too."""
    body = model.layout
    points = {one.name: seat(body, one) for one in body.appendages}
    model.choose_ribbon("body")
    edits.move_guide(model, 0.9, [0.0, 3.0, 0.0])
    ribbon = model.layout.ribbon
    line = ribbon.midline(np.linspace(0.0, 1.0, 40_001))
    for one in model.layout.appendages:
        query = points[one.name][None]
        edges = np.column_stack([np.arange(len(line) - 1), np.arange(1, len(line))])
        squares, _, nearest = igl.point_mesh_squared_distance(query, line, edges)
        found = seat(model.layout, one)
        assert np.linalg.norm(found - nearest[0]) < 1e-3 * ribbon.length
        assert np.linalg.norm(found - query[0]) == pytest.approx(np.sqrt(squares[0]), rel=1e-3)


def seat(layout, one):
    ribbon = layout.ribbons[one.rides_on].ribbon
    return ribbon.midline(ribbon.place_at(one.at * ribbon.length))


def test_knots_and_width_leave_where_things_ride_to_the_last_bit(model):
    before = {one.name: one.at for one in model.layout.appendages}
    model.choose_ribbon("body")
    edits.set_width(model, 2.0)
    edits.insert_knot(model, 0.33)
    assert {one.name: one.at for one in model.layout.appendages} == before
    same = reseated(model.layout, "body", model.layout.ribbon)
    assert same is model.layout


def test_swapped_ends_keep_appendages_where_they_grow(model):
    before = {one.name: seat(model.layout, one) for one in model.layout.appendages}
    model.set_value("fin_l.control2", "bend", 40.0)
    edits.swap_ends(model)
    for one in model.layout.appendages:
        np.testing.assert_allclose(seat(model.layout, one), before[one.name], atol=1e-6)
    assert model.pose["fin_l.control2"].bend == 40.0


# -- left and right ----------------------------------------------------------------------------


@pytest.mark.parametrize("quantity", ["bend", "sway", "twist"])
def test_both_sides_alike_give_the_mirror_image(lampeel, quantity):
    """On a layout that is its own mirror image the posed mesh is one too."""
    riders.mirror(lampeel, ["fin_l"])
    plane = lampeel.sides.plane(lampeel.rig.mesh)
    lampeel.sides.set_move(lampeel.rig.mesh, "alike")
    for value in (10.0, 35.0):
        lampeel.set_value("fin_l.control2", quantity, value)
    posed = lampeel.deform()
    image = posed[plane.pairs]
    image = image - 2.0 * (image @ plane.normal - plane.offset)[:, None] * plane.normal
    fins = np.r_[lampeel.rig.limbs["fin_l"].vertices, lampeel.rig.limbs["fin_r"].vertices]
    size = lampeel.rig.mesh.diagonal
    assert np.abs(posed - lampeel.rig.mesh.positions)[fins].max() > 0.01 * size
    assert np.abs(posed - image)[fins].max() < 2e-3 * size
    # one drag of both sides is one step back
    lampeel.undo()
    assert not lampeel.pose.controls


def test_opposite_is_the_inverse_of_alike(model):
    model.sides.set_move(model.rig.mesh, "alike")
    model.set_value("fin_l.control2", "bend", 20.0)
    alike = model.pose["fin_r.control2"]
    model.sides.set_move(model.rig.mesh, "opposite")
    model.set_value("fin_l.control2", "bend", 21.0)
    opposite = model.pose["fin_r.control2"]
    assert opposite.bend == pytest.approx(-alike.bend * 21.0 / 20.0)
    assert str(opposite).count("-0.0") == 0
    model.reset_control("fin_l.control2")
    assert model.pose["fin_r.control2"] == rs.Pose()["fin_r.control2"]
    model.sides.set_move(model.rig.mesh, "off")
    model.set_value("fin_l.control2", "bend", 21.0)
    assert model.pose["fin_r.control2"].bend == 0.0
    # the body has no other side
    model.sides.set_move(model.rig.mesh, "alike")
    model.set_value("control3", "sway", 10.0)
    assert set(model.pose.controls) == {"fin_l.control2", "fin_r.control2", "control3"}


def test_a_side_that_is_missing_is_made_and_the_report_says_so(bare, proposals):
    model = PanelModel(Clock())
    model.open(bare)
    riders.accept(model, [p for p in proposals[0] if p.name in ("fin_l", "barbel_r")])
    assert riders.pair(model) == "Without a partner: fin_l and barbel_r."
    words = riders.mirror(model)
    assert words.startswith("Mirrored onto fin_r and barbel_l.")
    assert "fin_l with fin_r" in words
    assert "Without" not in words
    right = vertices_of(bare.mesh, "fin_r")
    assert np.isin(model.rig.limbs["fin_r"].vertices, right).mean() > 0.8


def test_no_appendage_is_a_sentence(bare):
    empty = PanelModel()
    empty.open(bare)
    with pytest.raises(rs.RibbonsimError, match="no appendage yet"):
        riders.pair(empty)


@pytest.mark.slow
def test_no_plane_is_a_sentence(model):
    # a helix that widens has no mirror image that a turn could bring back
    turn = np.linspace(0.0, 3.0 * np.pi, 161)
    wide = 4.0 + 0.6 * turn
    helix = tube(np.column_stack([wide * np.cos(turn), wide * np.sin(turn), 2.5 * turn]), 1.0)
    with pytest.raises(rs.RibbonsimError, match="no plane of symmetry"):
        model.sides.set_move(helix, "alike")
    assert model.sides.move == "off"


# -- test poses --------------------------------------------------------------------------------


def test_a_test_pose_on_one_ribbon_leaves_the_others(model):
    model.set_value("control3", "bend", 15.0)
    model.show_test_pose("curl", 200.0, "barbel_l")
    assert model.pose["control3"].bend == 15.0
    fitted = model.rig.pose_for("curl", 200.0, "barbel_l")
    assert {n: model.pose[n] for n in fitted.controls} == fitted.controls
    model.show_test_pose("s_bend", None, "body")
    assert model.pose["barbel_l.control2"] == fitted["barbel_l.control2"]
    model.show_test_pose("appendage_fold", None, "fin_l")
    assert model.pose["barbel_l.control2"] == fitted["barbel_l.control2"]
    assert model.pose["fin_r.control1"] == rs.Pose()["fin_r.control1"]
    model.show_test_pose("c_bend")
    assert set(model.pose.controls) == set(model.layout.control_names)
    with pytest.raises(rs.RibbonsimError, match="the body is chosen"):
        model.show_test_pose("appendage_curl", None, "body")


def test_a_test_pose_on_one_side_goes_to_both_if_asked(model):
    model.sides.set_move(model.rig.mesh, "alike")
    model.show_test_pose("curl", 90.0, "fin_l")
    assert set(model.pose.controls) == {*model.layout.control_names_of("fin_l"),
                                        *model.layout.control_names_of("fin_r")}  # fmt: skip


# -- a level control ---------------------------------------------------------------------------


def test_a_control_level_with_the_base_is_proposed_added_and_moved(model):
    level = riders.level_with(model.layout, "fin_l")
    assert level.there is None
    assert "level with station" in level.words("fin_l")
    nearest = level.nearest
    model.select("fin_l.control1")
    added = riders.add_level_control(model, "fin_l")
    assert model.selected == added
    assert model.control.station == level.station
    again = riders.level_with(model.layout, "fin_l")
    assert again.there == added
    assert f"{added} stands there" in again.words("fin_l")
    for act in (riders.add_level_control, riders.move_level_control):
        with pytest.raises(rs.RibbonsimError, match="nothing has to be done"):
            act(model, "fin_l")
    model.undo()
    assert riders.move_level_control(model, "fin_l") == nearest
    assert riders.level_with(model.layout, "fin_l").there == nearest


def test_turning_the_level_control_carries_the_fin_rigidly(model):
    """Kabsch's fit by scipy: beyond its base blend the fin only turns and shifts."""
    name = riders.move_level_control(model, "fin_l")
    model.set_value(name, "sway", 25.0)
    limb = model.rig.limbs["fin_l"]
    out = limb.vertices[limb.places > model.layout.appendage("fin_l").blend]
    rest, posed = model.rig.mesh.positions[out], model.deform()[out]
    one, two = rest - rest.mean(axis=0), posed - posed.mean(axis=0)
    turn, _ = Rotation.align_vectors(two, one)
    assert np.abs(turn.apply(one) - two).max() < 1e-6 * model.rig.mesh.diagonal
    assert 5.0 < np.degrees(turn.magnitude()) < 60.0


# -- rigid parts -------------------------------------------------------------------------------


def test_a_tied_group_moves_as_one_piece_until_it_is_untied(model):
    parts = dict(ties.parts_of(model.rig.mesh, model.layout))
    assert set(parts) == {f"group {name!r}" for name in model.rig.mesh.group_names}
    part = parts["group 'fin_r'"]
    model.set_value("fin_r.control2", "bend", 50.0)
    ties.tie(model, part, "body", 14)
    group = vertices_of(model.rig.mesh, "fin_r")
    model.set_value("control4", "bend", 30.0)
    rest, posed = model.rig.mesh.positions[group], model.deform()[group]
    assert np.linalg.norm(posed - rest, axis=1).min() > 1.0
    # by Kabsch's fit it only turns and shifts
    one, two = rest - rest.mean(axis=0), posed - posed.mean(axis=0)
    turn, _ = Rotation.align_vectors(two, one)
    assert np.abs(turn.apply(one) - two).max() < 1e-6 * model.rig.mesh.diagonal
    ties.untie(model, part)
    assert model.layout.ties == ()
    with pytest.raises(rs.RibbonsimError, match="group 'fin_r' is not tied"):
        ties.untie(model, part)
    with pytest.raises(rs.RibbonsimError, match="station of group 'fin_r'"):
        ties.tie(model, part, "fin_l", 99)


def test_a_tie_to_an_appendage_follows_its_stations(model):
    ties.tie(model, Tie(1, group="barbel_l"), "fin_l", 9)
    model.choose_ribbon("fin_l")
    edits.set_stations(model, 5)
    assert model.layout.ties[0].station == 5
    own = with_ribbon(model.layout, "fin_l", model.own.with_stations(17))
    assert own.ties[0].station == 17


# -- what is shown -----------------------------------------------------------------------------


class Shown:
    """A viewer with what it delivers."""

    def __init__(self, model, size=(600, 400)):
        self.frames, self.numbers, self.failures = [], [], []
        self.viewer = Viewer(
            model, self.frames.append, self.numbers.append, self.failures.append, size
        )
        self.viewer.frame_all("three_quarter")

    def draw(self):
        self.viewer.ask()
        assert PICTURES.settle()
        assert self.failures == []
        picture = Image.open(io.BytesIO(self.frames[-1].jpeg)).convert("RGB")
        return np.asarray(picture, dtype=float)


@pytest.fixture
def shown(model):
    made = Shown(model)
    yield made
    made.viewer.close()
    PICTURES.settle()


def difference(one, other):
    return float(np.abs(one - other).mean())


def test_a_click_chooses_across_ribbons(model, shown):
    picture = shown.draw()
    rig, viewer = model.rig, shown.viewer
    camera = viewer.orbit.camera(viewer.aspect)
    ribbons = rig.pose_ribbons(model.pose)
    seats = {
        name: ribbons[ribbon].midline(place)
        for ribbon, one in rig.layout.ribbons.items()
        for name, place in zip(rig.layout.control_names_of(ribbon), one.control_places, strict=True)
    }
    points = (np.array(list(seats.values())) - rig.mesh.centre) / rig.mesh.diagonal
    pixels = camera.project(points, viewer.size)
    apart = np.linalg.norm(pixels[:, None, :2] - pixels[None, :, :2], axis=2)
    np.fill_diagonal(apart, np.inf)
    found = 0
    for i, (name, pixel) in enumerate(zip(seats, pixels, strict=True)):
        if apart[i].min() > 4.0:
            assert viewer.control_at(pixel[0], pixel[1]) == name
            found += "." in name
    assert found > 6
    model.select("barbel_r.control3")
    assert difference(picture, shown.draw()) > 0.1


@pytest.mark.slow
def test_each_ribbon_has_its_own_heat_of_controls_and_stations(model, shown):
    pictures = []
    for heat, control, station in (
        ("control weights", "fin_l.control2", 1),
        ("control weights", "control3", 1),
        ("station weights", "fin_l.control2", 5),
        ("station weights", "control3", 5),
    ):
        model.select(control)
        viewer = shown.viewer
        viewer.show = replace(viewer.show, heat=heat, station=station, ribbon=True, stations=True)
        pictures.append(shown.draw())
    for i, one in enumerate(pictures):
        for other in pictures[:i]:
            assert difference(one, other) > 0.2
    for heat in ("stretch", "girth", "volume"):
        shown.viewer.show = replace(shown.viewer.show, heat=heat)
        shown.draw()


def test_numbers_come_with_appendages_posed(model, shown):
    model.show_test_pose("appendage_curl")
    shown.draw()
    assert shown.numbers[-1].stretch > 1.05


def test_proposals_stand_out_on_the_creature(bare, proposals):
    model = PanelModel()
    model.open(bare)
    made = Shown(model)
    try:
        plain = made.draw()
        for count in (1, 4):
            skins = np.unique(np.concatenate([p.vertices for p in proposals[0][:count]]))
            spot = Spot(bare.mesh, skins, np.zeros(len(bare.mesh.positions)), rs_scale())
            made.viewer.spot = spot.plain()
            assert difference(plain, made.draw()) > 0.2
    finally:
        made.viewer.close()
        PICTURES.settle()


def rs_scale():
    from ribbonsim.view.look import Scale

    return Scale("appendages")


# -- the compare panel -------------------------------------------------------------------------


def test_layouts_with_and_without_appendages_stand_side_by_side(bare, grown):
    bench = Bench()
    bench.open(bare.mesh, [bare.layout, grown.layout])
    assert "appendage_curl" not in bench.test_poses()
    bench.ask_test("s_bend")
    assert set(bench.pose_of(bench.entries[1]).controls) == set(grown.layout.control_names)
    both = Bench()
    both.open(bare.mesh, [grown.layout, grown.layout.without_appendage("fin_l")])
    assert "appendage_curl" in both.test_poses()
    both.ask_test("appendage_curl")
    moved = both.pose_of(both.entries[1]).controls
    assert all("." in name for name in moved)
    both.add(bare.layout, "bare")
    both.mind_kept()
    assert both.asked.name == "s_bend"


def test_panels_sections_are_driven_from_any_thread(grown):
    """Sections answer presses that come on another thread, twice each."""
    from ribbonsim.panel.sections.appendage_section import AppendageSection
    from ribbonsim.panel.sections.desk import Desk
    from ribbonsim.panel.sections.layout_section import LayoutSection
    from ribbonsim.panel.sections.view_section import ViewSection

    desk = Desk((300, 200))
    view = ViewSection(desk)
    section = LayoutSection(desk, view)
    assert section.box.children
    desk.open(grown)
    made = AppendageSection(desk, view)
    desk.refresh()
    said = []

    def press():
        for act in (made._find, made._refuse, made._mirror_one, made._add_level, made._remove):
            desk.model.choose_ribbon("fin_l" if "fin_l" in desk.model.layout.ribbons else "fin_r")
            act()
            said.append(desk.message.value)

    thread = threading.Thread(target=press)
    thread.start()
    thread.join()
    assert "There already" in said[0]
    assert "Paired" in said[2]
    assert "stands level" in said[3]
    assert "fin_l" not in desk.model.layout.ribbons
    assert not any("could not be done" in words for words in said)
    desk.viewer.close()
    PICTURES.settle()


def test_what_the_browser_answers_late_is_no_wish(monkeypatch):
    """A slider of steps of 0.1 is told 2.02 and 3.04, and reports 2.0 after that."""
    from ribbonsim.panel.sections import fields

    now = [0.0]
    monkeypatch.setattr(fields.time, "monotonic", lambda: now[0])
    wishes = []
    row = fields.QuantityRow("blend", "", 0.0, 10.0, 0.1, 0.0, wishes.append)
    row.tell(2.02)
    row.tell(3.04)
    row.slider.value = 2.0
    row.slider.value = 3.0
    assert wishes == []
    assert row.value == 3.04
    # each is answered once: the same again is the user's
    row.slider.value = 2.0
    assert wishes == [2.0]
    row.tell(5.03)
    row.tell(1.0)
    now[0] = 60.0
    row.slider.value = 5.0
    assert wishes == [2.0, 5.0]


# -- a plane that is given ---------------------------------------------------------------------


def test_a_given_plane_counts_what_has_no_partner(model):
    """Across x at 0, as the fish is grown; then some vertices of one side are moved."""
    mesh = model.rig.mesh
    found = plane_across(mesh, [2.0, 0.0, 0.0], 0.0)
    np.testing.assert_array_equal(found.pairs, model.sides.plane(model.rig.mesh).pairs)
    assert found.loose == 0
    moved = mesh.positions.copy()
    scar = np.argsort(-moved[:, 0])[:7]
    moved[scar] += [0.0, 40.0, 0.0]
    scarred = plane_across(mesh.with_positions(moved), [1.0, 0.0, 0.0], 0.0)
    assert scarred.loose == 2 * len(scar)
    away = np.flatnonzero(scarred.pairs == np.arange(len(moved)))
    assert np.isin(scar, away).all()
    for normal, offset in (([0.0, 0.0, 0.0], 0.0), ([1.0, 0.0], 0.0), ([1, 0, 0], np.nan)):
        with pytest.raises(rs.RibbonsimError, match="a plane with normal"):
            plane_across(mesh, normal, offset)


def test_a_given_plane_pairs_and_takes_the_place_of_the_one_that_is_found(model, grown):
    mesh = grown.mesh
    moved = mesh.positions.copy()
    moved[np.argmax(moved[:, 1])] += [0.3, 0.0, 0.0]
    model.open(rs.bind(mesh.with_positions(moved), grown.layout))
    model.sides.give_plane(model.rig.mesh, 0, 0.0)
    words = riders.pair(model)
    assert "fin_l with fin_r" in words
    assert words.endswith("have none opposite.")
    model.sides.set_move(model.rig.mesh, "alike")
    with pytest.raises(rs.RibbonsimError, match="a plane with normal"):
        model.sides.give_plane(model.rig.mesh, 0, float("nan"))
    assert model.sides.given == (0, 0.0)
    model.sides.give_plane(model.rig.mesh, 2, 500.0)
    assert riders.pair(model).startswith("Without a partner: fin_l, fin_r")
    model.sides.give_plane(model.rig.mesh, None)
    # one vertex that is off does not hide the plane: it is found across x again
    assert abs(model.sides.plane(model.rig.mesh).normal[0]) > 0.99


@pytest.mark.slow
def test_new_ends_of_the_body_keep_what_rides_on_it(lampeel):
    before = {one.name: seat(lampeel.layout, one) for one in lampeel.layout.appendages}
    lampeel.set_value("fin_l.control2", "bend", 30.0)
    ends = lampeel.layout.ribbon.midline([0.0, 1.0])
    near_root = int(np.argmin(np.linalg.norm(lampeel.rig.mesh.positions - ends[0], axis=1)))
    edits.choose_ends(lampeel, near_root, None)
    assert set(lampeel.layout.ribbons) == {"body", *GROUPS}
    for one in lampeel.layout.appendages:
        away = np.linalg.norm(seat(lampeel.layout, one) - before[one.name])
        assert away < 0.02 * lampeel.layout.ribbon.length
    assert lampeel.pose["fin_l.control2"].bend == 30.0
    # a body that ends in a barbel: each appendage is found by the body's own centreline, which
    # runs past it, so it keeps its skin and, but for the bend of the new guide, its place
    skin = {name: len(limb.vertices) for name, limb in lampeel.rig.limbs.items()}
    edits.choose_ends(lampeel, None, int(lampeel.rig.limbs["barbel_l"].vertices[-1]))
    for name, limb in lampeel.rig.limbs.items():
        assert len(limb.vertices) == pytest.approx(skin[name], rel=0.05)
    for one in lampeel.layout.appendages:
        away = np.linalg.norm(seat(lampeel.layout, one) - before[one.name])
        assert away < 0.03 * lampeel.layout.ribbon.length
    assert lampeel.pose["fin_l.control2"].bend == 30.0


def test_names_that_look_like_markup_are_shown_as_text(grown):
    from ribbonsim.panel.sections.desk import Desk
    from ribbonsim.panel.sections.layout_section import LayoutSection
    from ribbonsim.panel.sections.view_section import ViewSection

    desk = Desk((300, 200))
    section = LayoutSection(desk, ViewSection(desk))
    desk.open(grown)
    desk.act(lambda: desk.model.choose_ribbon("fin_l"))
    desk.act(lambda: edits.rename_ribbon(desk.model, "fin_l", "<script>alert(1)</script>"))
    desk.act(lambda: desk.model.choose_ribbon("fin_r"))
    texts = list(html_of(section.box))
    assert any("&lt;script&gt;" in text for text in texts)
    assert not any("<script" in text for text in texts)
    desk.viewer.close()
    PICTURES.settle()


def html_of(box):
    for child in getattr(box, "children", ()):
        if type(child).__name__ == "HTML":
            yield child.value
        yield from html_of(child)

"""The panel's model: what a rigger does, without a browser."""

from functools import cache

import numpy as np
import pytest
from creatures import swimmer
from hypothesis import given, settings
from hypothesis import strategies as st
from tubes import tube

import ribbonsim as rs
from ribbonsim.body.guide import read_guide
from ribbonsim.curves.up import upright
from ribbonsim.layout.pose import Pose
from ribbonsim.layout.toml import layout_text
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.creature_words import mesh_words
from ribbonsim.panel.state.demo import demo_meshes
from ribbonsim.panel.state.layout_edits import crowded, lean_of
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.readout import Readout, guess_unit
from ribbonsim.rig.first_layout import BuildOptions, build_layout

STRAIGHT = np.column_stack([np.linspace(0.0, 10.0, 201), np.zeros(201), np.zeros(201)])


@cache
def straight_tube():
    """Opened by many tests: its guide is found once."""
    return tube(STRAIGHT, 0.5)


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture(scope="module")
def bent():
    """A bent tube of ten units; its guide is found once for all tests."""
    t = np.linspace(0.0, 1.0, 201)
    return tube(np.column_stack([10.0 * t, 1.5 * np.sin(3.0 * t), 0.8 * t**2]), 0.5)


@pytest.fixture
def model(clock, bent):
    """The bent tube, open in the panel's model."""
    made = PanelModel(clock)
    made.open(bent)
    return made


def midline(model):
    """Midline of the posed ribbon at equal places along the body at rest."""
    ribbon = model.layout.ribbon
    t = ribbon.place_at(np.linspace(0.0, ribbon.length, 101))
    return model.rig.pose_ribbon(model.pose).midline(t)


def drift(model, change, turned=False):
    """How far a change moves the posed midline, over the body's length."""
    before = midline(model)
    change()
    after = midline(model)[:: -1 if turned else 1]
    return np.linalg.norm(after - before, axis=1).max() / model.layout.ribbon.length


def test_another_way_up_keeps_the_pose_and_can_be_taken_back(model):
    model.set_value("control3", "bend", 40.0)
    before = model.layout
    assert drift(model, lambda: edits.set_up(model, "z")) < 0.01
    assert model.layout.up == "z"
    model.undo()
    assert model.layout is before


@pytest.mark.slow
def test_another_way_up_finds_anew_what_nobody_touched(tmp_path):
    # a creature that rears up, exported with z up: its root end rests on the ground
    mesh, _ = swimmer()
    lying = mesh.with_positions(mesh.positions @ upright("z"))
    model = PanelModel()
    model.open(lying)
    before = model.layout
    edits.set_up(model, "z")
    wanted = build_layout(lying, BuildOptions(up="z"))
    assert layout_text(model.layout) == layout_text(wanted)
    assert model.guide.why_root == read_guide(lying, up="z").why_root
    model.undo()
    assert model.layout is before
    model.redo()
    edits.set_up(model, "y")
    assert model.layout is before
    # what she has changed stays hers
    edits.set_stations(model, 11)
    edits.set_up(model, "z")
    assert (model.layout.up, len(model.layout.stations)) == ("z", 11)
    with pytest.raises(rs.RibbonsimError, match="up"):
        edits.set_up(model, "w")


# -- opening -------------------------------------------------------------------------------------


def test_nothing_open_is_a_sentence():
    empty = PanelModel()
    assert not empty.is_open
    assert not empty.unsaved
    empty.undo()
    empty.redo()
    with pytest.raises(rs.RibbonsimError, match="no creature is open"):
        empty.deform()


def test_opening_gives_a_first_layout_at_once(model):
    assert model.selected in model.layout.control_names
    assert not model.unsaved
    assert not model.can_undo
    np.testing.assert_array_equal(model.deform(), model.rig.deform(rs.Pose()))


def test_facts_tell_size_pieces_unit_and_warnings(model, tmp_path):
    text = " ".join(mesh_words(model))
    mesh = model.rig.mesh
    assert f"{len(mesh.positions):,} vertices" in text
    assert "one piece" in text
    for note in mesh.notes:
        assert note in text
    # an eel of 1.3 m, written in the three units a modelling package offers
    assert [guess_unit(size) for size in (1.3, 130.0, 1300.0)] == [
        "metre",
        "centimetre",
        "millimetre",
    ]


def test_a_mesh_that_cannot_be_read_leaves_the_open_one(model, tmp_path):
    model.set_value(model.selected, "bend", 20.0)
    before = (model.rig, model.pose, model.selected, model.can_undo)
    broken = tmp_path / "broken.obj"
    broken.write_text("v 0 0 0\nf 1 2 3\n", encoding="utf-8")
    for path in (broken, tmp_path / "missing.obj"):
        with pytest.raises(rs.RibbonsimError, match=path.name):
            model.open(path)
    assert (model.rig, model.pose, model.selected, model.can_undo) == before


def test_a_rig_comes_with_its_own_layout(model):
    layout = rs.Layout.from_ribbon(model.layout.ribbon, stations=9, controls=3)
    other = PanelModel()
    other.open(rs.bind(model.rig.mesh, layout))
    assert other.layout is layout


# -- going back ----------------------------------------------------------------------------------


def test_undo_and_redo_walk_the_same_way(model, clock):
    name = model.selected
    states = [(model.pose, model.layout, model.method)]

    def step(change):
        clock.now += 10.0
        change()
        states.append((model.pose, model.layout, model.method))

    step(lambda: model.set_value(name, "bend", 30.0))
    step(lambda: model.set_value(name, "shift", 0.4, axis=1))
    step(lambda: edits.set_stations(model, 9))
    step(lambda: model.set_method("dual_quaternion"))
    step(lambda: edits.swap_ends(model))
    step(lambda: kept.keep_pose(model, "bow"))
    step(model.reset_all)
    for pose, layout, method in states[-2::-1]:
        model.undo()
        assert (model.pose, model.layout, model.method) == (pose, layout, method)
        assert model.rig.layout is layout
    assert not model.can_undo
    for pose, layout, method in states[1:]:
        model.redo()
        assert (model.pose, model.layout, model.method) == (pose, layout, method)
    assert not model.can_redo


def test_one_drag_is_one_step_back(model, clock):
    for value in range(1, 40):
        clock.now += 0.05
        model.set_value(model.selected, "sway", float(value))
    model.undo()
    assert model.pose == rs.Pose()
    assert not model.can_undo


def test_a_drag_of_stations_or_of_a_control_there_and_back_changes_nothing(model, clock):
    model.show_test_pose("s_bend")
    seats = [control.station for control in model.layout.controls]
    count, before = len(model.layout.stations), midline(model)
    for many in (9, 6, 11, count):  # six stations would put controls beside each other for good
        edits.set_stations(model, many)
        clock.now += 0.05
    assert [control.station for control in model.layout.controls] == seats
    clock.now += 5.0
    for station in (seats[2] + 1, seats[2] - 1, seats[2]):
        edits.move_control(model, "control3", station)
        clock.now += 0.05
    assert np.array_equal(midline(model), before)
    model.undo()
    model.undo()
    assert (len(model.layout.stations), model.can_undo) == (count, True)
    assert np.array_equal(midline(model), before)


def test_two_drags_are_two_steps_back(model, clock):
    model.set_value(model.selected, "sway", 5.0)
    clock.now += 5.0
    model.set_value(model.selected, "sway", 9.0)
    model.set_value(model.selected, "bend", 9.0)
    model.undo()
    assert model.pose[model.selected].bend == 0.0
    model.undo()
    assert model.pose[model.selected].sway == 5.0


def test_a_new_change_closes_the_way_forward(model, clock):
    model.set_value(model.selected, "bend", 5.0)
    model.undo()
    clock.now += 5.0
    model.set_value(model.selected, "sway", 5.0)
    assert not model.can_redo


def test_steps_back_are_limited(model, clock):
    for value in range(1, 300):
        clock.now += 10.0
        model.set_value(model.selected, "bend", float(value))
    count = 0
    while model.can_undo:
        model.undo()
        count += 1
    assert 100 <= count <= 250


# -- errors --------------------------------------------------------------------------------------

WRONG = {
    "unknown control": lambda model: model.set_value("nobody", "bend", 1.0),
    "unknown quantity": lambda model: model.set_value(model.selected, "fold", 1.0),
    "stretch of nothing": lambda model: model.set_value(model.selected, "stretch", 0.0),
    "not a number": lambda model: model.set_value(model.selected, "bend", np.nan),
    "unknown test pose": lambda model: model.show_test_pose("somersault"),
    "volume beyond all": lambda model: model.set_keep_volume(2.0),
    "unknown pose": lambda model: kept.recall_pose(model, "nothing"),
    "unknown pose deleted": lambda model: kept.delete_pose(model, "nothing"),
    "stations": lambda model: edits.set_stations(model, 2),
    "spans": lambda model: edits.set_spans(model, 0),
    "lean": lambda model: edits.set_density(model, 3.0),
    "knot": lambda model: edits.insert_knot(model, 1.5),
    "width": lambda model: edits.set_width(model, -1.0),
    "seat taken": lambda model: edits.move_control(
        model, model.layout.control_names[0], model.layout.controls[1].station
    ),
    "seat taken by another": lambda model: edits.add_control(
        model, model.layout.controls[0].station
    ),
    "reach": lambda model: edits.set_reach(model, model.selected, -1.0),
    "falloff": lambda model: edits.set_falloff(model, "steep"),
    "name taken": lambda model: edits.rename_control(model, *model.layout.control_names[:2]),
    "unknown layout": lambda model: kept.take_layout(model, "nothing"),
    "missing file": lambda model: model.load("no/such/layout.toml"),
    "ends at one place": lambda model: edits.choose_ends(model, 0, 0),
}


def state_of(model):
    last = model._history.last(forward=False)
    return model.rig, model.pose, model.method, model.selected, last


@pytest.mark.parametrize("wrong", WRONG, ids=str)
def test_what_goes_wrong_leaves_everything_as_it_was(model, clock, wrong):
    model.set_value(model.selected, "bend", 20.0)
    clock.now += 10.0
    before = state_of(model)
    with pytest.raises(rs.RibbonsimError) as caught:
        WRONG[wrong](model)
    assert "\n" not in str(caught.value)
    assert state_of(model) == before


def test_a_layout_of_another_version_is_refused(model, tmp_path):
    path = tmp_path / "old.toml"
    path.write_text("ribbonsim_layout = 99\n", encoding="utf-8")
    layout = model.layout
    with pytest.raises(rs.RibbonsimError, match=r"old\.toml"):
        model.load(path)
    assert model.layout is layout


# -- the pose is kept by place along the body ----------------------------------------------------

# controls stay where they stand: the posed body stays to a small fraction of its length
STANDING = {
    "stations": lambda model: edits.set_stations(model, 33),
    "spans": lambda model: edits.set_spans(model, 32),
    "width": lambda model: edits.set_width(model, 0.1),
    "roll": lambda model: edits.turn_ribbon(model, 50.0),
    "alone": lambda model: edits.set_carry(model, None),
    "carried from the middle": lambda model: edits.set_carry(model, model.layout.control_names[2]),
    "rename": lambda model: edits.rename_control(model, model.selected, "hip"),
}


@pytest.mark.parametrize("change", STANDING, ids=str)
def test_pose_is_kept_when_the_layout_changes(model, change):
    model.show_test_pose("s_bend")
    assert drift(model, lambda: STANDING[change](model)) < 0.005


def test_pose_is_kept_when_root_and_tip_change_places(model):
    model.show_test_pose("s_bend")
    skin = model.deform()
    assert drift(model, lambda: edits.swap_ends(model), turned=True) < 0.005
    edits.swap_ends(model)
    away = np.linalg.norm(model.deform() - skin, axis=1).max()
    assert away < 0.01 * model.layout.ribbon.length


def test_a_test_pose_stays_what_it_is_when_the_layout_changes(model):
    model.show_test_pose("c_bend", 60.0)
    before = model.pose
    edits.set_stations(model, 13)
    edits.add_control(model, 6)
    assert model.shown.name == "c_bend"
    assert model.pose == Pose(model.rig.pose_for("c_bend", 60.0).controls)
    model.undo()
    model.undo()
    assert (model.shown.name, model.pose) == ("c_bend", before)
    # a ribbon that is turned about itself would bend another way
    edits.turn_ribbon(model, 50.0)
    assert model.shown is None
    model.undo()
    # a pose of its own is no test pose afterwards either
    model.set_value(model.selected, "twist", 5.0)
    edits.set_stations(model, 13)
    assert model.shown is None


def test_pose_is_nearly_kept_when_controls_have_to_move(model):
    model.set_value(model.layout.control_names[2], "sway", 40.0)
    assert drift(model, lambda: edits.set_stations(model, 12)) < 0.006
    assert drift(model, lambda: edits.set_density(model, 0.5)) < 0.006
    assert drift(model, lambda: edits.add_control(model, 7)) < 0.006


def test_kept_poses_go_along_with_the_layout(model):
    model.show_test_pose("c_bend")
    kept.keep_pose(model, "bow")
    shape = midline(model)
    model.reset_all()
    edits.set_stations(model, 33)
    edits.swap_ends(model)
    kept.recall_pose(model, "bow")
    away = np.linalg.norm(midline(model)[::-1] - shape, axis=1).max()
    assert away < 0.01 * model.layout.ribbon.length


@settings(max_examples=6, deadline=None)
@given(st.sampled_from(sorted(STANDING)), st.floats(-60.0, 60.0), st.floats(-180.0, 180.0))
def test_undo_after_a_layout_change_gives_the_pose_back_exactly(change, sway, twist):
    model = PanelModel()
    model.open(straight_tube())
    model.set_value(model.selected, "sway", sway)
    model.set_value(model.selected, "twist", twist)
    pose, layout = model.pose, model.layout
    STANDING[change](model)
    model.undo()
    assert model.pose == pose
    assert model.layout is layout


# -- controls ------------------------------------------------------------------------------------


def test_controls_are_added_moved_and_removed_in_body_order(model):
    name = edits.add_control(model, 7)
    assert model.selected == name
    stations = [control.station for control in model.layout.controls]
    assert stations == sorted(stations)
    edits.move_control(model, name, 8)
    assert model.layout.controls[model.layout.control_index(name)].station == 8
    edits.set_reach(model, name, 1.5)
    assert model.layout.controls[model.layout.control_index(name)].reach == 1.5
    edits.remove_control(model, name)
    assert name not in model.layout.control_names
    assert model.selected in model.layout.control_names


def test_renamed_control_keeps_its_pose_and_its_kept_poses(model):
    name = model.selected
    model.set_value(name, "bend", 25.0)
    kept.keep_pose(model, "bow")
    edits.rename_control(model, name, "hip")
    assert model.selected == "hip"
    assert model.pose["hip"].bend == 25.0
    assert model.layout.poses["bow"]["hip"].bend == 25.0


def test_removing_a_control_keeps_the_kept_poses(model):
    model.show_test_pose("c_bend")
    kept.keep_pose(model, "bow")
    edits.remove_control(model, model.layout.control_names[1])
    assert set(model.layout.poses) == {"bow"}


def test_guide_moved_at_a_place_moves_there_and_not_at_the_ends(model):
    before = model.layout.ribbon.midline([0.0, 0.5, 1.0])
    edits.move_guide(model, 0.5, [0.0, 0.3, 0.0])
    moved = model.layout.ribbon.midline([0.0, 0.5, 1.0]) - before
    assert moved[1, 1] > 0.15
    np.testing.assert_allclose(moved[[0, 2]], 0.0, atol=1e-6)


def test_chosen_ends_are_where_the_ribbon_runs(model):
    ribbon = model.layout.ribbon
    tip = ribbon.midline([0.97])[0]
    edits.choose_ends(model, None, tip)
    ends = model.layout.ribbon.midline([0.0, 1.0])
    assert np.linalg.norm(ends[1] - tip) < 0.05 * ribbon.length
    assert np.linalg.norm(ends[0] - ribbon.midline([0.0])[0]) < 0.05 * ribbon.length


def test_inserted_knot_keeps_the_ribbon_and_adds_a_station(model):
    ribbon, count = model.layout.ribbon, len(model.layout.stations)
    t = np.linspace(0.0, 1.0, 50)
    edits.insert_knot(model, 0.37)
    assert model.layout.ribbon.spans == ribbon.spans + 1
    assert len(model.layout.stations) == count + 1
    # Boehm (1980): inserting a knot leaves the curve as it is
    np.testing.assert_allclose(model.layout.ribbon.midline(t), ribbon.midline(t), atol=1e-9)


@given(st.integers(1, 60), st.floats(-1.0, 1.0))
def test_crowded_spans_rise_by_one_factor(spans, lean):
    places = crowded(spans, lean)
    steps = np.diff(places)
    assert (places[0], places[-1], len(places)) == (0.0, 1.0, spans + 1)
    assert (steps > 0).all()
    if spans > 2:
        factors = steps[1:] / steps[:-1]
        np.testing.assert_allclose(factors, factors[0], rtol=1e-6)
    if spans > 1:
        assert lean_of(places) == pytest.approx(lean, abs=1e-6)


# -- keeping -------------------------------------------------------------------------------------


def test_poses_are_saved_and_loaded_with_the_layout(model, tmp_path):
    model.show_test_pose("corkscrew", 0.7)
    kept.keep_pose(model, "screw")
    assert model.unsaved
    model.save(tmp_path / "eel.toml")
    assert not model.unsaved
    other = PanelModel()
    other.open(model.rig.mesh)
    other.load(tmp_path / "eel.toml")
    assert not other.unsaved
    kept.recall_pose(other, "screw")
    assert other.pose == model.pose
    np.testing.assert_array_equal(other.deform(), model.deform())
    with pytest.raises(rs.RibbonsimError, match=r"eel\.toml"):
        other.save(tmp_path / "eel.toml")
    other.save(tmp_path / "eel.toml", force=True)


def test_pose_names_are_given_taken_and_changed(model):
    kept.keep_pose(model, "  ")
    kept.keep_pose(model, "")
    kept.keep_pose(model, "bow")
    assert list(model.layout.poses) == ["pose1", "pose2", "bow"]
    kept.rename_pose(model, "pose1", "rest")
    assert list(model.layout.poses) == ["rest", "pose2", "bow"]
    with pytest.raises(rs.RibbonsimError, match="bow"):
        kept.rename_pose(model, "rest", "bow")
    with pytest.raises(rs.RibbonsimError, match="name"):
        kept.rename_pose(model, "rest", "  ")
    kept.delete_pose(model, "bow")
    assert list(model.layout.poses) == ["rest", "pose2"]


def test_a_pose_changes_nothing_that_needs_saving(model):
    model.set_value(model.selected, "bend", 10.0)
    assert not model.unsaved
    edits.set_width(model, 0.2)
    assert model.unsaved
    model.undo()
    assert not model.unsaved


def test_layouts_on_the_shelf_are_copies_to_come_back_to(model):
    first = model.layout
    assert kept.keep_layout(model, "") == "layout1"
    edits.set_stations(model, 9)
    assert kept.keep_layout(model, "short") == "short"
    kept.take_layout(model, "layout1")
    assert model.layout is first
    assert list(model.shelf) == ["layout1", "short"]
    model.undo()
    assert len(model.layout.stations) == 9


# -- what it tells -------------------------------------------------------------------------------


def test_readout_of_rest_and_of_a_stretched_body(model):
    ribbon = model.rig.pose_ribbon(model.pose)
    numbers = Readout.of(model.measures_of(model.rig, model.deform(), ribbon))
    assert (numbers.stretch, numbers.girth, numbers.volume) == pytest.approx(
        (1.0, 1.0, 1.0), abs=1e-6
    )
    model.set_keep_volume(0.0)
    model.show_test_pose("stretch", 1.5)
    ribbon = model.rig.pose_ribbon(model.pose)
    numbers = Readout.of(model.measures_of(model.rig, model.deform(), ribbon))
    # girth stays and length grows by half, so does the volume
    assert numbers.stretch == pytest.approx(1.5, abs=0.06)
    assert numbers.girth == pytest.approx(1.0, abs=0.03)
    assert numbers.volume == pytest.approx(1.5, abs=0.06)
    assert 1 <= numbers.station <= len(model.layout.stations)


# -- demo creatures ------------------------------------------------------------------------------


def test_demo_creatures_are_found_here_above_and_with_the_package(tmp_path):
    own = tmp_path / "work" / "meshes"
    own.mkdir(parents=True)
    (own / "worm.obj").write_text("", encoding="utf-8")
    below = tmp_path / "work" / "notebooks"
    below.mkdir()
    assert list(demo_meshes(below)) == ["worm"]
    (tmp_path / "elsewhere").mkdir()
    assert next(iter(demo_meshes(tmp_path / "elsewhere"))) == "lampeel"

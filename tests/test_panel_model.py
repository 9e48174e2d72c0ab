"""The panel's model: what a rigger does, without a browser."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tubes import tube

import ribbonsim as rs
from ribbonsim.panel.demo import demo_meshes
from ribbonsim.panel.model import PanelModel, crowded, guess_unit, lean_of

STRAIGHT = np.column_stack([np.linspace(0.0, 10.0, 201), np.zeros(201), np.zeros(201)])


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def model(clock):
    """A bent tube of ten units, open in the panel's model."""
    t = np.linspace(0.0, 1.0, 201)
    curve = np.column_stack([10.0 * t, 1.5 * np.sin(3.0 * t), 0.8 * t**2])
    made = PanelModel(clock)
    made.open(tube(curve, 0.5))
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
    text = " ".join(model.facts())
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
    step(lambda: model.set_stations(9))
    step(lambda: model.set_method("dual_quaternion"))
    step(model.swap_ends)
    step(lambda: model.keep_pose("bow"))
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
    "unknown pose": lambda model: model.recall_pose("nothing"),
    "unknown pose deleted": lambda model: model.delete_pose("nothing"),
    "stations": lambda model: model.set_stations(2),
    "spans": lambda model: model.set_spans(0),
    "lean": lambda model: model.set_density(3.0),
    "knot": lambda model: model.insert_knot(1.5),
    "width": lambda model: model.set_width(-1.0),
    "seat taken": lambda model: model.move_control(
        model.layout.control_names[0], model.layout.controls[1].station
    ),
    "seat taken by another": lambda model: model.add_control(model.layout.controls[0].station),
    "reach": lambda model: model.set_reach(model.selected, -1.0),
    "falloff": lambda model: model.set_falloff("steep"),
    "name taken": lambda model: model.rename_control(*model.layout.control_names[:2]),
    "unknown layout": lambda model: model.take_layout("nothing"),
    "missing file": lambda model: model.load("no/such/layout.toml"),
    "ends at one place": lambda model: model.choose_ends(0, 0),
}


@pytest.mark.parametrize("wrong", WRONG, ids=str)
def test_what_goes_wrong_leaves_everything_as_it_was(model, clock, wrong):
    model.set_value(model.selected, "bend", 20.0)
    clock.now += 10.0
    before = (model.rig, model.pose, model.method, model.selected, len(model._past))
    with pytest.raises(rs.RibbonsimError) as caught:
        WRONG[wrong](model)
    assert "\n" not in str(caught.value)
    assert (model.rig, model.pose, model.method, model.selected, len(model._past)) == before


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
    "stations": lambda model: model.set_stations(33),
    "spans": lambda model: model.set_spans(32),
    "width": lambda model: model.set_width(0.1),
    "roll": lambda model: model.turn_ribbon(50.0),
    "alone": lambda model: model.set_carry(None),
    "carried from the middle": lambda model: model.set_carry(model.layout.control_names[2]),
    "rename": lambda model: model.rename_control(model.selected, "hip"),
}


@pytest.mark.parametrize("change", STANDING, ids=str)
def test_pose_is_kept_when_the_layout_changes(model, change):
    model.show_test_pose("s_bend")
    assert drift(model, lambda: STANDING[change](model)) < 0.005


def test_pose_is_kept_when_root_and_tip_change_places(model):
    model.show_test_pose("s_bend")
    skin = model.deform()
    assert drift(model, model.swap_ends, turned=True) < 0.005
    model.swap_ends()
    away = np.linalg.norm(model.deform() - skin, axis=1).max()
    assert away < 0.01 * model.layout.ribbon.length


def test_pose_is_nearly_kept_when_controls_have_to_move(model):
    model.set_value(model.layout.control_names[2], "sway", 40.0)
    assert drift(model, lambda: model.set_stations(12)) < 0.006
    assert drift(model, lambda: model.set_density(0.5)) < 0.006
    assert drift(model, lambda: model.add_control(7)) < 0.006


def test_kept_poses_go_along_with_the_layout(model):
    model.show_test_pose("c_bend")
    model.keep_pose("bow")
    shape = midline(model)
    model.reset_all()
    model.set_stations(33)
    model.swap_ends()
    model.recall_pose("bow")
    away = np.linalg.norm(midline(model)[::-1] - shape, axis=1).max()
    assert away < 0.01 * model.layout.ribbon.length


@settings(max_examples=15, deadline=None)
@given(st.sampled_from(sorted(STANDING)), st.floats(-60.0, 60.0), st.floats(-180.0, 180.0))
def test_undo_after_a_layout_change_gives_the_pose_back_exactly(change, sway, twist):
    model = PanelModel()
    model.open(tube(STRAIGHT, 0.5))
    model.set_value(model.selected, "sway", sway)
    model.set_value(model.selected, "twist", twist)
    pose, layout = model.pose, model.layout
    STANDING[change](model)
    model.undo()
    assert model.pose == pose
    assert model.layout is layout


# -- controls ------------------------------------------------------------------------------------


def test_controls_are_added_moved_and_removed_in_body_order(model):
    name = model.add_control(7)
    assert model.selected == name
    stations = [control.station for control in model.layout.controls]
    assert stations == sorted(stations)
    model.move_control(name, 8)
    assert model.layout.controls[model.layout.control_index(name)].station == 8
    model.set_reach(name, 1.5)
    assert model.layout.controls[model.layout.control_index(name)].reach == 1.5
    model.remove_control(name)
    assert name not in model.layout.control_names
    assert model.selected in model.layout.control_names


def test_renamed_control_keeps_its_pose_and_its_kept_poses(model):
    name = model.selected
    model.set_value(name, "bend", 25.0)
    model.keep_pose("bow")
    model.rename_control(name, "hip")
    assert model.selected == "hip"
    assert model.pose["hip"].bend == 25.0
    assert model.layout.poses["bow"]["hip"].bend == 25.0


def test_removing_a_control_keeps_the_kept_poses(model):
    model.show_test_pose("c_bend")
    model.keep_pose("bow")
    model.remove_control(model.layout.control_names[1])
    assert set(model.layout.poses) == {"bow"}


def test_guide_moved_at_a_place_moves_there_and_not_at_the_ends(model):
    before = model.layout.ribbon.midline([0.0, 0.5, 1.0])
    model.move_guide(0.5, [0.0, 0.3, 0.0])
    moved = model.layout.ribbon.midline([0.0, 0.5, 1.0]) - before
    assert moved[1, 1] > 0.15
    np.testing.assert_allclose(moved[[0, 2]], 0.0, atol=1e-6)


def test_chosen_ends_are_where_the_ribbon_runs(model):
    ribbon = model.layout.ribbon
    tip = ribbon.midline([0.97])[0]
    model.choose_ends(None, tip)
    ends = model.layout.ribbon.midline([0.0, 1.0])
    assert np.linalg.norm(ends[1] - tip) < 0.05 * ribbon.length
    assert np.linalg.norm(ends[0] - ribbon.midline([0.0])[0]) < 0.05 * ribbon.length


def test_inserted_knot_keeps_the_ribbon_and_adds_a_station(model):
    ribbon, count = model.layout.ribbon, len(model.layout.stations)
    t = np.linspace(0.0, 1.0, 50)
    model.insert_knot(0.37)
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
    model.keep_pose("screw")
    assert model.unsaved
    model.save(tmp_path / "eel.toml")
    assert not model.unsaved
    other = PanelModel()
    other.open(model.rig.mesh)
    other.load(tmp_path / "eel.toml")
    assert not other.unsaved
    other.recall_pose("screw")
    assert other.pose == model.pose
    np.testing.assert_array_equal(other.deform(), model.deform())
    with pytest.raises(rs.RibbonsimError, match=r"eel\.toml"):
        other.save(tmp_path / "eel.toml")
    other.save(tmp_path / "eel.toml", force=True)


def test_pose_names_are_given_taken_and_changed(model):
    model.keep_pose("  ")
    model.keep_pose("")
    model.keep_pose("bow")
    assert list(model.layout.poses) == ["pose1", "pose2", "bow"]
    model.rename_pose("pose1", "rest")
    assert list(model.layout.poses) == ["rest", "pose2", "bow"]
    with pytest.raises(rs.RibbonsimError, match="bow"):
        model.rename_pose("rest", "bow")
    with pytest.raises(rs.RibbonsimError, match="name"):
        model.rename_pose("rest", "  ")
    model.delete_pose("bow")
    assert list(model.layout.poses) == ["rest", "pose2"]


def test_a_pose_changes_nothing_that_needs_saving(model):
    model.set_value(model.selected, "bend", 10.0)
    assert not model.unsaved
    model.set_width(0.2)
    assert model.unsaved
    model.undo()
    assert not model.unsaved


def test_layouts_on_the_shelf_are_copies_to_come_back_to(model):
    first = model.layout
    assert model.keep_layout("") == "layout1"
    model.set_stations(9)
    assert model.keep_layout("short") == "short"
    model.take_layout("layout1")
    assert model.layout is first
    assert list(model.shelf) == ["layout1", "short"]
    model.undo()
    assert len(model.layout.stations) == 9


# -- what it tells -------------------------------------------------------------------------------


def test_readout_of_rest_and_of_a_stretched_body(model):
    ribbon = model.rig.pose_ribbon(model.pose)
    told = model.readout(model.measures_of(model.rig, model.deform(), ribbon))
    assert (told.stretch, told.girth, told.volume) == pytest.approx((1.0, 1.0, 1.0), abs=1e-6)
    model.set_keep_volume(0.0)
    model.show_test_pose("stretch", 1.5)
    ribbon = model.rig.pose_ribbon(model.pose)
    told = model.readout(model.measures_of(model.rig, model.deform(), ribbon))
    # girth stays and length grows by half, so does the volume
    assert told.stretch == pytest.approx(1.5, abs=0.06)
    assert told.girth == pytest.approx(1.0, abs=0.03)
    assert told.volume == pytest.approx(1.5, abs=0.06)
    assert 1 <= told.station <= len(model.layout.stations)


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

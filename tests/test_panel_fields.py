"""What fields, labels and menus of the panel say is what the model holds."""

import threading
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tubes import tube

from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import QuantityRow, slider_of_stations
from ribbonsim.panel.sections.layout_section import LayoutSection
from ribbonsim.panel.sections.number_box import NumberBox, hear_refusals, written
from ribbonsim.panel.sections.pose_section import PoseSection
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.changes import changes_between
from ribbonsim.panel.work.subject import Spot
from ribbonsim.view.look import Scale


class Bench:
    """A tube in the sections that have number boxes."""

    def __init__(self):
        t = np.linspace(0.0, 1.0, 81)
        curve = np.column_stack([10.0 * t, 1.5 * np.sin(3.0 * t), 0.8 * t**2])
        self.desk = Desk((300, 200))
        self.view = ViewSection(self.desk)
        self.layout = LayoutSection(self.desk, self.view)
        self.pose = PoseSection(self.desk)
        for section in (self.view, self.layout, self.pose):
            hear_refusals(section.box, self.desk.complain)
        self.desk.open(tube(curve, 0.5))
        self.start = self.model.layout

    @property
    def model(self):
        return self.desk.model

    @property
    def says(self):
        return self.desk.message.value


@pytest.fixture(scope="module")
def made():
    bench = Bench()
    yield bench
    bench.desk.close()


@pytest.fixture
def bench(made):
    made.desk.say("")
    made.desk.act(made.model.reset_all)
    return made


def write(box, text):
    """Write in a box as the browser does; what it shows then."""
    box._text.value = text
    return box._text.value


# -- number boxes --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("2.5", "whole numbers from 1 to 200"),
        ("1e9", "1 to 200"),
        ("0", "1 to 200"),
        ("-3", "1 to 200"),
        ("nan", "1 to 200"),
        ("inf", "1 to 200"),
        ("twelve", "twelve"),
        ("", "an empty field"),
        ("9" * 400, "…"),
    ],
)
def test_what_a_box_cannot_take_is_refused_and_it_shows_what_holds(text, why):
    said = []
    box = NumberBox(16, 1, 200, whole=True)
    box.name = "spans"
    box.on_refusal(said.append)
    assert write(box, text) == "16"
    assert box.value == 16
    (sentence,) = said
    assert sentence.startswith("spans takes whole numbers from 1 to 200; ")
    assert why in sentence
    assert sentence.endswith("it stays at 16.")
    assert box._text.tooltip == "Whole numbers from 1 to 200"


@pytest.mark.parametrize(
    ("text", "value", "shown"),
    [
        ("0300", 300.0, "300"),
        ("1,5", 1.5, "1.5"),
        (" 2.50 ", 2.5, "2.5"),
        ("-0", 0.0, "0"),
        ("−4", -4.0, "-4"),
    ],
)
def test_what_a_box_takes_it_shows_in_one_way(text, value, shown):
    box = NumberBox(0.0, -500.0, 500.0)
    assert write(box, text) == shown
    assert box.value == value


@given(st.floats(-1e6, 1e6))
def test_a_number_is_shown_so_that_it_reads_back_near_enough(value):
    # seven digits: half a unit of the last is a relative 5e-7
    assert float(written(value)) == pytest.approx(value, rel=5e-7, abs=0.0)


@pytest.mark.parametrize("text", ["2.5", "1e9", "", "many"])
def test_spans_and_stations_refuse_and_show_what_the_model_has(bench, text):
    spans, stations = bench.model.own.ribbon.spans, len(bench.model.own.stations)
    for box, name, holds in (
        (bench.layout._spans, "spans", spans),
        (bench.layout._stations, "stations", stations),
    ):
        assert write(box, text) == str(holds)
        assert f"{name} takes whole numbers" in bench.says
    assert bench.model.own.ribbon.spans == spans
    assert len(bench.model.own.stations) == stations


def test_width_takes_one_value_after_another_and_comes_back(bench):
    row = bench.layout._width
    first = row.number._text.value
    for text in ("1", "0.01", "2", first):
        assert write(row.number, text) == text
        assert row.number.value == pytest.approx(float(text))
        width = bench.model.own.ribbon.width(np.linspace(0.0, 1.0, 33)).mean()
        assert width == pytest.approx(float(text), rel=1e-3)
    assert write(row.number, "1000") == first
    assert "width takes numbers from" in bench.says


def test_reach_out_of_range_is_refused_with_the_range(bench):
    row = bench.layout._reach
    holds = row.number._text.value
    assert write(row.number, "1e9") == holds
    assert "reach takes numbers from 0.25 to 6" in bench.says
    assert bench.model.control.reach == float(holds)


# -- labels --------------------------------------------------------------------------------------


def test_the_amount_of_a_test_pose_stands_only_while_it_holds(bench):
    pose = bench.pose
    pose._test.value = "c_bend"
    pose._amount.number.value = 70.0
    assert bench.model.pose.controls == bench.model.rig.pose_for("c_bend", 70.0).controls
    assert "c bend, 70°" in pose._holds.value
    assert (pose._amount.value, pose._test.value) == (70.0, "c_bend")

    bench.desk.act(bench.model.reset_all)
    assert pose._amount.value == 0.0
    assert "at rest" in pose._holds.value
    bench.desk.act(bench.model.undo)
    assert bench.model.step_words(forward=False) == "test pose c bend 70"
    bench.desk.act(bench.model.redo)
    bench.desk.act(bench.model.undo)
    assert pose._amount.value == 70.0
    assert "c bend, 70°" in pose._holds.value

    pose._rows["twist"].number.value = 25.0
    assert pose._amount.value == 0.0
    assert "a pose of its own" in pose._holds.value
    bench.desk.act(lambda: kept.keep_pose(bench.model, "twisted"))
    assert "kept pose twisted" in pose._holds.value

    pose._test.value = "s_bend"
    pose._amount.number.value = 40.0
    bench.desk.act(bench.model.undo)
    bench.desk.act(bench.model.undo)
    bench.desk.act(bench.model.undo)
    assert (pose._amount.value, pose._test.value) == (70.0, "c_bend")


def test_the_menu_says_what_is_coloured(bench):
    heat, show = bench.view._heat, bench.desk.viewer
    heat.value = "stretch"
    mesh = bench.model.rig.mesh
    values = np.zeros(len(mesh.positions))
    spot = Spot(mesh, np.arange(5), values, Scale(""), "where it bends wrong: pinch")
    bench.desk.mark(spot)
    assert heat.label == "where it bends wrong: pinch"
    bench.desk.mark(None)
    assert heat.value == "stretch"
    bench.desk.mark(spot)
    heat.value = "girth"
    assert show.spot is None
    assert (show.show.heat, heat.value) == ("girth", "girth")
    assert "where it bends wrong" not in dict(heat.options)
    heat.value = "clay"


# -- all that a remedy changes -------------------------------------------------------------------


def test_all_differences_between_layouts_are_said(bench):
    old = bench.start
    assert changes_between(old, old, "linear", "linear") == []
    name = old.controls[1].name
    own = old.body.with_control(name, station=old.controls[1].station + 1, reach=3.25)
    new = old.with_ribbon("body", own).with_drive("skinned")
    said = changes_between(old, new, "linear", "dual_quaternion")
    assert f"reach of {name} 2 → 3.25" in said
    assert f"{name} at station 5 → 6" in said
    assert "drive shares → skinned" in said
    assert "blending linear → dual quaternion" in said
    assert len(said) == 4
    weights = replace(old.body.mesh_weights, smoothing=3)
    soft = old.with_ribbon("body", replace(old.body, mesh_weights=weights))
    assert changes_between(old, soft, "linear", "linear") == ["skin: smoothing 0 → 3"]


def test_edits_of_the_panel_are_said_one_by_one(bench):
    model = bench.model
    before = model.layout
    edits.set_stations(model, 9)
    edits.set_spans(model, 7)
    said = changes_between(before, model.layout, "linear", "linear")
    assert "stations 17 → 9" in said
    assert any(words.startswith("spans ") and words.endswith(" → 7") for words in said)
    model.undo()
    model.undo()
    assert model.layout is before


@pytest.mark.parametrize("keys", list(permutations(["value", "max", "min"])))
@pytest.mark.parametrize(
    "slider", [slider_of_stations, lambda: QuantityRow("bend", "", 0, 9, 1, 3, float).slider]
)
def test_the_browser_is_told_the_ends_of_a_slider_before_its_value(monkeypatch, slider, keys):
    """Backbone tells of changes in the order of the keys (its documentation, `set`)."""

    class InThisOrder(set):
        def __iter__(self):
            return iter(keys)

    made, told = slider(), []
    monkeypatch.setattr(made, "_send", lambda message, buffers=None: told.append(message))
    made.send_state(InThisOrder(keys))
    (message,) = told
    assert list(message["state"])[-1] == "value"


def test_what_the_user_chooses_while_the_panel_shows_the_model_is_heard(bench):
    """A kernel may answer widgets on a thread of its own, beside the one that runs cells."""
    menu = bench.pose._controls
    chosen = next(name for _, name in menu.options if name != bench.model.selected)
    bench.pose._quiet = True
    hand = threading.Thread(target=lambda: setattr(menu, "value", chosen))
    hand.start()
    hand.join()
    bench.pose._quiet = False
    assert bench.model.selected == chosen

"""What is told of the skin under the pointer: the rig's own weights and measures."""

import re

import numpy as np
import pytest
from tubes import straight, tube

import ribbonsim as rs
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.view_section import ViewSection
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.rig.first_layout import BuildOptions, build_layout


@pytest.fixture
def view():
    mesh = tube(straight(20.0, 61), 1.0, 12, name="worm")
    rig = rs.bind(mesh, build_layout(mesh, BuildOptions(stations=9, controls=5)))
    desk = Desk((300, 200))
    desk.model.open(rig)
    desk.viewer.frame_all("front")
    section = ViewSection(desk)
    yield section
    desk.close()
    PICTURES.settle()


def told(view):
    assert PICTURES.settle()
    return view.hover.line.value


def shares(words, names):
    return {name: float(share) for name, share in re.findall(rf"({names}) (\d+) %", words)}


def test_controls_stations_and_measures_of_a_vertex(view):
    desk = view._desk
    model, rig = desk.model, desk.model.rig
    desk.act(lambda: model.set_value("control2", "bend", 40.0))
    vertex = 333
    view.hover.read(vertex)
    words = told(view)
    controls = shares(words, r"control\d")
    assert controls
    for name, share in controls.items():
        own = rig.control_influence[vertex, rig.layout.index_of_control(name)]
        assert share == pytest.approx(100.0 * own, abs=0.51)
    stations = shares(words, r"station \d+")
    assert len(stations) == 2
    for name, share in stations.items():
        own = rig.mesh_weights[vertex, int(name.split()[1]) - 1]
        assert share == pytest.approx(100.0 * own, abs=0.51)
    gauge, posed = Gauge(rig), rig.posed(model.pose)
    measures = gauge.measure(rig.skin_joints(posed.joints, model.method), posed.ribbons["body"])
    stretch = gauge.over_vertices(measures.stretch[:, 0])[vertex]
    assert f"stretch {stretch:.2f}" in words
    # of another pose nothing is told that was of this one
    desk.act(lambda: model.set_value("control2", "bend", 10.0))
    assert told(view) == ""


def test_the_pointer_is_waited_for_and_the_last_place_counts(view):
    viewer, rig = view._desk.viewer, view._desk.model.rig
    points = (rig.layout.ribbon.midline(np.array([0.2, 0.8])) - rig.mesh.centre) / rig.mesh.diagonal
    (first, *_), (x, y, _) = viewer.camera.project(points, viewer.size)
    event = {"type": "mousemove", "relativeY": y, "boundingRectWidth": 300, "buttons": 0}
    for at in np.linspace(first, x, 5):
        view.mouse.hear({**event, "relativeX": at})
    words = told(view)
    found = viewer.vertex_at(x, y)
    view.hover.read(found)
    assert told(view) == words != ""
    view.mouse.hear({**event, "relativeX": 2.0, "relativeY": 2.0})
    assert told(view) == ""
    view.mouse.hear({**event, "relativeX": x})
    view.mouse.hear({**event, "type": "mouseleave", "relativeX": -1.0})
    assert told(view) == ""


def test_a_browser_that_draws_tells_the_vertex(view):
    view.live._hear(None, {"kind": "hover", "vertex": 12}, [])
    assert "station" in told(view)
    view.live._hear(None, {"kind": "hover", "vertex": None}, [])
    assert told(view) == ""


def test_nothing_is_told_of_layouts_side_by_side(view):
    beside = ViewSection(view._desk, "a layout", poses=False)
    beside.mouse.hear({"type": "mousemove", "relativeX": 150, "relativeY": 100})
    assert PICTURES.settle()
    beside.live._hear(None, {"kind": "hover", "vertex": 12}, [])
    assert PICTURES.settle()
    assert beside.hover.line.value == ""

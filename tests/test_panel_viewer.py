"""The panel's pictures and widgets without a browser: real drawing, faked presses."""

import gc
import io
import os
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from demos import demo_mesh
from PIL import Image
from tubes import small_worm

import ribbonsim as rs
from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.sections.fields import QuantityRow
from ribbonsim.panel.sections.pose_section import PoseSection
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.work.viewer import Viewer
from ribbonsim.panel.work.worker import PICTURES

MESHES = Path(__file__).resolve().parents[1] / "meshes"


def pixels(jpeg):
    """A picture as an array, looked at for black, blank and noise."""
    made = np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"), dtype=float)
    assert 60 < made.mean() < 240, "black or white"
    assert made.std() > 8, "blank"
    assert np.abs(np.diff(made, axis=1)).mean() < 8, "noise"
    return made


class Bench:
    """A viewer with what it delivers."""

    def __init__(self, mesh, size=(450, 300)):
        self.frames, self.numbers, self.failures, self.threads = [], [], [], set()
        self.model = PanelModel()
        self.model.open(demo_mesh(mesh))
        self.viewer = Viewer(
            self.model, self._take, self.numbers.append, self.failures.append, size
        )
        self.viewer.frame_all("three_quarter")

    def _take(self, frame):
        self.frames.append(frame)
        self.threads.add(threading.get_ident())

    def draw(self):
        """Ask for a picture and wait for it and its fine frame."""
        self.viewer.ask()
        assert PICTURES.settle()
        assert self.failures == []
        return pixels(self.frames[-1].jpeg)


@pytest.fixture(scope="module")
def grub():
    made = Bench("grub")
    yield made
    made.viewer.close()
    PICTURES.settle()


@pytest.fixture(autouse=True)
def rested(grub):
    """Each test begins with the grub at rest."""
    yield
    grub.model.reset_all()
    grub.frames.clear()
    grub.failures.clear()


def difference(one, other):
    return float(np.abs(one - other).mean())


def test_plain_frame_first_then_one_fine_frame(grub):
    grub.draw()
    assert [frame.fine for frame in grub.frames] == [False, True]
    assert grub.frames[0].seconds > 0.0


def test_numbers_come_with_the_picture(grub):
    grub.numbers.clear()
    grub.model.set_keep_volume(0.0)
    grub.model.set_value(grub.model.selected, "girth", 1.5)
    grub.draw()
    told = grub.numbers[-1]
    assert told.stretch > 1.2
    assert told.volume > 1.2
    assert told.seconds > 0.0


def test_during_a_drag_only_plain_frames_come_and_the_last_is_the_latest(grub):
    start = grub.draw()
    grub.frames.clear()
    for value in range(1, 60):
        grub.model.set_value(grub.model.selected, "bend", float(value))
        grub.viewer.ask()
    end = grub.draw()
    fine = [frame.fine for frame in grub.frames]
    assert fine.count(True) == 1
    assert fine[-1]
    assert len(fine) < 60
    assert difference(start, end) > 0.5
    assert difference(end, grub.draw()) < 0.2


def test_all_pictures_come_from_one_thread_whoever_asks(grub):
    other = Bench("tentacle")
    askers = [
        threading.Thread(target=bench.viewer.ask) for bench in (grub, other) for _ in range(5)
    ]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert PICTURES.settle()
    assert grub.threads == other.threads
    assert threading.get_ident() not in grub.threads
    assert other.failures == []
    for frame in (*grub.frames, *other.frames):
        pixels(frame.jpeg)
    other.viewer.close()


@pytest.mark.slow
def test_closing_a_panel_leaves_the_others_pictures_whole(grub):
    before = grub.draw()
    for _ in range(2):
        other = Bench("tentacle")
        other.draw()
        other.viewer.close()
        other.viewer.ask()
        assert PICTURES.settle()
        del other
        gc.collect()
        assert difference(before, grub.draw()) < 0.2


def test_a_viewer_at_rest_draws_again_when_asked(grub):
    before = grub.draw()
    grub.viewer.rest()
    assert PICTURES.settle()
    assert difference(before, grub.draw()) < 0.2


@pytest.mark.slow
def test_another_mesh_gets_another_stage(grub):
    before = grub.draw()
    mesh = grub.model.rig.mesh
    grub.model.open(demo_mesh("tentacle"))
    grub.viewer.frame_all("three_quarter")
    assert difference(before, grub.draw()) > 1.0
    grub.model.open(mesh)
    grub.viewer.frame_all("three_quarter")
    assert difference(before, grub.draw()) < 0.2


def test_what_cannot_be_drawn_is_said_and_the_next_picture_comes(grub):
    grub.draw()
    show = grub.viewer.show
    grub.viewer.show = replace(show, place="nowhere")
    grub.viewer.ask()
    assert PICTURES.settle()
    assert len(grub.failures) == 1
    assert "the last one stays" in grub.failures[0].sentence
    grub.failures.clear()
    grub.viewer.show = show
    grub.draw()


def test_what_is_shown_changes_the_picture(grub):
    plain, before = grub.viewer.show, grub.draw()
    for change in (
        {"ribbon": True, "glass": True},
        {"stations": True},
        {"controls": False},
        {"place": 0.5},
        {"heat": "control weights"},
        {"heat": "all weights"},
        {"heat": "station weights", "station": 3},
    ):
        grub.viewer.show = replace(plain, **change)
        assert difference(before, grub.draw()) > 0.02, change
    grub.viewer.show = plain
    assert difference(before, grub.draw()) < 0.2


def test_a_click_finds_vertex_and_control(grub):
    grub.draw()
    model, viewer = grub.model, grub.viewer
    camera = viewer.orbit.camera(viewer.aspect)
    rig = model.rig
    seats = rig.layout.ribbon.midline(rig.layout.control_places)
    for name, seat in zip(rig.layout.control_names, seats, strict=True):
        point = (seat - rig.mesh.centre) / rig.mesh.diagonal
        x, y, _ = camera.project(point, viewer.size)[0]
        assert viewer.control_at(x, y) == name
    assert viewer.control_at(2.0, 2.0) is None
    assert viewer.vertex_at(2.0, 2.0) is None
    towards = camera.axes[2]
    front = int(np.argmax(rig.mesh.positions @ towards))
    point = (rig.mesh.positions[front] - rig.mesh.centre) / rig.mesh.diagonal
    x, y, _ = camera.project(point, viewer.size)[0]
    found = viewer.vertex_at(x, y)
    away = np.linalg.norm(rig.mesh.positions[found] - rig.mesh.positions[front])
    assert away < 0.03 * rig.mesh.diagonal


def resident():
    """Memory that the process holds, megabytes (Linux)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc")
@pytest.mark.slow
def test_memory_is_steady_over_two_thousand_updates():
    bench = Bench("grub", (180, 120))

    def update(count):
        for number in range(count):
            value = 40.0 * np.sin(0.1 * number)
            bench.model.set_value(bench.model.selected, "sway", float(value))
            bench.viewer.ask()
            while not bench.frames:
                time.sleep(0.001)
            bench.frames.clear()

    update(200)
    gc.collect()
    before = resident()
    update(2000)
    gc.collect()
    assert resident() - before < 20.0
    assert bench.failures == []
    bench.viewer.close()
    assert PICTURES.settle()


# -- rows ----------------------------------------------------------------------------------------


@pytest.fixture
def row():
    """A row from -180 to 180 with steps of half a degree, and what it has reported."""
    told = []
    made = QuantityRow("bend", "degrees", -180.0, 180.0, 0.5, 0.0, told.append)
    made.told = told
    return made


def test_slider_and_number_report_what_the_user_does(row):
    row.slider.value = 12.5
    assert (row.told, row.number.value) == ([12.5], 12.5)
    row.number.value = 12.6
    assert row.told == [12.5, 12.6]
    row.back.click()
    assert row.told == [12.5, 12.6, 0.0]
    assert (row.slider.value, row.number.value) == (0.0, 0.0)


@pytest.mark.parametrize("value", [23.456, 23.25, -77.7499, 0.1, 179.9])
def test_a_told_value_is_not_reported_back_rounded(row, value):
    row.tell(value)
    # what the browser answers: the nearest step, ties upwards
    row.slider.value = np.floor(value / 0.5 + 0.5) * 0.5
    assert row.told == []
    assert row.value == value
    row.slider.value = row.slider.value - 0.5
    assert len(row.told) == 1


def test_a_browser_that_makes_the_slider_late_changes_nothing():
    told = []
    row = QuantityRow("seconds", "", 0.1, 10.0, 0.05, 2.0, told.append)
    row.tell(1.6)
    # what Chromium was seen to answer, seconds later, to the value the slider was made with
    row.slider.value = 2.0000000000000004
    assert (told, row.value, row.slider.value) == ([], 1.6, 1.6)
    row.slider.value = 2.0
    assert (told, row.value) == ([2.0], 2.0)


def test_the_way_back_to_rest_leads_to_where_rest_is_now(row):
    row.rest_at(1.5)
    assert row.back.tooltip == "bend back to 1.5"
    row.back.click()
    assert (row.told, row.slider.value) == ([1.5], 1.5)


def test_a_value_beyond_the_range_widens_it(row):
    row.tell(540.0)
    assert (row.slider.value, row.number.value, row.slider.max) == (540.0, 540.0, 540.0)
    assert row.told == []


# -- the panel -----------------------------------------------------------------------------------


@pytest.fixture
def no_mesh_named(monkeypatch):
    monkeypatch.delenv("RIBBONSIM_MESH", raising=False)


@pytest.mark.slow
def test_panel_opens_what_the_environment_names(monkeypatch):
    monkeypatch.setenv("RIBBONSIM_MESH", str(MESHES / "grub.obj"))
    panel = rs.Panel()
    assert panel.model.rig.mesh.name == "grub"
    panel.close()
    PICTURES.settle()


def test_panel_without_a_mesh_says_how_to_begin(monkeypatch, no_mesh_named):
    monkeypatch.setattr("ribbonsim.panel.sections.open_section.demo_meshes", dict)
    panel = rs.Panel()
    assert not panel.model.is_open
    assert "Nothing is open yet" in _texts(panel)
    panel.close()


def test_panel_with_a_wrong_path_says_so_and_can_go_on(no_mesh_named):
    panel = rs.Panel("no/such/worm.obj")
    assert "worm.obj" in panel._desk.message.value
    panel._opener.open(small_worm())
    assert panel.model.is_open
    assert "rs-wrong" not in panel._desk.message.value
    panel.close()
    PICTURES.settle()


def test_panel_on_a_machine_that_cannot_draw_says_which_package(monkeypatch):
    def cannot():
        raise rs.RibbonsimError("pictures cannot be drawn: apt install libegl1")

    monkeypatch.setattr("ribbonsim.panel.sections.open_section.check_display", cannot)
    panel = rs.Panel(small_worm())
    assert "libegl1" in panel._desk.message.value
    panel.close()


def test_a_defect_inside_is_said_and_nothing_is_lost(no_mesh_named):
    panel = rs.Panel(small_worm())
    desk = panel._desk
    desk.act(lambda: desk.model.set_value(desk.model.selected, "bend", 12.0))
    pose = desk.model.pose

    def defect():
        raise ZeroDivisionError("inside")

    assert not desk.act(defect)
    assert "nothing was changed" in desk.message.value
    assert desk.model.pose == pose
    panel.close()
    PICTURES.settle()


def test_long_work_tells_how_long_it_takes(no_mesh_named):
    panel = rs.Panel(small_worm())
    desk, said = panel._desk, []
    desk.message.observe(lambda change: said.append(change["new"]), "value")
    desk.act(lambda: threading.Event().wait(1.0), "Done.", doing="Binding again")
    assert sum("Binding again" in text for text in said) >= 1
    assert "Done." in said[-1]
    panel.close()
    PICTURES.settle()


def test_a_panel_that_nobody_sees_frees_its_stage(no_mesh_named):
    panel = rs.Panel(small_worm())
    desk = panel._desk
    desk.picture._view_count = 1
    assert PICTURES.settle()
    assert desk.viewer.painter.stage is not None
    desk.picture._view_count = 0
    assert PICTURES.settle()
    assert desk.viewer.painter.stage is None
    desk.picture._view_count = 1
    assert PICTURES.settle()
    pixels(desk.picture.value)
    panel.close()
    PICTURES.settle()


def _texts(widget):
    own = getattr(widget, "value", "")
    below = "".join(_texts(child) for child in getattr(widget, "children", ()))
    return (own if isinstance(own, str) else "") + below


def test_a_large_test_pose_is_framed_anew_unless_a_part_is_looked_at():
    desk = Desk((300, 200))
    desk.open(demo_mesh("lampeel"))
    section = PoseSection(desk)
    section.refresh()
    whole = desk.viewer.orbit
    assert desk.viewer.shows_all()
    section._test.value = "curl"
    section._show_usual()
    assert desk.viewer.shows_all()
    assert desk.viewer.orbit is not whole
    desk.act(desk.model.reset_all)
    desk.viewer.orbit = part = whole.nearer(4.0)
    assert not desk.viewer.shows_all()
    section._show_usual()
    assert desk.viewer.orbit is part
    desk.viewer.close()

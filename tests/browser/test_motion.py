"""The panel's tab Motion in JupyterLab: pictures play, and the browser plays by itself."""

import os
import signal
from contextlib import contextmanager
from itertools import pairwise

import numpy as np
import pytest

import ribbonsim as rs
from browser.test_live import let_the_browser_draw, numbers, view
from ribbonsim.inpage.creature_bytes import to_stage
from ribbonsim.panel.state.bench import sparser
from ribbonsim.rig.first_layout import build_layout

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def rig(lab):
    mesh = rs.load_mesh(lab.folder / "meshes/tentacle.obj")
    return rs.bind(mesh, build_layout(mesh))


def test_pictures_of_a_motion_play(panel):
    panel.tab("Motion")
    panel.panel.get_by_text("0.00 of 1.6 s").wait_for()
    # what plays never comes to rest: picture after picture comes until it is paused
    seen = panel.source()
    panel.button("Play").click()
    for _ in range(3):
        panel.wait_until(lambda seen=seen: panel.source() not in (seen, None))
        seen = panel.source()
    panel.button("Pause").click()
    panel.settle()
    assert panel.panel.get_by_text("of 1.6 s").count() == 1
    assert panel.value("seconds") == 1.6


@pytest.fixture(scope="module")
def playing(open_notebook):
    """A panel whose browser draws, with its tab Motion in front."""
    panel = open_notebook("moving.ipynb")
    panel.run_all()
    let_the_browser_draw(panel)
    panel.tab("Motion")
    panel.page.wait_for_function("rsLive.notebookView.loop")
    yield panel
    assert panel.errors == []
    assert panel.tracebacks() == []
    panel.page.close()


@contextmanager
def kernel_asleep(lab):
    """The notebook's kernel answers nothing meanwhile."""
    kernel = int((lab.folder / "kernel.pid").read_text())
    os.kill(kernel, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(kernel, signal.SIGCONT)


def moment(panel):
    return float(panel.panel.locator(".rs-time").inner_text().split(" of ")[0])


def skin(panel, layout=0):
    """Positions of the skin as the card has them, in parts of the creature's size."""
    return np.array(view(panel, f"[...view.layouts[{layout}].readBack()]")).reshape(-1, 6)[:, :3]


def seek(panel, frame):
    """Pull the slider to a frame."""
    panel.panel.get_by_label("time in the loop").fill(str(frame))


def test_it_plays_and_is_sought_while_the_kernel_sleeps(playing, lab, rig):
    frames = rig.motion("swim").frames()
    with kernel_asleep(lab):
        playing.button("Play").click()
        drawn = view(playing, "view.drawn")
        seen = [numbers(playing)]
        for _ in range(3):
            playing.page.wait_for_timeout(300)
            seen.append(numbers(playing))
        assert all(np.abs(a - b).max() > 1e-3 for a, b in pairwise(seen))
        assert view(playing, "view.drawn") > drawn + 2
        playing.button("Pause").click()
        for frame in (9, 30):
            seek(playing, frame)
            assert moment(playing) == pytest.approx(frames[frame].time, abs=0.006)
            wanted = to_stage(rig.mesh, rig.deform(frames[frame].pose))
            assert np.abs(skin(playing) - wanted).max() < 5e-6
    # the kernel hears of the last of it when it wakes, and its sliders stand there
    bend = frames[30].pose[rig.layout.control_names[0]].bend
    playing.tab("Pose")
    playing.wait_until(lambda: abs(playing.value("bend") - bend) < 0.01)
    playing.tab("Motion")


def test_settings_act_while_it_plays(playing):
    playing.button("Play").click()
    before = view(playing, "view.drawn")
    playing.page.evaluate("window.rsLoop = rsLive.notebookView.loop")
    playing.type("amount", 0.3)
    playing.page.wait_for_function("rsLive.notebookView.loop !== window.rsLoop")
    assert playing.panel.get_by_role("button", name="Pause", exact=True).is_visible()
    playing.page.wait_for_function(f"rsLive.creatureView.drawn > {before}")
    playing.button("Pause").click()


def test_numbers_follow_what_plays(playing):
    words = playing.panel.locator(".rs-readout")
    playing.button("Play").click()
    playing.wait_until(lambda: "measured at" in words.inner_text())
    before = words.inner_text()
    playing.wait_until(lambda: words.inner_text() != before)
    playing.button("Pause").click()
    playing.wait_until(lambda: "one update" in words.inner_text())


def test_posing_by_hand_stops_it(playing):
    playing.button("Play").click()
    playing.tab("Pose")
    playing.type("bend", 12)
    playing.tab("Motion")
    playing.button("Play").wait_for()


def test_layouts_move_in_step(open_notebook):
    panel = open_notebook("in_step.ipynb")
    panel.run_all()
    let_the_browser_draw(panel)
    panel.choose(panel.select("motion slither"), "slither")
    panel.page.wait_for_function("rsLive.notebookView.loop")
    panel.button("Play").click()
    panel.page.wait_for_timeout(500)
    panel.button("Pause").click()
    seek(panel, 20)
    rigs = [rs.bind(rs.load_mesh("meshes/tentacle.obj"), layout) for layout in _two()]
    take = rigs[0].motion("slither")
    for number, rig in enumerate(rigs):
        wanted = to_stage(rig.mesh, take.on(rig).frames()[20].skin())  # which lies on the ground
        panel.wait_until(lambda n=number, w=wanted: np.abs(skin(panel, n) - w).max() < 1e-5)
    assert panel.tracebacks() == []
    panel.page.close()


def _two():
    first = build_layout(rs.load_mesh("meshes/tentacle.obj"))
    return first, sparser(first)

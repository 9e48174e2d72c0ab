"""What the browser's view takes of the page's thread; printed as it is, and never failing.

Run with ``-m bench -s``. Without a graphics card the drawing itself says little, so it is left
out: these are times of the script.
"""

import pytest
from big import big_rig

from browser.view_page import ViewPage, as_text
from ribbonsim.inpage.creature_bytes import pack_binding
from ribbonsim.inpage.pose_bytes import pose_numbers
from ribbonsim.rig.first_layout import load_rig

pytestmark = pytest.mark.bench

_FRAMES = """(() => {
  const times = [];
  for (let i = 0; i < 12; i++) {
    view.camera.turn(3, 0);
    view.draw();
    times.push(view.scriptTime);
  }
  return times.sort((a, b) => a - b)[6];
})()"""
_POSES = """(() => {
  const times = [];
  for (let i = 0; i < 12; i++) {
    const begin = performance.now();
    view.layouts[0].pose(some);
    times.push(performance.now() - begin);
  }
  return times.sort((a, b) => a - b)[6];
})()"""


@pytest.fixture(scope="module")
def view(chromium, tmp_path_factory):
    page = chromium.new_page(viewport={"width": 320, "height": 240})
    yield ViewPage(page, tmp_path_factory.mktemp("view"), (320, 240))
    page.close()


def test_script_of_frames_poses_and_uploads(view):
    rig = load_rig("meshes/lampeel.obj", None, None)
    view.open(rig)
    numbers = pose_numbers(rig, rig.pose_for("c_bend", 90.0))
    view.pose(numbers)
    view.run(f"window.some = Float32Array.from({numbers.tolist()})")
    view.run("view.fit(); view.show({ ground: false, controls: false })")
    bare = view.run(_FRAMES)
    view.run("view.show({ controls: true, stations: true })")
    named = view.run(_FRAMES)
    posed = view.run(_POSES)
    print(f"20k vertices, a frame's script: {bare:.2f} ms bare, {named:.2f} with names (want 2)")
    print(f"20k vertices, a pose's script: {posed:.2f} ms")
    assert named > 0.0
    big = big_rig()
    view.open(big)
    view.run(f"window.packed = unpack(bytes('{as_text(pack_binding(big))}'))")
    took = view.run(
        "(() => { const begin = performance.now(); view.setLayout(0, packed);"
        " return performance.now() - begin; })()"
    )
    print(f"100k vertices, weights to the card: {took:.0f} ms")

"""What the browser's module draws, and what it answers to mouse, keys and a lost context."""

import numpy as np
import pytest
from tubes import s_curve, tube

import ribbonsim as rs
from browser.view_page import ViewPage
from ribbonsim.inpage.creature_bytes import to_stage
from ribbonsim.inpage.pose_bytes import pose_numbers
from ribbonsim.layout.pose import Pose
from ribbonsim.panel.work.live import camera_facts
from ribbonsim.panel.work.subject import Orbit
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.view.camera import View

pytestmark = pytest.mark.browser
SIZE = (480, 360)


@pytest.fixture(scope="module")
def rigs():
    mesh = tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")
    first = rs.bind(mesh, build_layout(mesh, BuildOptions(stations=13, controls=5)))
    return first, rs.bind(mesh, first.layout.without_control(first.layout.controls[1].name))


@pytest.fixture(scope="module")
def alone(chromium, tmp_path_factory):
    page = chromium.new_page(viewport={"width": 480, "height": 360})
    yield ViewPage(page, tmp_path_factory.mktemp("view"), SIZE)
    page.close()


@pytest.fixture
def view(alone, rigs):
    """The first rig at rest, fitted into the picture."""
    alone.open(rigs[0])
    alone.pose(pose_numbers(rigs[0], Pose()))
    alone.run("view.fit()")
    yield alone
    assert alone.errors == []


def clay(picture):
    return float((picture[..., 0] - picture[..., 2] > 40).mean())


def apart(one, other):
    return float(np.abs(one - other).mean())


def test_clay_stands_on_a_calm_ground(view):
    picture = view.picture()
    assert 0.03 < clay(picture) < 0.5
    corner = picture[:40, -60:]
    assert corner.std(axis=(0, 1)).max() < 4.0  # no edge, no grid
    assert corner.mean() > 215


def test_a_pose_and_every_way_of_showing_change_the_picture(view, rigs):
    rest = view.picture()
    view.pose(pose_numbers(rigs[0], rigs[0].pose_for("c_bend", 90.0)))
    posed = view.picture()
    assert apart(rest, posed) > 1.0
    for name in ("ribbon", "stations", "edges", "glass", "stripes"):
        view.run(f"view.show({{ {name}: true }})")
        assert apart(view.picture(), posed) > 0.05, name
        view.run(f"view.show({{ {name}: false }})")
    assert apart(view.picture(), posed) < 0.01


def test_heat_has_its_scale_and_its_colours(view, rigs):
    before = view.picture()
    count = len(rigs[0].mesh.positions)
    view.run(f"view.setHeat(0, new Uint8Array({count}).fill(255))")
    view.run(
        "view.show({ scale: { title: 'stretch', low: 0, high: 2, unit: '', diverging: false } })"
    )
    after = view.picture()
    dark = rs_scale_end()
    body = np.abs(after - before).max(axis=2) > 60
    near = np.abs(after[body] / np.maximum(after[body].sum(axis=1, keepdims=True), 1) - dark)
    assert np.median(near.max(axis=1)) < 0.12  # the hue of the scale's end, lit
    bar = after[SIZE[1] - 46 : SIZE[1] - 34, 18:250]
    assert np.abs(bar[:, 10] - bar[:, -10]).max() > 60


def test_colours_of_the_skin_can_be_given(view, rigs):
    count = len(rigs[0].mesh.positions)
    view.run("view.show({ scale: { title: '', mixed: true } })")
    blue = "[20, 60, 240]"
    view.run(
        f"view.setHeat(0, Uint8Array.from({{ length: {3 * count} }}, (_, i) => {blue}[i % 3]))"
    )
    shown = view.picture()
    body = shown[..., 2] - shown[..., 0] > 60  # clay is warmer than the ground, and this is not
    assert body.mean() > 0.02
    hue = np.median(shown[body] / shown[body].sum(axis=1, keepdims=True), axis=0)
    assert hue[2] > 0.5
    view.run("view.setHeat(0, null)")
    view.run("view.show({ scale: null })")
    again = view.picture()
    assert not (again[..., 2] - again[..., 0] > 60).any()


def rs_scale_end():
    from ribbonsim.view.look import Scale

    end = Scale("").table[255].astype(float)
    return end / end.sum()


def test_dots_stand_where_the_pictures_camera_puts_them(view, rigs):
    # the panel's pictures and this view are of one camera, so a hand may go from one to the other
    rig, pose = rigs[0], rigs[0].pose_for("s_bend", 60.0)
    orbit = Orbit(View(212.0, 31.0), np.array([0.05, -0.1, 0.02]), 2.2)
    view.pose(pose_numbers(rig, pose))
    view.run(f"view.setCamera({camera_facts(orbit)!r})")
    body = rig.layout.body
    seats = to_stage(rig.mesh, rig.pose_ribbon(pose).midline(body.control_places))
    wanted = orbit.camera(SIZE[0] / SIZE[1]).project(seats, SIZE)[:, :2]
    got = [
        view.run(
            f"[...view.camera.project(view.layouts[0].control({i}), view.tiles[0].box, [0,0,0])]"
        )
        for i in range(len(seats))
    ]
    assert np.abs(np.array(got)[:, :2] - wanted).max() < 0.01


def test_names_never_cover_one_another(view, rigs):
    view.run("view.show({ stations: true })")
    for azimuth in range(0, 360, 30):
        view.run(f"view.setCamera({{ azimuth: {azimuth} }}); view.draw()")
        boxes = [np.array(label["box"]) for label in view.run("view.labels")]
        assert len(boxes) >= 3
        for i, a in enumerate(boxes):
            assert a[0] >= 0
            assert a[2] <= SIZE[0]
            for b in boxes[:i]:
                assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])


def test_the_mouse_orbits_moves_and_goes_nearer(view):
    page, before = view.page, view.picture()
    told = view.run("view.camera.told")
    page.mouse.move(30, 30)
    page.mouse.down()
    page.mouse.move(80, 30, steps=3)
    page.mouse.up()
    now = view.run("view.camera.told")
    assert now["azimuth"] == pytest.approx((told["azimuth"] - 20.0) % 360.0)
    assert apart(view.picture(), before) > 0.5
    page.mouse.wheel(0, -300)
    page.wait_for_timeout(60)
    assert view.run("view.camera.distance") < told["distance"]
    page.keyboard.press("ArrowLeft")
    assert view.run("view.camera.azimuth") == pytest.approx((now["azimuth"] - 15.0) % 360.0)
    page.keyboard.press("Shift+ArrowUp")
    assert view.run("view.camera.focus") != told["focus"]
    assert view.run("told.cameras.length") >= 3


def test_a_click_finds_control_and_vertex(view, rigs):
    rig = rigs[0]
    view.run("view.setCamera({ azimuth: 0, elevation: 10 })")
    x, y, _ = view.run(
        "[...view.camera.project(view.layouts[0].control(2), view.tiles[0].box, [0,0,0])]"
    )
    view.page.mouse.click(x, y)
    picked = view.run("told.picks.at(-1)")
    assert (picked["kind"], picked["name"]) == ("control", rig.layout.control_names[2])
    view.run("view.show({ controls: false })")
    view.page.mouse.click(x, y)
    picked = view.run("told.picks.at(-1)")
    assert picked["kind"] == "vertex"
    # of the vertices that face the camera the one that was clicked is among the nearest
    positions, normals = view.skin()
    eye = np.array(view.run("view.camera.eye"))
    facing = np.einsum("vi,vi->v", eye - positions, normals) > 0
    seen = [
        view.run(f"[...view.camera.project({p.tolist()}, view.tiles[0].box, [0,0,0])]")[:2]
        for p in positions[[picked["vertex"]]]
    ]
    assert facing[picked["vertex"]]
    assert np.hypot(seen[0][0] - x, seen[0][1] - y) < 15.0
    view.page.mouse.click(5, 5)
    assert view.run("told.picks.at(-1)") is None


def test_a_dragged_dot_tells_how_far_in_the_creatures_size(view):
    x, y, away = view.run(
        "[...view.camera.project(view.layouts[0].control(3), view.tiles[0].box, [0,0,0])]"
    )
    view.page.mouse.move(x, y)
    view.page.mouse.down()
    view.page.mouse.move(x + 36, y, steps=2)
    view.page.keyboard.down("Alt")
    view.page.mouse.move(x + 36, y - 18)
    view.page.mouse.up()
    view.page.keyboard.up("Alt")
    last = view.run("told.drags.at(-1)")
    size = 2.0 * away * np.tan(np.radians(13.0)) / SIZE[1]  # of a pixel at the dot's depth
    assert (last["right"], last["up"]) == pytest.approx((36 * size, 18 * size))
    assert last["done"]
    assert last["keys"] == {"shift": False, "alt": True, "control": False}


def test_layouts_share_the_canvas_and_the_camera(alone, rigs):
    alone.open(*rigs)
    for number, rig in enumerate(rigs):
        alone.pose(pose_numbers(rig, Pose()), number)
    alone.run("view.show({ controls: false }); view.fit()")
    side = alone.picture()
    half = SIZE[0] // 2
    assert clay(side[40:, :half]) == pytest.approx(clay(side[40:, half:]), abs=0.003)
    assert alone.run("document.querySelectorAll('canvas').length") == 2  # with that of the names
    alone.run("view.arrange('over'); view.fit()")
    assert apart(alone.picture(), side) > 1.0
    # at rest both are in one place; posed they are as far apart as deform says
    alone.run("view.arrange('difference')")
    poses = [rig.pose_for("s_bend", 70.0) for rig in rigs]
    for number, (rig, pose) in enumerate(zip(rigs, poses, strict=True)):
        alone.pose(pose_numbers(rig, pose), number)
    skins = [to_stage(rig.mesh, rig.deform(pose)) for rig, pose in zip(rigs, poses, strict=True)]
    farthest = np.linalg.norm(skins[0] - skins[1], axis=1).max()
    end = alone.run("view.apart()")
    assert farthest <= end <= 2.6 * farthest
    assert alone.errors == []


def test_a_lost_context_comes_back_with_the_same_picture(view, rigs):
    view.pose(pose_numbers(rigs[0], rigs[0].pose_for("c_bend", 90.0)))
    before = view.picture()
    view.run(
        """new Promise((done) => {
        const held = view.gl.getExtension("WEBGL_lose_context");
        view.canvas.addEventListener("webglcontextrestored", () => setTimeout(done, 50));
        held.loseContext();
        setTimeout(() => held.restoreContext(), 50);
        })"""
    )
    assert apart(view.picture(), before) < 0.05


def test_it_asks_for_nothing_and_gives_its_context_back(view):
    assert [url for url in view.requests if not url.startswith(("file:", "data:"))] == []
    view.run("window.old = view; view.close()")
    assert view.run("old.gl.isContextLost()")
    assert view.run("document.querySelectorAll('canvas').length") == 0
    view.run("delete window.view")


def test_many_poses_do_not_grow_the_heap(view, rigs):
    numbers = pose_numbers(rigs[0], rigs[0].pose_for("c_bend", 60.0))
    view.run(f"window.some = Float32Array.from({numbers.tolist()})")
    session = view.page.context.new_cdp_session(view.page)
    turn = "for (let i = 0; i < 1000; i++) { view.layouts[0].pose(some); view.drawOverlay(); }"

    def heap():
        session.send("HeapProfiler.collectGarbage")
        return session.send("Runtime.getHeapUsage")["usedSize"]

    view.run(turn)
    first = heap()
    view.run(turn + turn.replace("i ", "j ").replace("i++", "j++").replace("let i", "let j"))
    grown = heap() - first
    print(f"2,000 poses: the heap grows by {grown / 1e3:.0f} kB")
    assert grown < 300_000


def test_the_rest_stands_behind_the_pose_and_never_flickers_through(view, rigs):
    alone = view.picture()
    view.run("view.show({ rest: true })")
    assert apart(view.picture(), alone) < 0.01  # skin that has not moved hides it
    view.pose(pose_numbers(rigs[0], rigs[0].pose_for("c_bend", 90.0)))
    over = []
    for azimuth in (50, 230):  # the rest stands before what was bent away, and behind it
        view.run(f"view.setCamera({{ azimuth: {azimuth}, distance: 3.2, focus: [0, 0, 0] }})")
        view.run("view.show({ rest: true, controls: false })")
        shown = view.picture()
        view.run("view.show({ rest: false })")
        posed = view.picture()
        changed = np.abs(shown - posed).max(axis=2) > 6
        body = posed[..., 0] - posed[..., 2] > 40
        assert (changed & ~body).mean() > 0.003  # it is seen beside the posed skin
        assert np.abs(shown - posed)[body].mean() < 6.0  # which it hardly tints
        over.append((changed & body).sum() / body.sum())
    assert max(over) > 0.05
    assert min(over) < 0.5 * max(over)  # what stands before it hides it


def halves(view, rigs, divider):
    """Two layouts on either side of a line: that picture, and each alone.

    They are bent by different amounts, so that the sides differ.
    """
    amounts = zip(rigs, (80.0, 45.0), strict=True)
    poses = [pose_numbers(rig, rig.pose_for("s_bend", amount)) for rig, amount in amounts]
    view.open(*rigs)
    for number, numbers in enumerate(poses):
        view.pose(numbers, number)
    view.run("view.show({ controls: false, front: 0, left: 1 }); view.arrange('split')")
    view.run(f"view.divider = {divider}; view.arrange()")
    view.run("view.setCamera({ azimuth: 20, elevation: 10, focus: [0, 0, 0], distance: 2.6 })")
    both, alone = view.picture(), []
    for rig, numbers in zip(rigs, poses, strict=True):
        view.open(rig)
        view.pose(numbers)
        view.run("view.show({ controls: false })")
        view.run("view.setCamera({ azimuth: 20, elevation: 10, focus: [0, 0, 0], distance: 2.6 })")
        alone.append(view.picture())
    return both, alone


@pytest.mark.parametrize("divider", [0.35, 0.6])
def test_before_and_after_are_each_on_their_side_of_the_line(view, rigs, divider):
    both, (after, before) = halves(view, rigs, divider)
    at, below = round(divider * SIZE[0]), 64  # the names stand above
    assert apart(both[below:, : at - 16], before[below:, : at - 16]) < 0.2
    assert apart(both[below:, at + 16 :], after[below:, at + 16 :]) < 0.2
    assert apart(before, after) > 0.3
    assert both[below:, at].mean() < 120


def test_the_line_is_dragged_and_moved_by_keys_and_escape_ends_it(view, rigs):
    view.open(*rigs)
    for number, rig in enumerate(rigs):
        view.pose(pose_numbers(rig, Pose()), number)
    view.run("view.show({ front: 0, left: 1 }); view.arrange('split'); view.fit()")
    view.run(
        "told.lines = []; view.on.divider = (share, done) => told.lines.push([share, done]); 0"
    )
    view.run("told.ends = 0; view.on.end = () => told.ends++; 0")
    before = view.run("view.camera.told")
    mouse, wide = view.page.mouse, SIZE[0]
    mouse.move(wide / 2 + 3, 200)
    assert view.run("view.host.style.cursor") == "ew-resize"
    mouse.down()
    mouse.move(0.3 * wide, 210, steps=3)
    mouse.up()
    assert view.run("view.divider") == pytest.approx(0.3, abs=0.01)
    assert view.run("told.lines.at(-1)") == [view.run("view.divider"), True]
    assert view.run("view.camera.told") == before
    view.page.keyboard.press("Control+ArrowRight")
    assert view.run("view.divider") == pytest.approx(0.32, abs=0.01)
    view.page.keyboard.press("Escape")
    assert view.run("told.ends") == 1
    # dots of what stands are seen and found on its side alone, and names keep off the line
    for divider in (0.1, 0.5, 0.9):
        view.run(f"view.divider = {divider}; view.arrange(); view.draw()")
        assert all(label["box"][0] >= divider * wide for label in view.run("view.labels"))
        for i in range(len(rigs[0].layout.controls)):
            x, y, _ = view.run(
                "[...view.camera.project("
                f"view.layouts[0].control({i}), view.tiles[0].box, [0, 0, 0])]"
            )
            found = view.run(f"view.pick({x}, {y})")
            assert (found["kind"] == "control") == (x >= round(divider * wide)), (divider, i)

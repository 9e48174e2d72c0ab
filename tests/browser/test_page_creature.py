"""The review page with the creature in it, as the one who decides opens it."""

import base64
import json

import numpy as np
import pytest
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.inpage.seen import read_seen
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.show.studio import Look

pytestmark = pytest.mark.browser
NO_WEBGL = """
const made = HTMLCanvasElement.prototype.getContext;
HTMLCanvasElement.prototype.getContext = function (kind, ...more) {
  return kind.startsWith("webgl") ? null : made.call(this, kind, ...more);
};"""


@pytest.fixture(scope="module")
def pair():
    mesh = tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")
    rig = rs.bind(mesh, build_layout(mesh, BuildOptions(stations=13, controls=5)))
    layout = rig.layout
    return rig, rs.bind(mesh, layout.without_control(layout.controls[1].name))


@pytest.fixture(scope="module")
def written(pair, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "review.html"
    poses = {"c_bend": 90.0, "twist": 500.0}
    rs.review_page(pair, path, poses, names=["five", "four <b>"], look=Look(quality="draft"))
    return path


def opened(chromium, path, size=(1280, 720), before=None, **more):
    page = chromium.new_page(viewport={"width": size[0], "height": size[1]}, **more)
    page.seen_requests, page.seen_errors = [], []
    page.on("request", lambda request: page.seen_requests.append(request.url))
    page.on("pageerror", lambda error: page.seen_errors.append(str(error)))
    page.on("console", lambda m: m.type == "error" and page.seen_errors.append(m.text))
    if before:
        page.add_init_script(before)
    page.goto(path.as_uri())
    # no waiting by a function: the page's policy lets nothing be evaluated
    page.wait_for_selector("html[data-draws]", state="attached", timeout=240_000)
    return page


@pytest.fixture
def page(chromium, written):
    page = opened(chromium, written)
    yield page
    assert page.seen_errors == []
    assert [
        url for url in page.seen_requests if not url.startswith(("file:", "data:", "blob:"))
    ] == []
    page.close()


def pixels(page):
    """The drawn stage, from 0 to 255."""
    text, wide, high = page.evaluate(
        """(() => { const c = creatureView.still(), p = c.getContext("2d");
        const data = p.getImageData(0, 0, c.width, c.height).data; let text = "";
        for (let i = 0; i < data.length; i += 8192)
          text += String.fromCharCode(...data.subarray(i, i + 8192));
        return [btoa(text), c.width, c.height]; })()"""
    )
    return (
        np.frombuffer(base64.b64decode(text), np.uint8)
        .reshape(high, wide, 4)[..., :3]
        .astype(float)
    )


def clay(picture):
    return float((picture[..., 0] - picture[..., 2] > 40).mean())


def test_it_opens_posed_and_is_no_blank(page):
    assert page.evaluate("document.documentElement.dataset.draws") == "yes"
    told = page.evaluate("performance.now()")
    print(f"open and drawn after at most {told:.0f} ms, without a graphics card")
    picture = pixels(page)
    assert 0.02 < clay(picture) < 0.6
    assert picture.std() > 5


def test_poses_amount_and_layouts_change_the_picture(page):
    first = pixels(page)
    page.get_by_role("button", name="twist").click()
    second = pixels(page)
    assert np.abs(second - first).mean() > 0.3
    page.locator("#amount").fill("0.4")
    assert page.locator("#amount-told").inner_text() == "200°"
    assert np.abs(pixels(page) - second).mean() > 0.1
    page.get_by_role("button", name="over one another").click()
    assert page.evaluate("creatureView.tiles.length") == 1
    page.get_by_role("button", name="rest").click()
    assert page.locator("#amount").is_disabled()


def test_a_motion_plays_pauses_and_stands_at_any_moment(page, pair):
    swim = page.get_by_role("button", name="swim")
    swim.click()
    seen = {page.locator("#amount").input_value()}
    for _ in range(100):
        page.wait_for_timeout(100)
        seen.add(page.locator("#amount").input_value())
        if len(seen) > 3:
            break
    assert len(seen) > 3
    assert page.locator("#amount-of").inner_text() == "time"
    swim.click()
    page.wait_for_timeout(300)
    still = page.locator("#amount-told").inner_text()
    page.wait_for_timeout(500)
    assert page.locator("#amount-told").inner_text() == still
    # at a frame that was sent the page has the pose that the rig has, within its 16 bits
    rig, mesh = pair[0], pair[0].mesh
    instants = rig.motion("swim").frames(10.0)
    page.locator("#amount").evaluate(
        "(slider, share) => { slider.step = 'any'; slider.value = share;"
        " slider.dispatchEvent(new Event('input')); }",
        5 / len(instants),
    )
    assert page.locator("#amount-told").inner_text() == f"{instants[5].time:.2f} s"
    posed = np.array(page.evaluate("[...creatureView.layouts[0].readBack()]")).reshape(-1, 6)
    skin = (rig.deform(instants[5].pose) - mesh.centre) / mesh.diagonal
    assert np.abs(posed[:, :3] - skin).max() < 2e-3
    page.locator("#note").fill("Slower.")
    page.get_by_role("button", name="Keep the note").click()
    seen = read_seen(page.locator("#notes-kept code").inner_text())
    assert (seen.motion, seen.moment) == ("swim", pytest.approx(instants[5].time, abs=1e-3))


def test_the_mouse_goes_round_it(page):
    before, told = pixels(page), page.evaluate("creatureView.camera.told")
    box = page.locator("#stage").bounding_box()
    x, y = box["x"] + 200, box["y"] + 200
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 100, y + 20, steps=4)
    page.mouse.up()
    now = page.evaluate("creatureView.camera.told")
    assert now["azimuth"] == pytest.approx((told["azimuth"] - 40.0) % 360.0)
    assert now["elevation"] == pytest.approx(told["elevation"] + 8.0)
    assert np.abs(pixels(page) - before).mean() > 0.3


def test_a_finding_is_shown_where_it_is(page):
    page.locator("[data-mark] button").first.click()
    (mark, *_) = page.evaluate("creatureView.marks.filter((mark) => mark.chosen)")
    assert mark["text"].startswith("1")
    assert page.locator("[data-mark].chosen").count() == 1
    assert page.evaluate("creatureView.camera.distance") == 1.5


def test_a_note_comes_back_as_text_and_in_the_saved_page(page, chromium, tmp_path):
    page.evaluate("creatureView.setCamera({ azimuth: 123.25, elevation: -7.5 })")
    page.locator("#amount").fill("0.5")
    page.locator("#note").fill("Too stiff <here>.")
    page.get_by_role("button", name="Keep the note").click()
    text = page.locator("#notes-kept code").inner_text()
    seen = read_seen(text)
    assert (seen.pose, seen.amount, seen.layout) == ("c_bend", 45.0, "five")
    assert (seen.azimuth, seen.elevation) == (123.25, -7.5)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the page with them").click()
    saved = tmp_path / "saved.html"
    download.value.save_as(saved)
    again = opened(chromium, saved)
    assert again.locator("#notes-kept p").inner_text() == "Too stiff <here>."
    assert again.evaluate("creatureView.camera.azimuth") == pytest.approx(123.25)
    assert again.locator("#amount-told").inner_text() == "45°"
    assert again.locator("#stage canvas").count() == 2
    assert again.seen_errors == []
    again.close()


def test_without_webgl_there_is_a_still_a_sentence_and_no_dead_slider(chromium, written):
    page = opened(chromium, written, before=NO_WEBGL)
    assert page.locator("#stage .still").is_visible()
    assert "cannot draw the creature itself" in page.locator(".cannot").inner_text()
    assert not page.locator("#amount").is_visible()
    assert page.seen_errors == []
    page.close()


def test_a_telephone_has_room_for_it_and_touch_works(chromium, written):
    page = opened(chromium, written, (390, 844), has_touch=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    stage = page.locator("#stage").bounding_box()
    assert 300 < stage["height"] < 560
    before = page.evaluate("creatureView.camera.told")
    session = page.context.new_cdp_session(page)
    x, y = stage["x"] + 120, stage["y"] + 120

    def touch(kind, *points):
        given = [{"x": px, "y": py, "id": i} for i, (px, py) in enumerate(points)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": given})

    touch("touchStart", (x, y), (x + 60, y))
    for step in range(1, 5):
        touch("touchMove", (x - 8 * step, y), (x + 60 + 8 * step, y))
    touch("touchEnd")
    page.wait_for_timeout(200)
    now = page.evaluate("creatureView.camera.told")
    assert now["distance"] < 0.8 * before["distance"]  # two fingers apart: nearer
    assert page.seen_errors == []
    page.close()


def test_paper_has_the_still(chromium, written):
    page = opened(chromium, written)
    page.emulate_media(media="print")
    assert page.locator("#stage .still").is_visible()
    assert not page.locator("#amount").is_visible()
    assert not page.locator("#stage canvas").first.is_visible()
    page.close()


def test_names_are_text_in_the_script_too(page):
    names = page.evaluate("creatureView.layouts.map((layout) => layout.facts.name)")
    assert names == ["five", "four <b>"]
    assert json.loads(page.locator("#creature-data").text_content())["names"] == names

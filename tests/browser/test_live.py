"""The browser's own view in a panel, in JupyterLab and Chromium.

There is no graphics card here: the view is chosen by hand, and times are not looked at.
"""

import numpy as np
import pytest

from browser.test_page_creature import clay

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def live(open_notebook):
    """A panel whose picture the browser draws."""
    panel = open_notebook("drawn.ipynb")
    panel.run_all()
    let_the_browser_draw(panel)
    yield panel
    assert panel.errors == []
    assert panel.tracebacks() == []
    panel.page.close()  # what it draws takes time from the tests that follow


def let_the_browser_draw(panel):
    """Choose it by hand, and wait until it has drawn."""
    panel.panel.locator("select").filter(has_text="as fits").select_option("the browser")
    panel.panel.locator(".rs-live canvas").first.wait_for()
    panel.page.evaluate("window.rsLive = [...document.querySelectorAll('.rs-live')].pop()")
    drawn(panel)


def view(panel, script):
    """Ask the view, which the widget leaves at its element."""
    return panel.page.evaluate(f"((view) => {script})(rsLive.creatureView)")


def drawn(panel):
    panel.page.wait_for_function(
        "rsLive.creatureView?.layouts[0]?.numbers && rsLive.creatureView.drawn"
    )


def pixels(panel):
    data, wide, high = view(
        panel,
        """{ const c = view.still(), p = c.getContext("2d");
        return [[...p.getImageData(0, 0, c.width, c.height).data], c.width, c.height]; }""",
    )
    return np.array(data, float).reshape(high, wide, 4)[..., :3]


def numbers(panel):
    return np.array(view(panel, "[...view.layouts[0].numbers]"))


def changed(panel, act):
    """Do something that has to pose the creature anew."""
    before = numbers(panel)
    act()
    panel.wait_until(lambda: not np.array_equal(numbers(panel), before))
    return before, numbers(panel)


def test_it_says_who_draws_and_shows_clay(live):
    assert "The browser draws" in live.panel.inner_text()
    assert not live.image.is_visible()
    assert 0.02 < clay(pixels(live)) < 0.7


def test_sliders_pose_it_and_undo_takes_it_back(live):
    rest, _ = changed(live, lambda: live.type("bend", 40))
    live.wait_until(lambda: live.value("bend") == 40.0)
    changed(live, lambda: live.button("Undo").click())
    live.wait_until(lambda: np.array_equal(numbers(live), rest))


def test_orbit_needs_no_answer_and_the_kernel_knows_it_afterwards(live):
    before = view(live, "view.camera.told")
    box = live.panel.locator(".rs-live").last.bounding_box()
    x, y = box["x"] + 30, box["y"] + 60
    live.page.mouse.move(x, y)
    live.page.mouse.down()
    live.page.mouse.move(x + 100, y, steps=4)
    assert view(live, "view.camera.azimuth") != before["azimuth"]
    live.page.mouse.up()
    told = view(live, "view.camera.told")
    assert told["azimuth"] == pytest.approx((before["azimuth"] - 40.0) % 360.0, abs=1.0)
    live.panel.get_by_role("button", name="Front", exact=True).click()
    live.wait_until(lambda: view(live, "view.camera.azimuth") == 0.0)


def test_a_dot_that_is_dragged_bends_and_the_sliders_follow(live):
    live.panel.get_by_role("button", name="Side", exact=True).click()
    live.wait_until(lambda: view(live, "view.camera.azimuth") == 90.0)
    last = view(live, "view.layouts[0].facts.controls.length") - 1
    box = live.panel.locator(".rs-live").last.bounding_box()
    x, y, _ = view(
        live,
        f"[...view.camera.project(view.layouts[0].control({last}), view.tiles[0].box, [0,0,0])]",
    )
    x, y = x + box["x"], y + box["y"]

    def drag():
        live.page.mouse.move(x, y)
        live.page.mouse.down()
        live.page.mouse.move(x + 10, y - 30, steps=3)
        live.page.mouse.up()

    changed(live, drag)
    name = view(live, f"view.layouts[0].facts.controls[{last}].name")
    live.wait_until(lambda: view(live, "view.shown.chosen") == name)
    live.wait_until(lambda: abs(live.value("bend")) + abs(live.value("sway")) > 1.0)
    live.button("All to rest").click()


def spot(live, point):
    """Where a point in stage units, as a list in the page's script, is on the page."""
    box = live.panel.locator(".rs-live").last.bounding_box()
    x, y, _ = view(live, f"[...view.camera.project({point}, view.tiles[0].box, [0,0,0])]")
    return x + box["x"], y + box["y"]


def test_a_guide_is_drawn_where_the_browser_draws(live):
    live.tab("Layout")
    live.button("Draw the guide").click()
    live.wait_until(lambda: view(live, "view.shown.guide !== null"))
    live.panel.locator(".rs-live").last.scroll_into_view_if_needed()
    stations = view(live, "view.layouts[0].stations")
    for count, station in enumerate((3, stations // 2, stations - 4), start=1):
        live.page.mouse.click(*spot(live, f"view.layouts[0].seat({station})"))
        live.wait_until(lambda count=count: view(live, "view.shown.guide.points.length") == count)
    before = view(live, "view.shown.guide.points[2]")
    x, y = spot(live, "view.shown.guide.points[2]")
    azimuth = view(live, "view.camera.azimuth")
    live.page.mouse.move(x, y)
    live.page.mouse.down()
    live.page.mouse.move(x, y - 40, steps=5)
    live.page.mouse.up()
    live.wait_until(lambda: spot(live, "view.shown.guide.points[2]")[1] < y - 35)
    assert spot(live, "view.shown.guide.points[2]") == pytest.approx((x, y - 40), abs=1.5)
    assert view(live, "view.camera.azimuth") == azimuth
    live.button("Undo point").click()
    live.wait_until(lambda: view(live, "view.shown.guide.points[2]") == before)
    live.button("Leave it").click()
    live.wait_until(lambda: view(live, "view.shown.guide === null"))


def test_a_vertex_is_picked_where_the_browser_draws(live):
    live.panel.get_by_role("button", name="Click the tip").click()
    live.wait_until(lambda: view(live, "view.shown.picks"))
    live.panel.locator(".rs-live").last.scroll_into_view_if_needed()
    seats = view(live, "view.layouts[0].stations")
    x, y = spot(live, f"view.layouts[0].seat({seats - 4})")
    live.page.mouse.click(x, y)
    live.wait_until(lambda: not view(live, "view.shown.picks"))
    live.button("Undo").click()
    live.tab("Pose")


def test_the_pointer_that_rests_is_told_what_is_under_it(live):
    live.panel.locator(".rs-live").last.scroll_into_view_if_needed()
    x, y = spot(live, "view.layouts[0].seat(view.layouts[0].stations >> 1)")
    live.page.mouse.move(x + 3, y + 3)
    live.page.mouse.move(x, y)
    line = live.panel.locator(".rs-hover")
    live.wait_until(lambda: "station" in line.inner_text())
    box = live.panel.locator(".rs-live").last.bounding_box()
    live.page.mouse.move(box["x"] + 5, box["y"] + 5)
    live.wait_until(lambda: line.inner_text().strip() == "")


def test_the_picture_comes_back_when_the_kernel_shall_draw(live):
    live.panel.locator("select").filter(has_text="as fits").select_option("the kernel")
    live.image.wait_for(state="visible")
    live.settle()
    live.picture()
    live.panel.locator("select").filter(has_text="as fits").select_option("the browser")
    live.panel.locator(".rs-live canvas").first.wait_for(state="visible")


def test_before_and_after_follow_one_slider_and_end_with_one_press(live):
    live.tab("Layout")
    live.type("reach", 1.0)
    both = live.panel.get_by_role("button", name="Before and after", exact=True).first
    live.wait_until(both.is_enabled)
    both.click()
    live.page.wait_for_function("rsLive.creatureView.arrangement === 'split'")
    live.page.wait_for_function("rsLive.creatureView.layouts[1]?.numbers")
    names = "view.layouts.map((layout) => layout.facts.name.split(' · ')[0])"
    assert view(live, names) == ["after", "before"]
    live.hears("reach of")
    live.tab("Pose")
    before = view(live, "view.layouts.map((layout) => [...layout.numbers])")
    live.type("bend", 35)
    live.wait_until(
        lambda: all(
            a != b
            for a, b in zip(
                view(live, "view.layouts.map((layout) => [...layout.numbers])"), before, strict=True
            )
        )
    )
    live.wait_until(lambda: all("girth" in name for name in view(
        live, "view.layouts.map((layout) => layout.facts.name)")))  # fmt: skip
    both.click()
    live.page.wait_for_function("rsLive.creatureView.layouts.length === 1")
    assert view(live, "view.arrangement") == "side"
    live.button("All to rest").click()
    live.tab("Layout")
    live.button("Undo").click()
    live.tab("Pose")


def test_the_rest_is_shown_behind_the_pose(live):
    live.button("Rest behind").click()
    live.page.wait_for_function("rsLive.creatureView.shown.rest === true")
    live.button("Rest behind").click()
    live.page.wait_for_function("rsLive.creatureView.shown.rest === false")

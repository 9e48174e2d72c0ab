"""Small pictures of poses under the picture, in JupyterLab and Chromium."""

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def strip(open_notebook):
    panel = open_notebook("stripped.ipynb")
    panel.page.set_viewport_size({"width": 1280, "height": 900})
    panel.run_all()
    drawn(panel)
    yield panel
    assert panel.errors == []
    assert panel.tracebacks() == []
    panel.page.close()


def poses(panel):
    return panel.panel.locator(".rs-pose")


def drawn(panel):
    """Wait until every pose has its picture as the layout is now."""
    panel.page.wait_for_function(
        """() => {
            const all = [...document.querySelectorAll(".rs-pose")];
            return all.length >= 10 && all.every((pose) =>
                pose.querySelector("img").naturalWidth == 150 &&
                !pose.matches(".rs-waits, .rs-old"));
        }"""
    )


def test_a_click_takes_a_pose_and_undo_goes_back(strip):
    curl = poses(strip).filter(has_text="curl")
    strip.changed(curl.click)
    strip.wait_until(lambda: curl.get_attribute("aria-pressed") == "true")
    assert strip.value("amount") > 90.0
    strip.changed(strip.button("Undo").click)
    strip.wait_until(lambda: curl.get_attribute("aria-pressed") == "false")
    assert strip.value("amount") == 0.0


def test_a_change_of_the_layout_dims_the_pictures_until_they_are_made_again(strip):
    first = poses(strip).first.locator("img")
    before = first.get_attribute("src")
    strip.tab("Layout")
    strip.type("stations", 13)
    strip.panel.locator(".rs-pose.rs-old").first.wait_for()
    drawn(strip)
    assert first.get_attribute("src") != before
    strip.button("Undo").click()
    drawn(strip)


def test_a_row_longer_than_the_picture_scrolls_by_itself(strip):
    strip.page.set_viewport_size({"width": 1100, "height": 900})
    row = strip.panel.locator(".rs-strip")
    wide, whole = row.evaluate("(one) => [one.clientWidth, one.scrollWidth]")
    assert whole > wide
    row.evaluate("(one) => { one.scrollLeft = 1e4; }")
    last = poses(strip).last.bounding_box()
    frame = row.bounding_box()
    assert last["x"] + last["width"] <= frame["x"] + frame["width"] + 1
    strip.page.set_viewport_size({"width": 1280, "height": 900})


def test_it_makes_room_on_a_small_screen_and_where_it_is_switched_off(strip):
    strip.page.set_viewport_size({"width": 1280, "height": 800})  # the picture goes by the height
    row = strip.panel.locator(".rs-strip")
    row.wait_for()
    assert 64 <= row.bounding_box()["height"] <= 84
    high = strip.image.bounding_box()["height"]
    strip.page.set_viewport_size({"width": 390, "height": 844})
    row.wait_for(state="hidden")
    strip.page.set_viewport_size({"width": 1280, "height": 800})
    row.wait_for()
    switch = strip.button("Pose pictures")
    switch.click()
    row.wait_for(state="hidden")
    strip.wait_until(lambda: strip.image.bounding_box()["height"] > high)
    switch.click()
    row.wait_for()
    strip.wait_until(lambda: strip.image.bounding_box()["height"] == high)

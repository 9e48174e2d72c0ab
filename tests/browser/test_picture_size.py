"""The picture is as large as the page has room for it, and what is gone says so."""

import numpy as np
import pytest

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def shown(open_notebook):
    """A panel on a page of its own, whose size changes."""
    page = open_notebook("shown.ipynb")
    page.run_all()
    return page


def natural(panel):
    """Width and height of the picture's file."""
    return panel.image.evaluate("(image) => [image.naturalWidth, image.naturalHeight]")


def displayed(panel):
    box = panel.image.bounding_box()
    return [box["width"], box["height"]]


def is_drawn_as_shown(panel):
    return np.abs(np.subtract(natural(panel), displayed(panel))).max() <= 1.0


def test_the_picture_fills_the_width_and_is_drawn_as_large_as_it_is_shown(shown):
    for size in ((1280, 720), (1000, 800), (1700, 900)):
        shown.page.set_viewport_size({"width": size[0], "height": size[1]})
        shown.wait_until(lambda: is_drawn_as_shown(shown))
        shown.settle()
        assert is_drawn_as_shown(shown)
        shown.picture()
        beside = shown.panel.locator(".rs-view").bounding_box()["width"]
        assert displayed(shown)[0] == pytest.approx(beside, abs=1.0)
    shown.page.set_viewport_size({"width": 1280, "height": 900})
    shown.wait_until(lambda: is_drawn_as_shown(shown))
    shown.settle()


def test_a_dot_is_chosen_where_it_is_seen(shown):
    shown.page.set_viewport_size({"width": 1500, "height": 700})  # far wider than high
    shown.wait_until(lambda: is_drawn_as_shown(shown))
    shown.settle()
    pixels, box = shown.picture(), shown.image.bounding_box()
    amber = np.hypot(pixels[..., 0] - 242, pixels[..., 1] - 165) + np.abs(pixels[..., 2] - 31) < 60
    rows, columns = np.nonzero(amber)
    seen = set()
    for at in (np.argmin(columns), np.argmax(columns)):  # the dots at both ends of the body
        inward = 3 if at == np.argmin(columns) else -3
        x, y = box["x"] + float(columns[at] + inward), box["y"] + float(rows[at])
        shown.changed(lambda x=x, y=y: shown.page.mouse.click(x, y))
        seen.add(shown.select("control1").input_value().split()[0])
    assert len(seen) == 2


def test_on_a_dense_screen_it_has_the_screens_pixels(shown):
    screen = shown.page.context.new_cdp_session(shown.page)
    told = {"width": 1100, "height": 760, "deviceScaleFactor": 2, "mobile": False}
    screen.send("Emulation.setDeviceMetricsOverride", told)
    wide, high = displayed(shown)
    shown.wait_until(
        lambda: np.abs(np.subtract(natural(shown), np.multiply(2, displayed(shown)))).max() <= 2.0
    )
    shown.settle()
    assert natural(shown) == pytest.approx([2 * wide, 2 * high], abs=2.0)
    screen.send("Emulation.clearDeviceMetricsOverride")
    shown.page.set_viewport_size({"width": 1280, "height": 900})
    shown.wait_until(lambda: is_drawn_as_shown(shown))


def test_a_panel_whose_kernel_was_restarted_says_so_and_leads_on(shown):
    lost = shown.panel.locator(".rs-lost")
    assert lost.count() == 0
    shown.page.locator(".lm-MenuBar").get_by_role("menuitem", name="Kernel", exact=True).click()
    shown.page.locator(".lm-Menu-item", has_text="Restart Kernel…").first.click()
    shown.page.locator(".jp-Dialog .jp-mod-accept").click()
    lost.wait_for()
    assert "run the notebook again" in lost.inner_text()
    shown._mark_old()
    shown.button("Run the notebook again").click()
    shown.page.locator(".jp-Dialog .jp-mod-accept").click()  # a plain notebook asks
    shown._wait_for_fresh()
    assert lost.count() == 0
    shown.changed(lambda: shown.handle("bend").press("PageUp"))
